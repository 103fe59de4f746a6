"""The DEM around the drawn lines: how steep it is, and where its low lies across them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.grids import NO_SURVEY, GridSource, bilinear_within
from gisprio.inputs.samples import LinePoints, some_tiles, surveyed_around, tiles_of

_MOST_TILES = 16


def median_slope(dem: GridSource, points: LinePoints) -> float | None:
    """Give the median slope of the ground near points.

    Parameters
    ----------
    dem
        Heights [m].
    points
        Points along the streams.

    Returns
    -------
    float or None
        Median slope [m/m] over the windows of up to 16 tiles spread evenly over the points; None without data.
    """
    slopes = []
    for rows in some_tiles(points.x, points.y, _MOST_TILES):
        grid, survey = surveyed_around(dem, points.x[rows], points.y[rows])
        if min(grid.values.shape) < 2:
            continue
        heights = np.where(grid.valid(), grid.values.astype(np.float64), np.nan)
        down, right = np.gradient(heights, grid.lattice.cell_m)
        slope = np.where(_inside_a_survey(survey.values), np.hypot(down, right), np.nan)
        slopes.append(slope[np.isfinite(slope)])
    whole = np.concatenate(slopes) if slopes else np.zeros(0)
    return float(np.median(whole)) if len(whole) else None


def _inside_a_survey(survey: NDArray[np.generic]) -> NDArray[np.bool_]:
    """Say which cells have the survey of all four beside them; (rows, columns)."""
    inside = np.ones(survey.shape, bool)
    for one, other in ((np.s_[1:], np.s_[:-1]), (np.s_[:, 1:], np.s_[:, :-1])):
        alike = survey[one] == survey[other]
        inside[one] &= alike
        inside[other] &= alike
    return inside


def low_offsets(dem: GridSource, points: LinePoints) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give where the lowest ground lies across the lines.

    Parameters
    ----------
    dem
        Heights [m].
    points
        Points along the lines.

    Returns
    -------
    offset_m, relief_m
        Distance from the line to the low, left of the drawn direction positive [m]; of equal lows the nearest.
        Highest less lowest ground across [m]. NaN where part of the section has no data.

    Notes
    -----
    Sections reach 3 cells, and at least 60 m, to either side, in steps of half a cell. One that meets two surveys has
    no low.
    """
    cell = dem.lattice.cell_m
    steps = int(np.ceil(max(3 * cell, 60.0) / (cell / 2)))
    across = np.arange(-steps, steps + 1) * (cell / 2)
    across = across[np.argsort(np.abs(across), kind="stable")]
    offset = np.full(len(points.x), np.nan)
    relief = np.full(len(points.x), np.nan)
    for rows in tiles_of(points.x, points.y):
        x = points.x[rows, None] - points.along_y[rows, None] * across
        y = points.y[rows, None] + points.along_x[rows, None] * across
        grid, survey = surveyed_around(dem, x, y)
        own = survey.nearest(points.x[rows], points.y[rows], NO_SURVEY).astype(np.int16)
        heights = bilinear_within(grid, survey, x, y, own)
        whole = np.isfinite(heights).all(axis=1)
        low = np.argmin(np.where(np.isfinite(heights), heights, np.inf), axis=1)
        offset[rows] = np.where(whole, across[low], np.nan)
        relief[rows] = np.where(whole, np.ptp(heights, axis=1), np.nan)
    return offset, relief
