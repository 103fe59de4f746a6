"""The lock of a result folder: one run at a time, and its holder has a name."""

from __future__ import annotations

import errno
import json
import os
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from gisprio.contracts.errors import InputError
from gisprio.run.store import STORE

_NO_HARD_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)
"""What file systems without hard links say."""


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock: process id, host, time of taking, and the process's start where the system tells."""

    pid: int
    host: str
    started: str
    born: str

    def lives(self) -> bool:
        """Say whether the holder may still be at work; on another host nobody can tell, so yes."""
        if self.host != socket.gethostname() or sys.platform == "win32":
            return True
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            return False
        except PermissionError:
            return True
        born = _born(self.pid)
        return not (born and self.born and born != self.born)


def read_lock(folder: Path) -> Holder | None:
    """Give the holder of a result folder's lock; None when it is free."""
    try:
        text = (folder / STORE / "lock").read_text("utf-8")
    except FileNotFoundError:
        return None
    try:
        return Holder(**json.loads(text))
    except (ValueError, TypeError):
        return Holder(0, "an unknown host", "an unknown time", "")


@contextmanager
def locked(folder: Path, notes: list[str]) -> Iterator[None]:
    """Hold the lock of a result folder for the length of a ``with`` block.

    Parameters
    ----------
    folder
        The result folder; it exists.
    notes
        Gets a line when the lock of a process that is gone was taken over.

    Raises
    ------
    InputError
        Another run holds it.
    """
    place = folder / STORE
    place.mkdir(parents=True, exist_ok=True)
    lock = place / "lock"
    now = datetime.now().astimezone().isoformat("T", "seconds")
    mine = Holder(os.getpid(), socket.gethostname(), now, _born(os.getpid()))
    text = json.dumps(asdict(mine))
    if not _take(lock, text):
        holder = read_lock(folder)
        if holder is not None and holder.lives():
            raise held_by_another(folder, holder)
        if holder is not None:
            notes.append(f"Took over the lock of process {holder.pid} ({holder.started}), which is gone.")
        _set_aside(lock, holder)
        if not _take(lock, text):
            raise held_by_another(folder, read_lock(folder) or mine)
    try:
        yield
    finally:
        with suppress(FileNotFoundError):
            lock.unlink()


def held_by_another(folder: Path, holder: Holder) -> InputError:
    """Word the refusal, naming the holder."""
    return InputError(
        f"{folder} is in use by another run: process {holder.pid} on {holder.host}, since {holder.started}.",
        wanted="one run at a time in a result folder.",
        do=f"wait for it to end; when it is surely gone, delete {folder / STORE / 'lock'}.",
    )


def _take(lock: Path, text: str) -> bool:
    """Make the lock file with its content in one step; say whether it was free."""
    beside = lock.with_name(f"lock.{os.getpid()}")
    try:
        beside.write_text(text, "utf-8")
        os.link(beside, lock)
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        try:
            with lock.open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            return False
    finally:
        beside.unlink(missing_ok=True)
    return True


def _set_aside(lock: Path, dead: Holder | None) -> None:
    """Remove the lock of a dead holder, unless somebody else just took it over."""
    aside = lock.with_name(f"lock.{os.getpid()}.dead")
    try:
        os.rename(lock, aside)
    except FileNotFoundError:
        return
    found = read_lock_file(aside)
    if found != dead:
        with suppress(OSError):
            os.link(aside, lock)
    aside.unlink()


def read_lock_file(path: Path) -> Holder | None:
    """Read a lock file by its path; None where it holds something else."""
    try:
        return Holder(**json.loads(path.read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def _born(pid: int) -> str:
    """Give when a process began, in the system's own count; empty where it does not tell."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text("ascii", "replace")
    except OSError:
        return ""
    return stat.rpartition(")")[2].split()[19]
