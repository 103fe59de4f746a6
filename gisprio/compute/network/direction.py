"""Direction of flow: from the way the lines hang together, the heights, and how they were drawn, together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, dijkstra, minimum_spanning_tree

from gisprio.compute.network.nodes import Edges, Floats

HEIGHT_ERROR_M = 1.0
"""Scale of tanh(drop / 2 errors), the say of heights in the direction [own]."""
DRAWN_SAY = 0.5
"""Most that the way a line was drawn may say, where heights say at most 1 [own]."""
CLEAR_DROP_M = 3.0
"""A line that drops by more shows whether the layer is drawn downstream [own]."""
ONE_WAY = 0.9
"""A layer trusted so far is drawn one way [own]."""
CLEARLY_HIGHER_M = 3.0
"""A loose end so much higher than the lowest one is no outlet, however the lines were drawn [own]."""


@dataclass(frozen=True)
class Flow:
    """Where the water goes.

    Parameters
    ----------
    up, down
        (n,) node each edge comes from and flows to.
    turned
        (n,) whether the edge was drawn against the flow.
    minor
        (n,) whether another edge is the way on from its upper node.
    to_outlet
        (k,) distance of each node to its outlet along the lines [m].
    part
        (k,) connected part of each node.
    outlet
        (p,) outlet node of each part.
    loops
        (p,) edges beyond those of a tree.
    """

    up: NDArray[np.int64]
    down: NDArray[np.int64]
    turned: NDArray[np.bool_]
    minor: NDArray[np.bool_]
    to_outlet: Floats
    part: NDArray[np.int64]
    outlet: NDArray[np.int64]
    loops: NDArray[np.int64]


def direct(edges: Edges, height: Floats) -> Flow:
    """Turn every edge downstream.

    Parameters
    ----------
    edges
        Lines between nodes.
    height
        (k,) raw height at each node [m]; NaN where unknown.

    Notes
    -----
    In each connected part the outlet is one of the loose ends or of the confluences at which a layer is cut off, none
    of those over 3 m higher than the lowest of them: the one for which length x (tanh(drop / 2 errors) + trust x
    agreement with the drawn direction), summed over a spanning tree hung from it, is largest. Trust is half the share
    by which the lines that drop clearly are drawn down rather than up, negative in a layer drawn upstream. All edges
    then lead to the nearer node along the lines, which makes no circles; where a node has several ways on, the
    shortest is the main one.
    """
    count = len(edges.nodes)
    a, b = edges.ends[:, 0], edges.ends[:, 1]
    drop = np.nan_to_num(height[a] - height[b], nan=0.0)
    trust = drawn_trust(drop, edges.length)
    say = edges.length * (np.tanh(drop / (2 * HEIGHT_ERROR_M)) + DRAWN_SAY * trust)
    part_count, part = connected_components(csr_matrix((np.ones(len(a)), (a, b)), (count, count)), directed=False)
    may_end = cut_off_confluences(edges, height, trust) | (np.bincount(edges.ends.ravel(), minlength=count) == 1)
    outlet = _outlets(edges, say, may_end, height, part, part_count)
    to_outlet = dijkstra(_shortest(edges), directed=False, indices=outlet, min_only=True)
    turned = (to_outlet[b] > to_outlet[a]) | ((to_outlet[a] == to_outlet[b]) & (b > a))
    up, down = np.where(turned, b, a), np.where(turned, a, b)
    loops = np.bincount(part[a], minlength=part_count) - np.bincount(part, minlength=part_count) + 1
    return Flow(up, down, turned, _minor(edges, up, down, to_outlet), to_outlet, part, outlet, loops)


def drawn_trust(drop: Floats, length: Floats) -> float:
    """Give how far a layer is drawn downstream: 1 wholly, 0 as often up as down, -1 upstream; 1 where no line tells.

    Parameters
    ----------
    drop
        (n,) height at the first vertex less that at the last [m].
    length
        (n,) lengths, the weights [m].
    """
    clear = np.abs(drop) > CLEAR_DROP_M
    if not clear.any():
        return 1.0
    return float(np.sign(drop[clear]) @ length[clear] / length[clear].sum())


def cut_off_confluences(edges: Edges, height: Floats, trust: float) -> NDArray[np.bool_]:
    """Say at which nodes a layer may be cut off: no line is drawn away from them, nor falls away; (k,).

    Only where the layer is drawn one way nearly throughout: else such places are chance.
    """
    if abs(trust) < ONE_WAY:
        return np.zeros(len(edges.nodes), bool)
    first, last = edges.ends.T if trust > 0 else edges.ends.T[::-1]
    falls = height[first] < height[last]
    goes_on = np.concatenate([first, last[falls]])
    return np.bincount(goes_on, minlength=len(edges.nodes)) == 0


def _shortest(edges: Edges) -> csr_matrix:
    """Lengths between nodes; of several edges between two nodes the shortest, of an edge to itself none."""
    table = pd.DataFrame(np.sort(edges.ends, axis=1), columns=["a", "b"]).assign(length=edges.length)
    table = table[table["a"] != table["b"]].groupby(["a", "b"], as_index=False)["length"].min()
    count = len(edges.nodes)
    return csr_matrix((table["length"], (table["a"], table["b"])), (count, count))


def _outlets(
    edges: Edges, say: Floats, may_end: NDArray[np.bool_], height: Floats, part: NDArray[np.int64], part_count: int
) -> NDArray[np.int64]:
    """Choose the outlet node of each part, of those that may be one, by moving the root through a spanning tree."""
    tree = minimum_spanning_tree(_shortest(edges))
    tree = tree + tree.T
    agreement = _agreement(edges, say)
    outlet = np.empty(part_count, np.int64)
    for number in range(part_count):
        members = np.flatnonzero(part == number)
        order, parent = breadth_first_order(tree, members[0], directed=False)
        score = dict.fromkeys(members.tolist(), 0.0)
        for node in order[1:].tolist():
            above = int(parent[node])
            score[node] = score[above] - 2 * agreement.get((node, above), 0.0)
        ends = members[may_end[members]] if may_end[members].any() else members
        outlet[number] = max(_low(ends, height), key=lambda node: (round(score[node], 3), -node))
    return outlet


def _low(nodes: NDArray[np.int64], height: Floats) -> list[int]:
    """Keep the nodes that are not clearly higher than the lowest, and those of unknown height."""
    lowest = np.nanmin(height[nodes]) if np.isfinite(height[nodes]).any() else np.nan
    found: list[int] = nodes[~(height[nodes] > lowest + CLEARLY_HIGHER_M)].tolist()
    return found


def _agreement(edges: Edges, say: Floats) -> dict[tuple[int, int], float]:
    """What speaks for flow from the first to the second node, both ways round."""
    found: dict[tuple[int, int], float] = {}
    shortest: dict[tuple[int, int], float] = {}
    for (a, b), amount, length in zip(edges.ends.tolist(), say.tolist(), edges.length.tolist(), strict=True):
        key = (min(a, b), max(a, b))
        if a == b or length >= shortest.get(key, np.inf):
            continue
        shortest[key] = length
        found[a, b], found[b, a] = amount, -amount
    return found


def _minor(edges: Edges, up: NDArray[np.int64], down: NDArray[np.int64], to_outlet: Floats) -> NDArray[np.bool_]:
    """Say which edges are not the shortest way on from their upper node; of equal ones the first is the main one."""
    way = to_outlet[down] + edges.length
    order = np.lexsort((np.arange(len(up)), way, up))
    first = np.ones(len(up), bool)
    first[1:] = up[order][1:] != up[order][:-1]
    minor = np.ones(len(up), bool)
    minor[order[first]] = False
    return minor
