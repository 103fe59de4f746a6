"""What the ground is like on cells of the routing grid: slope, cover factor C, erodibility K. Rows at a time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gisprio.compute.terrain.slope import horn_gradient
from gisprio.contracts.constants import C_ARABLE, C_GRASS, C_MEAN, C_PASTURE, C_SPARSE, C_WOOD
from gisprio.contracts.grids import NO_SURVEY, Grid, GridSource, Lattice

Floats = NDArray[np.floating]
Rows = tuple[int, int]
"""First row and row after the last, on the lattice."""
CLASS_C = {
    "woody": C_WOOD.value,
    "herbaceous": C_GRASS.value,
    "pasture": C_PASTURE.value,
    "crop": C_ARABLE.value,
    "bare": C_SPARSE.value,
    "developed": C_GRASS.value,
    "wetland": 0.0,
    "water": 0.0,
    "other": C_MEAN.value,
}
"""C of a class where the legend gives none; developed as grass, wetland and water none [own]."""
LOOKS_MOST = 10
"""Samples of the cover along the side of a cell, at most."""
KNOWN_LEAST = 0.5
"""Share of a cell whose cover must be known [own]."""


def slope_and_crossing(elevation: Grid, survey: Grid | None, rows: Rows) -> tuple[Floats, Floats]:
    """Give the slope [m/m] of the raw ground, and |sin| + |cos| of its aspect; (rows, columns).

    Parameters
    ----------
    elevation
        The whole routing grid, raw [m], NaN where there are no heights.
    survey
        Survey of each height; None where all are one. No slope is taken over a seam.
    rows
        Rows to do.

    Returns
    -------
    slope, crossing
        NaN where one of nine heights is missing or of another survey; 1 on level ground.
    """
    first, after = max(0, rows[0] - 1), min(elevation.values.shape[0], rows[1] + 1)
    own = slice(rows[0] - first, rows[1] - first)
    gradient = horn_gradient(np.asarray(elevation.values[first:after], np.float32), elevation.lattice.cell_m)
    slope = gradient.slope()
    if survey is not None:
        slope[_seams(survey.values[first:after])] = np.nan
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = (np.abs(gradient.east) + np.abs(gradient.north)) / gradient.slope()
    return slope[own], np.where(np.isnan(crossing), 1.0, crossing)[own]


def _seams(survey: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Say which cells touch cells of another survey; (rows, columns)."""
    numbers = survey.astype(np.int32)
    low = ndimage.minimum_filter(np.where(numbers == NO_SURVEY, np.iinfo(np.int32).max, numbers), 3)
    return np.asarray(ndimage.maximum_filter(numbers, 3) > low)


def c_by_code(legend: pd.DataFrame, given: Mapping[Any, float]) -> pd.Series:
    """Give C by code of the land cover: given for its class, else the legend's, else the mean of its class."""
    own = legend["c_factor"].fillna(legend["cover"].map(CLASS_C))
    return pd.Series(legend["cover"].map(dict(given)).fillna(own).to_numpy(float), legend["code"].to_numpy(np.int64))


def cover_factor(source: GridSource, c_of: pd.Series, elevation: Grid, rows: Rows) -> NDArray[np.float32]:
    """Give the mean C over each routing cell; (rows, columns), NaN where most of the cell has no known cover.

    Parameters
    ----------
    source
        Land cover, codes.
    c_of
        C by code, of :func:`c_by_code`.
    elevation
        The whole routing grid.
    rows
        Rows to do.
    """
    lattice, columns = elevation.lattice, elevation.values.shape[1]
    looks = int(np.clip(np.ceil(lattice.cell_m / source.lattice.cell_m - 1e-6), 1, LOOKS_MOST))
    x = lattice.x0 + (elevation.column + (np.arange(columns * looks) + 0.5) / looks) * lattice.cell_m
    y = lattice.y0 - (elevation.row + rows[0] + (np.arange((rows[1] - rows[0]) * looks) + 0.5) / looks) * lattice.cell_m
    c = _c_at(source.window((x[0], y[-1], x[-1], y[0])), c_of, x, y)
    cells = c.reshape(rows[1] - rows[0], looks, columns, looks)
    known = (~np.isnan(cells)).sum(axis=(1, 3))
    total = np.nan_to_num(cells).sum(axis=(1, 3))
    enough = known >= KNOWN_LEAST * looks**2
    return np.where(enough, total / np.maximum(known, 1), np.nan).astype(np.float32)


def _c_at(grid: Grid, c_of: pd.Series, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float32]:
    """Give C at the places of a raster of x (across) and y (down); (y, x), NaN where it is not known."""
    found = np.full((len(y), len(x)), np.nan, np.float32)
    row, _ = grid.lattice.rows_columns(np.full(len(y), x[0]), y)
    _, column = grid.lattice.rows_columns(x, np.full(len(x), y[0]))
    row, column = row - grid.row, column - grid.column
    down = (row >= 0) & (row < grid.values.shape[0])
    across = (column >= 0) & (column < grid.values.shape[1])
    if not down.any() or not across.any():
        return found
    codes = grid.values[np.ix_(row[down], column[across])]
    named = c_of.sort_index()
    place = np.clip(np.searchsorted(named.index.to_numpy(), codes), 0, len(named) - 1)
    known = named.index.to_numpy()[place] == codes
    if grid.nodata is not None:
        known &= codes != grid.nodata
    found[np.ix_(down, across)] = np.where(known, named.to_numpy(np.float32)[place], np.nan)
    return found


def soil_erodibility(soils: pd.DataFrame, lattice: Lattice, rows: Rows, columns: int) -> NDArray[np.float32]:
    """Give K [US units] of the soil unit in which the middle of each cell lies; (rows, columns), NaN where none.

    Parameters
    ----------
    soils
        Layer ``soils``. Where units overlap the last counts.
    lattice, rows, columns
        Cells to do, from column 0 on.
    """
    found = np.full((rows[1] - rows[0], columns), np.nan, np.float32)
    known = soils[soils["k_us"].notna().to_numpy()]
    shapes = np.asarray(known.geometry.array)
    bounds = shapely.bounds(shapes).reshape(-1, 4)
    first_column, first_row = _cells(bounds[:, 0] - lattice.x0, lattice), _cells(lattice.y0 - bounds[:, 3], lattice)
    last_column, last_row = _cells(bounds[:, 2] - lattice.x0, lattice), _cells(lattice.y0 - bounds[:, 1], lattice)
    for n in np.flatnonzero((first_row < rows[1]) & (last_row >= rows[0])):
        r = np.arange(max(rows[0], first_row[n]), min(rows[1], last_row[n] + 1))
        c = np.arange(max(0, first_column[n]), min(columns, last_column[n] + 1))
        if len(r) and len(c):
            shapely.prepare(shapes[n])
            inside = shapely.contains_xy(shapes[n], *lattice.centres(*np.meshgrid(r, c, indexing="ij")))
            found[r[0] - rows[0] : r[-1] + 1 - rows[0], c[0] : c[-1] + 1][inside] = known["k_us"].iloc[n]
    return found


def _cells(distance_m: Floats, lattice: Lattice) -> NDArray[np.int64]:
    return np.floor(distance_m / lattice.cell_m).astype(np.int64)
