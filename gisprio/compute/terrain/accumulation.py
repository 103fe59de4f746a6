"""Kernels that add up along the flow: cells that drain through a cell, and stream order.

All arrays are flat and bordered; directions are complete. A cell is final when the last of its inflows has arrived.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.cells import NODATA, OUTLET

DONE = 255
"""Inflow of a cell that was passed on already, or has no ground."""


@njit(cache=True, nogil=True)
def count_inflows(
    direction: NDArray[np.uint8],
    inflow: NDArray[np.uint8],
    count: NDArray[Any],
    offset: NDArray[np.int64],
    width: int,
    first_row: int,
    after_row: int,
) -> None:
    """Count the neighbours that point at each cell of some rows, and let each cell with ground count as one.

    Parameters
    ----------
    direction, offset, width
        Of the bordered grid.
    inflow
        (n,) uint8, DONE on the border; written, DONE where there is no ground.
    count
        (n,) cells; written.
    first_row, after_row
        Rows to do.
    """
    columns = width - 2
    for row in range(first_row, after_row):
        start = row * width + 1
        here, into = direction[start : start + columns], inflow[start : start + columns]
        ones = count[start : start + columns]
        for c in range(columns):
            into[c] = 0
        for k in range(1, 9):
            towards, back = start + offset[k], np.uint8((k + 3) % 8 + 1)
            there = direction[towards : towards + columns]
            for c in range(columns):
                into[c] += np.uint8(there[c] == back)
        for c in range(columns):
            ones[c] = 0 if here[c] == NODATA else 1
            into[c] = DONE if here[c] == NODATA else into[c]


@njit(cache=True, nogil=True)
def _pass_down(
    direction: NDArray[np.uint8],
    inflow: NDArray[np.uint8],
    count: NDArray[Any],
    offset: NDArray[np.int64],
    cell: int,
    first: int,
    after: int,
) -> int:
    """Pass a final count down as far as cells become final; give the cell that flows out of the strip, or -1."""
    while True:
        inflow[cell] = DONE
        if direction[cell] == OUTLET:
            return -1
        below = cell + offset[direction[cell]]
        if below < first or below >= after:
            return cell
        count[below] += count[cell]
        inflow[below] -= 1
        if inflow[below] != 0:
            return -1
        cell = below


@njit(cache=True, nogil=True)
def accumulate(
    direction: NDArray[np.uint8],
    inflow: NDArray[np.uint8],
    count: NDArray[Any],
    offset: NDArray[np.int64],
    first: int,
    after: int,
) -> NDArray[np.int64]:
    """Add up counts within a strip, from its sources down; list the cells that flow out of it.

    Parameters
    ----------
    direction, offset
        Of the bordered grid.
    inflow, count
        Of :func:`count_inflows`; changed within the strip.
    first, after
        Cells of the strip.
    """
    leaving = np.empty(2 * offset[3], np.int64)
    found = 0
    for source in range(first, after):
        if inflow[source] != 0:
            continue
        cell = _pass_down(direction, inflow, count, offset, source, first, after)
        if cell >= 0:
            leaving[found] = cell
            found += 1
    return leaving[:found]


@njit(cache=True, nogil=True)
def join_strips(
    direction: NDArray[np.uint8],
    inflow: NDArray[np.uint8],
    count: NDArray[Any],
    offset: NDArray[np.int64],
    leaving: NDArray[np.int64],
) -> None:
    """Pass counts on from strip to strip, and down from there.

    Parameters
    ----------
    direction, offset
        Of the bordered grid.
    inflow, count
        As :func:`accumulate` left them; changed.
    leaving
        Cells that flow out of their strips.
    """
    for cell in leaving:
        below = cell + offset[direction[cell]]
        count[below] += count[cell]
        inflow[below] -= 1
        if inflow[below] == 0:
            _pass_down(direction, inflow, count, offset, below, 0, direction.size)


@njit(cache=True, nogil=True)
def order_streams(
    direction: NDArray[np.uint8], waiting: NDArray[np.uint8], order: NDArray[np.uint8], offset: NDArray[np.int64]
) -> None:
    """Give each stream cell its order: that of its largest inflow, one more where two are largest.

    Parameters
    ----------
    direction, offset
        Of the bordered grid.
    waiting
        (n,) 1 on stream cells with ground, else 0; overwritten.
    order
        (n,) zeros; written on stream cells.

    Notes
    -----
    A stream cell waits for itself and for each stream cell that flows in. Meanwhile it holds twice the largest order
    that came in, and one more once that has come twice.
    """
    for cell in range(direction.size):
        if waiting[cell] != 0 and direction[cell] != OUTLET:
            below = cell + offset[direction[cell]]
            if waiting[below] != 0:
                waiting[below] += 1
    for source in range(direction.size):
        if waiting[source] != 1:
            continue
        cell, own = source, 1
        while True:
            order[cell] = own
            waiting[cell] = DONE
            if direction[cell] == OUTLET:
                break
            cell += offset[direction[cell]]
            if waiting[cell] == 0:
                break
            held = int(order[cell])
            if own > held // 2:
                order[cell] = 2 * own
            elif own == held // 2:
                order[cell] = 2 * own + 1
            waiting[cell] -= 1
            if waiting[cell] != 1:
                break
            own = int(order[cell]) // 2 + int(order[cell]) % 2
