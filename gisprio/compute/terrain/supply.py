"""Supply of the hillslope: how much soil a cell gives (LS x C x K), and what share of it reaches the stream.

Angles are those of the raw ground. Slopes in m/m, areas in m2. Nothing here holds rainfall, so nothing is in tonnes.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.terrain.accumulation import DONE
from gisprio.compute.terrain.cells import OUTLET
from gisprio.contracts.constants import (
    CONNECTED_SLOPE_LEAST,
    CONNECTED_SLOPE_MOST,
    CONNECTED_WEIGHT_LEAST,
    LENGTH_CAP,
    SDR_IC0,
    SDR_K,
    SDR_MOST,
    STEEPNESS_BREAK,
    STEEPNESS_CAP,
    UNIT_PLOT_LENGTH,
)

Floats = NDArray[np.floating]
UNKNOWN = -1.0
"""Stands for a way down that has not been walked yet."""
DIAGONAL = np.sqrt(2.0)


def steepness_factor(slope: Floats) -> Floats:
    """Give the slope steepness factor S; it rises no further above the cap of 50 %.

    Parameters
    ----------
    slope
        Any shape [m/m].

    Notes
    -----
    S = 10.8 sin + .03 below 9 %, 16.8 sin - .50 from 9 % on, with the sine of the slope's angle: a step of .008.

    References
    ----------
    mccool1987, panagos2015_ls

    Examples
    --------
    >>> steepness_factor(np.array([0.05, 0.09, 0.5, 2.0])).round(3).tolist()
    [0.569, 1.006, 7.013, 7.013]
    """
    sine = _sine(slope)
    return np.where(slope < STEEPNESS_BREAK.value, 10.8 * sine + 0.03, 16.8 * sine - 0.50)


def length_exponent(slope: Floats) -> Floats:
    """Give the exponent m of slope length where rills and the ground between them wear alike.

    Parameters
    ----------
    slope
        Any shape [m/m].

    Notes
    -----
    m = beta / (1 + beta), beta = (sin / .0896) / (3 sin^.8 + .56).

    References
    ----------
    mccool1989

    Examples
    --------
    >>> length_exponent(np.array([0.0, 0.1, 0.2, 0.5])).round(3).tolist()
    [0.0, 0.518, 0.614, 0.7]
    """
    sine = _sine(slope)
    beta = (sine / 0.0896) / (3 * sine**0.8 + 0.56)
    exponent: Floats = beta / (1 + beta)
    return exponent


def length_factor(inflow_m2: Floats, cell_m: float, crossing: Floats, exponent: Floats) -> Floats:
    """Give the slope length factor L of a cell.

    Parameters
    ----------
    inflow_m2
        Ground that drains into the cell, without it [m2].
    cell_m
        Side of the cell [m].
    crossing
        Sine plus cosine, without sign, of the aspect, not of the slope's angle: the way through the cell [cells].
    exponent
        m of :func:`length_exponent`.

    Notes
    -----
    L = ((A + D^2)^(m+1) - A^(m+1)) / (D^(m+2) x^m 22.13^m).

    References
    ----------
    desmet_govers1996

    Examples
    --------
    >>> m = length_exponent(0.1)
    >>> [round(float(length_factor(900.0, 10.0, x, m)), 3) for x in (1.0, 2**0.5)]
    [3.228, 2.698]
    """
    more = exponent + 1
    grown = (inflow_m2 + cell_m**2) ** more - inflow_m2**more
    factor: Floats = grown / (cell_m ** (exponent + 2) * (crossing * UNIT_PLOT_LENGTH.value) ** exponent)
    return factor


def most_inflow(cell_m: float) -> float:
    """Give the inflow at which a slope is as long as a slope may be: 122 m, the cell itself counted [m2]."""
    return max(0.0, LENGTH_CAP.value - cell_m) * cell_m


def length_steepness(slope: Floats, crossing: Floats, cells: NDArray[np.integer], cell_m: float) -> Floats:
    """Give LS of cells, both capped.

    Parameters
    ----------
    slope, crossing
        (n,) slope [m/m]; |sin| + |cos| of the aspect.
    cells
        (n,) cells that drain through each, itself included.
    cell_m
        Side of a cell [m].

    Notes
    -----
    Slope length ends where soil settles or water gathers in a channel; uncapped, hollows would outdo every slope.
    """
    inflow = np.minimum((cells - 1.0) * cell_m**2, most_inflow(cell_m))
    return length_factor(inflow, cell_m, crossing, length_exponent(slope)) * steepness_factor(slope)


def connected_slope(slope: Floats) -> Floats:
    """Give the slope that counts for connectivity, kept from .005 to 1; the least of it where it is not known."""
    low, high = CONNECTED_SLOPE_LEAST.value, CONNECTED_SLOPE_MOST.value
    return np.where(np.isnan(slope), low, np.clip(slope, low, high)).astype(np.float32)


def connected_weight(c_factor: Floats) -> Floats:
    """Give the weight of cover for connectivity: C, never under .001."""
    return np.maximum(c_factor, np.float32(CONNECTED_WEIGHT_LEAST.value))


def upslope(weight: Floats, slope: Floats, area_m2: Floats) -> Floats:
    """Give D_up [m]: mean weight x mean slope x root of the area above.

    Parameters
    ----------
    weight, slope
        Means over the ground that drains through a cell, itself included, any shape.
    area_m2
        That ground [m2].

    References
    ----------
    borselli2008
    """
    return weight * slope * np.sqrt(area_m2)


def connectivity(up_m: Floats, down_m: Floats) -> Floats:
    """Give the index of connectivity, log10(D_up / D_dn).

    Parameters
    ----------
    up_m, down_m
        D_up of :func:`upslope`; D_dn, the sum of d / (W S) along the way to the stream [m], 0 in the stream itself.

    References
    ----------
    borselli2008

    Examples
    --------
    >>> float(connectivity(upslope(0.05, 0.1, 1e4), 3 * 10 / (0.05 * 0.05)).round(4))
    -4.3802
    """
    with np.errstate(divide="ignore"):
        index: Floats = np.log10(up_m / down_m)
    return index


def delivery_ratio(index: Floats) -> Floats:
    """Give the share of lost soil that reaches the stream, by the index of connectivity.

    Notes
    -----
    SDR = .8 / (1 + exp((.5 - IC) / 2)).

    References
    ----------
    vigiak2012

    Examples
    --------
    >>> delivery_ratio(np.array([-4.3802, 0.5])).round(5).tolist()
    [0.06413, 0.4]
    """
    ratio: Floats = SDR_MOST.value / (1 + np.exp((SDR_IC0.value - index) / SDR_K.value))
    return ratio


def _sine(slope: Floats) -> Floats:
    capped = np.minimum(slope, STEEPNESS_CAP.value)
    sine: Floats = capped / np.sqrt(1 + capped**2)
    return sine


@njit(cache=True, nogil=True)
def sum_down(
    direction: NDArray[np.uint8],
    inflow: NDArray[np.uint8],
    count: NDArray[np.int64],
    weight: NDArray[np.float32],
    slope: NDArray[np.float32],
    offset: NDArray[np.int64],
) -> None:
    """Sum cells, weights and slopes over the ground that drains through each cell.

    Parameters
    ----------
    direction, offset
        Of the bordered grid, flat; directions complete.
    inflow, count
        Of :func:`gisprio.compute.terrain.accumulation.count_inflows`; changed.
    weight, slope
        (n,) of each cell; become sums.
    """
    for source in range(direction.size):
        if inflow[source] != 0:
            continue
        cell = source
        while True:
            inflow[cell] = DONE
            if direction[cell] == OUTLET:
                break
            below = cell + offset[direction[cell]]
            count[below] += count[cell]
            weight[below] += weight[cell]
            slope[below] += slope[cell]
            inflow[below] -= 1
            if inflow[below] != 0:
                break
            cell = below


@njit(cache=True, nogil=True)
def sum_way_down(
    direction: NDArray[np.uint8],
    way: NDArray[np.float32],
    weight: NDArray[np.float32],
    slope: NDArray[np.float32],
    offset: NDArray[np.int64],
    cell_m: float,
) -> None:
    """Sum d / (W S) along the way from each cell to the stream it meets first, its own step included.

    Parameters
    ----------
    direction, offset
        Of the bordered grid, flat; directions complete.
    way
        (n,) 0 on streams, NaN at other outlets and off the ground, UNKNOWN elsewhere; written [m].
    weight, slope
        (n,) of each cell.
    cell_m
        Side of a cell [m].
    """
    for start in range(direction.size):
        if way[start] != UNKNOWN:
            continue
        total, cell = 0.0, start
        while way[cell] == UNKNOWN:
            total += _step(direction[cell], weight[cell], slope[cell], cell_m)
            cell += offset[direction[cell]]
        total += way[cell]
        end, cell = cell, start
        while cell != end:
            way[cell] = total
            total -= _step(direction[cell], weight[cell], slope[cell], cell_m)
            cell += offset[direction[cell]]


@njit(cache=True, nogil=True, inline="always")
def _step(direction: int, weight: float, slope: float, cell_m: float) -> float:
    length = cell_m if direction % 2 == 1 else cell_m * DIAGONAL
    return length / (np.float64(weight) * np.float64(slope))
