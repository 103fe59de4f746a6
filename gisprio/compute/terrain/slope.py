"""Slope and aspect of the ground, always of raw heights: ground lowered under streams has trenches for slopes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Gradient:
    """How heights rise towards the east and towards the north.

    Parameters
    ----------
    east, north
        Rise [m/m], any shape; NaN where not known.
    """

    east: Floats
    north: Floats

    def slope(self) -> Floats:
        """Give the steepest rise [m/m]."""
        steepest: Floats = np.hypot(self.east, self.north)
        return steepest

    def slope_deg(self) -> Floats:
        """Give the steepest rise as an angle to the horizontal [degrees]."""
        angle: Floats = np.degrees(np.arctan(self.slope()))
        return angle

    def aspect_deg(self) -> Floats:
        """Give the way down, clockwise from north, 0 to below 360 [degrees]; NaN on level ground."""
        bearing = np.degrees(np.arctan2(-self.east, -self.north)) % 360.0
        return np.where(self.slope() > 0, bearing, np.nan)


def horn_gradient(heights: Floats, cell_m: float) -> Gradient:
    """Measure the gradient of the ground over three by three cells.

    Parameters
    ----------
    heights
        (rows, columns), north up [m]; NaN where there are none.
    cell_m
        Side of a cell [m].

    Returns
    -------
    Gradient
        (rows, columns), float64; NaN in cells of which one of the nine has no height, so on the rim too.

    Notes
    -----
    With the nine cells a b c / d e f / g h i: rise to the east ((c + 2f + i) - (a + 2d + g)) / (8 cell), to the north
    ((a + 2b + c) - (g + 2h + i)) / (8 cell). A step of height h shows as a slope of h / (2 cell) at most: on cells of
    10 m a bank of 2 m looks like 5.7 degrees.

    References
    ----------
    horn1981
    """
    east, north = np.full(heights.shape, np.nan), np.full(heights.shape, np.nan)
    _rise(np.asarray(heights), float(8 * cell_m), east, north)
    return Gradient(east, north)


@njit(cache=True, nogil=True)
def _rise(z: Floats, run: float, east: NDArray[np.float64], north: NDArray[np.float64]) -> None:
    for r in range(1, z.shape[0] - 1):
        for c in range(1, z.shape[1] - 1):
            if np.isnan(z[r, c]):
                continue
            x = y = 0.0
            for k in range(-1, 2):
                weight = 2 - abs(k)
                x += weight * (np.float64(z[r + k, c + 1]) - z[r + k, c - 1])
                y += weight * (np.float64(z[r - 1, c + k]) - z[r + 1, c + k])
            if not (np.isnan(x) or np.isnan(y)):
                east[r, c], north[r, c] = x / run, y / run
