"""What changes the top of the list: which weight moved by how much, which input off by one standard deviation."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.scoring.draws import scores_with
from gisprio.compute.scoring.errors import ErrorModel
from gisprio.compute.scoring.keys import group_score, priority_keys, ranks, whole_weights
from gisprio.contracts.layers import SENSITIVITY
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority

Whole = NDArray[np.int64]
Weights = Mapping[str, int]
TOP = 10
_GROUPS = ("erosion", "gap")


@dataclass(frozen=True, slots=True)
class Ranking:
    """The ranking of a run, to be made again with one thing changed.

    Parameters
    ----------
    keys
        (F,) factors, in the order of the rows of scores.
    scores
        (F, n) whole factor scores.
    weights
        By group, per mille by factor.
    shares
        Percent of erosion and gap.
    combine
        As in the settings.
    bank_ids
        (n,) ids.
    least
        By group, the score each bank has at least, since it was observed.
    """

    keys: tuple[str, ...]
    scores: Whole
    weights: Mapping[str, Weights]
    shares: Weights
    combine: str
    bank_ids: NDArray[np.str_]
    least: Mapping[str, Whole]

    def ranks(
        self, scores: Whole | None = None, weights: Mapping[str, Weights] | None = None, shares: Weights | None = None
    ) -> Whole:
        """Rank with other scores, weights or shares where they are given; (n,)."""
        return ranks(self.bank_keys(scores, weights, shares))

    def bank_keys(
        self, scores: Whole | None = None, weights: Mapping[str, Weights] | None = None, shares: Weights | None = None
    ) -> Whole:
        """Give the key of each bank with other scores, weights or shares where they are given; (n,)."""
        of = self.scores if scores is None else scores
        by_key = dict(zip(self.keys, of, strict=True))
        nothing = np.zeros(of.shape[1], np.int64)
        by_group = {**self.weights, **(weights or {})}
        e, g = (
            np.maximum(group_score(by_key, by_group[name]), self.least[name]) if by_group[name] else nothing
            for name in _GROUPS
        )
        return priority_keys(e, g, shares or self.shares, self.combine)

    def change(self, after: Whole) -> dict[str, object]:
        """Tell how the ten of another ranking differ: how many, and the first bank out and in."""
        before = self.ranks()
        out = (before <= TOP) & (after > TOP)
        into = (before > TOP) & (after <= TOP)
        return {
            "changed_count": int(max(out.sum(), into.sum())),
            "first_out": self._first(out, before),
            "first_in": self._first(into, after),
        }

    def _first(self, among: NDArray[np.bool_], by: Whole) -> str | None:
        rows = np.flatnonzero(among)
        return str(self.bank_ids[min(rows, key=lambda i: (by[i], self.bank_ids[i]))]) if len(rows) else None


def sensitivity_table(
    model: ErrorModel,
    bank_ids: pd.Series,
    used: pd.DataFrame,
    shares: Weights,
    priority: Priority,
    least: Mapping[str, Whole],
) -> pd.DataFrame:
    """Say what changes the ten most urgent banks.

    Parameters
    ----------
    model
        Scores and errors of the ranked banks.
    bank_ids
        Their ids.
    used
        Rows of the table of factors that are ranked on.
    shares
        Percent of erosion and gap.
    priority
        Section of the settings.
    least
        By group, (n,) the score each bank has at least, since it was observed.

    Returns
    -------
    DataFrame
        Layer ``sensitivity``: for each weight, up and down, the smallest move that changes the ten, the other weights
        of its group keeping their proportions; for each cause of errors, the ten when it is one standard deviation
        off, up and down, at all banks alike.
    """
    weights = {
        group: {str(row.key): int(row.weight) for row in used[used["group"] == group].itertuples()} for group in _GROUPS
    }
    ranking = Ranking(model.keys, model.score, weights, shares, priority.combine, bank_ids.to_numpy(str), least)
    rows = [*_weight_rows(ranking), *_share_rows(ranking), *_input_rows(ranking, model)]
    return pd.DataFrame(rows, columns=SENSITIVITY.names()) if rows else empty(SENSITIVITY)


def moved_weights(weights: Weights, key: str, percent: int, total: int) -> dict[str, int]:
    """Move one weight by so many percent of the whole; the others keep their proportions.

    Examples
    --------
    >>> moved_weights({"a": 500, "b": 300, "c": 200}, "a", 10, 1000)
    {'a': 600, 'b': 240, 'c': 160}
    """
    goal = weights[key] + percent * total // 100
    rest = {name: float(weight) for name, weight in weights.items() if name != key}
    others = whole_weights(rest if sum(rest.values()) else dict.fromkeys(rest, 1.0), total - goal)
    return {name: goal if name == key else others[name] for name in weights}


def _weight_rows(ranking: Ranking) -> Iterator[dict[str, object]]:
    for group, weights in ranking.weights.items():
        if len(weights) < 2:
            continue
        for key in weights:
            yield from _moves(ranking, key, weights, 1000, partial(_with_weights, ranking, group))


def _with_weights(ranking: Ranking, group: str, moved: Weights) -> Whole:
    return ranking.ranks(weights={group: moved})


def _share_rows(ranking: Ranking) -> Iterator[dict[str, object]]:
    if all(ranking.shares.values()):
        yield from _moves(ranking, "erosion", ranking.shares, 100, lambda moved: ranking.ranks(shares=moved))


def _moves(
    ranking: Ranking, key: str, weights: Weights, total: int, again: Callable[[dict[str, int]], Whole]
) -> Iterator[dict[str, object]]:
    """Move a weight up, then down, by one percent more each time, until the ten change."""
    for direction, sign in (("up", 1), ("down", -1)):
        room = (total - weights[key] if sign > 0 else weights[key]) * 100 // total
        told: dict[str, object] = {"moved_by": None, "changed_count": 0, "first_out": None, "first_in": None}
        for percent in range(1, room + 1):
            change = ranking.change(again(moved_weights(weights, key, sign * percent, total)))
            if change["changed_count"]:
                told = {"moved_by": float(percent), **change}
                break
        yield {"kind": "weight", "moved": key, "direction": direction, "unit": "percent points", **told}


def _input_rows(ranking: Ranking, model: ErrorModel) -> Iterator[dict[str, object]]:
    """Put every error of one cause one standard deviation off; single errors are no one's input."""
    for cause in dict.fromkeys(model.cause):
        if cause == "single":
            continue
        for direction, z in (("up", 1.0), ("down", -1.0)):
            scores = scores_with(model, [z if other == cause else 0.0 for other in model.cause])
            yield {
                "kind": "input",
                "moved": cause,
                "direction": direction,
                "moved_by": 1.0,
                "unit": "standard deviations",
                **ranking.change(ranking.ranks(scores=scores)),
            }
