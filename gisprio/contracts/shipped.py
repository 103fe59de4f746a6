"""Files that come with gisprio: legends, curves, setback rules, sample and template configs.

They lie in ``configs/`` of the source tree and in ``gisprio/configs/`` of the installed package.
"""

from __future__ import annotations

from pathlib import Path, PurePosixPath, PureWindowsPath

from gisprio.contracts.errors import InputError

_PACKAGE = Path(__file__).resolve().parent.parent
_HOMES = (_PACKAGE / "configs", _PACKAGE.parent / "configs")


def shipped(name: str) -> Path:
    """Give the path of a file that comes with gisprio.

    The installed package is looked in first, then the source tree.

    Parameters
    ----------
    name
        Path below ``configs/`` with forward slashes, such as ``"legends/nlcd.csv"``.

    Raises
    ------
    InputError
        When there is no such file (the message names what is there), or the name leads out of ``configs/``.
    """
    _refuse_outside(name)
    for home in _HOMES:
        if (home / name).is_file():
            return home / name
    folder = PurePosixPath(name).parent.as_posix()
    names = _names_in(folder)
    if names:
        wanted = f"one of {', '.join(names)}."
    else:
        wanted = f"a file in one of {', '.join(shipped_folders())}."
    raise InputError(
        f"{name} does not come with gisprio.",
        wanted=wanted,
        do="choose one of these, or give the path of a file of your own.",
    )


def shipped_names(folder: str = "") -> list[str]:
    """List the files of one folder that come with gisprio, sorted; folders below it are not entered.

    Parameters
    ----------
    folder
        Folder below ``configs/``, such as ``"legends"``; empty for ``configs/`` itself.

    Returns
    -------
    list of str
        Names as `shipped` takes them, such as ``"legends/nlcd.csv"``.

    Raises
    ------
    InputError
        When no such folder comes with gisprio, or the name leads out of ``configs/``.
    """
    folder = folder or "."
    _refuse_outside(folder)
    if not any((home / folder).is_dir() for home in _HOMES):
        raise InputError(
            f"{folder}/ does not come with gisprio.",
            wanted=f"one of {', '.join(shipped_folders())}.",
            do="choose one of these.",
        )
    return _names_in(folder)


def _refuse_outside(name: str) -> None:
    """Refuse names that are absolute or climb, as either system writes them."""
    posix, windows = PurePosixPath(name), PureWindowsPath(name)
    if not name or posix.is_absolute() or windows.drive or windows.root or ".." in windows.parts:
        raise InputError(
            f"{name!r} is no name of a file that comes with gisprio.",
            wanted='a path below configs/, such as "legends/nlcd.csv".',
            do="leave out drive, leading slash and ..; a file of your own goes into the config by its path.",
        )


def _names_in(folder: str) -> list[str]:
    for home in _HOMES:
        if (home / folder).is_dir():
            names = (path.relative_to(home) for path in (home / folder).iterdir() if path.is_file())
            return sorted(name.as_posix() for name in names if not name.name.startswith("."))
    return []


def shipped_folders() -> list[str]:
    """List the folders below ``configs/`` that come with gisprio, each with a slash at its end."""
    for home in _HOMES:
        if home.is_dir():
            below = (path.relative_to(home).as_posix() for path in home.rglob("*") if path.is_dir())
            return sorted(f"{name}/" for name in below)
    return []
