"""A watershed of any size to be timed on: layers of an invented place, and the config that runs them.

    python -m tests.benchmarks.worlds FOLDER --reaches 500

writes dem.tif, cover.tif, streams.gpkg, properties.gpkg, watershed.gpkg, legend.csv and world.toml into FOLDER; then
`gisprio run FOLDER/world.toml`. All sizes are the same country, only more of it: 1,800 cells of 8 m of heights,
20,000 cells of 2.4 m of land cover and four properties go with each reach of 200 m, so 5,000 reaches have 9e6, 1e8 and
20,000 of them, on 576 km2. The same arguments give the same layers.

The ground is what a network of streams would wear: each cell finds its cheapest way over random ground to one outlet,
and is put above the next cell by a slope of K x area^-0.45; lines are drawn where so much ground drains that as many
reaches come out as were asked for, and lie in valley floors.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from scipy import sparse
from scipy.ndimage import distance_transform_edt, zoom
from scipy.sparse import csgraph

from gisprio.compute.network.channels import Channels, channel_cells, channel_lines, smoothed_places
from gisprio.compute.terrain.routing import Routed, route
from gisprio.contracts.grids import Grid, Lattice

CRS = "EPSG:32633"
X0, Y0 = 500_000.0, 5_300_000.0
DEM_M, COVER_M = 8.0, 2.4
DEM_CELLS, PROPERTIES = 1_800, 4
"""Cells of heights and properties to a reach."""
REACH_M = 200.0
COARSE = 4
"""Cells of heights along the side of a cell on which the ground is shaped."""
SLOPE_AT_1_KM2, CONCAVITY, STEEPEST = 0.02, 0.45, 0.35
ROUGH_M = 0.05
FLOOR_M, FLOOR_SLOPE = 40.0, 0.03
"""How far beside a stream its valley floor goes over into the hills, and its slope towards the stream."""
MEADOW, FIELD, WOOD, WATER, YARD = 1, 2, 3, 4, 5
LEGEND = """# min_width_m = 2.4
code,name,cover,c_factor
1,meadow,pasture,0.0903
2,field,crop,0.233
3,wood,woody,0.0013
4,open water,water,
5,yard,developed,
"""
CONFIG = """# An invented watershed of {reaches} reaches, made by tests/benchmarks/worlds.py to be timed on.
[run]
name   = "Benchmark, {reaches} reaches"
output = "results"
crs    = "{crs}"

[layers]
dem        = "dem.tif"
land_cover = "cover.tif"
streams    = "streams.gpkg"
properties = "properties.gpkg"
watershed  = "watershed.gpkg"

[columns]
properties.id = "parcel"

[land_cover]
legend = "legend.csv"
"""


@dataclass(frozen=True)
class Country:
    """What the layers are made from.

    Parameters
    ----------
    heights
        (rows, columns) [m].
    away_m
        (rows, columns) distance to the next stream line [m].
    lines
        Stream lines, drawn downstream.
    """

    heights: NDArray[np.float32]
    away_m: NDArray[np.float32]
    lines: NDArray[np.object_]

    @property
    def side_m(self) -> float:
        """Side of the square [m]."""
        return len(self.heights) * DEM_M


def lay_country(reaches: int, seed: int = 5) -> Country:
    """Shape the ground of a watershed, and draw about so many reaches of streams on it."""
    side = round(np.sqrt(reaches * DEM_CELLS) / COARSE)
    rng = np.random.default_rng(seed)
    routed = route(worn(way_out(side, rng), side))
    low = worn(below_of(routed), side)
    streams, lines = drawn(routed, reaches)
    level, away = valley_floors(streams, low)
    hills = zoom(low, COARSE, order=1, mode="nearest", grid_mode=True).astype(np.float32)
    floor = np.exp(-((away / FLOOR_M) ** 2)).astype(np.float32)
    heights = floor * (level + FLOOR_SLOPE * away) + (1 - floor) * hills
    heights += ROUGH_M * rng.standard_normal(heights.shape, np.float32)
    return Country(heights, away, lines)


def noise(side: int, waves_cells: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Give noise of deviation 1 whose longest waves are so many cells; (side, side)."""
    waves = np.fft.rfft2(rng.standard_normal((side, side), np.float32))
    down, right = np.fft.fftfreq(side).astype(np.float32)[:, None], np.fft.rfftfreq(side).astype(np.float32)[None]
    waves *= np.maximum(np.hypot(down, right), 1.0 / waves_cells) ** np.float32(-1.8)
    made = np.fft.irfft2(waves, (side, side)).astype(np.float32)
    return (made - made.mean()) / made.std()


def way_out(side: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Give the cell below each cell on its cheapest way to the middle of the south edge; flat."""
    cost = np.exp(0.5 * noise(side, 30.0, rng) + rng.normal(0.0, 0.8, (side, side)))
    cell = np.arange(side * side).reshape(side, side)
    starts, ends, lengths = [], [], []
    for one, other, length in (
        (np.s_[:, :-1], np.s_[:, 1:], 1.0),
        (np.s_[:-1], np.s_[1:], 1.0),
        (np.s_[:-1, :-1], np.s_[1:, 1:], np.sqrt(2)),
        (np.s_[:-1, 1:], np.s_[1:, :-1], np.sqrt(2)),
    ):
        starts.append(cell[one].ravel())
        ends.append(cell[other].ravel())
        lengths.append((length * (cost[one] + cost[other])).ravel())
    pairs = (np.concatenate(starts), np.concatenate(ends))
    ways = sparse.csr_array((np.concatenate(lengths), pairs), shape=(side * side, side * side))
    outlet = cell[-1, side // 2]
    below = csgraph.dijkstra(ways, directed=False, indices=outlet, return_predecessors=True)[1].astype(np.int64)
    below[outlet] = outlet
    return below


def below_of(routed: Routed) -> NDArray[np.int64]:
    """Give the cell each cell flows to, itself where water leaves; flat."""
    rows, columns = routed.shape
    towards = np.where(routed.direction > 8, 0, routed.direction).astype(np.int64)
    down = np.array([0, 0, 1, 1, 1, 0, -1, -1, -1])[towards]
    right = np.array([0, 1, 1, 0, -1, -1, -1, 0, 1])[towards]
    return (np.arange(rows * columns).reshape(rows, columns) + down * columns + right).ravel()


def worn(below: NDArray[np.int64], side: int) -> NDArray[np.float32]:
    """Give the heights at which each cell stands above the one it flows to by K x area^-0.45; (side, side) [m]."""
    cell_m = DEM_M * COARSE
    cells = np.arange(below.size)
    steps = along(below, (below != cells).astype(np.int64))
    count = np.ones(below.size, np.int64)
    order = np.argsort(steps, kind="stable")
    for far in np.split(order, np.cumsum(np.bincount(steps))[:-1])[:0:-1]:  # the farthest first, not the outlet
        np.add.at(count, below[far], count[far])
    slope = SLOPE_AT_1_KM2 * (count * cell_m**2 / 1e6) ** -CONCAVITY
    length = np.hypot(below // side - cells // side, below % side - cells % side) * cell_m
    return (100.0 + along(below, np.minimum(slope, STEEPEST) * length)).reshape(side, side).astype(np.float32)


def along(below: NDArray[np.int64], values: NDArray) -> NDArray:
    """Sum up values along the way down, 0 at outlets; it is doubled each time, so that the longest takes few rounds."""
    while (below[below] != below).any():
        values, below = values + values[below], below[below]
    return values


def drawn(routed: Routed, reaches: int) -> tuple[Channels, NDArray[np.object_]]:
    """Draw streams from so much ground on that about so many reaches come out."""
    counts, side = routed.counts(), routed.shape[0]
    cell_m = DEM_M * COARSE
    grid = Grid(routed.filled, Lattice(X0, Y0 + side * cell_m, cell_m))
    few, many = np.log(counts.size / 2), np.log(5.0)
    for _ in range(14):
        least = (few + many) / 2
        streams = channel_cells(routed.direction, counts, np.exp(least))
        lines = channel_lines(streams, grid)["geometry"].to_numpy()
        made = np.maximum(1, np.floor(shapely.length(lines) / REACH_M + 0.5)).sum()
        few, many = (least, many) if made < reaches else (few, least)
    return streams, lines


def valley_floors(streams: Channels, low: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give each cell the height of the stream next to it, and how far that is [m]; (rows, columns)."""
    side = COARSE * len(low)
    flows = np.flatnonzero(streams.below >= 0)
    ends = flows, streams.below[flows]
    place, height = smoothed_places(streams) + 0.5, low[tuple(streams.place.T)]
    part = np.linspace(0.0, 1.0, 4 * COARSE, endpoint=False)[:, None]
    at = (place[ends[0], None] + (place[ends[1]] - place[ends[0]])[:, None] * part) * COARSE
    level = height[ends[0], None] + (height[ends[1]] - height[ends[0]])[:, None] * part[:, 0]
    at, level = at.reshape(-1, 2), level.ravel()
    cell = tuple(np.clip(at.astype(int), 0, side - 1).T)
    number = np.full((side, side), -1)
    number[cell] = np.arange(len(at))
    nearest = distance_transform_edt(number < 0, return_distances=False, return_indices=True)
    own = number[tuple(nearest)]
    centre = np.arange(side) + 0.5
    away = np.hypot(at[own, 0] - centre[:, None], at[own, 1] - centre) * DEM_M
    return level[own].astype(np.float32), away.astype(np.float32)


def land_cover(country: Country, seed: int = 7) -> NDArray[np.uint8]:
    """Draw fields, meadows and woods, wood of varying width beside the streams, and their water; cells of 2.4 m."""
    rng, side = np.random.default_rng(seed), len(country.heights)
    kind, edge, yard = noise(side, 150.0, rng), noise(side, 40.0, rng), noise(side, 20.0, rng)
    cells = round(country.side_m / COVER_M)
    codes = np.empty((cells, cells), np.uint8)
    at = (np.arange(cells) + 0.5) * (COVER_M / DEM_M) - 0.5
    for first in range(0, cells, 1_000):
        some = at[first : first + 1_000]
        fine = [between(values, some, at) for values in (country.away_m, kind, edge, yard)]
        codes[first : first + 1_000] = _classes(*fine)
    return codes


def between(values: NDArray[np.float32], rows: NDArray[np.float64], columns: NDArray[np.float64]) -> NDArray:
    """Give values between cells, at rows and columns counted in cells."""

    def ends(at: NDArray[np.float64], length: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        low = np.clip(np.floor(at).astype(np.int64), 0, length - 2)
        return low, np.clip(at - low, 0, 1).astype(np.float32)

    (row, down), (column, right) = ends(rows, values.shape[0]), ends(columns, values.shape[1])
    lines = values[row] * (1 - down[:, None]) + values[row + 1] * down[:, None]
    return lines[:, column] * (1 - right) + lines[:, column + 1] * right


def _classes(away: NDArray, kind: NDArray, edge: NDArray, yard: NDArray) -> NDArray[np.uint8]:
    codes = np.where(kind > 0.9, WOOD, np.where(kind > 0, MEADOW, FIELD)).astype(np.uint8)
    codes[yard > 2.2] = YARD
    codes[away < 12.0 + 22.0 * edge] = WOOD
    codes[away < 4.5] = WATER
    return codes


def properties(country: Country, count: int, seed: int = 9) -> gpd.GeoDataFrame:
    """Cut the country into about so many properties: crooked quarters that share their borders."""
    side = max(1, round(np.sqrt(count)))
    step = country.side_m / side
    nodes = np.stack(np.meshgrid(np.arange(2 * side + 1), np.arange(2 * side + 1)), axis=-1) * (step / 2)
    nodes[1:-1, 1:-1] += np.random.default_rng(seed).uniform(-0.18, 0.18, nodes[1:-1, 1:-1].shape) * step
    ring = ((0, 0), (0, 1), (0, 2), (1, 2), (2, 2), (2, 1), (2, 0), (1, 0))
    corners = np.stack([nodes[r : r + 2 * side - 1 : 2, c : c + 2 * side - 1 : 2] for r, c in ring], axis=2)
    shapes = shapely.polygons(corners.reshape(-1, len(ring), 2) + np.array((X0, Y0)))
    return gpd.GeoDataFrame({"parcel": [f"P{n:05d}" for n in range(len(shapes))]}, geometry=shapes, crs=CRS)


def write_raster(path: Path, values: NDArray, cell_m: float) -> None:
    """Write a raster with its lower left corner at that of the country: tiles of 512 cells, deflate."""
    rows, columns = values.shape
    profile = {"driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": values.dtype, "crs": CRS}
    profile |= {
        "transform": Affine(cell_m, 0, X0, 0, -cell_m, Y0 + rows * cell_m),
        "nodata": -9999 if values.dtype == np.float32 else 0,
    }
    tiling = {"tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "zlevel": 1, "num_threads": 2}
    with rasterio.open(path, "w", **profile, **tiling) as out:
        out.write(values, 1)


def write_world(folder: Path, reaches: int) -> Path:
    """Write the layers of a watershed of about so many reaches, and its config; give the config's path."""
    folder.mkdir(parents=True, exist_ok=True)
    country = lay_country(reaches)
    write_raster(folder / "dem.tif", country.heights, DEM_M)
    cover = land_cover(country)
    write_raster(folder / "cover.tif", cover, COVER_M)
    del cover
    gpd.GeoDataFrame(geometry=country.lines, crs=CRS).to_file(folder / "streams.gpkg")
    properties(country, PROPERTIES * reaches).to_file(folder / "properties.gpkg")
    square = shapely.box(X0, Y0, X0 + country.side_m, Y0 + country.side_m)
    gpd.GeoDataFrame(geometry=[square], crs=CRS).to_file(folder / "watershed.gpkg")
    (folder / "legend.csv").write_text(LEGEND)
    config = folder / "world.toml"
    config.write_text(CONFIG.format(reaches=reaches, crs=CRS))
    return config


def main() -> int:
    """Write a world."""
    choices = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    choices.add_argument("folder", type=Path)
    choices.add_argument("--reaches", type=int, default=500, help="about so many reaches of 200 m (default: 500)")
    chosen = choices.parse_args()
    sys.stdout.write(f"{write_world(chosen.folder, chosen.reaches)}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
