"""Strahler order and the main path up a network of segments."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def strahler(inflows: Sequence[int]) -> int:
    """Give the order below a confluence: one more than the highest where that meets its like, else the highest.

    References
    ----------
    strahler1957

    Examples
    --------
    >>> strahler([]), strahler([1, 1]), strahler([3, 2, 2]), strahler([2, 2, 2])
    (1, 2, 3, 3)
    """
    if not inflows:
        return 1
    highest = max(inflows)
    return highest + 1 if sum(order == highest for order in inflows) > 1 else highest


def stream_orders(
    downstream: NDArray[np.int64],
    minor: NDArray[np.bool_],
    length: NDArray[np.floating],
    upper_first: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give Strahler order and main upstream segment.

    Parameters
    ----------
    downstream
        (n,) segment each flows into; -1 at an outlet.
    minor
        (n,) segments that carry only water that left a main path: of order 1, and they raise none where they rejoin.
    length
        (n,) [m].
    upper_first
        (n,) all segments, each before the one it flows into.

    Returns
    -------
    tuple
        Order (n,), and main upstream segment (n,), -1 at a source: of highest order, then of longest way up.
    """
    count = len(downstream)
    inflows: list[list[int]] = [[] for _ in range(count)]
    order = np.ones(count, np.int64)
    way_up = np.zeros(count)
    main = np.full(count, -1, np.int64)
    for segment in upper_first.tolist():
        above = inflows[segment]
        order[segment] = strahler([int(order[s]) for s in above if not minor[s]])
        if above:
            main[segment] = max(above, key=lambda s: (not minor[s], order[s], round(float(way_up[s]), 3), -s))
        way_up[segment] = length[segment] + (way_up[main[segment]] if above else 0.0)
        if downstream[segment] >= 0:
            inflows[downstream[segment]].append(segment)
    return order, main
