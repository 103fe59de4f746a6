"""Where results go: refused before any work is done when they cannot; and what a full machine means."""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from gisprio.contracts.errors import GisprioError, RunError, SettingsError
from gisprio.contracts.settings import Settings
from gisprio.run.store import STORE

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_REFUSED = (errno.EACCES, errno.EPERM, errno.EROFS)
_LEAST_FREE = 2**20
_SHORT = re.compile(
    r"^(?:[\w.]*MemoryError\b"
    r"|(?:\S.*)?(?:bad_alloc|out of memory|cannot allocate memory|failed to map segment|can't start new thread))",
    re.IGNORECASE | re.MULTILINE,
)
"""What libraries say when memory is short; indented lines of a traceback are code and say nothing."""
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
    there = folder
    try:
        while not there.exists():
            there = there.parent
    except PermissionError:
        raise not_writable(folder) from None
    if folder.is_file():
        raise SettingsError(f"the results folder {folder} is a file.", wanted="a folder.", do=_OWN_FOLDER)
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
        It may not be written, or something else has the store's name.
    """
    try:
        (folder / STORE).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        if error.errno in _REFUSED:
            raise not_writable(folder) from error
        if error.errno in (errno.EEXIST, errno.ENOTDIR):
            raise SettingsError(
                f"{folder / STORE}, where the store goes, is no folder, or a link to none.",
                wanted="a folder, a link to one, or nothing of that name.",
                do="remove it, or mount the disk that it leads to.",
            ) from error
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
    except Exception as error:  # libraries tell of short memory by errors of many kinds; all others go on
        if not memory_gave_out(error):
            _raise_disk_fault(error, folder)
            raise
        raise RunError(
            "the memory gave out.",
            wanted="more memory, or less at a time.",
            do="set a smaller [run] tile_m, or close other programs. Earlier results are whole, "
            "finished stages are kept.",
        ) from error


def memory_gave_out(error: BaseException) -> bool:
    """Say whether an error, or one that led to it, tells that memory is short.

    Notes
    -----
    Python, numpy and Arrow raise a MemoryError; GEOS and GDAL hand the words of C++ on in errors of their own, the
    system's loader in an ImportError. What led to an error in a worker process comes as the text of its traceback.
    """
    met: set[int] = set()
    one: BaseException | None = error
    while one is not None and id(one) not in met:
        met.add(id(one))
        if isinstance(one, MemoryError) or (isinstance(one, OSError) and one.errno == errno.ENOMEM):
            return True
        if not isinstance(one, GisprioError) and _SHORT.search(str(one)):
            return True
        one = one.__cause__ or one.__context__
    return False


def _raise_disk_fault(error: Exception, folder: Path) -> None:
    """Raise what an error means where it tells of a full or a refused disk."""
    if isinstance(error, OSError):
        if error.errno in _FULL:
            raise _disk_full(folder) from error
        if error.errno in _REFUSED and _lies_in(error.filename, folder):
            raise not_writable(folder) from error
    elif isinstance(error, RuntimeError | sqlite3.Error) and shutil.disk_usage(folder).free < _LEAST_FREE:
        raise _disk_full(folder) from error  # GDAL and SQLite do not say that the disk is full


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
