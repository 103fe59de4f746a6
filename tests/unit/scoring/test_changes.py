"""What would change a rank: by hand, and against trying every score and every weight."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.land.changes import ranks_when_closed
from gisprio.compute.scoring.changes import Standing
from gisprio.compute.scoring.keys import group_score, priority_keys, ranks
from gisprio.contracts.settings import Priority

USED = (
    {"key": "unit_stream_power", "group": "erosion", "weight": 300},
    {"key": "outer_bend", "group": "erosion", "weight": 700},
    {"key": "missing_strip", "group": "gap", "weight": 1000},
)
FLOORS = ("observed_erosion", "retreat")


def whole_scores(banks: pd.DataFrame) -> dict[str, np.ndarray]:
    """Give the scores as the keys take them; what was not observed is 0."""
    names = [*(row["key"] for row in USED), *FLOORS]
    return {key: np.rint(banks[f"{key}_score"].fillna(0).to_numpy(float) * 10).astype(np.int64) for key in names}


def ranked_by_hand(whole: dict[str, np.ndarray], share: int, combine: str) -> np.ndarray:
    """Rank banks with the functions of keys alone."""
    e = group_score(whole, {"unit_stream_power": 300, "outer_bend": 700})
    e = np.maximum(e, 10 * np.maximum(whole["observed_erosion"], whole["retreat"]))
    return ranks(priority_keys(e, group_score(whole, {"missing_strip": 1000}), shares_of(share), combine))


def shares_of(erosion: int) -> dict[str, int]:
    return {"erosion": erosion, "gap": 100 - erosion}


def ranks_with(banks: pd.DataFrame, row: int, key: str, share: int, combine: str) -> np.ndarray:
    """Give the rank of a bank for each score 0..1000 of a factor, trying one after the other."""
    whole = whole_scores(banks)
    found = []
    for score in range(1001):
        tried = whole[key].copy()
        tried[row] = score
        found.append(ranked_by_hand(whole | {key: tried}, share, combine)[row])
    return np.array(found)


def banks_of(n: int, seed: int, share: int, combine: str) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    banks = pd.DataFrame({f"{row['key']}_score": rng.integers(0, 1001, n) / 10 for row in USED})
    banks["observed_erosion_score"] = np.where(rng.random(n) < 0.2, 70.0, np.nan)
    banks["retreat_score"] = np.nan
    banks["bank_id"] = [f"b{i:02d}" for i in range(n)]
    return banks.assign(rank=ranked_by_hand(whole_scores(banks), share, combine))


@pytest.mark.parametrize(("combine", "share", "seed"), [("geometric", 60, 1), ("weighted_sum", 25, 2)])
def test_it_agrees_with_trying_every_score(combine, share, seed):
    banks = banks_of(6, seed, share, combine)
    priority = Priority(combine=combine, weights=shares_of(share))
    answers = set()
    for row, key in itertools.product(range(len(banks)), ("outer_bend", "missing_strip", "observed_erosion")):
        own = banks[f"{key}_score"].iloc[row]
        if np.isnan(own):
            continue
        standing = Standing(banks, row, USED, priority)
        tried = ranks_with(banks, row, key, share, combine)
        assert standing.ranks_by(key) == (tried[1000], tried[0])
        for first in (1, 3):
            inside = bool(banks["rank"].iloc[row] <= first)
            assert standing.is_in(first) == inside
            moves = np.flatnonzero((tried <= first) != inside)
            nearest = moves[np.argmin(np.abs(moves - own * 10))] / 10 if len(moves) else None
            assert standing.score_that_moves(key, first) == nearest
            answers.add((key, nearest is None))
    assert {(key, none) for key in ("outer_bend", "missing_strip") for none in (True, False)} <= answers
    assert any(key == "observed_erosion" for key, _ in answers)


@pytest.mark.parametrize(("combine", "share", "seed"), [("geometric", 60, 1), ("weighted_sum", 25, 2)])
def test_it_agrees_with_trying_every_weight(combine, share, seed):
    banks = banks_of(12, seed, share, combine)
    tried = np.array([ranked_by_hand(whole_scores(banks), percent, combine) for percent in range(101)])
    answers = set()
    for row, first in itertools.product(range(len(banks)), (1, 4)):
        standing = Standing(banks, row, USED, Priority(combine=combine, weights=shares_of(share)))
        moves = np.flatnonzero((tried[:, row] <= first) != (tried[share, row] <= first))
        got = standing.share_that_moves(first)
        answers.add(got is None)
        assert (got is None) == (len(moves) == 0)
        if len(moves):
            assert got in moves
            assert abs(got - share) == np.abs(moves - share).min()
    assert answers == {True, False}


def test_of_few_banks_all_are_among_the_first():
    banks = banks_of(3, 1, 50, "geometric")
    standing = Standing(banks, 0, USED, Priority())
    assert standing.is_in(3) is None
    assert standing.score_that_moves("outer_bend", 3) is None
    assert standing.share_that_moves(3) is None
    assert standing.is_in(2) is not None


def test_without_a_factor_of_one_group_no_weight_changes_anything():
    banks = banks_of(6, 1, 50, "geometric")
    standing = Standing(banks, 0, USED[:2], Priority())
    assert standing.share() == 100
    assert standing.share_that_moves(1) is None


def test_scores_that_do_not_give_the_ranks_are_noticed():
    banks = banks_of(6, 1, 50, "geometric")
    assert Standing(banks, 0, USED, Priority()).agrees()
    assert not Standing(banks.assign(rank=banks["rank"].to_numpy()[::-1]), 0, USED, Priority()).agrees()


def properties(**columns):
    return pd.DataFrame(
        {
            "property_id": ["a", "b", "c", "d"],
            "priority": [50.0, 40.0, 30.0, None],
            "priority_gap_m": [5000.0, 4000.0, 3000.0, None],
            "rank": pd.array([1, 2, 3, None], dtype="Int64"),
            **columns,
        }
    )


def fronts(name, *gaps):
    return pd.DataFrame({"property_id": name, "gap_length_m": gaps})


def test_a_property_with_its_gap_on_one_bank_closed():
    # a: 50 x 100 m; without 30 m 3500, without 70 m 1500, without 20 m 4000 as b has, which shares rank 1 with it
    assert ranks_when_closed(properties(), fronts("a", 30.0, 0.0, 70.0)).to_dict() == {0: 2, 2: 3}
    assert ranks_when_closed(properties(), fronts("a", 20.0, 80.0)).to_dict() == {0: 1, 1: 3}
    assert ranks_when_closed(properties(), fronts("c", 100.0)).to_dict() == {0: 3}


def test_a_property_without_a_rank_or_whose_frontages_are_of_another_run():
    assert ranks_when_closed(properties(), fronts("d", 100.0)) is None
    assert ranks_when_closed(properties(), fronts("a", 99.0)) is None
    assert ranks_when_closed(properties(), fronts("a")) is None
    assert ranks_when_closed(properties(), fronts("a", None)) is None
