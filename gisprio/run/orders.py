"""Orders: what another process needs to take tiles through the piece stages. Paths, ids and settings; no arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import geopandas as gpd
from pyproj import CRS

from gisprio.contracts.cards import Stage
from gisprio.contracts.errors import RunError
from gisprio.contracts.grids import GridSource
from gisprio.contracts.settings import Settings
from gisprio.run.fingerprints import text_digest
from gisprio.run.making import Maker, TileWork
from gisprio.run.pieces import Surroundings
from gisprio.run.shelf import Shelf
from gisprio.run.store import Entry, Store, read_entry

GIVEN = "given"
"""Name under which the store keeps tables of the inputs for workers."""


@dataclass(frozen=True, slots=True)
class Order:
    """What a worker needs; two orders of one key are the same.

    Parameters
    ----------
    key
        Digest of all the rest.
    folder, crs
        The result folder, and the working system as WKT.
    settings, stages, code, libraries, fresh
        As :class:`~gisprio.run.making.Maker` and :class:`~gisprio.run.making.TileWork` have them.
    width_m, grid_width_m
        How far a tile sees, on tables and on grids [m].
    tables
        Folders of the entries that hold each table or grid.
    rasters, raster_digests
        Grid sources of the inputs, which open their files by path, and the digests of these.
    """

    key: str
    folder: Path = field(compare=False)
    crs: str = field(compare=False)
    settings: Settings = field(compare=False)
    stages: tuple[Stage, ...] = field(compare=False)
    code: Mapping[str, str] = field(compare=False)
    libraries: str = field(compare=False)
    fresh: bool = field(compare=False)
    width_m: float = field(compare=False)
    grid_width_m: float = field(compare=False)
    tables: Mapping[str, tuple[Path, ...]] = field(compare=False)
    rasters: Mapping[str, GridSource] = field(compare=False)
    raster_digests: Mapping[str, str] = field(compare=False)


def write_order(work: TileWork) -> Order:
    """Write the order for some work; tables that no stage made are put into the store."""
    maker = work.maker
    shelf = maker.shelf
    made = {name for stage in work.stages for name in stage.writes}
    names = {"segments", "reach_measures"}
    names |= {name for stage in work.stages for name in (*stage.reads, *stage.halo, *stage.as_is)}
    grids = {name for stage in work.stages for name in stage.sources}
    tables = {name: _entries(maker, name) for name in sorted(names - made) if shelf.has(name)}
    tables |= {name: _entries(maker, name) for name in sorted(grids & set(shelf.entries))}
    rasters = {name: shelf.source(name) for name in sorted(grids - set(shelf.entries))}
    digests = {name: shelf.raster_digests.get(name, "") for name in rasters}
    widths = (work.around.width_m, work.around.grid_width_m)
    told = (maker.settings.model_dump_json(), sorted(maker.code.items()), maker.libraries, maker.fresh)
    key = text_digest(f"{told} {tables} {[shelf.source_digest(name) for name in rasters]} {widths}")
    return Order(
        key=key,
        folder=maker.store.folder,
        crs=shelf.crs.to_wkt(),
        settings=maker.settings,
        stages=work.stages,
        code=dict(maker.code),
        libraries=maker.libraries,
        fresh=maker.fresh,
        width_m=widths[0],
        grid_width_m=widths[1],
        tables=tables,
        rasters=rasters,
        raster_digests=digests,
    )


def _entries(maker: Maker, name: str) -> tuple[Path, ...]:
    """Give the folders that hold a table; one of the inputs is put into the store first."""
    kept = maker.shelf.entries.get(name)
    if kept is None:
        digest = maker.shelf.digest(name)
        there = maker.store.find(GIVEN, digest)
        kept = [there or maker.store.keep(GIVEN, digest, {name: maker.shelf.table(name)}, [], 0.0)]
    return tuple(entry.folder for entry in kept)


@lru_cache(maxsize=1)
def work_of(order: Order) -> TileWork:
    """Open what an order names; the last one stays open in this process."""
    crs = CRS.from_wkt(order.crs)
    shelf = Shelf({}, order.rasters, order.raster_digests, crs)
    shelf.add(there(folder, crs) for folder in dict.fromkeys(f for folders in order.tables.values() for f in folders))
    maker = Maker(order.settings, Store(order.folder, crs), shelf, order.code, order.libraries, order.fresh)
    segments = shelf.table("segments")
    assert isinstance(segments, gpd.GeoDataFrame)
    return TileWork(maker, order.stages, Surroundings(segments, order.width_m, order.grid_width_m))


def there(folder: Path, crs: CRS) -> Entry:
    """Read an entry that an order names.

    Raises
    ------
    RunError
        It is not there, or not whole.
    """
    entry = read_entry(folder, crs)
    if entry is None:
        raise RunError(
            f"{folder} was there when the work was given out, and is not now.",
            wanted="a store that nobody but the run touches.",
            do="run again; if workers are on other machines, see that all of them see this folder.",
        )
    return entry
