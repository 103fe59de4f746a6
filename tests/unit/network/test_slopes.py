"""Slope windows: how far they reach, what they never cross, what is missing and how it is bounded."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d

from gisprio.compute.network.profile import (
    CROSSING_M,
    Path,
    Profile,
    falling,
    flow_path,
    lowest_around,
    reach_slope,
    segment_profiles,
    sinuosities,
)
from gisprio.contracts.layers import ROADS
from gisprio.contracts.schema import empty
from makers import CRS, frame
from tables import segments, source


def path_of(height, barrier=None, step=10.0):
    at = (np.arange(len(height)) + 0.5) * step
    blocked = np.zeros(len(height), bool) if barrier is None else barrier
    known = np.where(blocked, np.nan, height)
    return Path(at, known, blocked, falling(known))


def noisy(slope, sigma, seed, count=300):
    return slope * (np.arange(count) + 0.5) * 10.0 + np.random.default_rng(seed).normal(0, sigma, count)


@pytest.mark.parametrize(("slope", "sigma"), [(0.002, 0.3), (0.005, 0.3), (0.02, 1.0)])
def test_slope_of_a_plane_with_noise_is_found_within_5_percent_in_the_mean(slope, sigma):
    found = [reach_slope(path_of(noisy(slope, sigma, seed)), 1400, 1600, 5.0, None) for seed in range(200)]
    slopes = np.array([one.slope for one in found])
    assert np.isfinite(slopes).all()
    assert slopes.mean() == pytest.approx(slope, rel=0.05)
    within = np.abs(slopes - slope) <= 2 * np.array([one.error for one in found])
    assert within.mean() > 0.9  # the error is an error


def far_off(sigma=0.8, over_cells=3.0, slope=0.005):
    """Give how many of its own errors the slope is off, for heights whose errors go together over some cells."""
    off = []
    for seed in range(200):
        raw = gaussian_filter1d(np.random.default_rng(seed).standard_normal(300), over_cells)
        found = reach_slope(path_of(noisy(slope, 0.0, 0) + sigma * raw / raw.std()), 1400, 1600, 5.0, None)
        off.append(0.0 if np.isnan(found.slope) and found.most > slope else (found.slope - slope) / found.error)
    return np.abs(off)


def test_the_error_holds_where_errors_of_the_heights_go_together(monkeypatch):
    """Over a short window such an error is smooth, and a slope of its own. Seen: 0.5 % over 2 errors, none over 2.2."""
    held = far_off()
    assert (held > 2).mean() < 0.03
    assert held.max() < 3
    monkeypatch.setattr("gisprio.compute.network.profile.NOISE_POINTS", 0)
    blind = far_off()
    assert (blind > 2).mean() > 0.05
    assert blind.max() > 4


def test_a_single_long_window_is_within_5_percent():
    found = reach_slope(path_of(noisy(0.005, 0.3, 1)), 0, 3000, 5.0, 0.3)
    assert found.slope == pytest.approx(0.005, rel=0.05)
    assert found.window_m == 3000


def test_the_window_is_as_long_as_the_error_asks_for():
    steep = reach_slope(path_of(noisy(0.02, 0.3, 2)), 1400, 1600, 5.0, 0.3)
    gentle = reach_slope(path_of(noisy(0.002, 0.3, 2)), 1400, 1600, 5.0, 0.3)
    assert 200 <= steep.window_m <= 250
    assert 350 <= gentle.window_m <= 800  # sigma / (dx sqrt(n^3 / 12)) = .2 x .002 at n = 41
    assert gentle.error <= 0.2 * gentle.slope * 1.3


def test_the_window_is_at_least_20_widths():
    exact = path_of(0.01 * (np.arange(300) + 0.5) * 10)
    assert reach_slope(exact, 1400, 1600, 5.0, None).window_m == 200
    assert reach_slope(exact, 1400, 1600, 40.0, None).window_m >= 800
    assert reach_slope(exact, 1400, 1600, 40.0, None).slope == pytest.approx(0.01)
    assert reach_slope(exact, 1400, 1600, np.nan, None).window_m == 200


def test_flat_water_with_noise_has_no_slope_but_an_upper_bound():
    found = [reach_slope(path_of(noisy(0.0, 0.3, seed)), 1400, 1600, 5.0, None) for seed in range(100)]
    missing = [one for one in found if np.isnan(one.slope)]
    assert len(missing) >= 75  # one standard error: one side of five is passed by chance
    assert all(0 < one.most < 5e-4 for one in missing)
    assert all(one.most >= 2 * one.error for one in missing)


def test_ground_that_rises_downstream_has_no_slope():
    found = reach_slope(path_of(noisy(-0.01, 0.1, 3)), 1400, 1600, 5.0, None)
    assert np.isnan(found.slope)
    assert found.most >= 0


def test_heights_are_made_to_fall_and_the_rest_is_left():
    height = np.array([1.0, 2.0, 5.0, 4.0, np.nan, 6.0])
    assert falling(height)[[0, 1, 2, 3, 5]].tolist() == [1.0, 2.0, 4.5, 4.5, 6.0]
    assert np.isnan(falling(height)[4])
    assert (np.diff(falling(noisy(0.001, 1.0, 4))) >= 0).all()
    assert np.isnan(falling(np.full(3, np.nan))).all()


def test_no_window_crosses_standing_water():
    """A dam of 8 m behind a pond: seen from neither side."""
    at = (np.arange(300) + 0.5) * 10
    height = 0.002 * at + np.where(at > 1300, 8.0, 0.0) + np.random.default_rng(5).normal(0, 0.1, 300)
    pond = (at > 1200) & (at < 1400)
    path = path_of(height, pond)
    below, above = reach_slope(path, 900, 1100, 40.0, 0.1), reach_slope(path, 1500, 1700, 40.0, 0.1)
    # the window ends at a standard error of a fifth: two of them
    assert below.slope == pytest.approx(0.002, rel=0.4)
    assert above.slope == pytest.approx(0.002, rel=0.4)
    assert below.window_m >= 800  # 20 widths, found on the side away from the pond
    seen = reach_slope(path_of(height), 900, 1100, 40.0, 0.1)  # and would be seen if nothing stood between
    assert seen.slope > 0.004
    assert seen.window_m >= 800


def test_a_reach_wholly_in_standing_water_has_no_slope_and_no_bound():
    found = reach_slope(path_of(noisy(0.01, 0.1, 6), np.ones(300, bool)), 1400, 1600, 5.0, None)
    assert np.isnan([found.slope, found.error, found.window_m, found.most]).all()


def test_a_reach_shorter_than_a_cell_still_gets_its_slope():
    path = path_of(0.01 * (np.arange(60) + 0.5) * 30, step=30.0)
    assert reach_slope(path, 601.0, 611.0, np.nan, None).slope == pytest.approx(0.01)


def two_segments(area, inflow):
    """A lower segment 0 (400 m, slope .05) into which 1 flows (1,000 m, slope .002)."""
    lines = (shapely.LineString([(0, 400), (0, 0)]), shapely.LineString([(0, 1400), (0, 400)]))
    table = segments(*lines, downstream=(-1, 0))
    low, high = (np.arange(40) + 0.5) * 10, (np.arange(100) + 0.5) * 10
    flat = [Profile(at, at * slope, np.zeros(len(at), bool)) for at, slope in ((low, 0.05), (high, 0.002))]
    return flow_path(1, table, dict(enumerate(flat)), np.array(area), np.array(inflow))


def test_no_window_passes_a_main_confluence():
    """The stream brings 1 of the 3 km2 below: its path ends at the confluence; with 2.9 of 3 it goes on."""
    assert two_segments([3.2, 1.0], [3.0, 0.0]).at.min() == 5.0
    assert two_segments([3.2, 2.9], [3.0, 0.0]).at.min() == -395.0


def test_the_path_goes_up_the_main_stream_too():
    lines = (shapely.LineString([(0, 400), (0, 0)]), shapely.LineString([(0, 1400), (0, 400)]))
    table = segments(*lines, downstream=(-1, 0))
    profiles = {n: Profile(np.array([5.0, 15.0]), np.zeros(2), np.zeros(2, bool)) for n in (0, 1)}
    path = flow_path(0, table, profiles, np.array([3.2, 2.9]), np.array([3.0, 0.0]))
    assert path.at.tolist() == [5.0, 15.0, 405.0, 415.0]


def valley(bump=None):
    """Heights of 10 m around a stream that runs south at x = 505 with slope .01; ``bump`` may change them."""
    row, column = np.mgrid[0:100, 0:100]
    y, x = 995.0 - 10 * row, 5.0 + 10 * column
    height = 50 + 0.01 * y + 0.2 * np.abs(x - 505)
    return source(height if bump is None else bump(x, y, height), 0.0, 1000.0, 10.0)


def stretches(length):
    return pd.DataFrame({"segment_no": [0], "from_m": [0.0], "to_m": [length], "kind": ["natural"]})


def slope_with(dem, roads):
    table = segments(shapely.LineString([(505, 900), (505, 100)]))
    before = dem.grid.values.copy()
    profiles = segment_profiles(table, stretches(800.0), roads, lowest_around(dem.grid))
    np.testing.assert_array_equal(dem.grid.values, before)
    path = flow_path(0, table, profiles, np.array([1.0]), np.array([0.0]))
    return reach_slope(path, 400.0, 600.0, 5.0, None), profiles[0]


def test_a_road_fill_at_a_crossing_is_left_out():
    """A fill 5 m high and 30 m wide under a road at y = 500, that is 400 m up the stream."""

    def fill(x, y, height):
        return height + np.where(np.abs(y - 500) <= 15, 5.0, 0.0)

    road = frame([shapely.LineString([(300, 500), (700, 500)])]).assign(**{"class": None})
    with_road, profile = slope_with(valley(fill), road)
    assert with_road.slope == pytest.approx(0.01, rel=0.02)
    assert with_road.window_m == 200
    out = profile.at[np.isnan(profile.height)]
    assert (np.abs(out - 400) <= CROSSING_M).all()
    assert len(out) >= 2
    without_road, _ = slope_with(valley(fill), empty(ROADS, CRS))
    assert not (without_road.window_m == 200 and without_road.slope == pytest.approx(0.01, rel=0.02))


def test_the_profile_reads_the_low_of_a_channel_beside_the_line():
    """The line lies one cell beside the low: the same slope and heights as on it."""

    def aside(x, y, height):
        return 50 + 0.01 * y + 0.2 * np.abs(x - 515)

    _, on = slope_with(valley(), empty(ROADS, CRS))
    _, beside = slope_with(valley(aside), empty(ROADS, CRS))
    np.testing.assert_allclose(on.height, beside.height, atol=1e-9)


def test_heights_outside_the_dem_are_missing_not_zero():
    short = valley()
    values = short.grid.values.copy()
    values[60:] = np.nan
    found, profile = slope_with(source(values, 0.0, 1000.0, 10.0), empty(ROADS, CRS))
    assert np.isnan(profile.height[:28]).all()
    assert found.slope == pytest.approx(0.01, rel=1e-6)


def test_sinuosity_is_measured_over_20_widths_where_the_segment_has_them():
    x = np.arange(0, 1001, 50.0)
    zigzag = shapely.LineString(np.column_stack([x, np.where(np.arange(len(x)) % 2, 25.0, 0.0)]))
    got = sinuosities(zigzag, zigzag.length, [(0.0, 200.0), (400.0, 600.0)], np.array([20.0, 20.0]))
    np.testing.assert_allclose(got, np.hypot(50, 25) / 50, rtol=0.02)
    straight = shapely.LineString([(0, 0), (300, 0)])
    assert sinuosities(straight, 300.0, [(0.0, 200.0)], np.array([5.0])) == [1.0]
    assert np.isnan(sinuosities(straight, 300.0, [(0.0, 200.0)], np.array([20.0]))[0])  # 400 m are not there
    ring = shapely.Point(0, 0).buffer(100).exterior
    assert np.isnan(sinuosities(shapely.LineString(ring.coords), ring.length, [(0.0, ring.length)], np.array([1.0]))[0])
