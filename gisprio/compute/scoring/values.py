"""Value functions: from a value to a score of 0 to 1000; and the stretches of a bank, of which the worst counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.cards import Factor
from gisprio.contracts.settings import Priority

Floats = NDArray[np.float64]
FULL = 1000
"""Factor scores are whole, 0 to this, so that Python and a page rank alike."""


def nodes_of(factor: Factor, priority: Priority) -> tuple[tuple[float, float], ...]:
    """Give the nodes of a factor's value function: the config's, else the form it names, else the card's."""
    form = factor.forms.get(priority.forms.get(factor.key, ""), factor.nodes)
    return priority.nodes.get(factor.key, form)


def value_score(values: Floats, nodes: Sequence[tuple[float, float]], *, logarithmic: bool = False) -> Floats:
    """Score values between nodes, clamped outside; missing stays missing.

    Parameters
    ----------
    values
        Any shape; infinity allowed.
    nodes
        (value, score 0..1), values ascending.
    logarithmic
        Linear in the logarithm of the value.

    Returns
    -------
    ndarray
        Scores 0..1, shape of ``values``.
    """
    at = np.array([node[0] for node in nodes], float)
    score = np.array([node[1] for node in nodes], float)
    v = np.clip(np.asarray(values, float), at[0], at[-1])
    if logarithmic:
        v, at = np.log(v), np.log(at)
    return np.where(np.isnan(values), np.nan, np.interp(v, at, score))


def whole(scores: Floats) -> Floats:
    """Round scores 0..1 half up to whole thousandths; NaN stays."""
    return np.floor(np.asarray(scores, float) * FULL + 0.5)


@dataclass(frozen=True)
class Windows:
    """Stretches of one length that may be laid along a bank; a shorter bank is one stretch.

    Parameters
    ----------
    along
        (n + 1,) borders of neighbouring stations, from 0 [m].
    start, end
        (k,) ends of the stretches: each begins or ends at a border [m].

    Examples
    --------
    >>> lie = Windows.along_bank(np.full(4, 25.0), 50.0)
    >>> lie.means(np.array([0.0, 10.0, 30.0, 0.0])).tolist()
    [5.0, 20.0, 15.0]
    """

    along: Floats
    start: Floats
    end: Floats

    @classmethod
    def along_bank(cls, length: Floats, stretch_m: float, new_run: NDArray[np.bool_] | None = None) -> Windows:
        """Lay stretches of ``stretch_m`` along stations.

        Parameters
        ----------
        length
            (n,) length of each station [m].
        stretch_m
            Length of a stretch [m]; a shorter run is one stretch, if it has half of that or none is longer [own].
        new_run
            (n,) whether a station does not touch the one before it, as behind a crossing: no stretch goes across.
        """
        along = np.concatenate([[0.0], np.cumsum(length)])
        breaks = along[:-1][new_run] if new_run is not None else np.empty(0)
        ends = np.unique(np.concatenate([[0.0], breaks, along[-1:]]))
        runs = list(pairwise(ends)) or [(0.0, 0.0)]
        enough = min(stretch_m / 2, max(b - a for a, b in runs))
        found: list[tuple[Floats, Floats]] = []
        for low, high in (run for run in runs if run[1] - run[0] >= enough):
            inside = along[(along >= low) & (along <= high)]
            start = np.unique(np.clip(np.concatenate([inside, inside - stretch_m]), low, max(low, high - stretch_m)))
            found.append((start, np.minimum(start + stretch_m, high)))
        return cls(along, np.concatenate([s for s, _ in found]), np.concatenate([e for _, e in found]))

    def sums(self, values: Floats) -> Floats:
        """Integrate station values, (n,) or rows of them, over each stretch; (k,) or rows of them [value x m]."""
        total = np.zeros((*values.shape[:-1], len(self.along)))
        np.cumsum(np.diff(self.along) * values, axis=-1, out=total[..., 1:])
        low, beyond, step = self._ends
        steps = np.diff(total, axis=-1, append=total[..., -1:])
        at = steps[..., low] / step * beyond + total[..., low]  # as numpy.interp does with one row
        return np.asarray(at[..., len(self.start) :] - at[..., : len(self.start)])

    @cached_property
    def _ends(self) -> tuple[NDArray[np.int64], Floats, Floats]:
        """Of starts, then ends: the border below, how far beyond it they lie, and how far the next one lies [m]."""
        ends = np.concatenate([self.start, self.end])
        low = np.searchsorted(self.along, ends, side="right") - 1
        step = np.diff(self.along, append=np.inf)
        return low, ends - self.along[low], step[low]

    def means(self, values: Floats) -> Floats:
        """Give the length-weighted mean of station values (n,) over each stretch, of what is known; (k,).

        Rows of values, (m, n), give rows of means, (m, k).
        """
        known = ~np.isnan(values)
        length = self.sums(known.astype(float))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(length > 1e-9, self.sums(np.where(known, values, 0.0)) / length, np.nan)

    def inside(self, one: int) -> NDArray[np.bool_]:
        """Say which stations have their middle in a stretch; (n,)."""
        middle = (self.along[1:] + self.along[:-1]) / 2
        return np.asarray((middle >= self.start[one]) & (middle <= self.end[one]))


def worst(means: Floats) -> int:
    """Give the place of the highest mean, of equal ones the first: what differs by under a millionth is equal."""
    return int(np.argmax(np.round(means, 6)))
