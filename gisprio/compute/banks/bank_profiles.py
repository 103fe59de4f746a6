"""The top of a bank on a profile of heights: the first break of slope above the water's edge.

Compiled, one profile a row. Heights run outward at even steps, from inside the channel over the bank line to the ground
behind the bank.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.routing import has_index
from gisprio.contracts.words import HEIGHT_CODES

Floats = NDArray[np.float64]

TOP, LOW, NO_HEIGHTS, NO_BREAK, HIGH, FALLS_AGAIN = (
    HEIGHT_CODES.index(name) for name in ("top", "low", "no_heights", "no_break", "high", "falls_again")
)
WATER_ERRORS = 3.0
"""Ground within so many standard errors of the lowest height in the channel is water or bed [own]."""
NOISE_ERRORS = 2.0 * np.sqrt(2.0)
"""Two standard errors of the difference of two heights: a break of slope stands out by more [own]."""
LEAST_FACE_SLOPE = 0.2
"""Ground rising less than this from the water's edge is no bank face [own]."""
BENCH_SHARE = 1.0 / 3.0
"""Behind the top the ground rises at most so steeply as a share of the face [own]."""
FALL_SHARE = 0.5
"""Behind the top the ground falls by no more than this share of the bank's height [own]."""


@njit(cache=True, nogil=True)
def fitted(z: Floats, first: int, last: int, step: float) -> tuple[float, float]:
    """Fit a straight line to heights ``first`` to ``last``; give its height at ``first`` [m] and its slope."""
    n = last - first + 1
    mean_z, top, bottom = 0.0, 0.0, 0.0
    for k in range(n):
        mean_z += z[first + k] / n
    middle = (n - 1) / 2.0
    for k in range(n):
        top += (k - middle) * (z[first + k] - mean_z)
        bottom += (k - middle) ** 2
    slope = top / (bottom * step)
    return mean_z - slope * middle * step, slope


@njit(cache=True, nogil=True)
def waters_edge(z: Floats, first: int, after: int, bank: int, error: float) -> tuple[int, float]:
    """Find the water's edge and the height of the water.

    Parameters
    ----------
    z
        (k,) heights along a profile [m].
    first, after
        Where the channel is looked for: ``first`` to ``after`` - 1.
    bank
        Place of the bank line on the profile.
    error
        Standard error of one height [m].

    Returns
    -------
    tuple
        The outermost place of the water that lies nearest to the bank line, -1 where no height is known; and the mean
        height of what is as low as the water [m].

    Notes
    -----
    The water nearest to the bank line, not the lowest of all: behind an island the other thread is as low.
    """
    lowest = np.inf
    for j in range(first, after):
        if z[j] < lowest:
            lowest = z[j]
    if lowest == np.inf:
        return -1, np.nan
    limit = lowest + WATER_ERRORS * error
    total, count, edge = 0.0, 0, -1
    for j in range(first, after):
        if z[j] <= limit:
            total += z[j]
            count += 1
            if edge < 0 or abs(j - bank) < abs(edge - bank):
                edge = j
    while edge + 1 < after and z[edge + 1] <= limit:
        edge += 1
    return edge, total / count


@njit(cache=True, nogil=True)
def low_bank(z: Floats, first: int, edge: int, bench: int, error: float) -> float:
    """Give how far the ground behind an edge lies above what is within one error of the lowest before it [m]."""
    lowest = np.nanmin(z[first : edge + 1])
    total, count = 0.0, 0
    for j in range(first, edge + 1):
        if z[j] <= lowest + error:
            total += z[j]
            count += 1
    behind = z[edge + 1 : edge + 1 + bench]
    return max(0.0, behind.mean() - total / count)


@njit(cache=True, nogil=True)
def break_of_slope(
    z: Floats, edge: int, water: float, reach: int, bench: int, step: float, floor: float, error: float
) -> tuple[int, int]:
    """Find the first break of slope outward from the water's edge.

    Parameters
    ----------
    z
        (k,) heights [m].
    edge, water
        Place of the water's edge, height of the water [m].
    reach, bench
        Steps outward in which the top must lie; steps of flatter ground wanted behind it.
    step
        Length of a step [m].
    floor
        Lower than this there is no bank to tell [m].
    error
        Standard error of one height [m].

    Returns
    -------
    tuple
        Place of the top, or -1; and why not: NO_HEIGHTS, LOW or NO_BREAK.

    Notes
    -----
    A place is before a break where the ground from the water's edge to it rises by 1 in 5 or more, and rises over the
    next ``bench`` steps by at most a third of that. The top is then the place that stands highest over the straight
    line from the water's edge to the end of the bench, by more than two errors of a difference.
    """
    highest = 0.0
    for j in range(edge + 1, edge + reach + 1):
        end = j + bench
        if end >= z.size:
            return -1, NO_HEIGHTS
        if np.isnan(z[end]) or np.isnan(z[j]):
            return -1, NO_HEIGHTS
        rise = z[j] - water
        highest = max(highest, rise)
        face = rise / ((j - edge) * step)
        if rise < floor or face < LEAST_FACE_SLOPE:
            continue
        if fitted(z, j, end, step)[1] > BENCH_SHARE * face:
            continue
        chord = (z[end] - water) / (end - edge)
        top, stands = -1, NOISE_ERRORS * error
        for k in range(j, end):
            over = z[k] - water - chord * (k - edge)
            if over > stands:
                top, stands = k, over
        if top >= 0:
            return top, TOP
    return -1, LOW if highest < floor else NO_BREAK


@njit(cache=True, nogil=True)
def steepest(z: Floats, edge: int, top: int, step: float) -> float:
    """Give the steepest rise between neighbouring places of a face [m/m]."""
    most = 0.0
    for j in range(edge, top):
        most = max(most, (z[j + 1] - z[j]) / step)
    return most


@njit(cache=True, nogil=True)
def read_profiles(
    z: Floats,
    inward: NDArray[np.int64],
    reach: NDArray[np.int64],
    bank: int,
    outward: int,
    bench: int,
    behind: int,
    step: float,
    cell: float,
    least_height: float,
    most_height: float,
    error: float,
) -> tuple[Floats, Floats, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Read bank height and angle off many profiles.

    Parameters
    ----------
    z
        (n, k) heights outward at even steps [m]; NaN where there are none.
    inward
        (n,) steps from the bank line into the channel within which the water is looked for.
    reach
        (n,) steps from the water's edge within which the top must lie.
    bank
        Place of the bank line on every profile.
    outward
        Steps from the bank line outward within which the water is looked for too: the line may lie beside it.
    bench, behind
        Steps of flatter ground wanted behind the top; steps behind it over which the ground may not fall again.
    step, cell
        Length of a step, side of a cell of the heights [m].
    least_height, most_height
        Lower banks cannot be told from the error of the heights; higher faces are hillslopes [m].
    error
        Standard error of one height [m].

    Returns
    -------
    height, angle
        (n,) above the water [m], of the face at least [degrees]; NaN where not told.
    edge, top
        (n,) places of the water's edge and of the top; -1 where not told.
    code
        (n,) place in ``HEIGHT_CODES``.
    """
    n = z.shape[0]
    height, angle = np.full(n, np.nan), np.full(n, np.nan)
    corner = max(1, round(cell / step))  # a cell at the top is part face, part bench
    edges, tops, codes = np.full(n, -1), np.full(n, -1), np.full(n, NO_HEIGHTS)
    for i in range(n):
        edge, water = waters_edge(z[i], bank - inward[i], bank + outward + 1, bank, error)
        if edge < 0:
            continue
        edges[i] = edge
        top, codes[i] = break_of_slope(z[i], edge, water, reach[i], bench, step, least_height, error)
        if codes[i] == LOW:
            height[i] = low_bank(z[i], bank - inward[i], edge, bench, error)
        if top < 0:
            continue
        if np.isnan(z[i, top : top + corner + bench + 1]).any():
            codes[i] = NO_HEIGHTS
            continue
        tops[i] = top
        behind_m, slope = fitted(z[i], top + corner, top + corner + bench, step)
        crest = behind_m - slope * corner * step
        limit = crest - max(FALL_SHARE * (crest - water), NOISE_ERRORS * error)
        for j in range(top + 1, min(top + behind + 1, z.shape[1])):
            if z[i, j] < limit:
                codes[i] = FALLS_AGAIN
        if crest - water > most_height:
            codes[i] = HIGH
        if codes[i] != TOP:
            continue
        height[i] = crest - water
        if (top - edge) * step >= 3 * cell - 1e-6:
            drop = steepest(z[i], edge, top, step) * cell - np.sqrt(2.0) * error
            angle[i] = np.degrees(np.arctan(max(0.0, drop) / cell))
    return height, angle, edges, tops, codes


def compiled_before() -> bool:
    """Say whether the kernels were compiled on this machine before."""
    return has_index(read_profiles)
