"""Where results go: refused before any work is done when they cannot; and what a full machine means."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gisprio.contracts.errors import RunError, SettingsError
from gisprio.contracts.settings import Settings
from gisprio.run.store import STORE

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_REFUSED = (errno.EACCES, errno.EPERM, errno.EROFS)
_LEAST_FREE = 2**20
_OWN_FOLDER = "give a folder of its own in [run] output or --out."


def results_folder(settings: Settings, out: str | Path | None = None) -> Path:
    """Give the results folder, after asking whether results can go there; makes nothing.

    Parameters
    ----------
    settings
        Settings of the run.
    out
        Folder that overrules ``[run] output``, relative to where the command runs.

    Raises
    ------
    SettingsError
        It is a file, lies inside a file, may not be written, or holds the config or the data.
    """
    folder = settings.output() if out is None else Path(out).expanduser().resolve()
    if folder.is_file():
        raise SettingsError(f"the results folder {folder} is a file.", wanted="a folder.", do=_OWN_FOLDER)
    there = folder
    while not there.exists():
        there = there.parent
    if not there.is_dir():
        raise SettingsError(
            f"the results folder {folder} would lie inside {there}, which is a file.",
            wanted="a folder inside folders.",
            do=_OWN_FOLDER,
        )
    if not os.access(there, os.W_OK | os.X_OK):
        raise not_writable(folder)
    if folder == settings.folder.resolve():
        raise SettingsError(
            f"the results folder {folder} is the folder of the config.",
            wanted="a folder that holds nothing but results.",
            do=_OWN_FOLDER,
        )
    for layer, home in _data_folders(settings):
        if home == folder or folder / STORE in (home, *home.parents):
            raise SettingsError(
                f"the results folder {folder} holds the data of layer {layer}.",
                wanted="a folder that holds nothing but results.",
                do=_OWN_FOLDER,
            )
    return folder


def make_results_folder(folder: Path) -> None:
    """Make the results folder and its store.

    Raises
    ------
    SettingsError
        It may not be written.
    """
    try:
        (folder / STORE).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        if error.errno in _REFUSED:
            raise not_writable(folder) from error
        raise


def not_writable(folder: Path) -> SettingsError:
    """Word that the results folder may not be written."""
    return SettingsError(
        f"the results folder {folder} may not be written.",
        wanted="a folder you may write to.",
        do="change its permissions, or give another one in [run] output or --out.",
    )


@contextmanager
def machine_faults(folder: Path) -> Iterator[None]:
    """Turn a full disk or memory inside a ``with`` block into a :class:`RunError`.

    Raises
    ------
    RunError
        With what gave out; earlier results are whole.
    SettingsError
        The folder turned out not to be writable.
    """
    try:
        yield
    except MemoryError as error:
        raise RunError(
            "the memory gave out.",
            wanted="more memory, or less at a time.",
            do="set a smaller [run] tile_m, or close other programs. Earlier results are whole, "
            "finished stages are kept.",
        ) from error
    except OSError as error:
        if error.errno in _FULL:
            raise _disk_full(folder) from error
        if error.errno in _REFUSED and _lies_in(error.filename, folder):
            raise not_writable(folder) from error
        raise
    except (RuntimeError, sqlite3.Error) as error:  # GDAL and SQLite do not say that the disk is full
        if shutil.disk_usage(folder).free < _LEAST_FREE:
            raise _disk_full(folder) from error
        raise


def _disk_full(folder: Path) -> RunError:
    return RunError(
        f"the disk that holds {folder} is full.",
        wanted="room for the results and for .gisprio, the store.",
        do="free some room and run again. Earlier results are whole, finished stages are kept.",
    )


def _lies_in(path: object, folder: Path) -> bool:
    return isinstance(path, str | os.PathLike) and folder in (Path(path), *Path(path).parents)


def _data_folders(settings: Settings) -> Iterator[tuple[str, Path]]:
    for layer, paths in settings.layers.given().items():
        for text in paths:
            if "://" not in text and not text.startswith("/vsi"):
                yield layer, (settings.folder / text.split("|")[0]).expanduser().resolve().parent
