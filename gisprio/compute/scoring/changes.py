"""What would change the rank of one bank: one score, or the weights of erosion and gap; exact, by the run's keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from gisprio.compute.scoring.keys import Whole, ranks
from gisprio.compute.scoring.observed import observed_least
from gisprio.compute.scoring.robustness import given_shares
from gisprio.compute.scoring.sensitivity import Ranking
from gisprio.compute.scoring.values import FULL
from gisprio.contracts.settings import Priority

_GROUPS = ("erosion", "gap")


@dataclass(frozen=True)
class Standing:
    """One bank among the ranked ones; the others keep their scores.

    Parameters
    ----------
    banks
        The ranked banks of layer ``banks``: scores of factors.
    row
        Place of the bank among them.
    used
        Rows of the table of factors that are ranked on: ``key``, ``group``, ``weight``.
    priority
        Section of the settings.
    """

    banks: pd.DataFrame
    row: int
    used: Sequence[Mapping[str, Any]]
    priority: Priority

    def agrees(self) -> bool:
        """Say whether the scores give the ranks of the table again: results of another version may not."""
        return bool((self._own.ranks() == self.banks["rank"].to_numpy(np.int64)).all())

    def is_in(self, first: int) -> bool | None:
        """Say whether the bank is among the first so many; None where every bank is."""
        threshold = self._threshold(first)
        return None if threshold is None else bool(self._keys[self.row] >= threshold)

    def score_that_moves(self, key: str, first: int) -> float | None:
        """Give the score (0..100) of a factor nearest to its own with which the bank enters or leaves the first.

        Parameters
        ----------
        key
            The factor: one that is ranked on, or one that floors its group.
        first
            Number of banks.

        Returns
        -------
        float or None
            None where no score does.
        """
        threshold, now = self._threshold(first), self.is_in(first)
        if threshold is None:
            return None
        inside = self._keys_by(key) >= threshold
        scores = np.flatnonzero(inside != now)
        if not len(scores):
            return None
        own = round(float(self.banks[f"{key}_score"].iloc[self.row]) * FULL / 100)
        return float(scores[np.argmin(np.abs(scores - own))]) * 100 / FULL

    def share_that_moves(self, first: int) -> int | None:
        """Give the percent of erosion nearest to its own with which the bank enters or leaves the first.

        The keys of all banks follow. None where no percent does, or one of the two groups has no factor.
        """
        ranking, inside = self._own, self.is_in(first)
        if not all(ranking.weights.values()) or inside is None:
            return None
        now = ranking.shares["erosion"]
        for percent in sorted(range(101), key=lambda share: (abs(share - now), -share)):
            rank = ranking.ranks(shares={"erosion": percent, "gap": 100 - percent})[self.row]
            if (rank <= first) != inside:
                return percent
        return None

    def share(self) -> int:
        """Give the percent of erosion in the priority."""
        return self._own.shares["erosion"]

    def ranks_by(self, key: str) -> tuple[int, int]:
        """Give the best and the worst rank that a score of a factor from 0 to 100 gives the bank."""
        others = np.delete(self._keys, self.row)
        ends = self._keys_by(key)[[-1, 0]]
        best, worst = (1 + int((others > end).sum()) for end in ends)
        return best, worst

    def _threshold(self, first: int) -> int | None:
        """Give the lowest key with which the bank is among the first; None where any key is."""
        others = np.sort(np.delete(self._keys, self.row))
        return int(others[-first]) if len(others) >= first else None

    @cached_property
    def _own(self) -> Ranking:
        return self._ranking(self.banks)

    @cached_property
    def _keys(self) -> Whole:
        return self._own.bank_keys()

    def _keys_by(self, key: str) -> Whole:
        """Give the key of the bank for each score 0..1000 of a factor; (1001,)."""
        row = self.banks.iloc[np.full(FULL + 1, self.row)]
        return self._ranking(row.assign(**{f"{key}_score": np.arange(FULL + 1) * 100 / FULL})).bank_keys()

    def _ranking(self, banks: pd.DataFrame) -> Ranking:
        scores = [np.rint(banks[f"{row['key']}_score"].to_numpy(float) * FULL / 100) for row in self.used]
        weights = {
            group: {str(row["key"]): int(row["weight"]) for row in self.used if row["group"] == group}
            for group in _GROUPS
        }
        return Ranking(
            keys=tuple(str(row["key"]) for row in self.used),
            scores=np.array(scores).astype(np.int64),
            weights=weights,
            shares=given_shares(pd.DataFrame(self.used), self.priority),
            combine=self.priority.combine,
            bank_ids=banks["bank_id"].to_numpy(str),
            least={group: observed_least(banks, group) for group in _GROUPS},
        )


def rank_among(others: Whole, key: int) -> int:
    """Give the rank that a key has among the keys of others.

    >>> rank_among(np.array([5, 9, 5]), 5)
    2
    """
    return int(ranks(np.append(others, key))[-1])
