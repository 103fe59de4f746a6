"""Loops of lines: divided channels, braids, arms to other outlets; and which way the water goes round them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.network.nodes import Edges, Floats

Ints = NDArray[np.int64]
CLEAR_SAY_M = 1e-6
"""Less say than this for one way or the other is none [m]."""


def loop_blocks(edges: Edges, distance: Floats, toward: Ints) -> Ints:
    """Give the loop each edge lies in, by the node where the water leaves it; -1 on none. (n,)

    Parameters
    ----------
    edges
        Lines between nodes.
    distance
        (k + p,) shortest way of each node to an outlet; then -1 for the sea of each part, a node below its outlets [m].
    toward
        (k + p,) next node on that way; the sea of the part below an outlet.

    Notes
    -----
    Every edge beside the tree of shortest ways closes a loop: from both its ends down to where the ways meet. Loops
    that share an edge are one block. Nodes are put together with the one below as the ways are walked, so each is
    walked once. Several outlets of a part meet in its sea: the way from one to the other is a loop as well.
    """
    exit_of = list(range(len(distance)))

    def find(node: int) -> int:
        while exit_of[node] != node:
            exit_of[node] = exit_of[exit_of[node]]
            node = exit_of[node]
        return node

    way, below = distance.tolist(), toward.tolist()
    for edge in np.flatnonzero(~_in_tree(edges, toward)).tolist():
        a, b = (find(int(node)) for node in edges.ends[edge])
        while a != b:
            if way[a] < way[b]:
                a, b = b, a
            exit_of[a] = below[a]
            a = find(a)
    exits = np.array([find(node) for node in range(len(exit_of))], np.int64)
    one, other = exits[edges.ends[:, 0]], exits[edges.ends[:, 1]]
    return np.where(one == other, one, -1)


def _in_tree(edges: Edges, toward: Ints) -> NDArray[np.bool_]:
    """Say which edges are the shortest from a node to the next one on its way; (n,)."""
    a, b = edges.ends[:, 0], edges.ends[:, 1]
    child = np.where(toward[a] == b, a, np.where(toward[b] == a, b, -1))
    order = np.lexsort((np.arange(len(a)), edges.length, child))
    first = np.ones(len(a), bool)
    first[1:] = child[order][1:] != child[order][:-1]
    tree = np.zeros(len(a), bool)
    tree[order[first]] = True
    return tree & (child >= 0)


def turn_in_loops(edges: Edges, say: Floats, block: Ints, outlets: Ints, nearer: NDArray[np.bool_]) -> NDArray:
    """Say which edges are drawn against the flow, loops looked at one by one; (n,) bool.

    Parameters
    ----------
    edges
        Lines between nodes.
    say
        (n,) what speaks for flow as drawn, negative for flow against it [m].
    block
        Of :func:`loop_blocks`.
    outlets
        Nodes where the water leaves for good.
    nearer
        (n,) which edges must be turned to lead to the node nearer to an outlet.

    Notes
    -----
    The edges of a loop go the way that more speaks for, run by run from one junction to the next, if then water
    that enters the loop anywhere leaves it at its exit and nowhere goes round. Else they lead to the nearer node. On
    the way between two outlets each edge is asked alone first, for a run may lie across a divide.
    """
    turned = nearer.copy()
    members: dict[int, list[int]] = defaultdict(list)
    for edge in np.flatnonzero(block >= 0).tolist():
        members[int(block[edge])].append(edge)
    ends = set(outlets.tolist())
    for exit_node, own in members.items():
        ways = [_as_said(say, _runs(edges, own))]
        if exit_node >= len(edges.nodes):
            ways.insert(0, _as_said(say, ([(edge, False)] for edge in own)))
        for told in ways:
            if told is not None and _drains(edges, told, exit_node, ends):
                for edge, against in told.items():
                    turned[edge] = against
                break
    return turned


def _as_said(say: Floats, runs: Iterable[list[tuple[int, bool]]]) -> dict[int, bool] | None:
    """Give for each edge of some runs whether it is drawn against what is said of its run; None where nothing is."""
    told: dict[int, bool] = {}
    for run in runs:
        amount = sum(-say[edge] if against else say[edge] for edge, against in run)
        if abs(amount) <= CLEAR_SAY_M:
            return None
        told |= {edge: against != bool(amount < 0) for edge, against in run}
    return told


def _runs(edges: Edges, own: list[int]) -> Iterator[list[tuple[int, bool]]]:
    """Follow edges of a loop through nodes where only two lines meet: edge, and whether it is walked backwards."""
    at: dict[int, list[int]] = defaultdict(list)
    for edge in own:
        for node in edges.ends[edge].tolist():
            at[node].append(edge)
    passes = {node for node, held in at.items() if len(held) == 2 and edges.degree[node] == 2}
    left = set(own)

    def walk(node: int, edge: int) -> list[tuple[int, bool]]:
        run = []
        while True:
            first, last = edges.ends[edge].tolist()
            run.append((edge, node == last and first != last))
            left.discard(edge)
            node = first if node == last else last
            onward = [other for other in at[node] if other in left]
            if node not in passes or not onward:
                return run
            edge = onward[0]

    for node in sorted(set(at) - passes):
        for edge in at[node]:
            if edge in left:
                yield walk(node, edge)
    for edge in own:
        if edge in left:
            yield walk(int(edges.ends[edge, 0]), edge)


def _drains(edges: Edges, told: dict[int, bool], exit_node: int, outlets: set[int]) -> bool:
    """Say whether all water leaves a loop at its exit or at an outlet, and none goes round."""
    waiting: dict[int, int] = defaultdict(int)
    inflow: dict[int, list[int]] = defaultdict(list)
    nodes: set[int] = set()
    for edge, against in told.items():
        up, down = edges.ends[edge].tolist()[:: -1 if against else 1]
        waiting[up] += 1
        inflow[down].append(up)
        nodes |= {up, down}
    ready = [node for node in nodes if not waiting[node]]
    if any(node != exit_node and node not in outlets for node in ready):
        return False
    seen = 0
    while ready:
        node = ready.pop()
        seen += 1
        for up in inflow[node]:
            waiting[up] -= 1
            if not waiting[up]:
                ready.append(up)
    return seen == len(nodes)
