"""What a person should know of the stream lines: drawn the wrong way, uphill, in loops, in parts, ends that miss."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from gisprio.compute.network.direction import Flow
from gisprio.compute.network.divergences import DECIDED_BY
from gisprio.compute.network.nodes import Edges, Floats
from gisprio.contracts.findings import Finding, listed

UPHILL_M = 2.5
"""Rise along a line above which it is said to run uphill: about two errors of a height difference [own]."""
TINY_LOOP_M = 50.0
"""A loop shorter than this all the way round is more likely a slip of drawing than a divided channel [own]."""
DANGLE_M = 20.0
"""A loose end so near to another line probably should meet it [own]."""


def direction_findings(edges: Edges, flow: Flow, height: Floats, streams: pd.DataFrame) -> list[Finding]:
    """Say which lines were turned, which run uphill, and how many loops and parts there are.

    Parameters
    ----------
    edges, flow
        The lines between nodes and where the water goes.
    height
        (k,) raw height at each node [m]; NaN where unknown.
    streams
        Layer ``streams``, for the ids.
    """
    found = []
    names = line_names(edges, streams)
    if flow.turned.any():
        turned = list(dict.fromkeys(names[flow.turned]))
        says = f"{len(turned)} lines are drawn against the flow: {listed(turned)}. Turned for this run."
        found.append(Finding("note", "streams", "against_flow", "", says, "Nothing; or turn them in the layer."))
    rise = height[flow.down] - height[flow.up]
    uphill = rise > UPHILL_M
    if uphill.any():
        worst = int(np.nanargmax(np.where(uphill, rise, np.nan)))
        says = (
            f"{int(uphill.sum())} lines run uphill on the DEM by more than {UPHILL_M:g} m: {listed(names[uphill])}; "
            f"the worst by {rise[worst]:.1f} m ({names[worst]})."
        )
        found.append(Finding("warning", "streams", "uphill", "", says, "Look at the line and the DEM there."))
    return [*found, *_divided_findings(edges, flow), *_round_findings(edges), *_outlet_findings(edges, flow)]


def _divided_findings(edges: Edges, flow: Flow) -> Iterator[Finding]:
    """Say where the stream parts and by what its main way was told; and which loops are hardly any."""
    count = [int((flow.decided == number).sum()) for number in range(len(DECIDED_BY))]
    if sum(count):
        places = _places(edges.nodes[flow.decided >= 0])
        says = (
            f"The stream parts at {sum(count)} places: {places}. Which way is the main one was told by [columns] "
            f"streams.divergence at {count[0]}, by the larger given drainage area at {count[1]}, by the shorter way "
            f"at {count[2]}. The others are minor: they carry their own ground alone and raise no order."
        )
        do = "Name the column that tells main from minor under [columns] streams.divergence where these are wrong."
        yield Finding("note", "streams", "divided", "", says, do)
    round_m = pd.Series(edges.length).groupby(flow.block).sum()
    tiny = round_m[(round_m.index >= 0) & (round_m.index < len(edges.nodes)) & (round_m < TINY_LOOP_M)]
    if len(tiny):
        says = (
            f"{len(tiny)} loops are under {TINY_LOOP_M:g} m round: {_places(edges.nodes[tiny.index.to_numpy(int)])}. "
            "One side of each is taken as a minor path."
        )
        yield Finding("note", "streams", "tiny_loop", "", says, "Delete one side in the layer if it is a slip.")


def _round_findings(edges: Edges) -> Iterator[Finding]:
    """Find lines that are drawn going round in a circle."""
    count = len(edges.nodes)
    drawn = csr_matrix((np.ones(len(edges.lines)), (edges.ends[:, 0], edges.ends[:, 1])), (count, count))
    _, name = connected_components(drawn, directed=True, connection="strong")
    circle = np.bincount(name) > 1
    if circle.any():
        lowest = np.unique(name, return_index=True)[1]
        says = (
            f"Lines are drawn going round at {int(circle.sum())} places: {_places(edges.nodes[lowest[circle]])}. "
            "The water is led to the outlet by heights, or by the shorter way, instead."
        )
        do = "Turn or delete one of the lines there; nothing where the stream really divides."
        yield Finding("warning", "streams", "cycle", "", says, do)


def _outlet_findings(edges: Edges, flow: Flow) -> Iterator[Finding]:
    if len(flow.further):
        says = (
            f"{len(flow.further)} lines leave their stream for an outlet of their own: "
            f"{_places(edges.nodes[flow.further])}. Where it parts from water of the stream, such an arm is minor."
        )
        do = "Nothing if water leaves there; else turn the line, or look at the DEM."
        yield Finding("note", "streams", "further_outlet", "", says, do)
    if len(flow.outlet) > 1:
        says = f"The lines hang together in {len(flow.outlet)} parts, each with an outlet of its own."
        do = "Nothing if they are separate streams; else join their ends, or raise [streams] snap_m."
        yield Finding("note", "streams", "parts", "", says, do)


def crossing_findings(edges: Edges, streams: pd.DataFrame, snap_m: float) -> list[Finding]:
    """Find lines that cross, or share a stretch, without a shared end.

    Parameters
    ----------
    edges
        Lines between nodes.
    streams
        Layer ``streams``, for the ids.
    snap_m
        Nearer to a node that both share two lines do not cross but meet [m].
    """
    tree = shapely.STRtree(edges.lines)
    pairs = np.concatenate([tree.query(edges.lines, predicate=how) for how in ("crosses", "overlaps")], axis=1)
    pairs = pairs[:, pairs[0] < pairs[1]]
    pairs = pairs[:, np.lexsort((pairs[1], pairs[0]))]
    shared, which = shapely.get_parts(
        shapely.intersection(edges.lines[pairs[0]], edges.lines[pairs[1]]), return_index=True
    )
    middle = shapely.get_coordinates(shapely.point_on_surface(shared)).reshape(-1, 2)
    one, other = edges.ends[pairs[0][which]], edges.ends[pairs[1][which]]
    away = np.full(len(middle), np.inf)
    for a, b in ((0, 0), (0, 1), (1, 0), (1, 1)):
        gap = np.hypot(*(middle - edges.nodes[one[:, a]]).T)
        away = np.where(one[:, a] == other[:, b], np.minimum(away, gap), away)
    cross = away > 2 * snap_m
    if not cross.any():
        return []
    names = line_names(edges, streams)
    first, second = names[pairs[0][which[cross]]], names[pairs[1][which[cross]]]
    places = [
        f"{' and '.join(sorted((a, b)))} at {x:.0f}, {y:.0f}"
        for a, b, (x, y) in zip(first, second, middle[cross], strict=True)
    ]
    says = (
        f"{len(places)} places where lines cross without a shared end: {listed(places)}. "
        "They were not joined there: no water goes from one to the other."
    )
    do = "Nothing where one passes under or over the other, as pipes and canals do; else split both lines there."
    return [Finding("warning", "streams", "crossing_lines", "", says, do)]


def _places(points: Floats) -> str:
    return listed(f"{x:.0f}, {y:.0f}" for x, y in points)


def line_names(edges: Edges, streams: pd.DataFrame) -> NDArray[np.object_]:
    """Name the drawn line of each edge: its own id, else the place of its middle."""
    middle = shapely.get_coordinates(shapely.line_interpolate_point(edges.lines, 0.5, normalized=True))
    ids = streams["source_id"].to_numpy(object)[edges.source]
    names = [
        f"the one at {x:.0f}, {y:.0f}" if pd.isna(own) else str(own) for own, (x, y) in zip(ids, middle, strict=True)
    ]
    return np.array(names, object)


def loose_end_findings(edges: Edges, chains: Sequence[Sequence[int]]) -> list[Finding]:
    """Find loose ends that stop a little short of a line they do not hang on.

    Parameters
    ----------
    edges
        The lines between nodes.
    chains
        Edges from one confluence to the next: a line that hangs on the loose end by less than 40 m of stream is no
        stranger to it.
    """
    chain_of = {edge: number for number, chain in enumerate(chains) for edge in chain}
    holder = dict(zip(edges.ends.ravel().tolist(), np.repeat(np.arange(len(edges.lines)), 2).tolist(), strict=True))
    loose = np.flatnonzero(edges.degree == 1)
    ends = shapely.points(edges.nodes[loose])
    end, near = shapely.STRtree(edges.lines).query(ends, predicate="dwithin", distance=DANGLE_M)
    strange: dict[int, list[int]] = {}
    own_nodes = {
        n: set(_hanging(edges, chains[chain_of[holder[int(loose[n])]]], int(loose[n]))) for n in np.unique(end).tolist()
    }
    for number, line in zip(end.tolist(), near.tolist(), strict=True):
        if own_nodes[number].isdisjoint(edges.ends[line].tolist()):
            strange.setdefault(number, []).append(line)
    places = []
    for number in sorted(strange):
        away = float(shapely.distance(ends[number], edges.lines[strange[number]]).min())
        places.append(f"{away:.1f} m at {ends[number].x:.0f}, {ends[number].y:.0f}")
    if not places:
        return []
    says = f"{len(places)} loose ends stop short of another line: {listed(places)}."
    do = "Snap them together in your GIS where they should meet, or raise [streams] snap_m."
    return [Finding("warning", "streams", "dangle", "", says, do)]


def _hanging(edges: Edges, chain: Sequence[int], end: int) -> list[int]:
    """Give the nodes of a chain within twice 20 m of its loose end, along the lines."""
    ordered = list(chain) if end in edges.ends[chain[0]] else list(chain)[::-1]
    nodes, here, away = [end], end, 0.0
    for edge in ordered:
        first, last = edges.ends[edge].tolist()
        here = last if here == first else first
        away += float(edges.length[edge])
        if away > 2 * DANGLE_M:
            break
        nodes.append(here)
    return nodes
