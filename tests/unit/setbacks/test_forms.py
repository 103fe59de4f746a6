"""What each form of setback rule asks, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.setbacks.asked import step_at, strip_depth
from gisprio.compute.setbacks.asking import ask_setbacks, asked_table
from gisprio.compute.setbacks.average import short_of_average
from gisprio.compute.setbacks.exemptions import exempt_words
from gisprio.compute.setbacks.facts import classes_at, first_inside, ground_slope
from gisprio.compute.setbacks.findings import rule_findings
from gisprio.contracts.grids import ArraySource, Grid
from gisprio.contracts.layers import BANK_ASKED, SIDE_SETBACKS
from gisprio.contracts.schema import check
from gisprio.contracts.setbacks import Exempt, Step, rule_of
from makers import frame
from setback_sides import sides
from tables import bank_chain, nearby, settings, source


def asked(given, **rule):
    return asked_table(given, rule_of(rule))


def test_a_step_holds_from_its_value_or_above_it():
    values = np.array([0.9, 1.0, 1.1, 5.0, np.nan])
    steps = [Step(above=1.0, width_m=3.0), Step(**{"from": 5.0}, width_m=9.0)]
    assert step_at(values, steps).tolist() == [-1, -1, 0, 1, -1]


def test_orders_below_the_first_step_are_asked_for_nothing():
    steps = [{"from": 2, "width_m": 10}, {"from": 4, "width_m": 40}]
    got = asked(sides(strahler_order=[1, 2, 3, 4, 7]), rule="by_stream_order", steps=steps)
    assert got["setback_m"].tolist() == [0.0, 10.0, 10.0, 40.0, 40.0]


def test_a_class_that_is_not_known_is_asked_for_the_least_and_said_so():
    rule = {"rule": "by_class", "by": "class", "widths_m": {"I": 30.0, "II": 15.0}, "width_m": 5.0}
    got = asked(sides(stream_class=["I", "ii", "V", None]), **rule)
    assert got["setback_m"].tolist() == [30.0, 15.0, 5.0, 5.0]
    assert got["setback_told"].tolist() == [True, True, True, False]
    steps = [{"from": 0, "width_m": 30}, {"from": 10, "width_m": 50}]
    got = asked(sides(bankfull_width_m=[9.9, 10.0, np.nan]), rule="by_class", by="bankfull_width_m", steps=steps)
    assert got["setback_m"].tolist() == [30.0, 50.0, 0.0]
    assert got["setback_told"].tolist() == [True, True, False]


def test_slope_adds_by_steps_and_steadily_up_to_its_most():
    rule = {"rule": "by_slope", "width_m": 10, "add_per_percent_m": 0.5, "above_percent": 10, "most_percent": 30}
    got = asked(sides(slope_percent=[0.0, 10.0, 12.0, 30.0, 80.0, np.nan]), **rule)
    assert got["setback_m"].tolist() == [10.0, 10.0, 11.0, 20.0, 20.0, 10.0]
    assert got["setback_told"].tolist() == [True] * 5 + [False]
    assert rule_of(rule).most_m == 20.0


def test_a_step_for_high_banks_needs_the_height():
    rule = {"rule": "by_slope", "width_m": 10, "slope_steps": [{"above": 30, "add_m": 5}], "bank_over_m": 5}
    given = sides(slope_percent=[35.0, 35.0, 35.0, 20.0], bank_height_m=[6.0, 5.0, np.nan, np.nan])
    got = asked(given, **rule)
    assert got["setback_m"].tolist() == [15.0, 10.0, 10.0, 10.0]
    assert got["setback_told"].tolist() == [True, True, False, True]  # on flat ground the height does not matter


def test_what_is_narrower_than_half_the_stream_from_the_centre_line_asks_for_nothing():
    rule = {"width_m": 2.0, "reference_line": "centre_line"}
    got = asked(sides(bankfull_width_m=[1.0, 6.0, np.nan]), **rule)
    assert got["setback_m"].tolist() == [1.5, 0.0, 2.0]
    assert got["setback_told"].tolist() == [True, True, False]


@pytest.mark.parametrize(
    ("exempt", "column", "values", "told"),
    [
        ({"slope_below_percent": 5.0}, "slope_percent", [4.99, 5.0, np.nan], [True, False, False]),
        ({"slope_over_percent": 25.0}, "slope_percent", [25.0, 25.1, np.nan], [False, True, False]),
        ({"width_below_m": 0.5}, "bankfull_width_m", [0.49, 0.5, np.nan], [True, False, False]),
        ({"area_below_km2": 1.0}, "drainage_area_km2", [0.9, 1.0, np.nan], [True, False, False]),
        ({"property_ha": 2.0}, "property_ha", [2.0, 2.01, np.nan], [True, False, False]),
        ({"land_use": ["Park"]}, "property_class", ["park", "farm", None], [True, False, False]),
        ({"kinds": ["ditch"]}, "kind", ["ditch", "natural", "canal"], [True, False, False]),
    ],
)
def test_exemptions_hold_at_their_limits_and_never_where_nothing_is_known(exempt, column, values, told):
    given = sides(**{column: values})
    words = exempt_words(given, Exempt(**exempt))
    assert [word is not None for word in words] == told
    got = asked(given, width_m=30.0, exempt=exempt)
    assert got["setback_m"].tolist() == [0.0 if one else 30.0 for one in told]
    assert strip_depth(got, rule_of({"width_m": 30.0})).tolist() == [30.0] * 3  # land has an owner there too


LENGTH, SIDE = np.full(4, 50.0), np.zeros(4)


@pytest.mark.parametrize(
    ("widths", "short"),
    [
        ([20.0, 12.0, 14.0, 15.5], [False] * 4),  # mean 15.375
        ([8.0, 25.0, 20.0, 15.0], [True, False, False, False]),  # mean 17, but 8 is under the least
        ([15.24, 15.24, 15.24, 15.24], [False] * 4),  # the average itself is enough
        ([15.24, 15.24, 15.24, 15.23], [False, False, False, True]),
        ([9.144, 15.0, 14.0, 16.0], [True, True, True, False]),  # mean 13.5: all that are narrower lack
        ([np.nan, 20.0, 12.0, 14.0], [False] * 4),  # what is not known takes no part
    ],
)
def test_an_average_with_a_least_width(widths, short):
    """20/12/14/15.5 m keep the rule of 50 ft on average and 30 ft at least, 8/25/20/15 m do not: worked in the list."""
    got = short_of_average(np.array(widths), np.full(4, 15.24), np.full(4, 9.144), LENGTH, SIDE)
    assert got.tolist() == short


def test_sides_never_pool_and_lengths_weigh():
    widths = np.array([30.0, 30.0, 10.0, 10.0])
    two = short_of_average(widths, np.full(4, 15.0), np.full(4, 5.0), LENGTH, np.array([0, 0, 1, 1]))
    assert two.tolist() == [False, False, True, True]
    one = short_of_average(widths, np.full(4, 15.0), np.full(4, 5.0), LENGTH, SIDE)
    assert not one.any()
    long = short_of_average(widths, np.full(4, 15.0), np.full(4, 5.0), np.array([5.0, 5.0, 50.0, 50.0]), SIDE)
    assert long.tolist() == [False, False, True, True]


# ---------------------------------------------------------------- what the rules go by


def plane(slope: float, cell: float = 1.0) -> ArraySource:
    """Ground that rises by ``slope`` to the east."""
    x = (np.arange(200) + 0.5) * cell
    return source(np.tile(slope * x, (200, 1)).astype(np.float32), 0.0, 200.0 * cell, cell)


def points(*x: float, out_x: float = 1.0):
    return sides(len(x)).assign(x=list(x), y=100.0, out_x=out_x, out_y=0.0)


def test_the_slope_of_a_plane():
    np.testing.assert_allclose(ground_slope(points(50.0, 60.3), plane(0.12), 20.0), 12.0, rtol=1e-5)
    assert ground_slope(points(50.0, out_x=-1.0), plane(0.12), 20.0).tolist() == [0.0]  # falls away from the water
    assert np.isnan(ground_slope(points(190.0), plane(0.12), 20.0)).all()  # the heights end


def test_no_slope_is_read_across_two_surveys():
    class TwoSurveys(ArraySource):
        def surveyed_window(self, bounds):
            grid = self.window(bounds)
            x, _ = grid.lattice.centres(np.array([0]), grid.column + np.arange(grid.values.shape[1]))
            survey = np.broadcast_to((x > 100).astype(np.int16), grid.values.shape)
            return grid, Grid(survey.copy(), grid.lattice, grid.row, grid.column, -1)

    ground = TwoSurveys(plane(0.1).grid)
    got = ground_slope(points(50.0, 90.0, 120.0), ground, 20.0)
    np.testing.assert_allclose(got, [10.0, np.nan, 10.0], rtol=1e-5)


def test_the_class_of_the_line_at_each_station():
    parts = pd.DataFrame(
        {"segment_no": [0, 0, 1], "from_m": [0.0, 100.0, 0.0], "class": ["I", None, "III"]}, dtype=object
    ).astype({"segment_no": int, "from_m": float})
    at = pd.DataFrame({"segment_no": [0, 0, 0, 1], "at_m": [2.5, 99.9, 100.0, 500.0]})
    assert classes_at(at, parts).tolist() == ["I", "I", None, "III"]


def test_the_polygon_a_bank_point_lies_in():
    land = frame([shapely.box(0, 0, 60, 200), shapely.box(40, 0, 100, 200)], zone=["b", "a"])
    assert first_inside(points(10.0, 50.0, 150.0), land, "zone").tolist() == [0, 1, -1]  # of two the first by name


# ---------------------------------------------------------------- the stage

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Upstream is north; the left bank lies east, at x 3."""


def bare(x, y):
    return np.full(x.shape, 2)


def chain(halo=None, **rule):
    return bank_chain(SOUTH, bare, halo=halo, setback=rule)


def test_zones_have_rules_of_their_own_and_other_ground_that_of_the_setback():
    zones = frame([shapely.box(-50, 500, 50, 1100), shapely.box(-50, 200, 50, 500)], zone=["town", "marsh"])
    rule = {"width_m": 10.0, "zones": "zones.gpkg", "zone": {"town": {"width_m": 5.0}}}
    core = bank_chain(SOUTH, bare, halo={"setback_zones": zones}, setback=rule)
    got = check(SIDE_SETBACKS, core["side_setbacks"]).merge(core["stations"], on=["segment_no", "station_no"])
    assert set(got.loc[got["at_m"] > 500, "setback_m"]) == {5.0}
    assert set(got.loc[got["at_m"] < 500, "setback_m"]) == {10.0}
    banks = check(BANK_ASKED, core["bank_asked"]).set_index(["reach_no", "side"])
    assert banks["unzoned_length_m"].sum() == pytest.approx(2 * 500, abs=10)
    assert banks.loc[(4, 0), "setback_m"] == 5.0


def test_the_bank_says_how_much_of_it_is_exempt_and_why():
    land = frame([shapely.box(0, 0, 50, 300)], property_id=["A"], **{"class": ["Park"]}, passed_over=None)
    core = chain({"parcels": land}, width_m=10.0, exempt={"land_use": ("park",)})
    banks = core["bank_asked"].set_index(["reach_no", "side"])
    assert banks.loc[(0, 0), ["exempt_length_m", "exempt", "setback_m"]].tolist() == [200.0, "use of the property", 0.0]
    assert banks.loc[(1, 0), "exempt_length_m"] == pytest.approx(100.0, abs=5)
    assert banks.loc[(1, 0), "setback_m"] in (0.0, 5.0, 10.0)
    assert banks.loc[(0, 1), ["exempt_length_m", "exempt"]].tolist() == [0.0, None]


def test_without_banks_nothing_is_asked():
    core = {name: table.iloc[:0] for name, table in chain().items()}
    got = ask_setbacks(core, nearby(), {"dem": plane(0.0)}, settings())
    assert [len(got[name]) for name in ("side_setbacks", "bank_asked")] == [0, 0]


@pytest.mark.parametrize(
    ("rule", "sums", "says"),
    [
        (
            {"reference_line": "top_of_bank"}, {"other_line_length_m": 500.0},
            "The rule measures from the top of the bank; on 0.5 of 2.0 km the bank line is of another kind "
            "(bank_line_basis), so that the strip may lie some metres off.",
        ),
        (
            {}, {"untold_length_m": 400.0},
            "On 0.4 of 2.0 km something that the rule goes by is not known (class, slope, height of the bank or "
            "width): there the least width stands that the rule may ask.",
        ),
        (
            {}, {"unzoned_length_m": 1000.0},
            "1.0 of 2.0 km of bank lie in no zone that has a rule; the rule of [setback] itself is asked there.",
        ),
        ({}, {"exempt_length_m": 300.0}, "On 0.3 of 2.0 km the rule asks for nothing (column exempt)."),
        (
            {"rule": "by_stream_order", "steps": [{"from": 1, "width_m": 9}]}, {},
            "The rule goes by stream order; the orders are those of the lines of this run.",
        ),
        (
            {"rule_file": "own.toml", "about": {"title": "Strips", "place": "Tansy", "leaves_out": "Springs."}}, {},
            "Rule own: Strips, Tansy; own target, status unknown, as of a day not named. Left out: Springs.",
        ),
    ],
)  # fmt: skip
def test_a_reader_is_told_where_the_rule_could_not_be_asked(rule, sums, says):
    banks = chain()["bank_asked"].assign(length_m=200.0)
    for name, value in sums.items():
        banks[name] = [value] + [0.0] * (len(banks) - 1)
    own = rule_of(rule)
    if "reference_line" not in rule:
        banks["other_line_length_m"] = 0.0
    assert [finding.says for finding in rule_findings(banks, own)] == [says]
