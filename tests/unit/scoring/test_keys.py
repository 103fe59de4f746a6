"""Exact keys: whole numbers, ranks by strict order, and the geometric mean without a float."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gisprio.compute.scoring.keys import (
    FLOOR,
    group_score,
    log_table,
    priority_keys,
    priority_of,
    ranks,
    whole_weights,
)


def test_group_score_rounds_half_up_by_integer_division():
    scores = {"a": np.array([1000, 0, 1, 333]), "b": np.array([1000, 0, 0, 333])}
    # 50 x 1 / 100 is a half of a ten-thousandth: up to 1
    assert group_score(scores, {"a": 500, "b": 500}).tolist() == [10_000, 0, 5, 3330]
    assert group_score({"a": np.array([1])}, {"a": 50}).tolist() == [1]


@given(st.dictionaries(st.sampled_from("abcdef"), st.floats(0, 1e6), min_size=1), st.sampled_from([100, 1000]))
def test_whole_weights_sum_to_the_total_and_keep_order(weights, total):
    got = whole_weights(weights, total)
    if sum(weights.values()) > 0:
        assert sum(got.values()) == total
        for a in weights:
            for b in weights:
                if weights[a] > weights[b]:
                    assert got[a] >= got[b]
    else:
        assert set(got.values()) == {0}


def test_log_table_adds_where_numbers_multiply():
    table = log_table()
    assert table[1] == 0
    assert table[2] == round(2**36 * np.log(2))
    assert table[6] == table[2] + table[3]
    assert table[10_000] == 4 * table[2] + 4 * table[5]
    assert table.max() == pytest.approx(2**36 * np.log(table.argmax()), abs=20)


pairs = st.tuples(st.integers(0, 10_000), st.integers(0, 10_000))


@given(pairs, pairs, st.integers(0, 100))
def test_geometric_keys_order_as_exact_powers_do(first, second, a):
    """a percent of erosion: compare E^a G^(100-a) as whole numbers."""
    erosion, gap = np.array([first[0], second[0]]), np.array([first[1], second[1]])
    keys = priority_keys(erosion, gap, {"erosion": a, "gap": 100 - a}, "geometric")
    e, g = np.maximum(erosion, FLOOR), np.maximum(gap, FLOOR)
    exact = [int(e[i]) ** a * int(g[i]) ** (100 - a) for i in (0, 1)]
    assert (keys[0] > keys[1]) == (exact[0] > exact[1])
    assert (keys[0] == keys[1]) == (exact[0] == exact[1])
    assert keys.max() < 2**46


@given(pairs, st.integers(0, 100))
def test_weighted_sum_is_exact(pair, a):
    key = priority_keys(np.array([pair[0]]), np.array([pair[1]]), {"erosion": a, "gap": 100 - a}, "weighted_sum")
    assert key[0] == a * pair[0] + (100 - a) * pair[1]
    exact = Fraction(int(key[0]), 10_000)
    assert abs(Fraction(priority_of(key, "weighted_sum")[0]) - exact) <= Fraction(51, 10_000)


def test_priority_of_equal_scores_is_that_score():
    keys = priority_keys(np.array([6400]), np.array([6400]), {"erosion": 50, "gap": 50}, "geometric")
    assert priority_of(keys, "geometric")[0] == 64.0
    keys = priority_keys(np.array([2500]), np.array([10_000]), {"erosion": 50, "gap": 50}, "geometric")
    assert priority_of(keys, "geometric")[0] == 50.0
    keys = priority_keys(np.array([0]), np.array([0]), {"erosion": 50, "gap": 50}, "geometric")
    assert priority_of(keys, "geometric")[0] == 10.0  # the floor


@given(st.lists(st.integers(0, 20), min_size=1, max_size=40))
def test_rank_is_one_plus_the_number_of_strictly_higher_keys(keys):
    got = ranks(np.array(keys))
    assert got.tolist() == [1 + sum(other > key for other in keys) for key in keys]
