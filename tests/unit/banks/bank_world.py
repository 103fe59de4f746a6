"""Ground at 1 m with banks of known height, and what the stage says of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from gisprio.compute.banks.bank_heights import measure_bank_heights
from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.stations import lay_stations
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.layers import SIDE_HEIGHTS
from gisprio.contracts.schema import check
from tables import nearby, network, settings, source

Height = Callable[[NDArray, NDArray], NDArray]
SOUTH = shapely.LineString([(0, 600), (0, 0)])
WIDTH_M = 6.0


def channel(*lines: shapely.LineString, bank: float = 1.5, face: float = 0.0, side: float = 0.1) -> Height:
    """Water 6 m wide along lines, falling 1 in 200 to the south; behind the bank the ground rises by ``side``."""
    stream = shapely.union_all(lines)
    shapely.prepare(stream)

    def height(x: NDArray, y: NDArray) -> NDArray:
        off = np.maximum(shapely.distance(stream, shapely.points(x, y)) - WIDTH_M / 2, 0.0)
        rise = bank * np.minimum(off / face, 1.0) if face else bank * (off > 0)
        return 100 + 0.005 * y + rise + side * np.maximum(off - face, 0.0)

    return height


def error(shape: tuple[int, ...], size_m: float, seed: int, correlated_cells: float = 3.0) -> NDArray[np.float64]:
    """A correlated error of the heights of given size."""
    raw = gaussian_filter(np.random.default_rng(seed).standard_normal(shape), correlated_cells)
    return size_m * raw / raw.std()


@dataclass(frozen=True)
class Surveyed(ArraySource):
    """Heights of two surveys: west of ``border_x`` on cells of 10 m."""

    border_x: float = -np.inf
    survey_cells_m: tuple[float, ...] = (1.0, 10.0)

    def surveyed_window(self, bounds):
        grid = self.window(bounds)
        column = np.arange(grid.values.shape[1]) + grid.column
        west = self.lattice.x0 + (column + 0.5) * self.lattice.cell_m < self.border_x
        survey = np.broadcast_to(west, grid.values.shape).astype(np.int16)
        return grid, Grid(survey, grid.lattice, grid.row, grid.column, -1)


def measured(
    *lines: shapely.LineString,
    height: Height,
    cell_m: float = 1.0,
    noise_m: float = 0.0,
    seed: int = 1,
    shift: tuple[float, float] = (0.0, 0.0),
    downstream: tuple[int, ...] | None = None,
    coarse_west_of: float | None = None,
    halo: dict[str, gpd.GeoDataFrame] | None = None,
    **sections: dict[str, object],
) -> pd.DataFrame:
    """Measure banks along lines that are drawn ``shift`` beside the stream; one row a station side, with ``at_m``."""
    made = settings(**sections)
    drawn = [shapely.affinity.translate(line, *shift) for line in lines]
    core = dict(network(*drawn, width_m=WIDTH_M, downstream=downstream))
    near = nearby(**(halo or {}))
    core |= lay_stations(core, {"segments": core["segments"]}, {}, made)
    core |= find_bank_lines(core, near, {}, made)
    x0, y0, x1, y1 = np.round(shapely.union_all(lines).buffer(100).bounds)
    x, y = np.meshgrid(np.arange(x0, x1, cell_m) + cell_m / 2, np.arange(y1, y0, -cell_m) - cell_m / 2)
    z = (height(x, y) + (error(x.shape, noise_m, seed) if noise_m else 0.0)).astype(np.float32)
    grid = Grid(z, Lattice(x0, y1, cell_m))
    dem = ArraySource(grid) if coarse_west_of is None else Surveyed(grid, border_x=coarse_west_of)
    survey = (x < (coarse_west_of if coarse_west_of is not None else -np.inf)).astype(np.int16)
    sources = {"dem": dem, "survey": source(survey, x0, y1, cell_m, -1)}
    got = check(SIDE_HEIGHTS, measure_bank_heights(core, near, sources, made)["side_heights"])
    return got.merge(core["stations"][["segment_no", "station_no", "at_m"]])
