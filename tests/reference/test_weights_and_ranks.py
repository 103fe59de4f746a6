"""Pairwise weights and rank acceptability against worked examples: Saaty 1980; Lahdelma and Salminen 2001."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from gisprio.compute.scoring.draws import Weighing, count_draws
from gisprio.compute.scoring.errors import ErrorModel
from gisprio.compute.scoring.weights import judge_pairs, uniform_weights, with_judged_weights
from gisprio.contracts.errors import SettingsError
from tables import settings

pytestmark = pytest.mark.reference


def _judged(table):
    names = "abcde"[: len(table)]
    return judge_pairs(
        [(names[i], names[j], float(table[i][j])) for i, j in itertools.combinations(range(len(table)), 2)]
    )


AHP = [
    ([[1, 3, 5], [1 / 3, 1, 3], [1 / 5, 1 / 3, 1]], [0.636986, 0.258285, 0.104729], 3.038511, 0.033199),
    ([[1, 2, 4], [1 / 2, 1, 2], [1 / 4, 1 / 2, 1]], [0.571429, 0.285714, 0.142857], 3.0, 0.0),
    ([[1, 2, 5], [1 / 2, 1, 3], [1 / 5, 1 / 3, 1]], [0.581552, 0.308996, 0.109452], 3.003695, 0.003185),
    (
        [[1, 2, 3, 4], [1 / 2, 1, 2, 3], [1 / 3, 1 / 2, 1, 2], [1 / 4, 1 / 3, 1 / 2, 1]],
        [0.467296, 0.277181, 0.160088, 0.095435],  # the geometric mean of rows would give 0.466849 first
        4.030983,
        0.011475,
    ),
    (
        [[1, 1 / 2, 4, 3, 3], [2, 1, 7, 5, 5], [1 / 4, 1 / 7, 1, 1 / 2, 1 / 3], [1 / 3, 1 / 5, 2, 1, 1],
         [1 / 3, 1 / 5, 3, 1, 1]],
        [0.263603, 0.475835, 0.053815, 0.098068, 0.108678],
        5.072084,
        0.01609,
    ),
]  # fmt: skip


@pytest.mark.parametrize(("table", "weights", "largest", "ratio"), AHP)
def test_weights_are_the_principal_eigenvector(table, weights, largest, ratio):
    got = _judged(table)
    assert list(got.weights.values()) == pytest.approx(weights, abs=2e-6)
    assert got.largest == pytest.approx(largest, abs=1e-6)
    assert got.ratio == pytest.approx(ratio, abs=1e-5)


def test_consistent_judgements_have_ratio_0():
    assert _judged(AHP[1][0]).ratio == pytest.approx(0.0, abs=1e-9)
    assert _judged([[1, 7], [1 / 7, 1]]).ratio == 0.0


def test_judgements_in_a_circle_are_rejected():
    circle = _judged([[1, 9, 1 / 9], [1 / 9, 1, 9], [9, 1 / 9, 1]])
    assert list(circle.weights.values()) == pytest.approx([1 / 3] * 3, abs=1e-6)
    assert (circle.largest, circle.ratio) == (pytest.approx(10.1111, abs=1e-4), pytest.approx(6.130, abs=1e-3))
    pairs = [("a", "b", 9.0), ("b", "c", 9.0), ("c", "a", 9.0)]
    with pytest.raises(SettingsError, match=r"consistency ratio 6\.130"):
        with_judged_weights(settings(priority={"pairwise": {"erosion": pairs}}))


# ---------------------------------------------------------------- rank acceptability under uniform weights


def _still(scores):
    """Give a model of factors (F, n) without any error."""
    factors, n = scores.shape
    return ErrorModel(
        keys=tuple(f"f{k}" for k in range(factors)),
        score=scores,
        value=np.full((factors, n), np.nan),
        level=np.zeros((factors, n)),
        scale=np.ones((factors, n)),
        unknown=np.zeros((factors, n), bool),
        unknown_key=np.zeros((factors, n), np.uint64),
        nodes=np.zeros((factors, 2, 1)),
        logarithmic=np.zeros(factors, bool),
        cause=(),
        factor=np.zeros(0, np.int64),
        of=np.zeros(0, np.int64),
        sd=np.zeros((0, n)),
        key=np.zeros((0, n), np.uint64),
    )


def _shares(alternatives, draws=20_000, seed=5):
    """Give b (alternatives, ranks) and the weights drawn; rows of criteria 0..1."""
    scores = np.round(1000 * np.array(alternatives, float).T).astype(np.int64)
    weights = uniform_weights(len(scores), draws, np.random.default_rng(seed), 1000)
    weighing = Weighing(
        erosion=np.arange(len(scores)),
        gap=np.zeros(0, np.int64),
        erosion_weights=weights,
        gap_weights=np.zeros((draws, 0), np.int64),
        shares=np.tile([100, 0], (draws, 1)),
        geometric=False,
    )
    n = scores.shape[1]
    counts = count_draws(_still(scores), weighing, {"banks": (lambda keys: keys, n)}, seed=1, top_n=1)["banks"]
    return counts, weights, weighing


def test_two_alternatives():
    b = _shares([(1, 0.2), (0.4, 0.9)])[0].counts / 20_000
    assert b[:, 0] == pytest.approx([6 / 13, 7 / 13], abs=0.015)


def test_three_alternatives():
    b = _shares([(1, 0), (0.6, 0.6), (0, 1)])[0].counts / 20_000
    assert b == pytest.approx(np.array([[0.4, 0.1, 0.5], [0.2, 0.8, 0.0], [0.4, 0.1, 0.5]]), abs=0.015)


def test_central_weights_of_identity():
    counts, weights, weighing = _shares(np.eye(3))
    scores = 1000 * np.eye(3, dtype=np.int64)
    first = np.array([np.argmax(weighing.keys(scores, draw)) for draw in range(len(weights))])
    for alternative in range(3):
        central = weights[first == alternative].mean(axis=0) / 1000
        expected = np.where(np.arange(3) == alternative, 11 / 18, 7 / 36)
        assert central == pytest.approx(expected, abs=0.01)
    assert counts.top_share() == pytest.approx([1 / 3] * 3, abs=0.015)


def test_rows_and_columns_sum_to_1():
    """Scores of which no two tie under any whole percent, since ties share a rank."""
    scores = np.array([[997, 613, 307, 101, 809], [89, 401, 757, 991, 211]])
    draws = 5_000
    one = np.full((draws, 1), 1000)
    shares = uniform_weights(2, draws, np.random.default_rng(6), 100)
    weighing = Weighing(np.array([0]), np.array([1]), one, one, shares, geometric=False)
    assert all(len(set(weighing.keys(scores, draw).tolist())) == 5 for draw in range(draws))
    got = count_draws(_still(scores), weighing, {"banks": (lambda keys: keys, 5)}, seed=1, top_n=1)["banks"]
    b = got.counts / draws
    assert b.sum(axis=1) == pytest.approx(np.ones(5), abs=1e-12)
    assert b.sum(axis=0) == pytest.approx(np.ones(5), abs=1e-12)
