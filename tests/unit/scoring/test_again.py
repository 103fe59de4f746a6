"""Ranks of a finished run again under other weights."""

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.factors import FACTORS
from gisprio.compute.land.ranks import rank_properties_again
from gisprio.compute.scoring.again import rank_again
from gisprio.compute.scoring.orders import rank_rows
from gisprio.compute.scoring.ranks import _fill_missing, factor_table
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import Priority
from unit.scoring.again_world import PRIORITY, by_group, make_world, weightings

COLUMNS = ["bank_id", "erosion_score", "gap_score", "erosion_worst_score", "gap_worst_score", "priority", "rank",
           "erosion_rank", "gap_rank", "need"]  # fmt: skip


@pytest.fixture(scope="module")
def world():
    return make_world()


def again(world, **given):
    return rank_again(world.banks, world.factors, PRIORITY, **given)


def test_with_its_own_weights_a_run_gets_its_own_ranks(world):
    pd.testing.assert_frame_equal(again(world)[COLUMNS], world.banks[COLUMNS])
    assert world.banks["rank"].isna().sum() == world.banks["not_ranked"].notna().sum() > 0
    assert world.banks["rank"].dropna().duplicated().any()
    used = set(world.factors.loc[world.factors["used"], "key"])
    assert "near_bank_cover" not in used
    assert {"bank_height_ratio", "bank_angle"} <= used
    weights = world.factors.set_index("key")["weight"]
    assert weights["bank_height_ratio"] + weights["bank_angle"] == round(1000 * 20 / 85)  # the larger of the two


def test_other_weights_rank_as_a_run_with_them_does_on_the_same_scores(world):
    ranked = world.banks["not_ranked"].isna().to_numpy()
    moved = 0
    for weighting in weightings(world.factors, 12):
        given = by_group(world.factors, weighting)
        priority = Priority(weights=given["weights"], **{key: given[key] for key in ("erosion", "gap", "combine")})
        banks = world.banks[[name for name in world.banks if name not in COLUMNS[1:]]].copy()
        factors = factor_table(banks[ranked], priority)
        _fill_missing(banks, ranked, factors, FACTORS)
        expected = rank_rows(banks, ranked, factors, priority)
        got = again(world, **given)
        pd.testing.assert_frame_equal(got[COLUMNS[1:]], expected[COLUMNS[1:]])
        moved += int((got["rank"] != world.banks["rank"]).sum())
    assert moved > 1000


def test_by_hand():
    banks = pd.DataFrame({"bank_id": ["a", "b", "c", "d"], "not_ranked": [None, None, None, "a ditch"]})
    scores = {"outer_bend": [40.0, 60.0, 0.0, np.nan], "missing_strip": [90.0, 50.0, 80.0, np.nan]}
    for card in (registered.card for registered in FACTORS):
        for column in (card.score_column, card.worst_column):
            banks[column] = scores.get(card.key, np.nan)
        banks[card.basis_column] = "measured" if card.key in scores else "missing"
    banks.loc[2, ["observed_erosion_score", "observed_erosion_worst_score"]] = 70.0  # seen, though it has no weight
    run = Priority(erosion={"outer_bend": 1}, gap={"missing_strip": 1}, combine="weighted_sum")
    factors = factor_table(banks[:3], run)
    got = rank_again(banks, factors, run, weights={"erosion": 75, "gap": 25})
    assert got["priority"].tolist()[:3] == [52.5, 57.5, 72.5]
    assert got["rank"].tolist() == [3, 2, 1, pd.NA]
    assert got["need"].tolist() == ["gap_only", "both", "both", None]
    only = rank_again(banks, factors, run, erosion={"outer_bend": 0}, combine="geometric")
    assert only["erosion_score"].isna().all()
    assert only["erosion_rank"].isna().all()
    assert only["priority"].tolist()[:3] == [90.0, 50.0, 80.0]
    assert only["rank"].tolist() == [1, 3, 2, pd.NA]
    assert only["need"].tolist() == ["gap_only"] * 3 + [None]


def test_nothing_given_is_edited(world):
    before = [frame.copy() for frame in world]
    again(world, weights={"erosion": 1}, erosion={"outer_bend": 3}, combine="weighted_sum")
    for frame, was in zip(world, before, strict=True):
        pd.testing.assert_frame_equal(frame, was)


def test_properties_follow_the_banks():
    frontages = pd.DataFrame(
        {
            "property_id": ["P2", "P1", "P1", "P3", "P4"],
            "bank_id": ["b", "a", "b", "c", "a"],
            "frontage_m": [50.0, 100.0, 300.0, 80.0, 10.0],
            "gap_length_m": [50.0, 100.0, 20.0, 80.0, np.nan],
        }
    )
    banks = pd.DataFrame({"bank_id": ["a", "b", "c"], "priority": [80.0, 40.0, np.nan]})
    got = rank_properties_again(frontages, banks).set_index("property_id")
    assert got.index.tolist() == ["P1", "P2", "P3", "P4"]
    assert got["priority"].tolist()[:2] == [50.0, 40.0]  # (80 x 100 + 40 x 300) / 400
    assert got["priority_gap_m"].tolist()[:2] == [6000.0, 2000.0]
    assert got["rank"].tolist() == [1, 2, pd.NA, pd.NA]
    assert got["priority"].isna().tolist() == [False, False, True, False]


def test_what_the_run_did_not_rank_on_cannot_have_a_weight(world):
    with pytest.raises(SettingsError) as caught:
        again(world, weights={"eroson": 3}, erosion={"subsoil_fines": 5, "near_bank_cover": 30, "retreat": 0})
    assert str(caught.value) == (
        "The run did not rank on what is given a weight: weights holds eroson; subsoil_fines in erosion.\n"
        "  Wanted: erosion: unit_stream_power, outer_bend, bank_height_ratio, bank_angle; gap: missing_strip, "
        "adjacent_use, delivery; in weights erosion and gap.\n"
        "  Do: leave it out, or give it its weight in the config and run again."
    )


def test_weights_are_numbers_of_0_or_more(world):
    with pytest.raises(SettingsError) as caught:
        again(
            world, weights={"gap": -1.0}, gap={"delivery": float("nan"), "adjacent_use": float("inf")}, combine="mean"
        )
    assert str(caught.value) == (
        "The banks cannot be ranked again: the weight of gap in weights is -1.0; the weight of delivery in gap is nan; "
        "the weight of adjacent_use in gap is inf; combine is 'mean'.\n"
        "  Wanted: weights that are numbers, 0 or more; combine one of geometric, weighted_sum.\n"
        "  Do: mend that; 0 leaves a factor out."
    )
