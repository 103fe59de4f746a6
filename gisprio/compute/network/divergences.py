"""Divergences: which of several ways on from a node is the main one, and which paths carry only its water."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.network.nodes import Edges, Floats

Ints = NDArray[np.int64]
DECIDED_BY = ("attribute", "area", "length")
"""What says which way is the main one, in the order in which it is asked."""
MINOR_CODE = 2
"""Value of ``divergence`` on a minor path."""


@dataclass(frozen=True)
class Ways:
    """What the data say of the ways on from a divergence.

    Parameters
    ----------
    flagged
        (n,) edges that the data call a minor path.
    area_km2
        (n,) drainage area given for the line of each edge; NaN where none is.
    """

    flagged: NDArray[np.bool_]
    area_km2: Floats

    @classmethod
    def of(cls, edges: Edges, streams: pd.DataFrame) -> Ways:
        """Read them off layer ``streams``."""
        code = streams["divergence"].astype("float64").to_numpy()[edges.source]
        return cls(code == MINOR_CODE, streams["area_km2"].to_numpy(float)[edges.source])


def minor_ways(ways: Ways, up: Ints, way_m: Floats, nodes: int) -> tuple[NDArray[np.bool_], NDArray[np.int8]]:
    """Say which edges are not the main way on from their upper node.

    Parameters
    ----------
    ways
        What the data say.
    up
        (n,) node each edge comes from.
    way_m
        (n,) length of the way to the outlet through each edge [m].
    nodes
        How many nodes there are.

    Returns
    -------
    tuple
        Minor edges (n,); and by what was decided at each node, place in ``DECIDED_BY``, -1 where nothing parts (k,).

    Notes
    -----
    The main way is the one that the data do not call minor; else the one of larger given area, where all have one;
    else the one with the shorter way to the outlet; of equal ones the first by position.
    """
    unknown = np.zeros(nodes, bool)
    unknown[up[np.isnan(ways.area_km2)]] = True
    area = np.where(unknown[up], 0.0, ways.area_km2)
    order = np.lexsort((np.arange(len(up)), way_m, -area, ways.flagged, up))
    first = np.ones(len(up), bool)
    first[1:] = up[order][1:] != up[order][:-1]
    minor = np.ones(len(up), bool)
    minor[order[first]] = False
    best, next_best = order[np.flatnonzero(~first[1:] & first[:-1])], order[1:][~first[1:] & first[:-1]]
    decided = np.full(nodes, -1, np.int8)
    decided[up[best]] = np.where(
        ways.flagged[best] != ways.flagged[next_best],
        DECIDED_BY.index("attribute"),
        np.where(area[best] != area[next_best], DECIDED_BY.index("area"), DECIDED_BY.index("length")),
    )
    return minor, decided


def beside_main(downstream: Ints, minor: NDArray[np.bool_], upper_first: Iterable[int]) -> NDArray[np.bool_]:
    """Say which segments carry only water that left a main path: minor ones, and those that only such flow into. (n,)

    Parameters
    ----------
    downstream
        (n,) segment each flows into; -1 at an outlet.
    minor
        (n,) segments that begin as a minor way.
    upper_first
        All segments, each before the one it flows into.
    """
    beside = minor.copy()
    own_water = np.zeros(len(downstream), bool)
    fed = np.zeros(len(downstream), bool)
    for segment in upper_first:
        beside[segment] |= fed[segment] and not own_water[segment]
        below = downstream[segment]
        if below >= 0:
            fed[below] = True
            own_water[below] |= not beside[segment]
    return beside
