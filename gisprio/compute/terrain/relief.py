"""The routing grid: one grid of raw heights for the whole area, 10 m or the DEM's own cell where that is coarser.

Heights and slopes are read from it as it is; only a working copy is ever lowered under the streams.
"""

from __future__ import annotations

from typing import Any

import numpy as np
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

CELL_M = 10.0
"""Side of a routing cell."""
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
        None.

    Returns
    -------
    dict
        ``elevation``: float32 [m], nodata NaN. ``survey``: int16, the survey each height comes from, numbered in the
        order of ``[layers] dem``; -1 where there is none. ``lowest``: float32 [m], the lowest of the heights that
        make up each mean where they show more than the mean does, for the low of a channel narrower than a cell.

    Notes
    -----
    A DEM finer than 10 m is averaged over whole blocks of its own cells, the largest block that is not over 10 m:
    exact means of the cells that have data, never overviews. A coarser DEM is taken as it is, and so are the cells of
    a coarser file beside a finer one where they are whole blocks of its lattice. Surveys may lie above each other, so
    no mean mixes them: where a block holds cells of several, it is the mean of the one that has the most, of equal
    ones the first. Every height is thus of one survey.
    """
    dem = sources["dem"]
    block = max(1, int(np.floor(CELL_M / dem.lattice.cell_m + 1e-6)))
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
) -> tuple[NDArray[np.float64], NDArray[np.int16]]:
    """Read rows and columns of a source as float64, NaN where there is no data, and the survey of each cell."""
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
    return np.where(grid.valid(), grid.values.astype(np.float64), np.nan), survey.values.astype(np.int16)


def _means(
    values: NDArray[np.float64], survey: NDArray[np.int16], block: int, fine: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]:
    """Give the mean of each block over its commonest survey, of equal ones the lowest number; that number; the low."""
    if block == 1:
        return values.astype(np.float32), survey, values.astype(np.float32)
    heights, number = _blocks(values, block, np.nan), _blocks(survey, block, NO_SURVEY)
    shape = (heights.shape[0], heights.shape[2])
    most, own = np.zeros(shape, np.int64), np.full(shape, NO_SURVEY, np.int16)
    mean, low = np.full(shape, np.nan), np.full(shape, np.nan)
    for one in np.unique(survey[survey != NO_SURVEY]):
        known = number == one
        count = known.sum(axis=(1, 3))
        total = np.where(known, heights, 0.0).sum(axis=(1, 3))
        more = count > most
        most, own = np.where(more, count, most), np.where(more, one, own)
        mean = np.where(more, total / np.maximum(count, 1), mean)
        least = np.where(known, heights, np.inf).min(axis=(1, 3)) if fine[one] else mean
        low = np.where(more, least, low)
    return mean.astype(np.float32), own.astype(np.int16), low.astype(np.float32)


def _blocks(values: NDArray[Any], block: int, beyond: float) -> NDArray[Any]:
    """Lay cells out as (block row, row in block, block column, column in block); past the edge stands ``beyond``."""
    rows, columns = values.shape
    padded = np.full((-(-rows // block) * block, -(-columns // block) * block), beyond, values.dtype)
    padded[:rows, :columns] = values
    return padded.reshape(padded.shape[0] // block, block, padded.shape[1] // block, block)
