"""Removes the store of a result folder; the results stay."""

from __future__ import annotations

import shutil
from contextlib import suppress
from pathlib import Path

from gisprio.run.lock import locked
from gisprio.run.publish import finish_publishing
from gisprio.run.results import open_results
from gisprio.run.store import STORE


def clean(folder: str | Path) -> int:
    """Remove what a result folder keeps for later runs; the next run computes everything again.

    Parameters
    ----------
    folder
        A result folder.

    Returns
    -------
    int
        Bytes that became free.

    Raises
    ------
    InputError
        It is not a result folder, or a run is at work in it.
    """
    place = open_results(folder).folder
    finish_publishing(place)
    with locked(place, []):
        kept = [path for path in (place / STORE).iterdir() if path.name != "lock"]
        freed = sum(bytes_of(path) for path in kept)
        for path in kept:
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
    with suppress(OSError):  # a link to another place, or a mount point: it stays, empty
        (place / STORE).rmdir()
    return freed


def bytes_of(path: Path) -> int:
    """Give the size of a file, or of all files below a folder [bytes]; links are not followed."""
    if path.is_dir() and not path.is_symlink():
        return sum(bytes_of(each) for each in path.iterdir())
    return path.lstat().st_size
