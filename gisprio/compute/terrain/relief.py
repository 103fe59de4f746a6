"""The routing grid: one grid of raw heights for the whole area, 10 m or the DEM's own cell where that is coarser.

Heights and slopes are read from it as it is; only a working copy is ever lowered under the streams.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.grids import Grid, GridSource, Lattice
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
        ``elevation``: float32 [m], nodata NaN.

    Notes
    -----
    A DEM finer than 10 m is averaged over whole blocks of its own cells, the largest block that is not over 10 m:
    exact means of the cells that have data, never overviews. A coarser DEM is taken as it is.
    """
    dem = sources["dem"]
    block = max(1, int(np.floor(CELL_M / dem.lattice.cell_m + 1e-6)))
    return {"elevation": block_means(dem, block)}


def block_means(dem: GridSource, block: int) -> Grid:
    """Average a grid over blocks of ``block`` x ``block`` cells, strip by strip.

    Parameters
    ----------
    dem
        Heights [m].
    block
        Cells along the side of a block.

    Returns
    -------
    Grid
        float32 [m]; a block without data is NaN.
    """
    lattice, (rows, columns) = dem.lattice, dem.shape
    out_rows, out_columns = -(-rows // block), -(-columns // block)
    values = np.full((out_rows, out_columns), np.nan, np.float32)
    step = max(1, STRIP_CELLS // max(1, columns * block))
    for first in range(0, out_rows, step):
        after = min(out_rows, first + step)
        values[first:after] = _means(_strip(dem, first * block, min(rows, after * block)), block)
    return Grid(values, Lattice(lattice.x0, lattice.y0, lattice.cell_m * block), 0, 0, None)


def _strip(dem: GridSource, row0: int, row1: int) -> NDArray[np.float64]:
    """Read whole rows of a source as float64, NaN where there is no data."""
    lattice, (_, columns) = dem.lattice, dem.shape
    half = lattice.cell_m / 2
    grid = dem.window(
        (
            lattice.x0 + half,
            lattice.y0 - row1 * lattice.cell_m + half,
            lattice.x0 + columns * lattice.cell_m - half,
            lattice.y0 - row0 * lattice.cell_m - half,
        )
    )
    return np.where(grid.valid(), grid.values.astype(np.float64), np.nan)


def _means(values: NDArray[np.float64], block: int) -> NDArray[np.float32]:
    if block == 1:
        return values.astype(np.float32)
    rows, columns = values.shape
    padded = np.full((-(-rows // block) * block, -(-columns // block) * block), np.nan)
    padded[:rows, :columns] = values
    blocks = padded.reshape(padded.shape[0] // block, block, padded.shape[1] // block, block)
    known = ~np.isnan(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
