"""Kernels that point cells downhill: steepest descent, and flats by direction.

Heights are float32, NaN where there is no ground; directions are those of :mod:`gisprio.compute.terrain.routing`. All
arrays are flat and bordered. A comparison with NaN is false, so ground without data is never lower than a cell.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.cells import NODATA, OUTLET, PENDING, UNSET

DIAGONAL = np.sqrt(0.5)


@njit(cache=True, nogil=True)
def _keep_lower(there: NDArray[np.float32], k: int, lowest: NDArray[np.float32], towards: NDArray[np.int32]) -> None:
    """Note where the neighbours in one direction are lower than the lowest so far; written to be vectorised."""
    for c in range(lowest.size):
        lower = there[c] < lowest[c]
        lowest[c] = there[c] if lower else lowest[c]
        towards[c] = k if lower else towards[c]


@njit(cache=True, nogil=True)
def _beside_nodata(z: NDArray[np.float32], cell: int, offset: NDArray[np.int64]) -> bool:
    around = np.float32(0.0)
    for k in range(1, 9):
        around += z[cell + offset[k]]
    return bool(np.isnan(around))


@njit(cache=True, nogil=True)
def point_steepest(
    z: NDArray[np.float32],
    direction: NDArray[np.uint8],
    offset: NDArray[np.int64],
    width: int,
    first_row: int,
    after_row: int,
) -> None:
    """Point each cell of some rows at its steepest lower neighbour, diagonals by their distance.

    Parameters
    ----------
    z
        (n,) heights [m].
    direction
        (n,) OUTLET where water is taken up, NODATA on the border, UNSET elsewhere; written.
    offset, width
        Of the bordered grid.
    first_row, after_row
        Rows to do.

    Notes
    -----
    The lowest of the four straight neighbours and of the four diagonal ones are found by comparison alone, the first of
    equal ones; one multiplication in double precision decides between the two, and the straight one wins a tie. A cell
    without lower neighbour is an OUTLET beside ground without data, else it stays UNSET.
    """
    columns = width - 2
    low_straight, low_diagonal = np.empty(columns, np.float32), np.empty(columns, np.float32)
    straight, diagonal = np.empty(columns, np.int32), np.empty(columns, np.int32)
    for row in range(first_row, after_row):
        start = row * width + 1
        here = z[start : start + columns]
        low_straight[:], low_diagonal[:] = here, here
        straight[:], diagonal[:] = UNSET, UNSET
        for k in range(1, 9, 2):
            east = start + offset[k]
            _keep_lower(z[east : east + columns], k, low_straight, straight)
        for k in range(2, 9, 2):
            east = start + offset[k]
            _keep_lower(z[east : east + columns], k, low_diagonal, diagonal)
        there = direction[start : start + columns]
        for c in range(columns):
            drop = np.float64(here[c]) - np.float64(low_straight[c])
            drop_diagonal = (np.float64(here[c]) - np.float64(low_diagonal[c])) * DIAGONAL
            towards = diagonal[c] if drop_diagonal > drop else straight[c]
            towards = NODATA if np.isnan(here[c]) else towards
            there[c] = OUTLET if there[c] == OUTLET and towards != NODATA else towards
        for c in range(columns):
            if there[c] == UNSET and _beside_nodata(z, start + c, offset):
                there[c] = OUTLET


@njit(cache=True, nogil=True)
def point_again(
    z: NDArray[np.float32], direction: NDArray[np.uint8], offset: NDArray[np.int64], first: int, after: int
) -> int:
    """Point the UNSET ones of some cells by the rule of :func:`point_steepest`; give how many stay UNSET."""
    flat = 0
    for cell in range(first, after):
        if direction[cell] != UNSET:
            continue
        low_straight, low_diagonal = z[cell], z[cell]
        straight, diagonal = UNSET, UNSET
        rim = False
        for k in range(1, 9):
            there = z[cell + offset[k]]
            if np.isnan(there):
                rim = True
            elif k % 2 == 1 and there < low_straight:
                low_straight, straight = there, k
            elif k % 2 == 0 and there < low_diagonal:
                low_diagonal, diagonal = there, k
        drop = np.float64(z[cell]) - np.float64(low_straight)
        drop_diagonal = (np.float64(z[cell]) - np.float64(low_diagonal)) * DIAGONAL
        towards = diagonal if drop_diagonal > drop else straight
        if towards == UNSET and rim:
            towards = OUTLET
        if towards == UNSET:
            flat += 1
        direction[cell] = towards
    return flat


@njit(cache=True, nogil=True)
def find_flat_ends(
    z: NDArray[np.float32],
    direction: NDArray[np.uint8],
    offset: NDArray[np.int64],
    flat: int,
    first: int,
    after: int,
) -> NDArray[np.int64]:
    """Find UNSET cells beside a cell of the same height that drains; mark their direction PENDING and list them.

    Parameters
    ----------
    z, direction, offset
        Of the bordered grid.
    flat
        How many of the cells are UNSET.
    first, after
        Cells to look at.
    """
    ends = np.empty(flat, np.int64)
    found = 0
    for cell in range(first, after):
        if direction[cell] != UNSET:
            continue
        for k in range(1, 9):
            there = cell + offset[k]
            if direction[there] <= 8 and z[there] == z[cell]:
                direction[cell] = PENDING + k
                ends[found] = cell
                found += 1
                break
    return ends[:found]


@njit(cache=True, nogil=True)
def drain_flats(direction: NDArray[np.uint8], offset: NDArray[np.int64], queue: NDArray[np.int64], waiting: int) -> int:
    """Point UNSET cells at the neighbour through which a way out is nearest in steps, breadth first.

    Parameters
    ----------
    direction, offset
        Of the bordered grid.
    queue
        Room for all cells of flats; begins with the ends of flats.
    waiting
        How many ends there are.

    Returns
    -------
    int
        How many cells were pointed.

    Notes
    -----
    Two UNSET cells that touch are of one height, for neither has a lower neighbour: heights need not be compared.
    """
    done = 0
    while done < waiting:
        cell = queue[done]
        done += 1
        if direction[cell] > PENDING:
            direction[cell] = direction[cell] - PENDING
        for k in range(1, 9):
            there = cell + offset[k]
            if direction[there] == UNSET:
                direction[there] = (k + 3) % 8 + 1
                queue[waiting] = there
                waiting += 1
    return done
