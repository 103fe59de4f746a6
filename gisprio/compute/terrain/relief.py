"""The routing grid: one grid of raw heights for the whole area, of cells of [dem] routing_cell_m or the DEM's own.

Heights and slopes are read from it as it is; only a working copy is ever lowered under the streams.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.grids import (
    NO_SURVEY,
    BlockedSource,
    Grid,
    GridSource,
    Lattice,
    PanelledSource,
    survey_cells,
    surveyed_window,
)
from gisprio.contracts.settings import Settings

STRIP_CELLS = 2_000_000
"""Cells of the DEM read at once."""


def lay_routing_grid(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Lay the routing grid over the DEM.

    Parameters
    ----------
    tables
        None.
    sources
        ``dem``: heights [m], NaN where there are none.
    settings
        ``[dem] routing_cell_m``: the largest side of a routing cell [m].

    Returns
    -------
    dict
        ``elevation``: float32 [m], nodata NaN. ``survey``: int16, the survey each height comes from, numbered in the
        order of ``[layers] dem``; -1 where there is none. ``lowest``: float32 [m], the lowest of the heights that
        make up each mean where they show more than the mean does, for the low of a channel narrower than a cell.

    Notes
    -----
    A DEM finer than ``routing_cell_m`` is averaged over whole blocks of its own cells, the largest not over it:
    exact means of the cells that have data, never overviews. A coarser DEM is taken as it is, and so are the cells of
    a coarser file beside a finer one where they are whole blocks of its lattice. Surveys may lie above each other, so
    no mean mixes them: where a block holds cells of several, it is the mean of the one that has the most, of equal
    ones the first. Every height is thus of one survey.
    """
    dem = sources["dem"]
    block = settings.dem.routing_block(dem.lattice.cell_m)
    elevation, survey, lowest = block_means(dem, block)
    return {"elevation": elevation, "survey": survey, "lowest": lowest}


def block_means(dem: GridSource, block: int) -> tuple[Grid, Grid, Grid]:
    """Average a grid over blocks of ``block`` x ``block`` cells of one survey, panel by panel, strip by strip.

    Parameters
    ----------
    dem
        Heights [m].
    block
        Cells along the side of a block.

    Returns
    -------
    elevation, survey, lowest
        float32 [m], a block without data is NaN; int16, there -1; float32 [m], the mean where the survey was measured
        on cells over half as large as a block, and its cells here are only drawn between them.
    """
    lattice, (rows, columns) = dem.lattice, dem.shape
    shape = (-(-rows // block), -(-columns // block))
    values, surveys = np.full(shape, np.nan, np.float32), np.full(shape, NO_SURVEY, np.int16)
    lowest = np.full(shape, np.nan, np.float32)
    fine = np.array(survey_cells(dem)) <= block * lattice.cell_m / 2 + 1e-9
    panel = min(columns, dem.panel_columns(block)) if isinstance(dem, PanelledSource) else columns
    step = max(1, STRIP_CELLS // max(1, panel * block))
    for left in range(0, columns, max(1, panel)):
        for first in range(0, shape[0], step):
            after, right = min(shape[0], first + step), min(columns, left + panel)
            part = np.s_[first:after, left // block : -(-right // block)]
            heights, survey = _strip(dem, (first * block, min(rows, after * block)), (left, right))
            values[part], surveys[part], lowest[part] = _means(heights, survey, block, fine)
            if block > 1 and isinstance(dem, BlockedSource):
                measured = dem.block_heights(block, first, surveys[part], left // block)
                for grid in (values, lowest):
                    np.copyto(grid[part], measured, where=~np.isnan(measured))
    coarse = Lattice(lattice.x0, lattice.y0, lattice.cell_m * block)
    return Grid(values, coarse), Grid(surveys, coarse, 0, 0, NO_SURVEY), Grid(lowest, coarse)


def _strip(
    dem: GridSource, rows: tuple[int, int], columns: tuple[int, int]
) -> tuple[NDArray[np.floating], NDArray[np.int16]]:
    """Read rows and columns of a source as floats, NaN where there is no data, and the survey of each cell."""
    lattice = dem.lattice
    half = lattice.cell_m / 2
    grid, survey = surveyed_window(
        dem,
        (
            lattice.x0 + columns[0] * lattice.cell_m + half,
            lattice.y0 - rows[1] * lattice.cell_m + half,
            lattice.x0 + columns[1] * lattice.cell_m - half,
            lattice.y0 - rows[0] * lattice.cell_m - half,
        ),
    )
    held: NDArray[np.floating] = np.asarray(grid.values, np.result_type(grid.values.dtype, np.float32))
    valid = grid.valid()
    if not valid.all():
        held = np.where(valid, held, np.array(np.nan, held.dtype))
    return held, survey.values.astype(np.int16, copy=False)


def _means(
    values: NDArray[np.floating], survey: NDArray[np.int16], block: int, fine: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]:
    """Give the mean of each block over its commonest survey, of equal ones the lowest number; that number; the low."""
    if block == 1:
        return values.astype(np.float32), survey, values.astype(np.float32)
    means: tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]
    means = _block_means(np.ascontiguousarray(values), np.ascontiguousarray(survey), block, fine)
    return means


@njit(cache=True, nogil=True)
def _block_means(
    values: NDArray[np.floating], survey: NDArray[np.int16], block: int, fine: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]:
    """Count, add and compare the cells of each block by their surveys; blocks at the edge have what is there."""
    rows, columns = values.shape
    shape = ((rows + block - 1) // block, (columns + block - 1) // block)
    mean, low = np.full(shape, np.nan, np.float32), np.full(shape, np.nan, np.float32)
    own = np.full(shape, NO_SURVEY, np.int16)
    number = np.empty(block * block, np.int16)
    count = np.empty(block * block, np.int64)
    total, least = np.empty(block * block, np.float64), np.empty(block * block, np.float64)
    for i in range(shape[0]):
        for j in range(shape[1]):
            met = 0
            for row in range(i * block, min(rows, (i + 1) * block)):
                for column in range(j * block, min(columns, (j + 1) * block)):
                    one = survey[row, column]
                    if one == NO_SURVEY:
                        continue
                    k = 0
                    while k < met and number[k] != one:
                        k += 1
                    if k == met:
                        number[k], count[k], total[k], least[k] = one, 0, 0.0, np.inf
                        met += 1
                    height = np.float64(values[row, column])
                    count[k] += 1
                    total[k] += height
                    least[k] = min(least[k], height)
            if met == 0:
                continue
            best = 0
            for k in range(1, met):
                if count[k] > count[best] or (count[k] == count[best] and number[k] < number[best]):
                    best = k
            own[i, j] = number[best]
            mean[i, j] = total[best] / count[best]
            low[i, j] = least[best] if fine[number[best]] else total[best] / count[best]
    return mean, own, low
