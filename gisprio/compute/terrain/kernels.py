"""Kernels of flow routing on plain arrays: fill, steepest descent, flats by direction, walk to a label.

Arrays carry a border of one cell without data, flattened; a neighbour is an offset. Directions are 1 to 8 for E, SE, S,
SW, W, NW, N, NE; OUTLET where water leaves, UNSET where none is known yet, NODATA where there is no ground. Rule at the
rim: a cell beside no data is an outlet where it has no lower neighbour.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit
from numpy.typing import NDArray

OUTLET, UNSET, NODATA = 0, 255, 254
DIAGONAL = np.sqrt(0.5)


def neighbour_offsets(width: int) -> NDArray[np.int64]:
    """Give flat offsets of directions 0 to 8 in an array ``width`` wide; 0 is the cell itself."""
    return np.array([0, 1, width + 1, width, width - 1, -1, -width - 1, -width, -width + 1], np.int64)


@njit(cache=True, nogil=True)
def fill(z: NDArray[np.float64], direction: NDArray[np.uint8], offset: NDArray[np.int64]) -> None:
    """Raise every depression to its spill level, in place (priority flood).

    Parameters
    ----------
    z
        (n,) heights [m], float64; changed.
    direction
        (n,) NODATA, UNSET, or OUTLET where water is taken up: such cells are never raised.
    offset
        Of :func:`neighbour_offsets`.

    References
    ----------
    barnes2014
    """
    seen = np.zeros(z.size, np.uint8)
    heap = [(0.0, np.int64(0)) for _ in range(0)]
    for i in range(z.size):
        if direction[i] == NODATA:
            seen[i] = 1
            continue
        if direction[i] == OUTLET:
            heapq.heappush(heap, (z[i], np.int64(i)))
            seen[i] = 1
            continue
        for k in range(1, 9):
            if direction[i + offset[k]] == NODATA:
                heapq.heappush(heap, (z[i], np.int64(i)))
                seen[i] = 1
                break
    pit = np.empty(1024, np.int64)
    while len(heap) > 0:
        level, cell = heapq.heappop(heap)
        pit[0] = cell
        first, after = 0, 1
        while first < after:
            i = pit[first]
            first += 1
            for k in range(1, 9):
                j = i + offset[k]
                if seen[j]:
                    continue
                seen[j] = 1
                if z[j] <= level:
                    z[j] = level
                    if after == pit.size:
                        longer = np.empty(2 * pit.size, np.int64)
                        longer[:after] = pit
                        pit = longer
                    pit[after] = j
                    after += 1
                else:
                    heapq.heappush(heap, (z[j], j))


@njit(cache=True, nogil=True)
def steepest(z: NDArray[np.float64], direction: NDArray[np.uint8], offset: NDArray[np.int64]) -> None:
    """Point each cell at its steepest lower neighbour, diagonals by their distance; the first of equal ones.

    Given outlets stay outlets.

    References
    ----------
    ocallaghan1984
    """
    for i in range(z.size):
        if direction[i] == NODATA or direction[i] == OUTLET:
            continue
        best, towards, rim = 0.0, UNSET, False
        for k in range(1, 9):
            j = i + offset[k]
            if direction[j] == NODATA:
                rim = True
                continue
            drop = z[i] - z[j]
            if k % 2 == 0:
                drop *= DIAGONAL
            if drop > best:
                best, towards = drop, k
        if towards == UNSET and rim:
            towards = OUTLET
        direction[i] = towards


@njit(cache=True, nogil=True)
def drain_flats(z: NDArray[np.float64], direction: NDArray[np.uint8], offset: NDArray[np.int64]) -> None:
    """Point the cells of flats towards the nearest cell of the same level that drains (breadth first)."""
    queue = np.empty(z.size, np.int64)
    after = 0
    for i in range(z.size):
        if direction[i] == UNSET:
            for k in range(1, 9):
                j = i + offset[k]
                if direction[j] <= 8 and z[j] == z[i]:
                    queue[after] = i * 16 + k
                    after += 1
                    break
    for m in range(after):
        direction[queue[m] // 16] = queue[m] % 16
        queue[m] //= 16
    first = 0
    while first < after:
        i = queue[first]
        first += 1
        for k in range(1, 9):
            j = i + offset[k]
            if direction[j] == UNSET and z[j] == z[i]:
                direction[j] = (k + 3) % 8 + 1
                queue[after] = j
                after += 1


@njit(cache=True, nogil=True)
def walk_to_label(
    direction: NDArray[np.uint8], label: NDArray[np.int32], offset: NDArray[np.int64]
) -> NDArray[np.int32]:
    """Give each cell the label it first meets going downstream; -1 where it meets none.

    Parameters
    ----------
    direction
        (n,) complete directions.
    label
        (n,) labels >= 0 on stream cells, -1 elsewhere.
    offset
        Of :func:`neighbour_offsets`.
    """
    unknown = np.int32(-2)
    met = np.full(direction.size, unknown, np.int32)
    for i in range(direction.size):
        if direction[i] == NODATA:
            met[i] = -1
        elif label[i] >= 0:
            met[i] = label[i]
    for s in range(direction.size):
        cell = np.int64(s)
        while met[cell] == unknown and 1 <= direction[cell] <= 8:
            cell += offset[direction[cell]]
        found = met[cell] if met[cell] != unknown else np.int32(-1)
        cell = np.int64(s)
        while met[cell] == unknown:
            met[cell] = found
            if not 1 <= direction[cell] <= 8:
                break
            cell += offset[direction[cell]]
    return met


@njit(cache=True, nogil=True)
def accumulate(direction: NDArray[np.uint8], offset: NDArray[np.int64]) -> NDArray[np.int64]:
    """Count the cells that drain through each cell, itself included; 0 where there is no ground."""
    count = np.zeros(direction.size, np.int64)
    inflow = np.zeros(direction.size, np.uint8)
    for i in range(direction.size):
        if direction[i] != NODATA:
            count[i] = 1
            if 1 <= direction[i] <= 8:
                inflow[i + offset[direction[i]]] += 1
    for s in range(direction.size):
        if direction[s] == NODATA or inflow[s] != 0:
            continue
        cell = np.int64(s)
        while True:
            inflow[cell] = 255
            if not 1 <= direction[cell] <= 8:
                break
            below = cell + offset[direction[cell]]
            count[below] += count[cell]
            inflow[below] -= 1
            if inflow[below] != 0:
                break
            cell = below
    return count
