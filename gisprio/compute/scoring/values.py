"""Value functions: from a value to a score of 0 to 1000, and the worst stretch of a bank."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.cards import Factor
from gisprio.contracts.settings import Priority

Floats = NDArray[np.float64]
FULL = 1000
"""Factor scores are whole, 0 to this, so that Python and a page rank alike."""


def nodes_of(factor: Factor, priority: Priority) -> tuple[tuple[float, float], ...]:
    """Give the nodes of a factor's value function: the config's where it has some, else the card's."""
    return priority.nodes.get(factor.key, factor.nodes)


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


def worst_stretch(length: Floats, score: Floats, stretch_m: float) -> tuple[float, float, float]:
    """Find the contiguous stretch with the highest length-weighted mean score.

    Parameters
    ----------
    length
        (n,) lengths of neighbouring stations [m].
    score
        (n,) scores, none missing.
    stretch_m
        Length of the stretch [m]; a shorter bank is taken whole.

    Returns
    -------
    tuple
        Mean score, start and end of the stretch from the first station [m]; of equal ones the first.

    Examples
    --------
    >>> worst_stretch(np.full(4, 25.0), np.array([0.0, 10.0, 30.0, 0.0]), 50.0)
    (20.0, 25.0, 75.0)
    """
    along = np.concatenate([[0.0], np.cumsum(length)])
    sums = np.concatenate([[0.0], np.cumsum(length * score)])
    total = along[-1]
    if total <= stretch_m:
        return float(sums[-1] / max(total, 1e-9)), 0.0, float(total)
    starts = np.unique(np.clip(np.concatenate([along, along - stretch_m]), 0.0, total - stretch_m))
    means = (np.interp(starts + stretch_m, along, sums) - np.interp(starts, along, sums)) / stretch_m
    best = int(np.argmax(np.round(means, 6)))
    return float(means[best]), float(starts[best]), float(starts[best] + stretch_m)
