"""Kernels of the draws: chance by counting, factor scores with errors, keys, ranks, counts of ranks.

A random number is a hash of where it is used (a counter-based generator), not the next of a sequence: any thread may
make it, in any order, and gets the same.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.scoring.keys import FLOOR, LOG_SCALE

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Ranks = NDArray[np.int32]
Keys = NDArray[np.uint64]


@njit(cache=True, nogil=True, inline="always")
def mixed(x: np.uint64) -> np.uint64:
    """Mix the bits of a number until nothing of it shows (the finishing step of SplitMix64)."""
    x = np.uint64(x) + np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


def draw_key(seed: int, draw: int) -> np.uint64:
    """Give the key of one draw of a run."""
    return np.uint64(_draw_key(seed % 2**63, draw))


@njit(cache=True, nogil=True)
def _draw_key(seed: int, draw: int) -> np.uint64:
    return mixed(mixed(np.uint64(seed)) + np.uint64(draw))


@njit(cache=True, nogil=True, inline="always")
def evenly(key: np.uint64, place: np.uint64) -> float:
    """Give a number evenly in 0..1, 1 excluded, for a draw and a place."""
    return float(mixed(np.uint64(key) ^ place) >> np.uint64(11)) * 2.0**-53


@njit(cache=True, nogil=True, inline="always")
def normally(key: np.uint64, place: np.uint64) -> float:
    """Give a standard normal number for a draw and a place (Box-Muller on the halves of one hash)."""
    bits = mixed(np.uint64(key) ^ place)
    first = (float(bits >> np.uint64(32)) + 0.5) * 2.0**-32
    second = float(bits & np.uint64(0xFFFFFFFF)) * 2.0**-32
    return math.sqrt(-2.0 * math.log(first)) * math.cos(2.0 * math.pi * second)


@njit(cache=True, nogil=True)
def score_at(value: float, at: Floats, score: Floats, logarithmic: bool) -> float:
    """Score a value 0..1 between nodes, clamped outside; as ``values.value_score`` does."""
    if value <= at[0]:
        return float(score[0])
    for k in range(1, len(at)):
        if value < at[k]:
            if logarithmic:
                share = math.log(value / at[k - 1]) / math.log(at[k] / at[k - 1])
            else:
                share = (value - at[k - 1]) / (at[k] - at[k - 1])
            return float(score[k - 1] + share * (score[k] - score[k - 1]))
    return float(score[-1])


@njit(cache=True, nogil=True)
def normal_deviates(key: np.uint64, places: Keys) -> Floats:
    """Give (n,) standard normal numbers of one draw; neighbours on either bank share the work."""
    out = np.empty(len(places))
    for i in range(len(places)):
        if i > 0 and places[i] == places[i - 1]:
            out[i] = out[i - 1]
        elif i > 1 and places[i] == places[i - 2]:
            out[i] = out[i - 2]
        else:
            out[i] = normally(key, places[i])
    return out


@njit(cache=True, nogil=True)
def even_scores(key: np.uint64, places: Keys, unknown: NDArray[np.bool_], score: Whole) -> Whole:
    """Give whole scores, those that are unknown drawn evenly over 0 to 1000."""
    out = score.copy()
    for i in range(len(out)):
        if unknown[i]:
            out[i] = int(evenly(key, places[i]) * 1001.0)
    return out


@njit(cache=True, nogil=True)
def levels_of(value: Floats, nodes: Floats, logarithmic: bool) -> Floats:
    """Score values 0..1 by a value function (2, most); (n,)."""
    out = np.empty(len(value))
    for i in range(len(value)):
        out[i] = score_at(value[i], nodes[0], nodes[1], logarithmic)
    return out


@njit(cache=True, nogil=True)
def erred_scores(
    score: Whole, value: Floats, level: Floats, scale: Floats, nodes: Floats, logarithmic: bool, errors: Floats
) -> Whole:
    """Give whole scores of one factor with errors put on; see ``scoring/errors.py``.

    Parameters
    ----------
    score, value, level, scale
        (n,) of the factor; the level is the value scored 0..1.
    nodes
        (2, most) of its value function.
    logarithmic
        Whether that is linear in the logarithm.
    errors
        (3, n) sums of errors of the logarithm of the value, of the value, and of the score.
    """
    out = score.copy()
    for i in range(len(score)):
        moved = float(score[i])
        if errors[0, i] != 0.0 or errors[1, i] != 0.0:
            drawn = value[i] * math.exp(errors[0, i]) + errors[1, i]
            moved += 1000.0 * scale[i] * (score_at(drawn, nodes[0], nodes[1], logarithmic) - level[i])
        moved += 1000.0 * errors[2, i]
        out[i] = math.floor(min(max(moved, 0.0), 1000.0) + 0.5)
    return out


@njit(cache=True, nogil=True)
def weighed_score(scores: Whole, group: Whole, weights: Whole) -> Whole:
    """Give E or G, whole 0 to 10,000, of scores (F, n), as ``keys.group_score`` does.

    Parameters
    ----------
    scores
        (F, n) whole 0 to 1000.
    group
        Rows of the factors of the group.
    weights
        Per mille of each of them.
    """
    total = np.zeros(scores.shape[1], np.int64)
    for k in range(len(group)):
        for i in range(scores.shape[1]):
            total[i] += weights[k] * scores[group[k], i]
    return (total + 50) // 100


@njit(cache=True, nogil=True)
def whole_keys(erosion: Whole, gap: Whole, share: Whole, geometric: bool, table: Whole) -> Whole:
    """Give the keys of banks, as ``keys.priority_keys`` does."""
    out = np.empty(len(erosion), np.int64)
    for i in range(len(out)):
        if geometric:
            out[i] = share[0] * table[max(erosion[i], FLOOR)] + share[1] * table[max(gap[i], FLOOR)]
        else:
            out[i] = share[0] * erosion[i] + share[1] * gap[i]
    return out


def rank_keys(keys: Whole, out: Ranks) -> None:
    """Write ranks: 1 + number of strictly higher keys."""
    _rank_in(np.sort(keys), keys, out)


@njit(cache=True, nogil=True)
def _rank_in(order: Whole, keys: Whole, out: Ranks) -> None:
    n = len(keys)
    for i in range(n):
        low, many = 0, n
        while many > 0:  # how many are at most this key
            half = many // 2
            if order[low + half] <= keys[i]:
                low += half + 1
                many -= half + 1
            else:
                many = half
        out[i] = n - low + 1


@njit(cache=True, nogil=True)
def best_of_groups(keys: Whole, group: Whole, count: int) -> Whole:
    """Give the highest key of each group of banks, such as the two of a reach."""
    out = np.full(count, -1, np.int64)
    for i in range(len(keys)):
        out[group[i]] = max(out[group[i]], keys[i])
    return out


@njit(cache=True, nogil=True)
def whole_priorities(keys: Whole, geometric: bool) -> Whole:
    """Give the printed priority of keys in hundredths, as ``keys.priority_of`` does."""
    out = np.empty(len(keys), np.int64)
    for i in range(len(keys)):
        if geometric:
            out[i] = int(np.rint(math.exp(keys[i] / (100.0 * LOG_SCALE)) / 100.0 * 100.0))
        else:
            out[i] = (keys[i] + 50) // 100
    return out


@njit(cache=True, nogil=True)
def frontage_means(priority: Whole, row_of: Whole, bank_of: Whole, frontage: Whole, count: int) -> Whole:
    """Give the mean priority of each property's banks, weighed by frontage, in hundredths, rounded half up.

    Parameters
    ----------
    priority
        (n,) of banks, hundredths.
    row_of, bank_of, frontage
        (k,) property, bank and millimetres of each frontage.
    count
        Number of properties; each has some frontage.
    """
    total, length = np.zeros(count, np.int64), np.zeros(count, np.int64)
    for k in range(len(row_of)):
        total[row_of[k]] += priority[bank_of[k]] * frontage[k]
        length[row_of[k]] += frontage[k]
    return (2 * total + length) // (2 * length)


@njit(cache=True, nogil=True)
def gap_keys(mean: Whole, gap: Whole) -> Whole:
    """Give what ranks properties: mean priority in hundredths times millimetres of gap, in tenths, rounded half up."""
    return (mean * gap + 5000) // 10_000


@njit(cache=True, nogil=True)
def count_ranks(ranks: Ranks, bin_of: Ranks, counts: NDArray[np.unsignedinteger], low: int, high: int) -> None:
    """Add the ranks (draws, n) of items ``low`` to ``high`` to their counts (n, bins)."""
    for i in range(low, high):
        for d in range(ranks.shape[0]):
            counts[i, bin_of[ranks[d, i]]] += counts.dtype.type(1)
