"""What a person should know of the stream lines: drawn the wrong way, uphill, in loops, in parts, ends that miss."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.direction import Flow
from gisprio.compute.network.nodes import Edges, Floats
from gisprio.contracts.findings import Finding, listed

UPHILL_M = 2.5
"""Rise along a line above which it is said to run uphill: about two errors of a height difference [own]."""
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
    return found + _shape_findings(edges, flow)


def _shape_findings(edges: Edges, flow: Flow) -> list[Finding]:
    found = []
    if (flow.loops > 0).any():
        places = edges.nodes[flow.outlet[flow.loops > 0]]
        says = (
            f"{int(flow.loops.sum())} loops: places where the stream parts and meets again, or lines that go round. "
            f"They lie above {listed(f'{x:.0f}, {y:.0f}' for x, y in places)}."
        )
        do = "Nothing where the stream really divides; else delete the extra line."
        found.append(Finding("warning", "streams", "cycle", "", says, do))
    if len(flow.outlet) > 1:
        says = f"The lines hang together in {len(flow.outlet)} parts, each with an outlet of its own."
        do = "Nothing if they are separate streams; else join their ends, or raise [streams] snap_m."
        found.append(Finding("note", "streams", "parts", "", says, do))
    return found


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
    degree = np.bincount(edges.ends.ravel(), minlength=len(edges.nodes))
    holder = dict(zip(edges.ends.ravel().tolist(), np.repeat(np.arange(len(edges.lines)), 2).tolist(), strict=True))
    loose = np.flatnonzero(degree == 1)
    ends = shapely.points(edges.nodes[loose])
    tree = shapely.STRtree(edges.lines)
    places = []
    for end, point in zip(loose.tolist(), ends, strict=True):
        own = _hanging(edges, chains[chain_of[holder[end]]], end)
        near = tree.query(point, predicate="dwithin", distance=DANGLE_M)
        near = near[~np.isin(edges.ends[near], own).any(axis=1)]
        if len(near):
            away = float(shapely.distance(point, edges.lines[near]).min())
            places.append(f"{away:.1f} m at {point.x:.0f}, {point.y:.0f}")
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
