"""Effects of sites, and which of them may be chosen."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from gisprio.compute.scoring.strip_meaning import trapped_by_equation
from gisprio.compute.works.candidates import find_candidates
from gisprio.compute.works.clusters import shared_starts
from gisprio.compute.works.effects import site_effects
from gisprio.contracts.errors import InputError, SettingsError

SITES = pd.DataFrame(
    {
        "site_id": ["a", "b", "c", "d"],
        "bank_id": ["A", "B", "C", "D"],
        "property_id": ["P", "Q", None, None],
        "sub_watershed_id": ["W", "W", "V", None],
        "measure": ["plant", "look first", "plant", "fence and plant"],
        "priority": [50.0, 40.0, 30.0, 20.0],
        "length_m": [100.0, 80.0, 60.0, 40.0],
        "gap_length_m": [90.0, 0.0, np.nan, 40.0],
        "setback_m": 30.0,
        "plantable_area_m2": [2500.0, 0.0, np.nan, 600.0],
        "joint_sites": ["b, x", "a", None, "c"],
    }
)
BANKS = pd.DataFrame({"bank_id": ["A", "B", "C", "D"], "delivery": [2.0, 1.0, 1.0, np.nan]})
COSTS = pd.DataFrame(
    {
        "site_id": ["a", "b", "c", "d"],
        "cost_low": [10.0, 20.0, 30.0, 40.0],
        "cost_mid": [20.0, 30.0, 40.0, 50.0],
        "cost_high": [90.0, 95.0, 96.0, 97.0],
        "at_least": [False, True, False, False],
    }
)


def found(**asked):
    """Find the candidates of the table above."""
    asked = {"cost": "mid", "measures": ("plant", "fence and plant"), **asked}
    costs = asked.pop("costs", COSTS)
    return find_candidates(SITES, costs, site_effects(SITES, BANKS, "priority_gap_m"), **asked)


def test_priority_times_metres_of_gap_and_the_length_where_the_gap_is_not_known():
    effects = site_effects(SITES, BANKS, "priority_gap_m")
    assert effects["effect"].tolist() == [4500.0, 0.0, 1800.0, 800.0]
    assert effects["effect_basis"].tolist() == ["measured", "measured", "default", "measured"]
    whole = site_effects(SITES, BANKS, "priority_length_m")
    assert whole["effect"].tolist() == [5000.0, 3200.0, 1800.0, 800.0]
    assert set(whole["effect_basis"]) == {"measured"}


def test_what_a_strip_holds_back_is_a_range_of_two_lines_each_against_itself():
    effects = site_effects(SITES, BANKS, "sediment")
    by_equation = (trapped_by_equation([30.0])[0] - trapped_by_equation([5.0])[0]) / 100 * 2.0 * 100.0
    by_review = (85 - 0) / 100 * 2.0 * 100.0  # 5 m is below the narrowest width of the review
    assert effects["effect_low"][0] == pytest.approx(min(by_equation, by_review))
    assert effects["effect_high"][0] == pytest.approx(max(by_equation, by_review))
    assert effects["effect"][0] == pytest.approx((by_equation + by_review) / 2)
    assert effects["effect"][1] == 0.0  # nothing to plant
    assert effects["effect"][2:].isna().all()  # no ground known, no supply known
    assert effects["effect_basis"].tolist() == ["modelled", "modelled", "missing", "missing"]


def test_each_site_left_out_is_counted_once():
    candidates = found(never=("c",), closed=("P",), costs=COSTS[COSTS["site_id"] != "d"])
    assert candidates.left_out == {"closed": 1, "never": 1, "no_work": 1, "no_cost": 1}
    assert not len(candidates.table)
    every = found(measures=("look first",))
    assert every.left_out == {"no_work": 3, "no_effect": 1}


def test_a_must_have_may_have_any_measure_and_no_effect():
    candidates = found(must=("b",))
    assert candidates.table["site_id"].tolist() == ["a", "b", "c", "d"]
    assert candidates.table["must"].tolist() == [False, True, False, False]
    assert found(cost="high").table["cost"].tolist() == [90.0, 96.0, 97.0]


def test_property_and_cluster():
    starts = shared_starts(SITES)
    assert starts["property"].tolist() == ["property P", "property Q", "site c", "site d"]
    assert starts["cluster"].tolist() == ["a", "a", "c", "c"]
    alone = shared_starts(SITES.iloc[[1, 2]])  # only sites in the table join
    assert alone["cluster"].tolist() == ["b", "c"]
    assert len(shared_starts(SITES.iloc[:0])) == 0


def test_a_property_that_is_called_like_a_site_is_not_that_site():
    table = SITES.assign(property_id=["site c", "Q", None, None], joint_sites=None)
    assert shared_starts(table)["cluster"].nunique() == 4


def test_a_must_have_that_is_never_to_be_chosen_is_refused():
    with pytest.raises(SettingsError) as raised:
        found(must=("a", "c"), never=("c",))
    assert str(raised.value) == (
        "[shortlist] must and never both hold c.\n  Wanted: a site in one of the two.\n  Do: take it out of the other."
    )


def test_a_must_have_of_an_owner_who_declined_is_refused_without_naming_it():
    with pytest.raises(InputError) as raised:
        found(must=("a", "c"), closed=("P",))
    assert str(raised.value) == (
        "1 of the must-have sites lies on properties whose owners are to be left alone.\n"
        "  Wanted: must-haves where the owner has not declined.\n"
        "  Do: compare [shortlist] must with your table of contacts."
    )


def test_a_must_have_without_a_cost_is_refused():
    with pytest.raises(InputError) as raised:
        found(must=("b", "c"), costs=COSTS[COSTS["site_id"] != "c"])
    assert str(raised.value) == (
        "Must-have sites have no cost: c.\n"
        "  Wanted: a cost of each in the table of costs.\n"
        "  Do: add a line for it, or take it out of [shortlist] must."
    )


def test_arguments_are_not_edited():
    sites, costs = SITES.copy(), COSTS.copy()
    found()
    pd.testing.assert_frame_equal(sites, SITES)
    pd.testing.assert_frame_equal(costs, COSTS)
    assert not isinstance(SITES, gpd.GeoDataFrame)
