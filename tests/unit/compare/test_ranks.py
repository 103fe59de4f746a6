"""Ranks that moved, and why, on a few banks."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.compare.ranks import bank_whys, moved_ranks, property_whys, score_whys

CARD = {"used": True, "neutral": 0.5}
FACTORS = [
    {**CARD, "key": "missing_strip", "title": "Missing strip", "group": "gap", "weight": 1000},
    {**CARD, "key": "outer_bend", "title": "Outer bend", "group": "erosion", "weight": 500},
]


def banks(ids, strip, priority, rank, **more):
    columns = {
        "bank_id": ids, "missing_strip_score": strip, "outer_bend_score": 40.0, "priority": priority, "rank": rank,
        "rank_p05": rank, "rank_p95": rank, "name": "Tansy Brook", "gap_length_m": 10.0, "worst_from_m": 0.0,
        "worst_to_m": 50.0, **more,
    }  # fmt: skip
    return pd.DataFrame(columns).astype({"rank": "Int64"})


BEFORE = banks(["a", "b", "c", "d"], [90.0, 80.0, 70.0, 60.0], [90.0, 80.0, 70.0, 60.0], [1, 2, 3, 4])
AFTER = banks(["A", "B", "C", "D"], [10.0, 80.0, 70.0, 60.0], [10.0, 80.0, 70.0, 60.0], [4, 1, 2, 3])
PAIRS = pd.DataFrame({"before": ["a", "b", "c", "d"], "after": ["A", "B", "C", "D"]})


def moved(before=BEFORE, after=AFTER, pairs=PAIRS, **options):
    whys = bank_whys(before, after, pairs, (FACTORS, FACTORS))
    table = moved_ranks(before, after, pairs, "bank_id", whys, **{"other_rules": False, **options})
    return table.set_index("before")


def test_the_one_that_sank_did_so_by_its_own_score_the_others_by_it():
    table = moved()
    assert table["moved"].to_dict() == {"a": -3, "b": 1, "c": 1, "d": 1}
    assert table["reason"].to_dict() == {"a": "scores", "b": "others", "c": "others", "d": "others"}
    assert table["why"].to_dict() == {
        "a": "Missing strip: 90.0 to 10.0 points of the gap score", "b": "", "c": "", "d": "",
    }  # fmt: skip
    assert table.index.tolist() == ["b", "c", "d", "a"]


def test_a_small_step_of_its_own_does_not_make_a_rank_that_others_moved():
    after = banks(["A", "B", "C", "D"], [10.0, 9.0, 8.0, 61.0], [10.0, 9.0, 8.0, 60.5], [2, 3, 4, 1])
    table = moved(after=after)
    assert table.loc["d", ["moved", "reason", "why"]].tolist() == [
        3, "others", "Missing strip: 60.0 to 61.0 points of the gap score",
    ]  # fmt: skip
    assert table.loc["a", "reason"] == "scores"


def test_points_are_weighed_and_another_stretch_is_told():
    after = AFTER.assign(missing_strip_score=[90.0, 80.0, 70.0, 60.0], outer_bend_score=[80.0, 40.0, 40.0, 40.0],
                         worst_from_m=[100.0, 0.0, 0.0, 0.0], worst_to_m=[150.0, 50.0, 50.0, 50.0])  # fmt: skip
    assert moved(after=after)["why"]["a"] == (
        "Outer bend: 20.0 to 40.0 points of the erosion score, read on another stretch of the bank"
    )


def test_what_has_no_partner_or_no_rank_is_told_so():
    after = AFTER.assign(rank=pd.array([None, 1, 2, 3], dtype="Int64"))
    table = moved(before=BEFORE.assign(rank=pd.array([1, 2, 3, None], dtype="Int64")), after=after, pairs=PAIRS[:4])
    assert table["reason"].to_dict() == {"a": "went", "b": "others", "c": "others", "d": "came"}
    assert len(moved(pairs=PAIRS.iloc[:2])) == 2


def test_within_is_by_both_intervals_and_null_without_one():
    wide = {"rank_p05": 1.0, "rank_p95": 4.0}
    both = moved(before=BEFORE.assign(**wide), after=AFTER.assign(**wide))
    assert both["within"].tolist() == [True] * 4
    assert moved(before=BEFORE.assign(**wide))["within"].tolist() == [False] * 4
    none = moved(before=BEFORE.drop(columns=["rank_p05", "rank_p95"]))
    assert none["within"].isna().all()


def test_other_rules_are_the_reason_of_every_move():
    assert set(moved(other_rules=True)["reason"]) == {"rules"}
    same = moved(after=BEFORE.assign(bank_id=["A", "B", "C", "D"]), other_rules=True)
    assert set(same["reason"]) == {"same"}


def test_a_missing_value_counts_as_its_neutral_and_an_unused_factor_as_nothing():
    after = AFTER.assign(missing_strip_score=[None, 80.0, 70.0, 60.0])
    assert moved(after=after)["why"]["a"] == "Missing strip: 90.0 to 50.0 points of the gap score"
    unused = [{**FACTORS[0], "used": False}, FACTORS[1]]
    whys = bank_whys(BEFORE, BEFORE.assign(bank_id=["A", "B", "C", "D"]), PAIRS, (FACTORS, unused))
    assert whys["b"] == "Missing strip: 80.0 to 0.0 points of the gap score"


def test_sites_tell_their_score_and_properties_what_moved_the_product_more():
    sites = [pd.DataFrame({"site_id": ["s"], "erosion_score": [20.0], "gap_score": [gap]}) for gap in (70.0, 30.0)]
    pair = pd.DataFrame({"before": ["s"], "after": ["s"]})
    assert score_whys(*sites, pair, "site_id")["s"] == "Gap score: 70.0 to 30.0"
    old = pd.DataFrame(
        {"property_id": ["p", "q", "r"], "gap_length_m": [100.0, 100.0, 0.0], "priority": [40.0, 40.0, 40.0]}
    )
    new = pd.DataFrame(
        {"property_id": ["p", "q", "r"], "gap_length_m": [50.0, 99.0, 0.0], "priority": [39.0, 20.0, 40.0]}
    )
    pairs = pd.DataFrame({"before": ["p", "q", "r"], "after": ["p", "q", "r"]})
    assert property_whys(old, new, pairs).to_dict() == {
        "p": "Gap: 100 to 50 m", "q": "Mean priority of its banks: 40.00 to 20.00", "r": "",
    }  # fmt: skip
