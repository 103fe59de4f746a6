"""Direction of flow: from the way the lines hang together, the heights, and how they were drawn, together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components, dijkstra, minimum_spanning_tree

from gisprio.compute.network.divergences import Ways, minor_ways
from gisprio.compute.network.loops import loop_blocks, turn_in_loops
from gisprio.compute.network.nodes import Edges, Floats

Ints = NDArray[np.int64]
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
        (n,) whether another edge is the main way on from its upper node.
    decided
        (k,) by what the main way was decided, place in ``DECIDED_BY``; -1 at nodes where nothing parts.
    steps
        (k,) most edges on any way from the node to an outlet: falls along every edge.
    part
        (k,) connected part of each node.
    outlet
        (p,) outlet node of each part.
    further
        Outlet nodes beside these.
    block
        (n,) loop of each edge, as of ``loop_blocks``; -1 on none.
    loops
        (p,) edges beyond those of a tree.
    """

    up: Ints
    down: Ints
    turned: NDArray[np.bool_]
    minor: NDArray[np.bool_]
    decided: NDArray[np.int8]
    steps: Ints
    part: Ints
    outlet: Ints
    further: Ints
    block: Ints
    loops: Ints


def direct(edges: Edges, height: Floats, ways: Ways) -> Flow:
    """Turn every edge downstream.

    Parameters
    ----------
    edges
        Lines between nodes.
    height
        (k,) raw height at each node [m]; NaN where unknown.
    ways
        What the data say of divergences.

    Notes
    -----
    In each connected part the outlet is one of the loose ends or of the confluences at which a layer is cut off, none
    of those over 3 m higher than the lowest of them: the one for which length x (tanh(drop / 2 errors) + trust x
    agreement with the drawn direction), summed over a spanning tree hung from it, is largest. Trust is half the share
    by which the lines that drop clearly are drawn down rather than up, negative in a layer drawn upstream. Another
    loose end is an outlet too where its line is drawn out to it and drops to it clearly, or is called a minor path.
    All edges then lead to the nearer node along the lines, which makes no circles; inside a loop they go as heights and
    drawing say, where that makes none either.
    """
    count = len(edges.nodes)
    a, b = edges.ends[:, 0], edges.ends[:, 1]
    drop = np.nan_to_num(height[a] - height[b], nan=0.0)
    trust = drawn_trust(drop, edges.length)
    say = edges.length * (np.tanh(drop / (2 * HEIGHT_ERROR_M)) + DRAWN_SAY * trust)
    part_count, part = connected_components(csr_matrix((np.ones(len(a)), (a, b)), (count, count)), directed=False)
    may_end = cut_off_confluences(edges, height, trust) | (edges.degree == 1)
    outlet = _outlets(edges, say, may_end, height, part, part_count)
    further = _further_outlets(edges, say, height, trust, ways.flagged, outlet)
    outlets = np.concatenate([outlet, further])
    distance, toward, _ = dijkstra(
        _shortest(edges), directed=False, indices=outlets, min_only=True, return_predecessors=True
    )
    toward = toward.astype(np.int64)
    toward[outlets] = count + part[outlets]  # below the outlets of a part lies its sea
    sea = np.arange(count, count + part_count)
    block = loop_blocks(edges, np.append(distance, np.full(part_count, -1.0)), np.append(toward, sea))
    nearer = (distance[b] > distance[a]) | ((distance[a] == distance[b]) & (b > a))
    turned = turn_in_loops(edges, say, block, outlets, nearer)
    up, down = np.where(turned, b, a), np.where(turned, a, b)
    steps, to_outlet, basin = _upward(up, down, edges.length, count)
    minor, decided = minor_ways(ways, up, to_outlet[down] + edges.length, count)
    minor, decided = _without_divides(minor, decided, up, down, basin)
    loops = np.bincount(part[a], minlength=part_count) - np.bincount(part, minlength=part_count) + 1
    return Flow(up, down, turned, minor, decided, steps, part, outlet, further, block, loops)


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
    edges: Edges, say: Floats, may_end: NDArray[np.bool_], height: Floats, part: Ints, part_count: int
) -> Ints:
    """Choose the outlet node of each part, of those that may be one, by moving the root through a spanning tree."""
    count = len(edges.nodes)
    first = np.unique(part, return_index=True)[1]
    tree = minimum_spanning_tree(_shortest(edges)).tocoo()
    rows = np.concatenate([tree.row, np.full(part_count, count)])  # one more node holds all parts together
    columns = np.concatenate([tree.col, first])
    whole = csr_matrix((np.ones(len(rows)), (rows, columns)), (count + 1, count + 1))
    order, parent = breadth_first_order(whole, count, directed=False)
    agreement = _agreement(edges, say)
    score = [0.0] * (count + 1)
    for node, above in zip(order[1:].tolist(), parent[order[1:]].tolist(), strict=True):
        score[node] = score[above] - 2 * agreement.get((node, above), 0.0)
    able = may_end | ~np.isin(part, part[may_end])
    lowest = np.full(part_count, np.inf)
    known = able & np.isfinite(height)
    np.minimum.at(lowest, part[known], height[known])
    able &= ~(height > lowest[part] + CLEARLY_HIGHER_M)
    nodes = np.flatnonzero(able)
    best = np.lexsort((nodes, -np.round(np.array(score[:count])[nodes], 3), part[nodes]))
    return nodes[best][np.unique(part[nodes][best], return_index=True)[1]]


def _further_outlets(
    edges: Edges, say: Floats, height: Floats, trust: float, flagged: NDArray[np.bool_], outlet: Ints
) -> Ints:
    """Find loose ends out of which water leaves beside the outlet of their part."""
    found, main = [], set(outlet.tolist())
    ends, length, amount = edges.ends.tolist(), edges.length.tolist(), say.tolist()
    for end, run in _loose_runs(edges):
        last, node = run[-1]
        junction = sum(ends[last]) - node
        drawn_out = sum(length[edge] if ends[edge][1] == nearer else -length[edge] for edge, nearer in run)
        if end in main or edges.degree[junction] == 1 or trust * drawn_out <= 0:
            continue
        said_out = sum(amount[edge] if ends[edge][1] == nearer else -amount[edge] for edge, nearer in run)
        if height[junction] - height[end] > CLEAR_DROP_M or (flagged[last] and said_out > 0):
            found.append(end)
    return np.array(found, np.int64)


def _loose_runs(edges: Edges) -> Iterator[tuple[int, list[tuple[int, int]]]]:
    """Give each loose end with its edges up to the first junction, and the node of each that lies nearer to the end."""
    held: list[list[int]] = [[] for _ in range(len(edges.nodes))]
    ends = edges.ends.tolist()
    for edge, (a, b) in enumerate(ends):
        held[a].append(edge)
        held[b].append(edge)
    for end in np.flatnonzero(edges.degree == 1).tolist():
        node, onward = end, held[end]
        run: list[tuple[int, int]] = []
        while onward and (not run or len(held[node]) == 2):
            run.append((onward[0], node))
            node = sum(ends[onward[0]]) - node
            onward = [edge for edge in held[node] if edge != run[-1][0]]
        yield end, run


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


def _upward(up: Ints, down: Ints, length: Floats, count: int) -> tuple[Ints, Floats, Ints]:
    """Walk up from the outlets: most edges, shortest way and its outlet of each node; (k,) each."""
    above: list[list[int]] = [[] for _ in range(count)]
    for edge, node in enumerate(down.tolist()):
        above[node].append(edge)
    waiting = np.bincount(up, minlength=count).tolist()
    ready = [node for node in range(count) if not waiting[node]]
    steps, basin = [0] * count, list(range(count))
    way = [0.0 if not waiting[node] else np.inf for node in range(count)]
    source, lengths = up.tolist(), length.tolist()
    while ready:
        node = ready.pop()
        for edge in above[node]:
            upper = source[edge]
            steps[upper] = max(steps[upper], steps[node] + 1)
            through = way[node] + lengths[edge]
            if (through, basin[node]) < (way[upper], basin[upper]):
                way[upper], basin[upper] = through, basin[node]
            waiting[upper] -= 1
            if not waiting[upper]:
                ready.append(upper)
    return np.array(steps, np.int64), np.array(way), np.array(basin, np.int64)


def _without_divides(
    minor: NDArray[np.bool_], decided: NDArray[np.int8], up: Ints, down: Ints, basin: Ints
) -> tuple[NDArray[np.bool_], NDArray[np.int8]]:
    """Take back minor ways that leave a node without inflow for another outlet: there two streams begin."""
    fed = np.zeros(len(decided), bool)
    fed[down] = True
    main_basin = np.full(len(decided), -1, np.int64)
    main_basin[up[~minor]] = basin[down[~minor]]
    divide = minor & ~fed[up] & (basin[down] != main_basin[up])
    left = np.bincount(up[minor & ~divide], minlength=len(decided)) > 0
    return minor & ~divide, np.where(left, decided, -1).astype(np.int8)
