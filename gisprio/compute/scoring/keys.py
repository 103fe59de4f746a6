"""Exact keys: whole numbers that order banks the same in Python and in a web page.

Factor scores are whole 0 to 1000, weights whole per mille; erosion E and gap G whole 0 to 10,000. The geometric
mean is compared through whole logarithms: L[n] = sum over the prime factors p of n of round(2^36 ln p), so that
L[m n] = L[m] + L[n] exactly and a page needs no floating point to agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache, reduce
from operator import add

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.cards import Factor

Whole = NDArray[np.int64]
TOP = 10_000
FLOOR = 1_000
"""E and G are floored here in the geometric mean [own], so that a zero on one side does not hide the other."""
LOG_SCALE = 2.0**36


def whole_weights(weights: Mapping[str, float], total: int) -> dict[str, int]:
    """Scale weights to whole numbers that sum to ``total``, by largest remainder; ties to the first.

    >>> whole_weights({"a": 1, "b": 1, "c": 1}, 100)
    {'a': 34, 'b': 33, 'c': 33}
    """
    amount = _in_turn(weights.values())
    if amount <= 0:
        return dict.fromkeys(weights, 0)
    exact = {key: weight * total / amount for key, weight in weights.items()}
    got = {key: int(np.floor(value + 1e-12)) for key, value in exact.items()}
    by_rest = sorted(exact, key=lambda key: -(exact[key] - got[key]))
    for key in by_rest[: total - sum(got.values())]:
        got[key] += 1
    return got


def _in_turn(numbers: Iterable[float]) -> float:
    """Sum one after the other, as a page does; ``sum`` of Python 3.12 on carries the lost digits along."""
    return reduce(add, numbers, 0.0)


def shared_weights(given: Mapping[str, float], cards: Mapping[str, Factor]) -> dict[str, float]:
    """Let factors that measure the same thing share one weight: the largest given, split as they were given.

    Parameters
    ----------
    given
        Weights by factor.
    cards
        Cards by factor; ``shares`` names what they measure together.
    """
    return split_weights(given, {key: cards[key].shares for key in given})


def split_weights(given: Mapping[str, float], shares: Mapping[str, str]) -> dict[str, float]:
    """Do as :func:`shared_weights` by what each factor measures together with others; empty for none.

    >>> split_weights({"a": 50.0, "b": 30.0, "c": 10.0}, {"a": "", "b": "form", "c": "form"})
    {'a': 50.0, 'b': 22.5, 'c': 7.5}
    """
    parts: dict[str, list[str]] = {}
    for key in given:
        parts.setdefault(shares[key] or key, []).append(key)
    found: dict[str, float] = {}
    for keys in parts.values():
        largest, total = max(given[key] for key in keys), _in_turn(given[key] for key in keys)
        found |= {key: given[key] * largest / total if total > 0 else 0.0 for key in keys}
    return {key: found[key] for key in given}


def group_score(scores: Mapping[str, Whole], weights: Mapping[str, int]) -> Whole:
    """Give E or G, whole 0 to 10,000: the weighted sum of factor scores, rounded half up by integer division."""
    total = sum(weights[key] * scores[key].astype(np.int64) for key in weights)
    return np.asarray((total + 50) // 100, np.int64)


@cache
def log_table() -> Whole:
    """Give L[0..10,000]; L[0] = L[1] = 0. The table is read only."""
    table = np.zeros(TOP + 1, np.int64)
    least = np.zeros(TOP + 1, np.int64)
    for p in range(2, TOP + 1):
        if least[p] == 0:
            multiples = np.arange(p, TOP + 1, p)
            least[multiples[least[multiples] == 0]] = p
            table[p] = round(LOG_SCALE * float(np.log(p)))
        else:
            table[p] = table[least[p]] + table[p // least[p]]
    table.setflags(write=False)
    return table


def priority_keys(erosion: Whole, gap: Whole, share: Mapping[str, int], combine: str) -> Whole:
    """Put E and G together into one whole key; higher is more urgent.

    Parameters
    ----------
    erosion, gap
        (n,) whole 0 to 10,000.
    share
        Whole percent of ``erosion`` and ``gap``, summing to 100.
    combine
        ``geometric`` or ``weighted_sum``.
    """
    a, b = share["erosion"], share["gap"]
    if combine == "weighted_sum":
        return a * erosion.astype(np.int64) + b * gap.astype(np.int64)
    table = log_table()
    return a * table[np.maximum(erosion, FLOOR)] + b * table[np.maximum(gap, FLOOR)]


def priority_of(keys: Whole, combine: str) -> NDArray[np.float64]:
    """Give the printed priority, 0 to 100 with two decimals, of keys."""
    if combine == "weighted_sum":
        return np.floor(keys / 100 + 0.5) / 100
    return np.round(np.exp(keys / (100 * LOG_SCALE)) / 100, 2)


def ranks(keys: Whole) -> Whole:
    """Rank keys: 1 + number of strictly higher ones; equal keys share a rank.

    >>> ranks(np.array([5, 9, 5, 1])).tolist()
    [2, 1, 2, 4]
    """
    ordered = np.sort(keys)
    return np.asarray(1 + len(keys) - np.searchsorted(ordered, keys, side="right"), np.int64)
