"""Constraints, works already done and the ground they leave, on streams made by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.constraints import angles, clear_area
from makers import frame
from tables import bank_chain

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Five reaches of 200 m, upstream being north; the left bank lies east, at x 3."""


def bare(x, y):
    return np.full(x.shape, 2)


def wood(x, y):
    return np.full(x.shape, 1)


def pipeline(x, kind="pipeline"):
    return frame([shapely.LineString([(x, 402), (x, 498)])], kind=[kind])


def road(*points, road_class="primary"):
    return frame([shapely.LineString(points)], **{"class": [road_class]})


def done(*shapes, kind="trees planted", planting=True, year=2021, age=4.0):
    n = len(shapes)
    years = pd.array([year] * n, dtype="Int64")
    return frame(list(shapes), kind=[kind] * n, planting=[planting] * n, year=years, age_y=[age] * n)


def ground(cover=bare, **halo):
    core = bank_chain(SOUTH, cover, halo=halo)
    return core, core["bank_ground"].set_index(["reach_no", "side"])


def test_a_pipeline_in_the_strip_constrains_the_bank_beside_it_and_takes_its_clear_ground():
    banks = ground(constraints=pipeline(20.0))[1]
    assert banks.loc[(2, 0), "constraint"] == "pipeline"
    assert banks.loc[(2, 0), "constrained_length_m"] == 100.0
    assert banks["constrained_length_m"].sum() == 100.0
    assert banks.loc[(2, 1), "constraint"] is None or pd.isna(banks.loc[(2, 1), "constraint"])
    taken = 96 * 10 + np.pi * 25  # 5 m to each side, ends rounded
    assert banks["plantable_area_m2"].sum() == pytest.approx(10 * 6000 - taken, abs=5)
    assert banks.loc[(2, 1), "plantable_area_m2"] == pytest.approx(6000)


def test_what_lies_beyond_the_setback_line_is_no_constraint_but_keeps_its_clear_ground():
    banks = ground(constraints=pipeline(36.0))[1]
    assert banks["constrained_length_m"].sum() == 0
    assert banks["plantable_area_m2"].sum() == pytest.approx(10 * 6000 - 96 * 2, rel=1e-3)


def test_points_and_polygons_are_constraints_too_and_kinds_are_named_in_order():
    things = frame([shapely.Point(10, 502), shapely.box(15, 501, 25, 509)], kind=["well", "barn"])
    banks = ground(constraints=things)[1]
    assert banks.loc[(2, 0), "constraint"] == "barn, well"
    assert banks.loc[(2, 0), "constrained_length_m"] == 10.0  # two stations of 5 m
    assert banks.loc[(2, 0), "plantable_area_m2"] == pytest.approx(6000 - 80 - np.pi * 25, rel=1e-3)


def test_a_constraint_without_a_kind_is_named_so():
    banks = ground(constraints=pipeline(20.0, kind=None))[1]
    assert banks.loc[(2, 0), "constraint"] == "constraint"


@pytest.mark.parametrize(
    ("points", "metres"),
    [
        (((20, 1100), (20, -100)), 1000.0),  # along the left bank
        (((36, 1100), (36, -100)), 1000.0),  # its middle beyond the setback, its edge (6 m) inside
        (((40, 1100), (40, -100)), 0.0),  # wholly beyond
        (((-100, 500), (100, 500)), 0.0),  # crosses square
        (((5, 500), (100, 500)), 0.0),  # comes square to the bank and ends
        (((10, 400), (70, 600)), 100.0),  # 17 degrees to the bank: along it as far as its edge is inside
    ],
)
def test_a_road_constrains_only_where_it_runs_along_the_bank(points, metres):
    banks = ground(roads=road(*points))[1]
    assert banks["constrained_length_m"].sum() == pytest.approx(metres, abs=10)
    assert (banks["constrained_length_m"].xs(1, level="side") == 0).all()
    assert set(banks["constraint"].dropna()) == ({"road"} if metres else set())


def test_a_railway_along_the_bank_is_named_and_takes_its_width_from_the_ground():
    banks = ground(roads=road((20, 1100), (20, -100), road_class="rail"))[1]
    assert banks.loc[(2, 0), "constraint"] == "railway"
    assert banks.loc[(2, 0), "plantable_area_m2"] == pytest.approx(200 * (30 - 8), rel=0.01)


def test_a_crossing_is_not_counted_as_constrained():
    """A road along both sides of a crossing: the stations under the crossing have no bank."""
    along = road((20, 1100), (20, -100))
    across = road((-100, 500), (100, 500))
    both = pd.concat([along, across], ignore_index=True)
    core, banks = ground(roads=both)
    under = core["bank_points"]["crossing"].sum() / 2
    assert under > 0
    told = core["bank_points"].merge(core["side_constraints"])
    assert told.loc[told["crossing"], "constraint"].isna().all()
    assert banks["constrained_length_m"].sum() == 1000 - 5 * under


def test_water_is_no_ground_to_plant():
    pond = frame([shapely.box(23, 400, 33, 600)], kind=["pond"])
    banks = ground(water=pond)[1]
    assert banks.loc[(2, 0), "plantable_area_m2"] == pytest.approx(200 * 20, rel=0.01)


def test_angle_of_a_line_to_the_bank():
    lines = np.array([shapely.LineString([(0, 0), (3, 4)]), shapely.LineString([(0, 0), (0, 1), (1, 1)])])
    east = np.array([[1.0, 0.0], [1.0, 0.0]])
    np.testing.assert_allclose(angles(lines, east), [36.87, 45.0], atol=0.01)


def test_ground_that_two_things_cover_is_taken_once():
    taken = np.array([shapely.box(0, 0, 5, 10), shapely.box(3, 0, 6, 10)])
    assert clear_area(np.array([shapely.box(0, 0, 10, 10)]), taken).tolist() == [40.0]


# ---------------------------------------------------------------- works already done


def test_young_planting_over_most_of_the_gap_marks_the_bank_with_its_year():
    core, banks = ground(done=done(shapely.box(3, 400, 33, 520), shapely.box(3, 600, 33, 680)))
    assert banks.loc[(2, 0), "planted_year"] == 2021  # 120 of 200 m
    assert pd.isna(banks.loc[(3, 0), "planted_year"])  # 80 of 200 m
    assert banks["planted_year"].notna().sum() == 1
    assert (banks.loc[(3, 0), "done_kind"], banks.loc[(3, 0), "done_year"]) == ("trees planted", 2021)
    assert banks.loc[(2, 0), "plantable_area_m2"] == pytest.approx(80 * 30, rel=0.01)
    assert len(core["gap_pieces"]) == 10  # the gap itself stays


def test_a_narrow_row_of_planting_does_not_fill_the_gap():
    banks = ground(done=done(shapely.box(3, 400, 13, 600)))[1]
    assert banks["planted_year"].isna().all()


def test_a_line_of_planting_stands_for_the_strip_beside_it():
    banks = ground(done=done(shapely.LineString([(5, 410), (5, 590)])))[1]
    assert banks.loc[(2, 0), "planted_year"] == 2021


def test_planting_without_a_date_marks_the_bank_and_never_counts_as_cover():
    core, banks = ground(done=done(shapely.box(3, 400, 33, 600), year=pd.NA, age=np.nan))
    assert banks.loc[(2, 0), "planted_year"] == 0
    assert len(core["gap_pieces"]) == 10


def test_works_that_are_no_planting_are_shown_and_change_nothing():
    banks = ground(done=done(shapely.box(3, 400, 33, 600), kind="fence", planting=False))[1]
    assert (banks.loc[(2, 0), "done_kind"], banks.loc[(2, 0), "done_year"]) == ("fence", 2021)
    assert banks["planted_year"].isna().all()
    assert banks.loc[(2, 0), "plantable_area_m2"] == pytest.approx(6000)


@pytest.mark.parametrize(("age", "width"), [(9.9, 0.0), (10.0, 30.0)])
def test_planting_counts_as_cover_from_a_set_age_on(age, width):
    core, banks = ground(done=done(shapely.box(-40, 400, 40, 600), year=2014, age=age))
    cover = core["side_cover"].merge(core["stations"][["segment_no", "station_no", "at_m"]])
    beside = cover["at_m"].between(402, 598)
    assert (cover.loc[beside, "buffer_width_m"] == width).all()
    assert (cover.loc[~beside & ~cover["at_m"].between(395, 605), "buffer_width_m"] == 0).all()
    assert banks["planted_year"].notna().sum() == (2 if width == 0 else 0)
    assert (banks.loc[(2, 0), "done_year"]) == 2014


def test_old_planting_is_as_wide_as_it_was_drawn_and_water_stays_water():
    def pond(x, y):
        return np.where((x > 3) & (x < 5), 3, 2)

    core = ground(cover=pond, done=done(shapely.box(3, 400, 15, 600), age=20.0))[0]
    cover = core["side_cover"].merge(core["stations"][["segment_no", "station_no", "at_m"]])
    beside = cover["at_m"].between(402, 598) & (cover["side"] == 0)
    assert cover.loc[beside, "woody_share"].median() == pytest.approx(10 / 30, abs=0.01)


def test_the_newest_works_stand_for_a_station():
    old, new = done(shapely.box(3, 400, 33, 600), year=1999, age=25.0), done(shapely.box(3, 400, 33, 600), kind="fence")
    works = ground(done=pd.concat([old, new], ignore_index=True))[0]["side_works"]
    assert works.loc[works["done_year"].notna(), "done_kind"].unique().tolist() == ["fence"]
