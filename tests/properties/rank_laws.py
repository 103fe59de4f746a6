"""Laws of scores and ranks: any scores, any weights."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import strategies as st

from gisprio.compute import factors
from gisprio.compute.scoring import keys, values
from gisprio.contracts.cards import Factor
from properties.law import Law

NAMES = ("a", "b", "c", "d")
SEED, WEIGHTS = st.integers(0, 2**32 - 1), st.lists(st.integers(1, 60), min_size=4, max_size=4)


def scores_of(seed: int, count: int = 30) -> dict[str, np.ndarray]:
    """Whole factor scores of some banks, 0 to 1000."""
    rng = np.random.default_rng(seed)
    return {name: rng.integers(0, 1001, count) for name in NAMES}


def ranked(scores: dict[str, np.ndarray], weights: dict[str, float]) -> np.ndarray:
    """Rank banks by two groups of factors, as the stage of the ranks does."""
    groups = [{name: weights[name] for name in some} for some in (NAMES[:2], NAMES[2:])]
    erosion, gap = (
        keys.group_score({name: scores[name] for name in own}, keys.whole_weights(own, 1000)) for own in groups
    )
    share = {"erosion": 50, "gap": 50}
    return keys.ranks(keys.priority_keys(erosion, gap, share, "geometric"))


def a_rank_is_one_and_the_number_of_higher_keys(drawn: list[int]) -> None:
    key = np.array(drawn, np.int64)
    got = keys.ranks(key)
    assert got.tolist() == [1 + int((key > own).sum()) for own in key]


def plant_ties_broken_by_row(patch) -> None:
    def by_row(key):
        order = np.argsort(-key, kind="stable")
        got = np.empty(len(key), np.int64)
        got[order] = np.arange(1, len(key) + 1)
        return got

    patch.setattr(keys, "ranks", by_row)


def weights_count_by_their_ratio(given) -> None:
    seed, drawn, factor = given
    weights = dict(zip(NAMES, map(float, drawn), strict=True))
    scores = scores_of(seed)
    scaled = {name: weight * factor for name, weight in weights.items()}
    assert (ranked(scores, scaled) == ranked(scores, weights)).all()


def plant_weights_taken_as_they_are(patch) -> None:
    def as_they_are(weights, total):
        return {key: min(round(weight), total // 2) for key, weight in weights.items()}

    patch.setattr(keys, "whole_weights", as_they_are)


def what_has_no_weight_moves_no_rank(given) -> None:
    seed, drawn = given
    weights = dict(zip(NAMES, map(float, drawn), strict=True)) | {"b": 0.0}
    one = scores_of(seed)
    other = one | {"b": np.random.default_rng(seed + 1).integers(0, 1001, len(one["b"]))}
    assert (ranked(one, weights) == ranked(other, weights)).all()


def plant_no_weight_is_a_default_weight(patch) -> None:
    true = keys.whole_weights
    patch.setattr(keys, "whole_weights", lambda weights, total: true({k: w or 10.0 for k, w in weights.items()}, total))


def a_worse_score_never_ranks_a_bank_lower(given) -> None:
    seed, drawn = given
    weights = dict(zip(NAMES, map(float, drawn), strict=True))
    one = scores_of(seed)
    worse = {name: score.copy() for name, score in one.items()}
    worse[NAMES[seed % 4]][0] = 1000
    assert ranked(worse, weights)[0] <= ranked(one, weights)[0]


def plant_a_score_too_large_for_its_type(patch) -> None:
    true = keys.group_score
    patch.setattr(keys, "group_score", lambda scores, weights: true({k: s % 1000 for k, s in scores.items()}, weights))


def columns_of(seed: int, count: int = 24) -> pd.DataFrame:
    """Station sides with values that factors read, some of them missing."""
    rng = np.random.default_rng(seed)
    sides = pd.DataFrame(
        {
            "segment_no": 0,
            "station_no": np.tile(np.arange(count // 2), 2),
            "side": np.repeat([0, 1], count // 2),
            "at_m": np.tile(np.arange(count // 2) * 5.0, 2),
            "curvature_1_m": 1e-9,
            "bankfull_width_m": 6.0,
            "coarse": False,
            "coarse_use": False,
        }
    )
    for name in MEASURED:
        sides[name] = np.where(rng.random(count) < 0.4, np.nan, rng.uniform(0.01, 1.0, count))
    return sides


MEASURED = {
    "unit_stream_power_w_m2": "unit_stream_power",
    "bank_angle_deg": "bank_angle",
    "near_bank_cover": "near_bank_cover",
    "missing_strip": "missing_strip",
    "adjacent_use_weight": "adjacent_use",
    "delivery": "delivery",
}
"""Columns and the factor that hands them on."""


def missing_in_is_missing_out(seed: int) -> None:
    """A value that is not there has no value, basis missing, and no score; and the others have all three."""
    sides = columns_of(seed)
    registry = {one.card.key: one for one in factors.FACTORS}
    for column, key in MEASURED.items():
        card: Factor = registry[key].card
        got = registry[key].measure(sides)
        gone = sides[column].isna().to_numpy()
        assert (got["value"].isna().to_numpy() == gone).all(), key
        assert ((got["basis"] == "missing").to_numpy() == gone).all(), key
        score = values.value_score(got["value"].to_numpy(float), card.nodes, logarithmic=card.logarithmic)
        assert (np.isnan(score) == gone).all(), key


def plant_missing_is_zero(patch) -> None:
    def zeroed(registered):
        def measure(sides):
            got = registered.measure(sides)
            return got.assign(value=got["value"].fillna(0.0), basis="measured")

        return factors.Registered(registered.card, measure)

    patch.setattr(factors, "FACTORS", tuple(map(zeroed, factors.FACTORS)))


LAWS = (
    Law(
        "ranks",
        "A rank is 1 and the number of strictly higher keys.",
        st.lists(st.integers(0, 9), min_size=1, max_size=40),
        a_rank_is_one_and_the_number_of_higher_keys,
        "equal keys ranked by row",
        plant_ties_broken_by_row,
    ),
    Law(
        "scaled weights",
        "Weights times a common factor change no rank.",
        st.tuples(SEED, WEIGHTS, st.sampled_from([0.01, 0.5, 3.0, 70.0])),
        weights_count_by_their_ratio,
        "weights taken as they are",
        plant_weights_taken_as_they_are,
    ),
    Law(
        "no weight",
        "A factor of weight 0 moves no rank.",
        st.tuples(SEED, WEIGHTS),
        what_has_no_weight_moves_no_rank,
        "a factor without weight takes a default one",
        plant_no_weight_is_a_default_weight,
    ),
    Law(
        "worse is not lower",
        "A worse score never ranks a bank lower.",
        st.tuples(SEED, WEIGHTS),
        a_worse_score_never_ranks_a_bank_lower,
        "the highest score turns over to 0",
        plant_a_score_too_large_for_its_type,
    ),
    Law(
        "missing values",
        "What is missing has no value and no score.",
        SEED,
        missing_in_is_missing_out,
        "a missing value read as 0",
        plant_missing_is_zero,
    ),
)
