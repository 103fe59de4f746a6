"""Heights along streams out of a LiDAR raster far larger than memory should hold.

Measured: the windows that the bank stages ask of the DEM, tile by tile in the order of a run. First the stages
themselves (`lay_stations`, `find_bank_lines`, `measure_bank_heights`) go over all tiles and every window is noted; then
a fresh process opens the DEM as a run does and reads these windows again, and nothing else. Anchor: reading all blocks
of the same file in rows with rasterio, 64 MiB of cache. Beside it, without a goal, the pass over all cells that
`lay_routing_grid` makes for its means of 10 m. Memory is that of the whole process with the stages in it; its curve, by
the share of tiles done, is printed.

Goals: windows at most 1.5 times the anchor, under 1.5 GB. Cells of 0.8 m along 200 reaches (3.6e7 cells); with
`--large` along 5,000 reaches (9e8 cells, about 2 GB on disk; least of 2).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from affine import Affine
from rasterio.windows import Window

from gisprio.contracts.grids import ArraySource, Bounds, Grid, GridSource, Lattice, survey_cells, surveyed_window
from tests.benchmarks.fresh import ROOT, Measured, best_of_turns, gigabytes, in_own_process, resident_bytes, timed
from tests.benchmarks.rows import Part, Row
from tests.benchmarks.worlds import CRS, DEM_M, X0, Y0, between, lay_country

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

SMALL, LARGE = 200, 5_000
CELL_M, BLOCK = 0.8, 512
CHANNEL_M, DEPTH_M, ERROR_M = 3.0, 1.5, 0.03
CACHE_BYTES = 64 * 2**20
TILE_M = 4_000.0
GOAL_TIMES, GOAL_GB = 1.5, 1.5


def write_lidar(world: Path, reaches: int) -> Path:
    """Write fine heights of a world, with banks of 1.5 m beside its streams; give the config that names them."""
    country, path = lay_country(reaches), world.parent / "lidar.tif"
    side = round(country.side_m / CELL_M)
    at = (np.arange(side) + 0.5) * (CELL_M / DEM_M) - 0.5
    error = ERROR_M * np.random.default_rng(1).standard_normal((BLOCK, side), np.float32)
    profile = {"driver": "GTiff", "width": side, "height": side, "count": 1, "dtype": "float32", "crs": CRS}
    profile |= {"transform": Affine(CELL_M, 0, X0, 0, -CELL_M, Y0 + country.side_m), "nodata": -9999}
    tiling = {"tiled": True, "blockxsize": BLOCK, "blockysize": BLOCK, "compress": "zstd", "zstd_level": 1}
    with rasterio.open(path, "w", **profile, **tiling, num_threads=2, bigtiff="if_safer") as out:
        for first in range(0, side, BLOCK):
            some = at[first : first + BLOCK]
            z = between(country.heights, some, at)
            z -= DEPTH_M * (between(country.away_m, some, at) < CHANNEL_M)
            z += np.roll(error, 7 * first, axis=1)[: len(some)]
            np.round(z, 2, out=z)
            out.write(z, 1, window=Window(0, first, side, len(some)))
    config = world.with_name("lidar.toml")
    config.write_text(world.read_text().replace('"dem.tif"', '["lidar.tif", "dem.tif"]'))
    return config


class Noted:
    """A grid source that notes every window asked of another, and how long it took."""

    def __init__(self, source: GridSource) -> None:
        self._source = source
        self.asked: list[Bounds] = []
        self.seconds = 0.0
        self.lattice, self.shape, self.survey_cells_m = source.lattice, source.shape, survey_cells(source)

    def window(self, bounds: Bounds) -> Grid:
        """Give a window."""
        return self.surveyed_window(bounds)[0]

    def surveyed_window(self, bounds: Bounds) -> tuple[Grid, Grid]:
        """Give a window and its surveys."""
        self.asked.append(tuple(map(float, bounds)))
        seconds, got = timed(lambda: surveyed_window(self._source, bounds))
        self.seconds += seconds
        return got


def opened(config: str) -> tuple[Any, Any]:
    """Open the layers of a config as a run does; give them and the settings."""
    import gisprio
    from gisprio.inputs.project import read_inputs

    settings = gisprio.read_settings(config)
    return read_inputs(settings), settings


def walk(config: str, out: str) -> Measured:
    """Take all tiles through the stages that read the fine heights; leave the windows they asked for in a file."""
    sys.path.insert(0, str(ROOT / "tests"))
    from gisprio.compute.banks.bank_heights import measure_bank_heights
    from gisprio.compute.banks.bank_lines import find_bank_lines
    from gisprio.compute.banks.stations import lay_stations
    from gisprio.run.pieces import Surroundings, core_rows, grid_width, halo_width
    from gisprio.run.tiles import lay_tiles
    from tables import nearby, network  # type: ignore[import-not-found]

    inputs, settings = opened(config)
    lines = inputs.tables["streams"].geometry.to_numpy()
    side = round(inputs.rasters["dem"].shape[0] * CELL_M / DEM_M)
    survey = ArraySource(Grid(np.zeros((side, side), np.int16), Lattice(X0, Y0 + side * DEM_M, DEM_M), nodata=-1))
    tables = network(*lines, line_error_m=settings.streams.line_error_m)
    reaches = tables["reach_measures"]
    widths = halo_width(settings, reaches, DEM_M), grid_width(settings, reaches, DEM_M)
    around = Surroundings(tables["segments"], *widths)
    dem = Noted(inputs.rasters["dem"])
    sources = {"dem": dem, "survey": survey}
    tiles = lay_tiles(tables["segments"], TILE_M)
    curve, found, began = [], 0, perf_counter()
    for number, tile in enumerate(tiles, start=1):
        core = {name: core_rows(name, table, tile, reaches) for name, table in tables.items()}
        near = nearby(segments=around.rows("segments", tables["segments"], tile))
        core |= lay_stations(core, near, {}, settings)
        core |= find_bank_lines(core, near, sources, settings)
        heights = measure_bank_heights(core, near, sources, settings)["side_heights"]["bank_height_m"]
        found += int(heights.notna().sum())
        curve.append((round(number / len(tiles), 3), round(resident_bytes() / 2**20)))
    seconds = perf_counter() - began
    Path(out).write_text(json.dumps(dem.asked))
    told = {"windows": len(dem.asked), "reading_s": dem.seconds, "bank_heights": found}
    return {"seconds": seconds, "curve": curve, **told}


def read_windows(config: str, windows: str) -> Measured:
    """Read noted windows, in order, from the DEM as a run opens it."""
    dem = opened(config)[0].rasters["dem"]
    asked = json.loads(Path(windows).read_text())

    def work() -> None:
        for bounds in asked:
            surveyed_window(dem, tuple(bounds))

    return {"seconds": timed(work)[0]}


def average(config: str) -> Measured:
    """Make the routing grid."""
    from gisprio.compute.terrain.relief import lay_routing_grid

    inputs, settings = opened(config)
    return {"seconds": timed(lambda: lay_routing_grid({}, {"dem": inputs.rasters["dem"]}, settings))[0]}


def read_rows(path: str) -> Measured:
    """Read all blocks of a file in rows."""
    with rasterio.Env(GDAL_CACHEMAX=CACHE_BYTES), rasterio.open(path) as file:

        def work() -> None:
            for first in range(0, file.height, BLOCK):
                file.read(1, window=Window(0, first, file.width, min(BLOCK, file.height - first)))

        return {"seconds": timed(work)[0]}


def rows(session: Session) -> Sequence[Row]:
    """Measure the small raster, or the large one."""
    reaches = LARGE if "corridor" in session.large else SMALL
    world = session.world(reaches)
    session.say("  making fine heights ...")
    config, windows = str(write_lidar(world, reaches)), str(session.folder / "windows.json")
    walked = in_own_process("corridor:walk", config=config, out=windows)
    cells = (reaches * 1_800) * round(DEM_M / CELL_M) ** 2
    session.say(
        f"  {walked['windows']:,} windows in {walked['seconds']:.0f} s of stages; memory by share of the tiles:"
    )
    step = max(1, len(walked["curve"]) // 20)
    session.say("  " + ", ".join(f"{share:.0%} {mb} MB" for share, mb in walked["curve"][::step]))
    lidar = str(world.with_name("lidar.tif"))
    best = best_of_turns(
        2 if reaches == LARGE else 3,
        windows=("corridor:read_windows", {"config": config, "windows": windows}),
        rows=("corridor:read_rows", {"path": lidar}),
    )
    mean = in_own_process("corridor:average", config=config)
    Path(lidar).unlink()
    own, bare = best["windows"]["seconds"], best["rows"]["seconds"]
    of = f"{cells:.1e} cells".replace("e+0", "e")
    anchor = "all its blocks in rows by rasterio"
    memory = gigabytes(max(walked["peak_mb"], mean["peak_mb"]))
    return [
        Row(f"windows along the streams of {of}", own / bare, f"{anchor}: {own:.2f} against {bare:.2f} s", GOAL_TIMES),
        Row(f"memory of the stages that read {of}", memory, "VmHWM", GOAL_GB, "GB"),
        Row(f"means of 10 m of all {of}", mean["seconds"] / bare, f"{anchor}: {mean['seconds']:.1f} s"),
    ]


PART = Part("corridor", rows)
