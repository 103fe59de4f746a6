"""Puts finished results in place so that they are never a mixture of two runs.

Files are written to ``.gisprio/new/``, on the file system of the results. A manifest with their digests,
``.gisprio/publish.json``, is put in place in one step; from then on the new results are what holds. Then each
file replaces its old one, ``run.json`` last, and the manifest goes. Whoever meets a manifest first finishes that step.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from time import monotonic, sleep
from typing import Any

from gisprio.contracts.errors import InputError
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import held_by_another, locked, read_lock
from gisprio.run.places import machine_faults
from gisprio.run.store import STORE, write_json

RECORD = "run.json"
MANIFEST = "publish.json"
_BESIDE_DATABASE = ("-wal", "-shm", "-journal")
_PATIENCE_S = 10.0


def new_folder(folder: Path) -> Path:
    """Give an empty ``.gisprio/new/`` of a locked folder; what a dead run left there goes.

    A publication that was cut short is finished first.
    """
    if (folder / STORE / MANIFEST).exists():
        _carry_out(folder)
    new = new_place(folder)
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir(parents=True)
    return new


def digests_of(new: Path, names: Iterable[str]) -> dict[str, str]:
    """Digest files of a folder, by name."""
    return {name: file_digest(new / name) for name in names}


def publish(folder: Path, names: list[str], gone: dict[str, str]) -> None:
    """Put the files of ``.gisprio/new/`` in place.

    Parameters
    ----------
    folder
        The result folder, locked by this run.
    names
        Files to publish; ``run.json`` is among them.
    gone
        Files of the earlier run that the new one does not have, with their digest: removed where unchanged.

    Raises
    ------
    InputError
        A folder stands where a file should go.
    """
    for name in names:
        if (folder / name).is_dir():
            raise InputError(
                f"{folder / name} is a folder; the results have a file of that name.",
                wanted="no folder of that name in the results folder.",
                do="move it away and run again; what was computed is kept.",
            )
    ordered = [*sorted(name for name in names if name != RECORD), RECORD]
    manifest = {
        "format": 1,
        "files": [{"name": name, "sha256": digest} for name, digest in digests_of(new_place(folder), ordered).items()],
        "gone": [{"name": name, "sha256": digest} for name, digest in sorted(gone.items())],
    }
    for name in ordered:
        _to_disk(new_place(folder) / name)
    write_json(folder / STORE / MANIFEST, manifest, to_disk=True)
    _carry_out(folder)


def finish_publishing(folder: Path) -> bool:
    """Finish a publication that was cut short; say whether there was one.

    Every command that touches a results folder calls this first. Waits a little while a run is publishing.

    Raises
    ------
    InputError
        Another run holds the folder, or a file of the new results is neither waiting nor in place.
    RunError, SettingsError
        The disk is full, or may not be written.
    """
    manifest = folder / STORE / MANIFEST
    until = monotonic() + _PATIENCE_S
    while manifest.exists():
        holder = read_lock(folder)
        if holder is None or not holder.lives():
            with locked(folder, []):
                if manifest.exists():
                    with machine_faults(folder):
                        _carry_out(folder)
            return True
        if monotonic() > until:
            raise held_by_another(folder, holder)
        sleep(0.05)
    return False


def _refuse_outside(folder: Path, name: str) -> None:
    """Refuse a name in a manifest that leads out of the folder: a folder may come from anybody.

    Raises
    ------
    InputError
        It is absolute or goes up.
    """
    if Path(name).is_absolute() or ".." in Path(name).parts or Path(name).drive:
        raise InputError(
            f"{folder / STORE / MANIFEST} names a file outside the folder: {name}.",
            wanted="names of files of this result folder.",
            do="do not trust this folder; delete its .gisprio and run again.",
        )


def _carry_out(folder: Path) -> None:
    manifest: dict[str, Any] = json.loads((folder / STORE / MANIFEST).read_text("utf-8"))
    for file in (*manifest["files"], *manifest["gone"]):
        _refuse_outside(folder, file["name"])
    for file in manifest["files"]:
        _put_in_place(folder, file["name"], file["sha256"])
    for file in manifest["gone"]:
        old = folder / file["name"]
        if old.is_file() and file_digest(old) == file["sha256"]:
            old.unlink()
    (folder / STORE / MANIFEST).unlink()
    shutil.rmtree(new_place(folder), ignore_errors=True)


def _put_in_place(folder: Path, name: str, digest: str) -> None:
    waiting, place = new_place(folder) / name, folder / name
    if not waiting.exists():
        if place.is_file() and file_digest(place) == digest:
            return
        raise InputError(
            f"{place} is not the file the last run made, and the new one is not in {new_place(folder)}.",
            wanted="one of the two.",
            do=f"delete {folder / STORE / MANIFEST} and run again.",
        )
    place.parent.mkdir(parents=True, exist_ok=True)
    for ending in _BESIDE_DATABASE:  # they belong to the old file and would be played into the new one
        with suppress(FileNotFoundError):
            place.with_name(place.name + ending).unlink()
    os.replace(waiting, place)


def new_place(folder: Path) -> Path:
    """Give where new results wait: in the store, or beside it where the store lies on another file system."""
    store = folder / STORE
    same = not store.exists() or store.stat().st_dev == folder.stat().st_dev
    return store / "new" if same else folder / f"{STORE}-new"


def _to_disk(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())
