"""What is known of raster files from earlier runs: heads and digests, so that nothing unchanged is opened again.

The index is a folder inside the store: ``files.json`` with heads and digests, and ``trees`` with the R-trees of sources
of many files. Content decides: size and date only say that what is known may be trusted.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import astuple
from pathlib import Path
from typing import Any

import rasterio

from gisprio.contracts.findings import Finding
from gisprio.inputs.digests import file_digest, text_digest
from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import SETTLED_NS, Place
from gisprio.inputs.raster_files import RasterFile, head_of, read_facts
from gisprio.inputs.servers import Servers

FORMAT = 1
"""Raised when heads or digests are kept in another form or mean something else."""

Stamp = list[Any]
"""Path, size [bytes] and date [ns] of a file; size and date are None where it is gone."""
Surveys = tuple[tuple[int, ...], list[Finding]]


class TileIndex:
    """Heads and digests of raster files, by path.

    Parameters
    ----------
    folder
        Where the index is kept; None: nothing is known, nothing is kept.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder
        self.trees = folder / "trees" if folder is not None else None
        self._known = _read(folder / "files.json") if folder is not None else _nothing()
        self._used = _nothing()
        self._folders: dict[Path, dict[str, list[Stamp]]] = {}
        self._servers = Servers()

    def head(self, layer: str, place: Place) -> RasterFile | Fault:
        """Give the head of a raster file, read only if it is not known or the file has changed.

        Parameters, result and fault are those of :func:`~gisprio.inputs.raster_files.read_head`.
        """
        version = self._servers.version(layer, place)
        if isinstance(version, Fault):
            return version
        key = f"{place.path}|{place.sublayer}"
        known = self._used["heads"].get(key) or self._known["heads"].get(key)
        if known is None or not self._trusted(place, known, version):
            seen_ns = time.time_ns()
            facts = read_facts(layer, place)
            if isinstance(facts, Fault):
                return facts
            known = {"facts": facts, "seen_ns": seen_ns, "version": version}
            known["stamps"] = self._stamps(place, facts)
        self._used["heads"][key] = known
        facts = known["facts"]
        parts = [version] if not place.is_local else []
        for other in facts["far"]:
            more = self._servers.version(layer, Place(other))
            if isinstance(more, Fault):
                return more
            parts.append(more)
        return head_of(place, facts, " ".join(parts) if all(parts) else "")

    def digest(self, path: str) -> str:
        """Give the digest of a file's bytes, read only if it is not known or the file has changed.

        Raises
        ------
        InputError
            When the file cannot be read.
        """
        stamp = _stamp(path)
        known = self._used["digests"].get(path) or self._known["digests"].get(path)
        if known is None or not self._digest_known(path, stamp):
            seen_ns = time.time_ns()
            known = {"digest": file_digest(path), "stamp": stamp, "seen_ns": seen_ns}
        self._used["digests"][path] = known
        return str(known["digest"])

    def unread(self, files: Iterable[RasterFile]) -> list[int]:
        """Give the sizes of the files of this machine whose bytes are not known [bytes], of each once."""
        paths = dict.fromkeys(path for file in files for path in file.beside)
        stamps = {path: _stamp(path) for path in paths}
        return [stamp[1] or 0 for path, stamp in stamps.items() if not self._digest_known(path, stamp)]

    def _digest_known(self, path: str, stamp: Stamp) -> bool:
        known = self._used["digests"].get(path) or self._known["digests"].get(path)
        return known is not None and known["stamp"] == stamp and _settled([stamp], known["seen_ns"])

    def surveys(self, key: str, find: Callable[[], Surveys]) -> Surveys:
        """Give the surveys of a DEM, found only if they are not known.

        Parameters
        ----------
        key
            Digest of all that decides them.
        find
            Finds them.
        """
        known = self._known["surveys"].get(key)
        if known is None:
            numbers, findings = find()
            known = [list(numbers), [list(astuple(one)) for one in findings]]
        self._used["surveys"][key] = known
        return tuple(known[0]), [Finding(*row) for row in known[1]]

    def keep(self) -> None:
        """Keep what was asked for in this run, in one step.

        Raises
        ------
        OSError
            The disk is full or not writable.
        """
        if self.folder is None or self._used == self._known:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / "files.json"
        beside = path.with_name(f"{path.name}.part{os.getpid()}")
        try:
            text = json.dumps(self._used)
            beside.write_text(json.dumps({**_form(), "sum": text_digest([text])}) + "\n" + text + "\n", "utf-8")
            os.replace(beside, path)
        finally:
            beside.unlink(missing_ok=True)

    def _trusted(self, place: Place, known: dict[str, Any], version: str) -> bool:
        if not place.is_local and not known["facts"]["beside"]:
            return bool(version) and bool(known["version"] == version)
        stamps = self._stamps(place, known["facts"])
        return bool(stamps == known["stamps"]) and _settled(stamps, known["seen_ns"])

    def _stamps(self, place: Place, facts: dict[str, Any]) -> list[Stamp]:
        """Give size and date of a file, of all beside it that begin with its name, and of all it is made of."""
        around = self._around(Path(place.path)) if place.is_local else []
        listed = {stamp[0] for stamp in around}
        return around + [_stamp(name) for name in facts["beside"] + facts["gone"] if name not in listed]

    def _around(self, path: Path) -> list[Stamp]:
        if path.parent not in self._folders:
            self._folders[path.parent] = _by_stem(path.parent)
        return self._folders[path.parent].get(path.stem, [])


def _by_stem(folder: Path) -> dict[str, list[Stamp]]:
    """Give the files of a folder by each beginning of their names that ends before a dot; listed once for all tiles."""
    found: dict[str, list[Stamp]] = {}
    with os.scandir(folder) as entries:
        for entry in sorted(entries, key=lambda one: one.name):
            if not entry.is_file():
                continue
            about = entry.stat()
            stem = entry.name
            while "." in stem:
                stem = stem.rpartition(".")[0]
                found.setdefault(stem, []).append([entry.path, about.st_size, about.st_mtime_ns])
    return found


def _stamp(path: str) -> Stamp:
    try:
        about = os.stat(path)
    except OSError:
        return [path, None, None]
    return [path, about.st_size, about.st_mtime_ns]


def _settled(stamps: list[Stamp], seen_ns: int) -> bool:
    return all(date is not None and date < seen_ns - SETTLED_NS for _, _, date in stamps)


def _form() -> dict[str, Any]:
    """Give what the index was made by; another library may see other heads in the same files."""
    return {"format": FORMAT, "gdal": rasterio.__gdal_version__}


def _nothing() -> dict[str, dict[str, Any]]:
    return {"heads": {}, "digests": {}, "surveys": {}}


def _read(path: Path) -> dict[str, dict[str, Any]]:
    """Read the index; nothing is known where there is none, or not as it was written."""
    try:
        form, text = path.read_text("utf-8").splitlines()
        if json.loads(form) != {**_form(), "sum": text_digest([text])}:
            return _nothing()
        known: dict[str, dict[str, Any]] = json.loads(text)
    except (OSError, ValueError):
        return _nothing()
    return known
