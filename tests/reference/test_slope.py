"""Slope and aspect of the ground against the worked examples that GIS manuals print for Horn's form (Horn 1981)."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain.slope import horn_gradient
from reference.grounds import GROUNDS
from reference.outside import library

pytestmark = pytest.mark.reference


def centre(values):
    return float(values[1, 1])


def test_slope_of_the_worked_example():
    """Rise .05 to the east and 3.8 to the north over cells of 5 m: 75.2577 degrees; one manual prints 75.25762."""
    found = horn_gradient(np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]], float), 5.0)
    assert (centre(found.east), centre(found.north)) == pytest.approx((0.05, 3.8), abs=1e-12)
    assert centre(found.slope()) == pytest.approx(3.80033, abs=1e-5)
    assert centre(found.slope_deg()) == pytest.approx(75.2577, abs=1e-3)


def test_aspect_of_the_worked_example():
    found = horn_gradient(np.array([[101, 92, 85], [101, 92, 85], [101, 91, 84]], np.int16), 1.0)
    assert (centre(found.east), centre(found.north)) == pytest.approx((-8.125, 0.375), abs=1e-12)
    assert centre(found.aspect_deg()) == pytest.approx(92.64, abs=5e-3)


@pytest.mark.parametrize(("turns", "aspect"), [(0, 90), (1, 0), (2, 270), (3, 180)])
def test_a_plane_that_falls_1_in_10_has_5_7106_degrees_and_its_own_way_down(turns, aspect):
    """Falling east, north, west, south."""
    plane = np.rot90(np.tile(100 - 0.1 * 30.0 * np.arange(6), (6, 1)), turns)
    found = horn_gradient(plane, 30.0)
    np.testing.assert_allclose(found.slope_deg()[1:-1, 1:-1], 5.7106, atol=1e-4)
    np.testing.assert_allclose(found.aspect_deg()[1:-1, 1:-1], aspect, atol=1e-9)


@pytest.mark.parametrize(("cell_m", "degrees"), [(1, 45.0), (3, 18.435), (10, 5.711)])
def test_a_step_of_2_m_is_seen_as_h_over_2_cells(cell_m, degrees):
    """A bank angle read off coarse cells is no bank angle."""
    step = np.where(np.arange(8) < 4, 2.0, 0.0) * np.ones((5, 1))
    assert np.nanmax(horn_gradient(step, cell_m).slope_deg()) == pytest.approx(degrees, abs=1e-3)


def test_slope_is_missing_where_one_of_the_nine_heights_is_and_aspect_on_level_ground():
    level = np.full((6, 7), 3.0)
    level[2, 3] = np.nan
    found = horn_gradient(level, 10.0)
    expected = np.ones((6, 7), bool)
    expected[1:-1, 1:-1] = False
    expected[1:4, 2:5] = True
    np.testing.assert_array_equal(np.isnan(found.slope()), expected)
    assert np.isnan(found.aspect_deg()).all()
    assert horn_gradient(np.ones((2, 5)), 1.0).slope().shape == (2, 5)


@pytest.mark.parametrize("name", GROUNDS)
def test_slope_and_aspect_of_real_ground_are_those_of_richdem(name):
    """Richdem 2 works in float32: 1e-4 of the slope, .02 degrees where the ground is steep enough to have an aspect."""
    richdem = library("richdem")
    heights = GROUNDS[name]()
    given = richdem.rdarray(heights.astype(np.float32), no_data=-9999)
    given.geotransform = (0, 1, 0, 0, 0, -1)
    found = horn_gradient(heights, 1.0)
    inner = np.s_[1:-1, 1:-1]
    slope = np.asarray(richdem.TerrainAttribute(given, "slope_riserun"), float)[inner]
    np.testing.assert_allclose(found.slope()[inner], slope, rtol=1e-4, atol=1e-5)
    aspect = np.asarray(richdem.TerrainAttribute(given, "aspect"), float)[inner]
    steep = slope > 1
    apart = (found.aspect_deg()[inner] - aspect + 180) % 360 - 180
    assert steep.mean() > 0.5
    assert np.abs(apart[steep]).max() < 0.02
