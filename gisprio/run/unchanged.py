"""Tells that nothing changed since the last run, by size and date alone, so that nothing need be read.

After a run its marks are kept in ``.gisprio/marks.json``: size and date of every file that was read and of all that
lie beside it, of the results, and of gisprio itself; the settings; the versions of the libraries. The next run compares
marks before it reads a layer. Where one differs, or may not be trusted, all is read, and content decides what runs.
"""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from importlib.metadata import version
from pathlib import Path
from time import time_ns
from typing import Any

from gisprio.contracts.findings import findings_from
from gisprio.contracts.settings import Settings
from gisprio.inputs.paths import SETTLED_NS, expand, given_layers, own_factor_layers
from gisprio.run.engine import LOG
from gisprio.run.fingerprints import LIBRARIES, file_digest, text_digest
from gisprio.run.lock import locked
from gisprio.run.publish import RECORD, new_folder, publish
from gisprio.run.record import RunRecord, log_text, now
from gisprio.run.store import STORE, read_json, write_json

MARKS = "marks.json"
FORMAT = 1
_ELSEWHERE = (".vrt", ".txt", ".gti")
"""Files that name others: what those hold is not seen beside them."""
_OF_PRODUCTS = ("rtree", "folium", "branca", "jinja2", "pillow", "django-js-lib-leaflet", "matplotlib", "xlsxwriter")
"""Libraries besides those of the stages, which decide what products look like."""
_PARTS = re.compile(r"[.-]")
_PACKAGE = Path(__file__).resolve().parent.parent

Marked = dict[str, list[int]]
"""Path of a file: its size and date [ns]."""


@dataclass(frozen=True, slots=True)
class Marks:
    """What a run is made from, as far as it can be told without reading.

    Parameters
    ----------
    asked
        Digest of the settings, and of the versions of gisprio and the libraries.
    files
        Every file that will be read, what lies beside it, and gisprio's own.
    """

    asked: str
    files: Marked

    def keep(self, folder: Path, names: Iterable[str]) -> None:
        """Keep the marks of a run that has just been published in a result folder.

        Parameters
        ----------
        folder
            The result folder.
        names
            Files of the results.
        """
        results = marked(folder / name for name in names)
        content = {"format": FORMAT, "asked": self.asked, "files": self.files, "results": results}
        write_json(folder / STORE / MARKS, content)


def marks_now(settings: Settings) -> Marks | None:
    """Mark what a run will read, before it is read; None where that cannot be told by size and date.

    Parameters
    ----------
    settings
        Settings of the run.
    """
    paths = list(dict.fromkeys(_read_by(settings)))
    if any(not path.is_absolute() or path.suffix.lower() in _ELSEWHERE for path in paths):
        return None
    files = marked(beside(paths))
    young = time_ns() - SETTLED_NS
    if any(date >= young for _, date in files.values()):
        return None
    versions = {name: version(name) for name in (*LIBRARIES, *_OF_PRODUCTS)} | {"python": platform.python_version()}
    named = sorted(pair for pair in os.environ.items() if pair[0].startswith(("PROJ_", "GDAL_", "OGR_")))
    asked = text_digest(f"{settings.model_dump_json()} {versions} {named}")
    return Marks(asked, files | marked(_own_files()))


def _read_by(settings: Settings) -> Iterator[Path]:
    """Give the files that a run reads besides gisprio's own; one that is not on this machine is relative."""
    for patterns in {**given_layers(settings), **own_factor_layers(settings)}.values():
        for place in (place for pattern in patterns for place in expand(pattern, settings.folder)):
            yield Path(place.path) if place.is_local else Path("elsewhere")
    legend = settings.folder / Path(settings.land_cover.legend).expanduser()
    if legend.is_file():
        yield legend.resolve()


def beside(paths: Iterable[Path]) -> Iterator[Path]:
    """Give files and all in their folders whose names begin like their own; of a folder all files below it.

    The index of a shapefile, the header of a raster and the journal of a database lie so beside their file.
    """
    homes: dict[Path, set[str]] = {}
    for path in paths:
        if path.is_dir():
            yield from (Path(home) / name for home, _, names in os.walk(path) for name in names)
        else:
            homes.setdefault(path.parent, set()).update((path.stem, path.name))
    for home, wanted in homes.items():
        for name in os.listdir(home) if home.is_dir() else ():
            begins = [name[: at.start()] for at in _PARTS.finditer(name)]
            if name in wanted or not wanted.isdisjoint(begins):
                yield home / name


def _own_files() -> Iterator[Path]:
    for home in (_PACKAGE, _PACKAGE.parent / "configs"):
        yield from (path for path in home.rglob("*") if "__pycache__" not in path.parts and path.is_file())


def marked(paths: Iterable[Path]) -> Marked:
    """Give size and date of files; of those that are not there nothing."""
    found: Marked = {}
    for path in paths:
        try:
            about = path.stat()
        except OSError:
            continue
        found[str(path)] = [about.st_size, about.st_mtime_ns]
    return dict(sorted(found.items()))


def record_if_unchanged(folder: Path, marks: Marks | None, started: str) -> RunRecord | None:
    """Give the record of a run with nothing to do, and write it; None where something changed or may have.

    Parameters
    ----------
    folder
        The result folder, no publication pending.
    marks
        Of now.
    started
        When the run began.

    Raises
    ------
    InputError
        Another run holds the folder.
    """
    if marks is None or _record_of(folder, marks) is None:
        return None
    with locked(folder, []):
        record = _record_of(folder, marks)  # another run may have ended meanwhile
        return None if record is None else _told_again(folder, marks, record, started)


def _record_of(folder: Path, marks: Marks) -> Mapping[str, Any] | None:
    """Give run.json of a folder that was made from what is marked and whose results are as they were; else None."""
    kept = read_json(folder / STORE / MARKS)
    record = read_json(folder / RECORD)
    if kept is None or record is None or kept.get("format") != FORMAT:
        return None
    if kept["asked"] != marks.asked or kept["files"] != marks.files:
        return None
    names = [*record.get("files", {}), RECORD]
    return record if kept["results"] == marked(folder / name for name in names) else None


def marks_stand(folder: Path) -> bool:
    """Say whether the results of a folder are as the marks of its last run have them."""
    kept, record = read_json(folder / STORE / MARKS), read_json(folder / RECORD)
    if kept is None or record is None or kept.get("format") != FORMAT:
        return False
    return bool(kept["results"] == marked(folder / name for name in [*record.get("files", {}), RECORD]))


def mark_results_again(folder: Path, names: Iterable[str]) -> None:
    """Mark the results of a folder anew, after a file of them was written again.

    Parameters
    ----------
    folder
        A result folder whose marks stood before.
    names
        Files of the results.
    """
    kept = read_json(folder / STORE / MARKS)
    assert kept is not None
    write_json(folder / STORE / MARKS, {**kept, "results": marked(folder / name for name in names)})


def _told_again(folder: Path, marks: Marks, record: Mapping[str, Any], started: str) -> RunRecord:
    """Write run.json and run.log of a run that kept everything."""
    from gisprio.run.results import open_results

    new = new_folder(folder)
    stages = [{**stage, "ran": 0, "kept": stage["ran"] + stage["kept"], "seconds": 0.0} for stage in record["stages"]]
    stages = [{**stage, "why": "unchanged" if stage["kept"] else stage["why"]} for stage in stages]
    told = {**record, "started": started, "finished": now(), "stages": stages}
    findings = findings_from(open_results(folder).findings.fillna(""))
    (new / LOG).write_text(log_text(told, [], findings), "utf-8")
    told["files"] = {**record["files"], LOG: file_digest(new / LOG)}
    write_json(new / RECORD, told)
    publish(folder, [LOG, RECORD], {})
    marks.keep(folder, [*told["files"], RECORD])
    return RunRecord(folder=folder, **{one.name: told[one.name] for one in fields(RunRecord) if one.name != "folder"})
