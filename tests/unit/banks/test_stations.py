"""Stations: laid before reaches are cut, square to the smoothed line."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.stations import directions, lay_stations, smoothing_length, station_borders
from gisprio.contracts.layers import STATIONS
from gisprio.contracts.schema import check
from tables import nearby, network, settings


def _stations(*lines, downstream=None, **kwargs):
    core = network(*lines, downstream=downstream, **kwargs)
    return lay_stations(core, {"segments": core["segments"]}, {}, settings())["stations"]


def test_straight_line_south_has_its_left_to_the_east():
    stations = check(STATIONS, _stations(shapely.LineString([(0, 1000), (0, 0)])))
    assert len(stations) == 200
    assert stations["at_m"].iloc[[0, 1, -1]].tolist() == [2.5, 7.5, 997.5]
    assert stations["y"].iloc[0] == pytest.approx(2.5)
    np.testing.assert_allclose(stations["left_x"], 1.0, atol=1e-12)
    np.testing.assert_allclose(stations["left_y"], 0.0, atol=1e-12)
    np.testing.assert_allclose(stations["curvature_1_m"], 0.0, atol=1e-12)


def test_last_station_stands_for_what_is_left_and_lengths_add_up():
    assert station_borders(12.0, 5.0).tolist() == [0.0, 5.0, 10.0, 12.0]
    assert station_borders(10.0 + 1e-9, 5.0).tolist() == [0.0, 5.0, 10.0 + 1e-9]
    assert station_borders(3.0, 5.0).tolist() == [0.0, 3.0]


def test_circle_gives_its_curvature_and_its_centre_lies_left_when_turning_left():
    angle = np.linspace(0, np.pi, 400)
    circle = shapely.LineString(np.column_stack([100 * np.cos(angle), 100 * np.sin(angle)]))  # anticlockwise
    stations = _stations(circle, width_m=5.0)
    middle = stations[(stations["at_m"] > 60) & (stations["at_m"] < 250)]
    # a Gaussian of sigma s shrinks a circle's radius by exp(-(s/r)^2 / 2): 15 / sqrt(12) = 4.3 m on 100 m, 0.1 %
    np.testing.assert_allclose(middle["curvature_1_m"], 0.01, rtol=0.01)
    inward = -np.column_stack([middle["x"], middle["y"]]) / 100
    assert (np.sum(inward * middle[["left_x", "left_y"]].to_numpy(), axis=1) > 0.999).all()


def test_bends_tighter_than_three_line_errors_are_missing():
    angle = np.linspace(0, np.pi, 100)
    tight = shapely.LineString(np.column_stack([8 * np.cos(angle), 8 * np.sin(angle)]))
    line = shapely.LineString([(8, -100), *tight.coords, (-8, -100)])
    got = _stations(line, width_m=2.0)["curvature_1_m"]
    assert got.isna().any()
    assert (got.dropna().abs() <= 1 / 15 + 1e-12).all()


def test_smoothing_length_is_two_widths_or_three_line_errors():
    assert smoothing_length(20.0, 5.0) == 40.0
    assert smoothing_length(4.0, 5.0) == 15.0
    assert smoothing_length(np.nan, 5.0) == 15.0


def test_direction_at_a_confluence_looks_beyond_the_end_of_the_segment():
    bend = shapely.LineString([(0, 200), (0, 0)]), shapely.LineString([(0, 0), (200, 0)])
    stations = _stations(*bend, downstream=(1, -1))
    last = stations[(stations["segment_no"] == 0) & (stations["station_no"] == 0)].iloc[0]
    assert last["left_x"] == pytest.approx(np.cos(np.pi / 4), abs=0.25)  # half way round the corner, not straight on
    assert np.isnan(last["curvature_1_m"])  # a corner: tighter than the line can tell


def test_tributary_joining_square_has_no_bend_at_its_mouth_and_the_main_stem_none_either():
    main, tributary = shapely.LineString([(0, 300), (0, 0)]), shapely.LineString([(-300, 0), (0, 0)])
    stations = _stations(main, tributary, shapely.LineString([(0, 0), (0, -300)]), downstream=(2, 2, -1), width_m=16.0)
    np.testing.assert_allclose(stations["curvature_1_m"], 0.0, atol=1e-9)
    mouth = stations[stations["segment_no"] == 1]
    np.testing.assert_allclose(mouth["left_y"], 1.0, atol=1e-9)  # it runs east to its end


def test_reversing_how_the_neighbour_list_is_ordered_changes_nothing():
    lines = [shapely.LineString([(0, 200), (10, 0)]), shapely.LineString([(10, 0), (30, -220)])]
    core = network(*lines, downstream=(1, -1))
    other = {"segments": core["segments"].iloc[::-1]}
    a = lay_stations(core, {"segments": core["segments"]}, {}, settings())["stations"]
    b = lay_stations(core, other, {}, settings())["stations"]
    assert a.equals(b)


def test_no_segments_give_an_empty_table():
    core = {name: table.iloc[:0] for name, table in network(shapely.LineString([(0, 9), (0, 0)])).items()}
    assert len(check(STATIONS, lay_stations(core, nearby(segments=core["segments"]), {}, settings())["stations"])) == 0


def test_directions_of_a_plain_line_are_exact_anywhere():
    line = np.array([[4e6, 0.0], [4e6 + 300.0, 400.0]])
    x, y, left_x, left_y, bend = directions(line, np.empty((0, 2)), np.empty((0, 2)), np.array([250.0]), 15.0)
    assert (x[0], y[0]) == pytest.approx((4e6 + 150, 200))
    assert (left_x[0], left_y[0]) == pytest.approx((-0.8, 0.6), abs=1e-6)
    assert bend[0] == pytest.approx(0.0, abs=1e-6)
