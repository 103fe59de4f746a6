"""Flow directions, accumulation, height above drainage and filling against tables printed in GIS manuals.

The 6 x 6 and 5 x 5 grids are the examples that manuals of geographic information systems print for these tools; the
heights above the nearest stream were worked from the 6 x 6 grid by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage import morphology

from gisprio.compute.terrain.cells import NODATA, OUTLET
from gisprio.compute.terrain.routing import route
from reference.outside import library

pytestmark = pytest.mark.reference

HEIGHTS = np.array(
    [
        [78, 72, 69, 71, 58, 49],
        [74, 67, 56, 49, 46, 50],
        [69, 53, 44, 37, 38, 48],
        [64, 58, 55, 22, 31, 24],
        [68, 61, 47, 21, 16, 19],
        [74, 53, 34, 12, 11, 12],
    ],
    float,
)
CODES = np.array(
    [
        [2, 2, 2, 4, 4, 8],
        [2, 2, 2, 4, 4, 8],
        [1, 1, 2, 4, 8, 4],
        [128, 128, 1, 2, 4, 8],
        [2, 2, 1, 4, 4, 4],
        [1, 1, 1, 1, 0, 16],
    ]
)
"""E 1, SE 2, S 4, SW 8, W 16, NW 32, N 64, NE 128; 0 the outlet."""
COUNTS = np.array(
    [
        [0, 0, 0, 0, 0, 0],
        [0, 1, 1, 2, 2, 0],
        [0, 3, 7, 5, 4, 0],
        [0, 0, 0, 20, 0, 1],
        [0, 0, 0, 1, 24, 0],
        [0, 2, 4, 7, 35, 1],
    ]
)
"""Cells that drain through each cell, itself left out."""
ABOVE_STREAM = np.array(
    [
        [34, 35, 32, 34, 36, 27],
        [30, 23, 19, 12, 24, 28],
        [25, 9, 0, 0, 16, 32],
        [20, 14, 33, 0, 15, 8],
        [56, 49, 35, 9, 0, 8],
        [62, 41, 22, 0, 0, 1],
    ],
    float,
)
"""Height above the stream cell each cell drains to; streams begin at 5 cells."""


def filled(heights):
    return route(heights).filled


def test_directions_of_the_6_by_6_grid():
    codes = np.array([0, 1, 2, 4, 8, 16, 32, 64, 128])
    np.testing.assert_array_equal(codes[route(HEIGHTS).direction], CODES)


def test_accumulation_of_the_6_by_6_grid():
    np.testing.assert_array_equal(route(HEIGHTS).counts() - 1, COUNTS)


def test_height_above_the_nearest_stream_of_the_6_by_6_grid():
    above = route(HEIGHTS).height_above(COUNTS >= 5, HEIGHTS)
    np.testing.assert_array_equal(above, ABOVE_STREAM)  # every cell of this grid meets a stream


def test_filling_the_5_by_5_grid_raises_the_inside_to_the_notch_and_no_more_when_done_again():
    bowl = np.full((5, 5), 10.0)
    bowl[1:-1, 1:-1] = 5.0
    bowl[0, 2] = 7.0
    once = filled(bowl)
    expected = bowl.copy()
    expected[1:-1, 1:-1] = 7.0
    np.testing.assert_array_equal(once, expected)
    np.testing.assert_array_equal(filled(once), once)


def slowly_filled(heights):
    """Fill by lowering from above: each cell is the higher of its ground and its lowest neighbour."""
    known = ~np.isnan(heights)
    rim = known & ndimage.binary_dilation(np.pad(~known, 1, constant_values=True), np.ones((3, 3)))[1:-1, 1:-1]
    level = np.where(known, np.where(rim, heights, np.inf), np.nan)
    while True:
        low = ndimage.minimum_filter(np.where(known, level, np.inf), size=3, mode="constant", cval=np.inf)
        lower = np.where(rim | ~known, level, np.maximum(heights, np.minimum(level, low)))
        if np.array_equal(lower, level, equal_nan=True):
            return level
        level = lower


def rough(seed, rounded=False):
    """Smooth noise with pits, flats where rounded, and a bay without data."""
    rng = np.random.default_rng(seed)
    heights = ndimage.gaussian_filter(rng.normal(0, 30, (60, 80)), 3) + rng.normal(0, 0.3, (60, 80))
    heights[20:35, 60:] = np.nan
    return (np.round(heights) if rounded else heights).astype(np.float32)


@pytest.mark.parametrize("rounded", [False, True])
def test_filling_agrees_with_a_slow_way_written_apart(rounded):
    for seed in range(4):
        heights = rough(seed, rounded)
        expected = slowly_filled(heights)
        known = ~np.isnan(heights)
        assert (expected[known] > heights[known]).sum() > 100  # there is something to fill
        np.testing.assert_array_equal(filled(heights)[known], expected[known])


def test_filling_agrees_with_topotoolbox():
    topotoolbox = library("topotoolbox")
    heights = np.ascontiguousarray(rough(5)[:, :60])
    grid = topotoolbox.GridObject()
    grid.z, grid.cellsize = heights, 10.0
    np.testing.assert_array_equal(filled(heights), np.asarray(grid.fillsinks().z))


def test_filling_agrees_with_reconstruction_of_scikit_image():
    heights = rough(6)[:, :60]
    seed = np.full(heights.shape, heights.max())
    seed[[0, -1]], seed[:, [0, -1]] = heights[[0, -1]], heights[:, [0, -1]]
    expected = morphology.reconstruction(seed, heights, method="erosion", footprint=np.ones((3, 3)))
    np.testing.assert_array_equal(filled(heights), expected)


def test_every_cell_of_rough_ground_drains_and_all_of_it_is_counted_at_outlets():
    for rounded in (False, True):
        heights = rough(7, rounded)
        routed = route(heights)
        assert set(np.unique(routed.direction)) <= {*range(9), NODATA}
        assert routed.counts()[routed.direction == OUTLET].sum() == (~np.isnan(heights)).sum()
