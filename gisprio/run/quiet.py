"""Keeps off the terminal what a compiled library prints past Python."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def quiet() -> Iterator[None]:
    """Let nothing out of the process's standard output inside a ``with`` block, whoever writes it.

    Notes
    -----
    The solver of programs leaves lines there that mean nothing to a reader. What the C library still holds back is let
    go into nothing before the output is put back. Where the process has no output, nothing is done.
    """
    _flush()
    try:
        kept = os.dup(1)
    except OSError:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        _flush()
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _flush() -> None:
    """Flush what Python and the C library hold back."""
    if sys.stdout is not None:
        sys.stdout.flush()
    library = ctypes.CDLL("ucrtbase" if sys.platform == "win32" else None)
    library.fflush(None)
