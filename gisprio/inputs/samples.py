"""Points along lines with what the grids hold there, read tile by tile: what the checks of ground use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gisprio.contracts.grids import Grid, GridSource, box_around, surveyed_window

TILE_M = 2000.0
"""Side of the tiles that grids are read by [m]."""


@dataclass(frozen=True, slots=True)
class LinePoints:
    """Points at even steps along lines.

    Parameters
    ----------
    line
        Row of the line each point lies on.
    x, y
        Places [m].
    along_x, along_y
        Unit vector along the line.
    length_m
        Length each point stands for [m]; the lengths of a line's points add up to its own.
    """

    line: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    along_x: NDArray[np.float64]
    along_y: NDArray[np.float64]
    length_m: NDArray[np.float64]


def points_along(lines: NDArray[Any], step_m: float) -> LinePoints:
    """Lay points along lines, each in the middle of the length it stands for.

    Parameters
    ----------
    lines
        Lines [m].
    step_m
        Longest step [m].

    Returns
    -------
    LinePoints
        At least one point a line.
    """
    lengths = shapely.length(lines)
    counts = np.maximum(1, np.ceil(lengths / step_m - 1e-6)).astype(np.int64)
    line = np.repeat(np.arange(len(lines)), counts)
    number = np.arange(len(line)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = lengths[line] / counts[line]
    at = (number + 0.5) * share
    reach = np.minimum(share / 2, 10.0)
    here = shapely.line_interpolate_point(lines[line], at)
    back = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], at - reach))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], at + reach))
    step = ahead - back
    norm = np.hypot(step[:, 0], step[:, 1])
    unit = step / np.where(norm > 0, norm, 1.0)[:, None]
    return LinePoints(line, shapely.get_x(here), shapely.get_y(here), unit[:, 0], unit[:, 1], share)


def tiles_of(x: NDArray[np.float64], y: NDArray[np.float64]) -> Iterator[NDArray[np.int64]]:
    """Give the row numbers of the points of each tile, tile by tile in order of place."""
    column, row = np.floor(x / TILE_M).astype(np.int64), np.floor(y / TILE_M).astype(np.int64)
    order = np.lexsort((column, row))
    new = np.flatnonzero((np.diff(column[order]) != 0) | (np.diff(row[order]) != 0)) + 1
    yield from (part for part in np.split(order, new) if len(part))


def some_tiles(x: NDArray[np.float64], y: NDArray[np.float64], most: int) -> list[NDArray[np.int64]]:
    """Give the row numbers of the points of at most so many tiles, spread evenly over the order of :func:`tiles_of`."""
    tiles = list(tiles_of(x, y))
    return [tiles[at] for at in np.unique(np.linspace(0, len(tiles) - 1, most).astype(int))] if tiles else []


def window_around(source: GridSource, x: NDArray[np.float64], y: NDArray[np.float64]) -> Grid:
    """Give the window that holds points and two cells around them."""
    return source.window(box_around(x, y, 2 * source.lattice.cell_m))


def surveyed_around(source: GridSource, x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[Grid, Grid]:
    """Give the window that holds points, and the survey of each of its cells."""
    return surveyed_window(source, box_around(x, y, 2 * source.lattice.cell_m))


def has_data(source: GridSource, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say where a grid has data, by the cell each point lies in; shape of ``x``."""
    found = np.zeros(len(x), bool)
    for rows in tiles_of(x, y):
        grid = window_around(source, x[rows], y[rows])
        if grid.values.size:
            row, column, inside = grid.index(x[rows], y[rows])
            found[rows] = inside & grid.valid()[row, column]
    return found


def values_at(source: GridSource, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the value of the cell each place lies in; NaN where there is none; shape of ``x``."""
    found = np.full(x.size, np.nan)
    flat_x, flat_y = x.ravel(), y.ravel()
    for rows in tiles_of(flat_x, flat_y):
        grid = window_around(source, flat_x[rows], flat_y[rows])
        if grid.values.size:
            row, column, inside = grid.index(flat_x[rows], flat_y[rows])
            found[rows] = np.where(inside & grid.valid()[row, column], grid.values[row, column], np.nan)
    return found.reshape(x.shape)


def outside_of(polygons: NDArray[Any], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say which places lie outside all polygons, row by row."""
    outside = np.ones(x.size, bool)
    inside, _ = shapely.STRtree(polygons).query(shapely.points(x.ravel(), y.ravel()), predicate="intersects")
    outside[inside] = False
    return outside


def percent(share: float) -> str:
    """Give a share in words.

    >>> percent(0.254), percent(0.004)
    ('25 %', '0.4 %')
    """
    return f"{100 * share:.0f} %" if share >= 0.1 else f"{100 * share:.1f} %"
