"""Budget: what a run will need of the machine, told before any stage runs, and refused where it does not fit."""

from __future__ import annotations

import math
import resource
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gisprio.contracts.errors import RunError
from gisprio.contracts.settings import Settings
from gisprio.run.store import Store, read_json

if TYPE_CHECKING:
    from gisprio.run.engine import Given

BASE_B = 480e6
"""Memory of the libraries, and of what does not grow."""
WORKER_B = 400e6
"""Memory of a worker process before it has a tile."""
CELL_B = 60.0
"""Memory of a routing cell."""
SIDE_B = 15_000.0
"""Memory of a station side of the tile under way."""
BANK_B = 160_000.0
"""Memory of a bank in the whole tables, its share of the map included."""
PROPERTY_B = 4_000.0
"""Memory of a property."""
DRAW_B = 20.0
"""Memory of a bank in a draw."""
STORE_CELL_B = 30.0
"""Disk of a routing cell."""
STORE_SIDE_B = 400.0
"""Disk of a station side, in the store and in the results."""
STORE_BANK_B = 10_000.0
"""Disk of a bank, in the store and in the results."""
BASE_S = 8.0
"""Time of what does not grow."""
CELL_S = 2e-6
"""Time of a routing cell."""
SOURCE_CELL_S = 2e-8
"""Time of reading a cell of the DEM or the land cover."""
SIDE_S = 5e-4
"""Time of a station side in the piece stages."""
PROPERTY_S = 1e-3
"""Time of a property."""
DRAW_S = 2e-7
"""Time of a bank in a draw."""
COARSEST_M = 100.0
"""Largest routing cell that is proposed [own]."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large a run is, as far as it is known before it begins.

    Parameters
    ----------
    routing_cells, source_cells
        Cells of the routing grid; of the DEM and the land cover.
    stream_m
        Length of the stream lines; where none are given, a guess from the area and ``[streams] start_area_km2``.
    tile_m2, area_m2
        Of a tile, and of the DEM.
    sides, banks
        Station sides, and banks.
    properties, draws, workers
        How many.
    """

    routing_cells: float
    source_cells: float
    stream_m: float
    tile_m2: float
    area_m2: float
    sides: float
    banks: float
    properties: int
    draws: int
    workers: int

    @property
    def tile_sides(self) -> float:
        """Station sides of a full tile: streams lie denser in the valleys that hold them, so twice the mean."""
        return min(self.sides, 2 * self.sides * self.tile_m2 / max(self.area_m2, 1.0))


@dataclass(frozen=True, slots=True)
class Need:
    """What a run needs, roughly.

    Parameters
    ----------
    memory_b, disk_b
        Bytes.
    seconds
        Time, on a machine of its own.
    """

    memory_b: float
    disk_b: float
    seconds: float

    def says(self) -> str:
        """Give it in one line."""
        memory, disk, time = plain_bytes(self.memory_b), plain_bytes(self.disk_b), plain_time(self.seconds)
        return f"Needs roughly {memory} of memory, {disk} of disk and {time}."

    def as_json(self) -> dict[str, int]:
        """Give it as run.json holds it."""
        return {name: round(value) for name, value in asdict(self).items()}


@dataclass(frozen=True, slots=True)
class Room:
    """What the machine has to give.

    Parameters
    ----------
    memory_b
        Bytes that this process may have, with those it has.
    disk_b
        Bytes free where results go.
    """

    memory_b: float
    disk_b: float


def size_of(inputs: Given, settings: Settings, workers: int) -> Size:
    """Measure how large a run is from its inputs."""
    dem = inputs.rasters["dem"]
    area = math.prod(dem.shape) * dem.lattice.cell_m**2
    cell_m = dem.lattice.cell_m * settings.dem.routing_block(dem.lattice.cell_m)
    streams = inputs.tables.get("streams")
    if streams is not None and len(streams):
        length = float(streams.geometry.length.sum())
    else:
        length = area / (1000 * math.sqrt(settings.streams.start_area_km2))
    rasters = [inputs.rasters[name] for name in ("dem", "land_cover") if name in inputs.rasters]
    return Size(
        routing_cells=area / cell_m**2,
        source_cells=sum(math.prod(raster.shape) for raster in rasters),
        stream_m=length,
        tile_m2=settings.run.tile_m**2,
        area_m2=area,
        sides=2 * length / settings.streams.station_spacing_m,
        banks=2 * length / settings.streams.reach_length_m,
        properties=len(inputs.tables.get("properties", ())),
        draws=settings.robustness.draws,
        workers=workers,
    )


def need_of(size: Size) -> Need:
    """Estimate what a run of a size needs.

    Notes
    -----
    Sums of parts that grow with one thing each. The numbers were measured in November 2026 on 2 cores: peaks are
    ``ru_maxrss`` of fresh processes, disk is all files in the result folder, times are processor seconds: sample
    953 MB, 24.7 MB, 35 s; third-fork 638, 9.7, 18; a made world of 500 reaches 1,018, 36.7, 38. The machine was busy
    and times were only brought near. The whole stages up to ``delivery`` took 518 MB with 0.6 and with 2.5 million
    routing cells, so ``CELL_B`` is a bound from above, and larger grids were not measured; nor were several workers.
    """
    memory = BASE_B + CELL_B * size.routing_cells + (BANK_B + DRAW_B * size.draws) * size.banks
    memory += PROPERTY_B * size.properties + SIDE_B * size.tile_sides
    if size.workers > 1:
        memory += size.workers * (WORKER_B + SIDE_B * size.tile_sides)
    disk = STORE_CELL_B * size.routing_cells + STORE_SIDE_B * size.sides + STORE_BANK_B * size.banks
    seconds = BASE_S + CELL_S * size.routing_cells + SOURCE_CELL_S * size.source_cells
    seconds += SIDE_S * size.sides / size.workers + PROPERTY_S * size.properties + DRAW_S * size.banks * size.draws
    return Need(memory, disk, seconds)


def refuse_what_does_not_fit(
    need: Need, room: Room, size: Size, own_cell_m: float, cell_m: float, folder: Path
) -> None:
    """Raise where memory or disk are too small for a run.

    Raises
    ------
    RunError
        With what is needed, what is there, and the settings that would fit.
    """
    short = []
    if need.memory_b > room.memory_b:
        short.append(f"{plain_bytes(need.memory_b)} of memory, and there are {plain_bytes(room.memory_b)}")
    if need.disk_b > room.disk_b:
        short.append(f"{plain_bytes(need.disk_b)} of disk, and {folder} has {plain_bytes(room.disk_b)} free")
    if short:
        raise RunError(
            f"this run needs roughly {'; and '.join(short)}. Nothing was run; earlier results are whole.",
            wanted="a run that fits the machine.",
            do=_what_would_fit(room, size, own_cell_m, cell_m),
        )


def _what_would_fit(room: Room, size: Size, own_cell_m: float, cell_m: float) -> str:
    """Name the fewest workers less, else the smallest routing cell, with which a run fits."""
    for workers in range(size.workers, 0, -1):
        one = replace(size, workers=workers)
        if workers < size.workers and fits(need_of(one), room):
            return f"use --workers {workers}, which would fit."
    block = round(cell_m / own_cell_m)
    while (block + 1) * own_cell_m <= COARSEST_M:
        block += 1
        one = replace(size, workers=1, routing_cells=size.area_m2 / (block * own_cell_m) ** 2)
        if fits(need_of(one), room):
            alone = " and leave --workers out" if size.workers > 1 else ""
            return f"set [dem] routing_cell_m = {block * own_cell_m:g}{alone}, which would fit."
    return "make room, or take a smaller area with [layers] watershed and layers cut to it; no routing cell would fit."


def fits(need: Need, room: Room) -> bool:
    """Say whether a need fits."""
    return need.memory_b <= room.memory_b and need.disk_b <= room.disk_b


def budget(
    inputs: Given, settings: Settings, workers: int, folder: Path, *, unchanged: bool
) -> tuple[dict[str, int], str]:
    """Estimate what a run needs, and refuse one that does not fit.

    Parameters
    ----------
    inputs
        What was read.
    settings, workers
        Of the run.
    folder
        Where results go.
    unchanged
        Everything is kept of an earlier run: nothing is needed.

    Returns
    -------
    dict, str
        What a whole run needs, for run.json, and in one line for whoever watches: empty where nothing is needed.

    Raises
    ------
    RunError
        Memory or disk are too small.
    """
    if "dem" not in inputs.rasters:
        return {}, ""
    size = size_of(inputs, settings, workers)
    need = need_of(size)
    if unchanged:
        return need.as_json(), ""
    own_cell_m = inputs.rasters["dem"].lattice.cell_m
    cell_m = own_cell_m * settings.dem.routing_block(own_cell_m)
    refuse_what_does_not_fit(need, room_at(folder), size, own_cell_m, cell_m, folder)
    return need.as_json(), need.says()


def is_unchanged(
    record: Mapping[str, Any] | None,
    store: Store,
    config: Mapping[str, Any],
    digests: Mapping[str, str],
    code: Mapping[str, str],
    libraries: str,
) -> bool:
    """Say whether an earlier run of the same layers, settings and code has left all that this one makes."""
    if record is None or read_json(store.place / "last_run.json") is None:
        return False
    parts: Sequence[Mapping[str, str]] = [stage.get("parts", {}) for stage in record["stages"]]
    made_by = {stage["name"]: part.get("code") for stage, part in zip(record["stages"], parts, strict=True)}
    same_code = made_by == dict(code) and all(part.get("libraries") == libraries for part in parts)
    return bool(
        same_code and record.get("settings") == config and record.get("inputs") == dict(sorted(digests.items()))
    )


def room_at(folder: Path) -> Room:
    """Ask the machine for its room; the store of an earlier run counts as taken."""
    there = folder
    while not there.exists():
        there = there.parent
    return Room(memory_there(), shutil.disk_usage(there).free)


def memory_there(proc: Path = Path("/proc"), groups: Path = Path("/sys/fs/cgroup")) -> float:
    """Give the bytes this process may have, with those it has: of the machine, of its control groups, of its limit.

    Where the system tells nothing of it (no Linux), infinity.
    """
    status = _table(proc / "self" / "status")
    has, mapped = 1024 * status.get("VmRSS", 0), 1024 * status.get("VmSize", 0)
    free = [1024.0 * about["MemAvailable"] for about in [_table(proc / "meminfo")] if "MemAvailable" in about]
    free += [limit - used for limit, used in _group_limits(proc, groups)]
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    if limit != resource.RLIM_INFINITY:
        free.append(limit - mapped)
    return has + max(0.0, min(free)) if free else math.inf


def _group_limits(proc: Path, groups: Path) -> list[tuple[float, float]]:
    """Give limit and use of each control group of this process and those above it, version 1 and 2."""
    found = []
    for line in _text(proc / "self" / "cgroup").splitlines():
        _, kinds, path = line.split(":", 2)
        if kinds not in ("", "memory"):
            continue
        root = groups / kinds
        names = ("memory.max", "memory.current") if not kinds else ("memory.limit_in_bytes", "memory.usage_in_bytes")
        for place in (root / path.lstrip("/"), *(root / path.lstrip("/")).parents):
            limit, used = (_text(place / name).strip() for name in names)
            if limit.isdigit() and used.isdigit():
                cache = _table(place / "memory.stat").get("inactive_file", 0)  # given back when memory is short
                found.append((float(limit), float(used) - cache))
            if place == root:
                break
    return found


def _table(path: Path) -> dict[str, int]:
    """Read lines of a name and a whole number."""
    rows = [line.replace(":", " ").split() for line in _text(path).splitlines()]
    return {row[0]: int(row[1]) for row in rows if len(row) > 1 and row[1].isdigit()}


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except OSError:
        return ""


def plain_bytes(count: float) -> str:
    """Word bytes with two digits."""
    if count >= 1e9:
        return f"{count / 1e9:.1f} GB"
    return f"{max(count, 0) / 1e6:.0f} MB"


def plain_time(seconds: float) -> str:
    """Word a time in whole seconds, minutes or hours."""
    for unit, length in (("hour", 3600), ("minute", 60)):
        if seconds >= 1.5 * length:
            return f"{seconds / length:.0f} {unit}s"
    return f"{max(seconds, 1):.0f} seconds"
