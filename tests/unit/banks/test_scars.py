"""Banks seen to erode: which stations a scar is on, and what it does to score, rank and words."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.factors import layer_with_factors
from gisprio.compute.scoring.ranks import rank_banks
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import BANK_MEASURES, BANKS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, nearby, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Five reaches of 200 m; the left bank lies east, at x 3."""


def wood(x, y):
    return np.full(x.shape, 1)


def scars(*shapes):
    n = len(shapes)
    return frame(list(shapes), year=pd.array([2023] * n, dtype="Int64"), height_m=[np.nan] * n)


def judged(*shapes, power=5.0, cover=wood, **sections):
    """Weak straight stream: the modelled erosion score is low everywhere."""
    core = bank_chain(SOUTH, cover, halo={"eroding": scars(*shapes)} if shapes else {}, **sections)
    core["reach_measures"] = core["reach_measures"].assign(unit_stream_power_w_m2=power)
    made = settings(**sections)
    core["valleys"] = core["valleys"].assign(valley_width_m=60.0)
    core |= score_sides(core, {}, {}, made)
    check(layer_with_factors(BANK_MEASURES), core["bank_measures"])
    got = rank_banks(core | nearby(), {}, made)
    return core, check(layer_with_factors(BANKS), got["banks"]).set_index("bank_id")


def seen_at(*shapes):
    core = bank_chain(SOUTH, wood, halo={"eroding": scars(*shapes)})
    got = core["side_scars"].merge(core["stations"][["segment_no", "station_no", "at_m"]])
    return {side: got.loc[(got["seen"] == 1) & (got["side"] == side), "at_m"].tolist() for side in (0, 1)}


@pytest.mark.parametrize(
    "shape",
    [
        shapely.LineString([(4, 401), (4, 429)]),
        shapely.LineString([(12, 401), (12, 429)]),  # 9 m beyond the bank line
        shapely.LineString([(0.5, 401), (0.5, 429)]),  # in the channel, on the left of its middle
        shapely.box(2, 401, 6, 429),
    ],
)
def test_a_scar_belongs_to_the_bank_on_whose_side_it_lies(shape):
    assert seen_at(shape) == {0: [402.5, 407.5, 412.5, 417.5, 422.5, 427.5], 1: []}


def test_a_point_is_one_station_and_what_lies_far_off_is_no_bank_of_this_stream():
    assert seen_at(shapely.Point(-5, 403)) == {0: [], 1: [402.5]}
    assert seen_at(shapely.Point(-14, 403)) == {0: [], 1: []}


def test_without_scars_nothing_is_known_and_nothing_changes():
    core, banks = judged()
    assert core["side_scars"]["seen"].isna().all()
    assert banks["observed_erosion"].isna().all()
    assert not banks["why"].str.startswith("Erodes").any()


def test_where_a_scar_lies_the_erosion_score_is_at_least_80_whatever_is_modelled():
    plain = judged()[1]
    banks = judged(shapely.LineString([(4, 401), (4, 499)]))[1]
    assert plain["erosion_score"].max() < 40
    assert banks.loc["S0-03-L", "erosion_score"] == 80.0
    assert banks.loc["S0-03-L", "erosion_worst_score"] == 80.0
    assert banks.loc["S0-03-L", "observed_erosion"] == 1.0
    assert banks.loc["S0-03-L", "erosion_above_share"] == pytest.approx(0.5)
    assert banks.loc["S0-03-L", "erosion_rank"] == 1
    rest = banks.index != "S0-03-L"
    pd.testing.assert_series_equal(banks.loc[rest, "erosion_score"], plain.loc[rest, "erosion_score"])


def test_a_short_scar_counts_by_its_share_of_the_worst_stretch():
    banks = judged(shapely.LineString([(4, 401), (4, 429)]))[1]
    assert banks.loc["S0-03-L", "observed_erosion"] == pytest.approx(0.6)
    assert banks.loc["S0-03-L", "erosion_score"] == pytest.approx(48.0)


def test_a_modelled_score_above_it_stays():
    plain = judged(power=1000.0, priority={"erosion": {"unit_stream_power": 100}})[1]
    banks = judged(shapely.Point(4, 450), power=1000.0, priority={"erosion": {"unit_stream_power": 100}})[1]
    assert plain.loc["S0-03-L", "erosion_score"] > 80
    assert banks.loc["S0-03-L", "erosion_score"] == plain.loc["S0-03-L", "erosion_score"]


def test_words_say_erodes_only_where_it_was_seen():
    banks = judged(shapely.LineString([(4, 401), (4, 499)]))[1]
    assert banks.loc["S0-03-L", "why"] == (
        "Erodes, riparian cover mostly there: look first: seen to erode along 100 % on its worst stretch."
    )
    assert banks.loc["S0-03-R", "why"].startswith("Neither score is high")


def test_a_scar_away_from_the_worst_stretch_is_not_lost():
    """The bank's strip is bare on its upper 60 m, which is its worst stretch; the scar lies 66 m further down."""

    def bare_above(x, y):
        return np.where((y > 540) & (x > 0), 2, 1)

    banks = judged(shapely.LineString([(4, 446), (4, 474)]), cover=bare_above)[1]
    bank = banks.loc["S0-03-L"]
    assert (bank["worst_from_m"], bank["observed_erosion_score"]) == (140.0, 0.0)
    assert bank["observed_erosion"] == pytest.approx(0.6)
    assert bank["observed_erosion_worst_score"] == pytest.approx(48.0)
    assert bank["why"].startswith("Short of riparian cover, erodes in part")
    assert "; on another stretch seen to erode along 60 %" in bank["why"]
