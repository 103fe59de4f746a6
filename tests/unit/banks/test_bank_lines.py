"""Bank lines: given, water edge, half width; islands; roads that cross and roads that do not."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.crossings import road_width
from gisprio.compute.banks.stations import lay_stations
from gisprio.contracts.layers import BANK_POINTS
from gisprio.contracts.schema import check
from makers import frame
from tables import nearby, network, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def _points(width_m=6.0, **layers):
    core = network(SOUTH, width_m=width_m)
    stations = lay_stations(core, {"segments": core["segments"]}, {}, settings())["stations"]
    return check(BANK_POINTS, find_bank_lines({"stations": stations}, nearby(**layers), {}, settings())["bank_points"])


def test_half_the_bankfull_width_where_nothing_else_is_known():
    points = _points(width_m=6.0)
    assert (points["bank_line_basis"] == "half_width").all()
    np.testing.assert_allclose(points["offset_m"], 3.0)
    left = points[points["side"] == 0]
    np.testing.assert_allclose(left["x"], 3.0, atol=1e-9)
    np.testing.assert_allclose(left["out_x"], 1.0, atol=1e-9)


def test_water_edge_on_each_side_and_line_off_its_middle():
    water = frame([shapely.box(-2, -50, 7, 1050)], kind=["channel"])
    points = _points(water=water)
    assert (points["bank_line_basis"] == "water_edge").all()
    np.testing.assert_allclose(points.loc[points["side"] == 0, "offset_m"], 7.0)
    np.testing.assert_allclose(points.loc[points["side"] == 1, "offset_m"], 2.0)


def test_a_line_beside_its_channel_has_one_bank_behind_it():
    water = frame([shapely.box(2, -50, 8, 1050)], kind=["channel"])
    points = _points(water=water)
    np.testing.assert_allclose(points.loc[points["side"] == 0, "offset_m"], 8.0)
    np.testing.assert_allclose(points.loc[points["side"] == 1, "offset_m"], -2.0)
    np.testing.assert_allclose(points.loc[points["side"] == 1, "x"], 2.0)


def test_an_island_has_no_bank():
    island = shapely.box(-1, 400, 4, 600)
    water = frame([shapely.box(-5, -50, 6, 1050).difference(island)], kind=["channel"])
    points = _points(water=water)
    np.testing.assert_allclose(points.loc[points["side"] == 0, "offset_m"], 6.0)
    np.testing.assert_allclose(points.loc[points["side"] == 1, "offset_m"], 5.0)


def test_water_drawn_as_two_touching_polygons_is_one_channel():
    water = frame([shapely.box(-4, -50, 1, 1050), shapely.box(1, -50, 5, 1050)], kind=[None, None])
    points = _points(water=water)
    np.testing.assert_allclose(points.loc[points["side"] == 0, "offset_m"], 5.0)
    np.testing.assert_allclose(points.loc[points["side"] == 1, "offset_m"], 4.0)


def test_a_pond_across_the_field_is_not_the_channel():
    pond = frame([shapely.box(40, 300, 90, 500)], kind=["pond"])
    assert (_points(water=pond)["bank_line_basis"] == "half_width").all()


def test_the_channel_that_a_stream_runs_into_gives_it_no_bank_at_its_mouth():
    water = frame([shapely.box(-2, 8, 2, 1050), shapely.box(-70, -8, 70, 8)], kind=["channel", "channel"])
    points = _points(water=water)
    at_mouth = points["station_no"] < 2  # 2.5 and 7.5 m from the end, inside the channel it joins
    np.testing.assert_allclose(points.loc[at_mouth, "offset_m"], 3.0)
    assert set(points.loc[at_mouth, "bank_line_basis"]) == {"half_width"}
    np.testing.assert_allclose(points.loc[~at_mouth, "offset_m"], 2.0)


def test_a_channel_that_widens_midway_keeps_its_own_edge():
    water = frame([shapely.box(-2, -50, 2, 1050), shapely.box(-9, 490, 9, 510)], kind=["channel", "channel"])
    offset = _points(water=water)["offset_m"]
    assert sorted(offset.round(6).unique()) == [2.0, 9.0]


def test_the_users_bank_line_goes_before_water_and_only_on_its_side():
    water = frame([shapely.box(-3, -50, 3, 1050)], kind=["channel"])
    given = frame([shapely.LineString([(4.5, -10), (4.5, 1010)])], date_y=[np.nan], error_m=[np.nan])
    points = _points(water=water, bank_lines=given)
    left, right = points[points["side"] == 0], points[points["side"] == 1]
    assert set(left["bank_line_basis"]) == {"given"}
    np.testing.assert_allclose(left["offset_m"], 4.5)
    assert set(right["bank_line_basis"]) == {"water_edge"}


def test_a_road_at_a_right_angle_crosses_on_its_width_and_ten_metres():
    road = frame([shapely.LineString([(-100, 500), (100, 500)])], **{"class": ["primary"]})
    points = _points(roads=road)
    crossed = points[points["crossing"] & (points["side"] == 0)]
    # 12 + 10 m around 500: station middles 492.5 ... 507.5
    assert crossed["station_no"].tolist() == [98, 99, 100, 101]
    assert points.groupby("side")["crossing"].sum().tolist() == [4, 4]


def test_a_road_along_the_bank_is_no_crossing_even_where_it_slants_over():
    road = frame([shapely.LineString([(-30, 400), (30, 600)])], **{"class": ["primary"]})  # 17 degrees
    assert not _points(roads=road)["crossing"].any()


@pytest.mark.parametrize(("word", "width"), [("Primary", 12.0), ("railway", 8.0), ("farm track", 4.0), ("", 8.0)])
def test_road_widths_by_word(word, width):
    assert road_width(word) == width
