"""The store: what stages gave, kept in ``.gisprio/`` of the result folder under the key of what made it.

One folder an entry, ``.gisprio/kept/STAGE/KEY/``: ``entry.json``, a Parquet file a table (geometry as WKB),
an npy file a grid. An entry is written beside and then renamed, so it is whole or absent.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Iterable, Mapping
from contextlib import ExitStack
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import Grid, Lattice
from gisprio.run.fingerprints import grid_digest

STORE_FORMAT = 1
STORE = ".gisprio"
CONFIG_PLACE = "config.json"
"""Names the folder of the config that was run last, where relative paths of layers start; in the store alone."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One kept outcome of a stage, on the whole or on a tile.

    Parameters
    ----------
    folder
        Where it lies.
    digests
        Content digest of each table and grid.
    grids
        Names of those that are grids.
    findings
        What the stage noticed.
    seconds
        Time it took when it ran.
    crs
        Working system, put on geometries as they are read.
    """

    folder: Path
    digests: Mapping[str, str]
    grids: tuple[str, ...]
    findings: tuple[Finding, ...]
    seconds: float
    crs: CRS

    def table(self, name: str) -> pd.DataFrame:
        """Read a table back, equal to what was kept."""
        path = self.folder / f"{name}.parquet"
        columns = json.loads((self.folder / "entry.json").read_text("utf-8"))["tables"]
        frame = pd.read_parquet(path)
        if not columns[name]:
            return frame
        shapes = shapely.from_wkb(frame["geometry"].to_numpy())
        return gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=shapes, crs=self.crs)

    def grid(self, name: str) -> Grid:
        """Open a grid by memory map."""
        about = json.loads((self.folder / "entry.json").read_text("utf-8"))["grids"][name]
        values = np.load(self.folder / f"{name}.npy", mmap_mode="r", allow_pickle=False)
        lattice = Lattice(about["x0"], about["y0"], about["cell_m"])
        return Grid(values, lattice, about["row"], about["column"], about["nodata"])


class Store:
    """The store of one result folder.

    Parameters
    ----------
    folder
        The result folder; ``.gisprio/`` is made in it.
    crs
        Working system.
    """

    def __init__(self, folder: Path, crs: CRS) -> None:
        self.folder = folder
        self.place = folder / STORE
        self.crs = crs
        self.place.mkdir(parents=True, exist_ok=True)
        about = self.place / "store.json"
        self.dropped = ""
        """Says so when the store of another version was dropped."""
        found = read_json(about)
        if found != {"format": STORE_FORMAT}:
            if (self.place / "kept").exists():
                there = (found or {}).get("format", "unknown")
                self.dropped = f"The store was of format {there}, not {STORE_FORMAT}: dropped, all is computed again."
            shutil.rmtree(self.place / "kept", ignore_errors=True)
            write_json(about, {"format": STORE_FORMAT})

    def find(self, stage: str, key: str) -> Entry | None:
        """Give the entry of a stage under a key; None where there is none."""
        return read_entry(self._folder(stage, key), self.crs)

    def keep(
        self,
        stage: str,
        key: str,
        outcome: Mapping[str, pd.DataFrame | Grid],
        findings: list[Finding],
        seconds: float,
    ) -> Entry:
        """Write what a stage gave; give the entry.

        Raises
        ------
        OSError
            The disk is full or not writable.
        """
        folder = self._folder(stage, key)
        beside = folder.with_name(f"{folder.name}.part{os.getpid()}")
        with ExitStack() as cleaning:
            cleaning.callback(shutil.rmtree, beside, ignore_errors=True)
            _write_entry(beside, outcome, findings, seconds)
            shutil.rmtree(folder, ignore_errors=True)
            os.replace(beside, folder)
        entry = read_entry(folder, self.crs)
        assert entry is not None
        return entry

    def settle(self, entries: list[Entry], limit_b: float) -> str:
        """Note what a finished run used, and hold the store within its limit.

        Parameters
        ----------
        entries
            What the run used.
        limit_b
            Most that the entries may take [bytes].

        Returns
        -------
        str
            What was given up of the run itself, in words; empty where all of it is kept.

        Notes
        -----
        What earlier runs used goes first, the longest unused before the others, so that a setting may be turned to
        and fro. Where the run itself takes more, its largest entries go.
        """
        used = {entry.folder: entry for entry in entries}
        for folder in used:
            os.utime(folder)
        there = [folder for stage in (self.place / "kept").glob("*") for folder in stage.iterdir()]
        for part in [folder for folder in there if ".part" in folder.name]:  # of a run that was killed
            shutil.rmtree(part, ignore_errors=True)
            there.remove(part)
        size = {folder: sum(path.stat().st_size for path in folder.iterdir()) for folder in there}
        over, given_up = sum(size.values()) - limit_b, 0
        oldest = sorted(set(there) - set(used), key=lambda folder: (folder.stat().st_mtime_ns, folder))
        for folder in [*oldest, *sorted(used, key=lambda folder: (-size[folder], folder))]:
            if over <= 0:
                break
            shutil.rmtree(folder, ignore_errors=True)
            over -= size[folder]
            given_up += folder in used
        self._note_run(entries)  # those given up too: a table of which a part is gone is not there
        if not given_up:
            return ""
        whole = sum(size[folder] for folder in used) / 1e9
        return (
            f"What the stages gave takes {whole:.1f} GB, more than [run] store_limit_gb allows: {given_up} of "
            f"{len(used)} parts were given up and are made again in the next run."
        )

    def _note_run(self, entries: list[Entry]) -> None:
        tables: dict[str, list[str]] = {}
        for entry in entries:
            for name in entry.digests:
                tables.setdefault(name, []).append(entry.folder.relative_to(self.place).as_posix())
        write_json(self.place / "last_run.json", {"format": STORE_FORMAT, "crs": self.crs.to_wkt(), "tables": tables})

    def folders(self) -> set[Path]:
        """Give the folders of all entries."""
        return set((self.place / "kept").glob("*/*"))

    def drop(self, folders: Iterable[Path]) -> None:
        """Remove entries."""
        for folder in folders:
            shutil.rmtree(folder, ignore_errors=True)

    def _folder(self, stage: str, key: str) -> Path:
        return self.place / "kept" / stage / key[:32]


def read_entry(folder: Path, crs: CRS) -> Entry | None:
    """Read the head of an entry; None where there is none, or a power cut left a part of it."""
    about = read_json(folder / "entry.json")
    if about is None:
        return None
    for name, size in about["sizes"].items():
        if not (folder / name).is_file() or (folder / name).stat().st_size != size:
            return None
    findings = tuple(Finding(*row) for row in about["findings"])
    return Entry(folder, about["digests"], tuple(about["grids"]), findings, about["seconds"], crs)


def last_table(folder: Path, name: str) -> pd.DataFrame | None:
    """Read a table of the last finished run from the store, tiles put together; None when it is not kept.

    Parameters
    ----------
    folder
        The result folder.
    name
        Name of the table in the stage table.
    """
    place = folder / STORE
    about = read_json(place / "last_run.json")
    if about is None or about.get("format") != STORE_FORMAT:
        return None
    crs = CRS.from_wkt(about["crs"])
    entries = [read_entry(place / part, crs) for part in about["tables"].get(name, [])]
    frames = [entry.table(name) for entry in entries if entry is not None]
    if not frames or len(frames) < len(entries):
        return None
    return pd.concat(frames, ignore_index=True)


def read_json(path: Path) -> dict[str, Any] | None:
    """Read a JSON object; None where there is no file, or something else in it."""
    try:
        content = json.loads(path.read_text("utf-8"))
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Write a file beside its place, then put it there in one step; nothing is left where that fails."""
    beside = path.with_name(f".{path.name}.new")
    try:
        write(beside)
        os.replace(beside, path)
    finally:
        beside.unlink(missing_ok=True)


def write_json(path: Path, content: object, *, to_disk: bool = False) -> None:
    """Write JSON beside, then put it in place in one step; ``to_disk`` waits until the disk has it."""
    beside = path.with_name(f"{path.name}.part{os.getpid()}")
    with beside.open("w", encoding="utf-8") as file:
        json.dump(content, file, ensure_ascii=False, indent=1, allow_nan=False)
        file.write("\n")
        if to_disk:
            file.flush()
            os.fsync(file.fileno())
    os.replace(beside, path)


def _write_entry(
    folder: Path, outcome: Mapping[str, pd.DataFrame | Grid], findings: list[Finding], seconds: float
) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    about: dict[str, Any] = {"tables": {}, "grids": {}, "digests": {}, "seconds": seconds}
    for name, value in outcome.items():
        if isinstance(value, Grid):
            np.save(folder / f"{name}.npy", value.values, allow_pickle=False)
            about["grids"][name] = _grid_head(value)
            about["digests"][name] = grid_digest(value)
        else:
            value.to_parquet(folder / f"{name}.parquet", index=False)
            about["tables"][name] = isinstance(value, gpd.GeoDataFrame)
            about["digests"][name] = table_digest(value)
    about["sizes"] = {path.name: path.stat().st_size for path in sorted(folder.iterdir())}
    about["findings"] = [list(astuple(finding)) for finding in findings]
    write_json(folder / "entry.json", about)


def _grid_head(grid: Grid) -> dict[str, Any]:
    lattice = grid.lattice
    return {
        "x0": float(lattice.x0),
        "y0": float(lattice.y0),
        "cell_m": float(lattice.cell_m),
        "row": int(grid.row),
        "column": int(grid.column),
        "nodata": None if grid.nodata is None else float(grid.nodata),
    }
