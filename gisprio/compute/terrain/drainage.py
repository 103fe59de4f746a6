"""Kernel that carries a value up from the stream to all ground that drains to it. Arrays are flat and bordered."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.cells import NODATA, OUTLET


@njit(cache=True, nogil=True)
def carry_up(
    direction: NDArray[np.uint8],
    values: NDArray[np.int32],
    offset: NDArray[np.int64],
    unknown: int,
    nothing: int,
    first: int,
    after: int,
) -> None:
    """Give some cells the value first met downstream.

    Parameters
    ----------
    direction, offset
        Of the bordered grid; directions complete.
    values
        (n,) whole numbers, or float32 read as such; ``unknown`` off the streams; written.
    unknown
        Stands for no value yet.
    nothing
        Is written where no value is met.
    first, after
        Cells to do, and all that lie below them.

    Notes
    -----
    Two threads may come to the same cell: what they write there is the same.
    """
    for start in range(first, after):
        if direction[start] == NODATA:
            values[start] = nothing
            continue
        if values[start] != unknown:
            continue
        cell = start
        while values[cell] == unknown and direction[cell] != OUTLET:
            cell += offset[direction[cell]]
        end, found = cell, values[cell]
        if found == unknown:
            found = np.int32(nothing)
            values[end] = found
        cell = start
        while cell != end:
            values[cell] = found
            cell += offset[direction[cell]]
