"""Compiling of kernels in the first run on a machine: one process compiles, others wait and take what it kept."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gisprio.contracts.cards import Stage
from gisprio.run.stages import needs_compiling

try:
    import fcntl
except ImportError:  # Windows: every process compiles for itself
    fcntl = None  # type: ignore[assignment]


@contextmanager
def compiled_once(stage: Stage) -> Iterator[None]:
    """Let a stage whose kernels are not compiled yet run while no other process of this user compiles.

    Parameters
    ----------
    stage
        A row of the stage table.

    Notes
    -----
    Who waited finds the kernels compiled, and goes on without the lock. numba numbers the files it keeps: two processes
    that compile one kernel for two types at one moment might take the same number. The system lets go of the lock when
    a process ends, however it ends.
    """
    lock = open_lock() if needs_compiling(stage) else None
    if lock is None:
        yield
        return
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not needs_compiling(stage):
            fcntl.flock(lock, fcntl.LOCK_UN)
        yield
    finally:
        os.close(lock)


def open_lock() -> int | None:
    """Open the file that is locked; None where the system has no such lock, or no place for it."""
    if fcntl is None:
        return None
    try:
        return os.open(lock_path(), os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    except OSError:
        return None


def lock_path() -> Path:
    """Give the file that is locked, one for each user."""
    return Path(tempfile.gettempdir()) / f"gisprio-compiling-{os.getuid()}"
