"""Kernels that fill depressions by basins instead of by cells.

Every cell is followed down the raw ground to where it ends; cells of one end are a basin. Water leaves a basin over
the lowest pass to a neighbour, so only the graph of basins is flooded, and each basin is raised to its level. Arrays
are flat and bordered.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.cells import OUTLET, UNSET

OUTSIDE = 1
"""Basin of cells that drain away as they are; 0 is ground without data. No other basin has a number so low."""

Passes = tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.float32]]
"""Lower and higher number of two basins that touch, and the height of the lowest pass between them [m]."""


@njit(cache=True, nogil=True)
def _level_neighbour(
    z: NDArray[np.float32],
    basin: NDArray[np.int32],
    offset: NDArray[np.int64],
    cell: int,
    first: int,
    after: int,
) -> int:
    """Give the basin of a neighbour of the same height, 0 where none has one yet."""
    for k in range(1, 9):
        there = cell + offset[k]
        if first <= there < after and basin[there] != 0 and z[there] == z[cell]:
            return int(basin[there])
    return 0


@njit(cache=True, nogil=True)
def label_basins(
    z: NDArray[np.float32],
    direction: NDArray[np.uint8],
    basin: NDArray[np.int32],
    offset: NDArray[np.int64],
    first: int,
    after: int,
    number: int,
    step: int,
) -> int:
    """Give each cell of a strip the number of its basin; give the lowest number not used.

    Parameters
    ----------
    z, direction, offset
        Of the bordered grid; directions by steepest descent on the raw ground.
    basin
        (n,) zeros; written.
    first, after
        Cells of the strip.
    number, step
        The first new basin has this number, the next ones follow by ``step``: strips never share one.

    Notes
    -----
    A basin ends at a cell without lower neighbour or where the way down leaves the strip. A cell joins a basin beside
    it that has its height, so that flats make few basins. How basins are cut does not show in the filled ground:
    within each of them every cell has a way down to its end.
    """
    for start in range(first, after):
        if basin[start] != 0 or (direction[start] > 8 and direction[start] != UNSET):
            continue
        cell = start
        while True:
            found = int(basin[cell])
            if found != 0:
                break
            k = direction[cell]
            if k == OUTLET:
                found = OUTSIDE
                break
            if k == UNSET:
                found = _level_neighbour(z, basin, offset, cell, first, after)
            else:
                below = cell + offset[k]
                if first <= below < after:
                    cell = below
                    continue
            if found == 0:
                found = number
                number += step
            break
        end = cell
        cell = start
        while cell != end:
            basin[cell] = found
            cell += offset[direction[cell]]
        basin[end] = found
    return number


@njit(cache=True, nogil=True)
def _slot(low: NDArray[np.int32], high: NDArray[np.int32], a: int, b: int) -> int:
    """Find where a pair lies in the table, or the free place where it would."""
    slot = (2 * (a + b) + (a & 7)) & (low.size - 1)
    while high[slot] != 0 and (low[slot] != a or high[slot] != b):
        slot = (slot + 1) & (low.size - 1)
    return slot


@njit(cache=True, nogil=True)
def _grown(low: NDArray[np.int32], high: NDArray[np.int32], height: NDArray[np.float32]) -> Passes:
    """Give a table twice as large with the same pairs."""
    size = 2 * low.size
    new_low, new_high = np.zeros(size, np.int32), np.zeros(size, np.int32)
    new_height = np.empty(size, np.float32)
    for old in range(low.size):
        if high[old] != 0:
            slot = _slot(new_low, new_high, int(low[old]), int(high[old]))
            new_low[slot], new_high[slot], new_height[slot] = low[old], high[old], height[old]
    return new_low, new_high, new_height


@njit(cache=True, nogil=True)
def find_passes(
    z: NDArray[np.float32],
    basin: NDArray[np.int32],
    width: int,
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    height: NDArray[np.float32],
    first: int,
    after: int,
) -> Passes:
    """Find the lowest pass between each two basins that touch, as far as one of the two cells is among some.

    Parameters
    ----------
    z, basin, width
        Of the bordered grid.
    low, high, height
        Zeros in a number that is a power of two, to be used as a table; more are made when they are half full.
    first, after
        Cells to look at with their neighbours to the east and south; ``after`` lies behind the border of a row.

    Returns
    -------
    table
        Passes; ``high`` is 0 where there is none.

    Notes
    -----
    The height of a pass is that of the higher of its two cells; beside ground without data, that of the cell itself.
    """
    used = 0
    ahead = (1, width - 1, width, width + 1)
    slot = 0
    for cell in range(first, after - 1):
        own = basin[cell]
        if (
            own == basin[cell + 1]
            and own == basin[cell + width - 1]
            and own == basin[cell + width]
            and own == basin[cell + width + 1]
        ):
            continue
        for step in ahead:
            there = cell + step
            a, b = int(own), int(basin[there])
            if a == b or (a <= OUTSIDE and b <= OUTSIDE):
                continue
            if a > b:
                a, b = b, a
            top = z[cell]
            if np.isnan(top) or z[there] > top:
                top = z[there]
            if low[slot] != a or high[slot] != b:
                slot = _slot(low, high, a, b)
            if high[slot] != 0:
                height[slot] = min(height[slot], top)
                continue
            low[slot], high[slot], height[slot] = a, b, top
            used += 1
            if 2 * used > low.size:
                low, high, height = _grown(low, high, height)
    return low, high, height


@njit(cache=True, nogil=True)
def _root(above: NDArray[np.int32], basin: int) -> int:
    while above[basin] != basin:
        above[basin] = above[above[basin]]
        basin = int(above[basin])
    return basin


@njit(cache=True, nogil=True)
def flood_basins(
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    height: NDArray[np.float32],
    order: NDArray[np.int64],
    basins: int,
) -> NDArray[np.float32]:
    """Give the level at which water leaves each basin.

    Parameters
    ----------
    low, high, height
        Passes.
    order
        Passes by rising height.
    basins
        One more than the highest number of a basin.

    Returns
    -------
    levels [m]
        (basins,) float32; minus infinity where nothing is raised.

    Notes
    -----
    Water rises everywhere at once. At each pass the two bodies of water beside it become one; when one of them lies
    outside, the other has found its level. Members of a body are a ring, and two rings become one by an exchange.
    """
    above = np.arange(basins).astype(np.int32)
    ring = np.arange(basins).astype(np.int32)
    level = np.full(basins, -np.inf, np.float32)
    above[0] = OUTSIDE
    for p in order:
        a, b = _root(above, int(low[p])), _root(above, int(high[p]))
        if a == b:
            continue
        if b == OUTSIDE:
            a, b = b, a
        above[b] = a
        if a == OUTSIDE:
            member = b
            while True:
                level[member] = height[p]
                member = int(ring[member])
                if member == b:
                    break
        else:
            ring[a], ring[b] = ring[b], ring[a]
    return level


@njit(cache=True, nogil=True)
def raise_basins(
    z: NDArray[np.float32],
    direction: NDArray[np.uint8],
    basin: NDArray[np.int32],
    level: NDArray[np.float32],
    offset: NDArray[np.int64],
    first: int,
    after: int,
) -> None:
    """Raise some cells to the level of their basins; make directions UNSET that no longer hold.

    Notes
    -----
    A direction holds where the cell it points at stays as it is: all other drops only shrink. Whether that cell,
    perhaps of another strip, has been raised already makes no difference to the comparison.
    """
    for cell in range(first, after):
        if basin[cell] <= OUTSIDE:
            continue
        spill = level[basin[cell]]
        if direction[cell] <= 8 and z[cell + offset[direction[cell]]] <= spill:
            direction[cell] = UNSET
        if z[cell] < spill:
            z[cell] = spill
