"""Seams between surveys of the DEM: no slope, no step and no lowest height is measured across one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network import profile as profile_module
from gisprio.compute.network.knickpoints import find_knickpoints
from gisprio.compute.network.profile import (
    Profile,
    falling,
    flow_path,
    lowest_around,
    reach_slope,
    segment_profiles,
)
from gisprio.compute.network.seams import seam_places, seams
from gisprio.contracts.layers import ROADS
from gisprio.contracts.schema import empty
from makers import CRS
from tables import segments, source

SLOPE = 0.005


def brook(offset, surveys=True, length=1000.0):
    """A brook of one segment, its upper half measured ``offset`` higher by another survey."""
    table = segments(shapely.LineString([(5, length), (5, 0)]))
    at = (np.arange(int(length / 10)) + 0.5) * 10
    upper = at > length / 2
    survey = np.where(upper, 0, 1).astype(np.int16) if surveys else np.zeros(len(at), np.int16)
    height = SLOPE * at + np.where(upper, offset, 0.0)
    return table, {0: Profile(at, height, np.zeros(len(at), bool), survey=survey)}


def slope_of(table, profiles, from_m, to_m):
    area = np.array([1.0])
    return reach_slope(flow_path(0, table, profiles, area, area), from_m, to_m, 5.0, None)


@pytest.mark.parametrize("offset", [0.5, -0.5, 3.0, -3.0])
def test_the_slope_at_a_seam_is_that_of_one_side(offset):
    table, profiles = brook(offset)
    for from_m, to_m in ((400, 600), (300, 500), (500, 700)):
        found = slope_of(table, profiles, from_m, to_m)
        assert found.slope == pytest.approx(SLOPE, rel=1e-9)
        assert found.window_m <= 500
    mixed = slope_of(*brook(offset, surveys=False), 400, 600)
    assert mixed.slope != pytest.approx(SLOPE, rel=0.1)  # what the step would make of it


@pytest.mark.parametrize("offset", [1.0, 4.0])
def test_a_step_at_a_seam_is_no_knickpoint(offset):
    width = np.array([5.0])
    assert len(find_knickpoints(*brook(offset, surveys=False), width, None)) == 1
    assert find_knickpoints(*brook(offset), width, None).empty


def test_a_seam_at_a_confluence_parts_the_path_too():
    lines = [shapely.LineString([(5, 500), (5, 0)]), shapely.LineString([(5, 1000), (5, 500)])]
    table = segments(*lines, downstream=(-1, 0))
    at = (np.arange(50) + 0.5) * 10
    none = np.zeros(50, bool)
    profiles = {n: Profile(at, SLOPE * (at + 500 * n) + 2.0 * n, none, survey=np.full(50, n, np.int16)) for n in (0, 1)}
    area = np.ones(2)
    for number in (0, 1):
        path = flow_path(number, table, profiles, area, area)
        assert path.faces == ((500.0 - 500 * number,) * 2,)
        assert reach_slope(path, 200, 400, 5.0, None).slope == pytest.approx(SLOPE, rel=1e-9)


def test_places_of_seams_lie_midway_and_points_without_data_are_passed_over():
    survey = np.array([-1, 0, 0, -1, 1, 1, -1, 1, 0], np.int16)
    at = np.arange(9) * 10.0
    assert seam_places(at, survey).tolist() == [30.0, 75.0]
    assert np.flatnonzero(seams(survey)).tolist() == [4, 8]
    assert not seams(np.full(3, -1, np.int16)).any()


def test_heights_fall_within_a_survey_and_may_rise_at_a_seam():
    survey = np.array([0, 0, 0, 1, 1, 1], np.int16)
    height = np.array([10.0, 11, 12, 5, 7, 6])
    assert falling(height, survey).tolist() == [10, 11, 12, 5, 6.5, 6.5]
    assert falling(height).tolist() == pytest.approx([8.5] * 6)


def test_the_lowest_height_around_a_cell_is_of_its_own_survey():
    chance = np.random.default_rng(2)
    heights = chance.normal(100, 1, (20, 30)).astype(np.float32)
    heights[3, 4] = np.nan
    owner = chance.integers(0, 3, heights.shape).astype(np.int16)
    owner[3, 4] = -1
    elevation, survey = source(heights, 0, 0, 10.0).grid, source(owner, 0, 0, 10.0, -1).grid
    low = lowest_around(elevation, survey).values
    for row in range(20):
        for column in range(30):
            box = np.s_[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
            own = heights[box][owner[box] == owner[row, column]]
            np.testing.assert_equal(low[row, column], own.min() if own.size and owner[row, column] >= 0 else np.nan)
    one = source(np.where(np.isnan(heights), -1, 0).astype(np.int16), 0, 0, 10.0, -1).grid
    np.testing.assert_array_equal(lowest_around(elevation, one).values, lowest_around(elevation).values)


def test_profiles_carry_the_survey_of_each_point():
    table = segments(shapely.LineString([(5, 100), (5, 0)]))
    stretches = pd.DataFrame({"segment_no": [0], "kind": ["natural"], "from_m": [0.0], "to_m": [100.0]})
    owner = np.repeat(np.array([0, 0, 0, 1, -1], np.int16), 2)[:, None]
    heights = source(np.zeros((10, 1), np.float32), 0, 100, 10.0).grid
    profiles = segment_profiles(table, stretches, empty(ROADS, CRS), heights, source(owner, 0, 100, 10.0, -1).grid)
    assert profiles[0].survey.tolist() == [-1, -1, 1, 1, 0, 0, 0, 0, 0, 0]
    assert profile_module.profile_points(profiles)["survey"].tolist() == profiles[0].survey.tolist()
