"""Seams between surveys of the DEM along a stream: the heights on both sides may lie apart by an offset."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.grids import NO_SURVEY

Floats = NDArray[np.float64]


def seams(survey: NDArray[np.integer]) -> NDArray[np.bool_]:
    """Say which points of a path are of another survey than the last point before that is of any; (n,).

    >>> seams(np.array([-1, 0, 0, -1, 0, -1, 1, 1])).tolist()
    [False, False, False, False, False, False, True, False]
    """
    known = np.flatnonzero(survey != NO_SURVEY)
    found = np.zeros(len(survey), bool)
    found[known[1:]] = survey[known[1:]] != survey[known[:-1]]
    return found


def seam_places(at: Floats, survey: NDArray[np.integer]) -> Floats:
    """Give where the surveys change along a path, midway between the points on both sides [m]."""
    known = np.flatnonzero(survey != NO_SURVEY)
    change = np.flatnonzero(survey[known[1:]] != survey[known[:-1]])
    return np.asarray((at[known[change]] + at[known[change + 1]]) / 2, float)


def lowest_of_own(height: NDArray[np.floating], survey: NDArray[np.generic]) -> NDArray[np.floating]:
    """Give the lowest of each cell and those of the eight around it that are of the same survey."""
    rows, columns = height.shape
    around, around_survey = np.pad(height, 1, constant_values=np.inf), np.pad(survey, 1, constant_values=NO_SURVEY)
    low = height.copy()
    for down in range(3):
        for right in range(3):
            there = np.s_[down : down + rows, right : right + columns]
            np.minimum(low, around[there], out=low, where=around_survey[there] == survey)
    return low
