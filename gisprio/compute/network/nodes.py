"""Nodes: ends of stream lines that meet, within a tolerance; and lines split where another one ends on them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from gisprio.contracts.findings import Finding, listed

Floats = NDArray[np.float64]
CONTENT = ["kind", "name", "source_id", "area_km2"]
"""Of lines drawn twice the first by these columns is kept, not the first by the order of rows."""


@dataclass(frozen=True)
class Edges:
    """Lines between nodes, as drawn.

    Parameters
    ----------
    lines
        (n,) line strings whose ends lie on their nodes.
    ends
        (n, 2) node at the first and at the last vertex.
    source
        (n,) row of the stream table each comes from.
    nodes
        (k, 2) places of the nodes, sorted by x, then y [m].
    """

    lines: NDArray[np.object_]
    ends: NDArray[np.int64]
    source: NDArray[np.int64]
    nodes: Floats

    @cached_property
    def length(self) -> Floats:
        """Length of each line [m], to the last digit the same whichever way it is drawn."""
        return np.asarray(shapely.length(shapely.normalize(self.lines)))

    @cached_property
    def degree(self) -> NDArray[np.int64]:
        """How many ends lie on each node."""
        return np.bincount(self.ends.ravel(), minlength=len(self.nodes))


def edges_of(streams: pd.DataFrame, snap_m: float) -> tuple[Edges, list[Finding]]:
    """Make edges and nodes of stream lines.

    Parameters
    ----------
    streams
        Layer ``streams``; rows in any order, lines drawn either way.
    snap_m
        Ends nearer than this are one node; an end so near to the inside of a line splits it [m].

    Returns
    -------
    tuple
        Edges in an order made from position; findings about lines left out.
    """
    lines = np.asarray(streams.geometry.array)
    keep, findings = _worth_keeping(lines, streams)
    lines, source = split_where_ends_lie(lines[keep], np.flatnonzero(keep), snap_m)
    numbers, nodes = _numbered(lines, snap_m)
    ring = (numbers[:, 0] == numbers[:, 1]) & (shapely.length(lines) > 4 * snap_m)
    if ring.any():  # half way round, so that water can leave a ring on both ways
        lines, source = _halved(lines, source, ring)
        numbers, nodes = _numbered(lines, snap_m)
    point = numbers[:, 0] == numbers[:, 1]
    if point.any():
        findings.append(_point_finding(streams, source[point], snap_m))
    lines, numbers, source = lines[~point], numbers[~point], source[~point]
    again = _drawn_again(lines, numbers, source, streams, snap_m)
    if again.any():
        findings.append(_overlap_finding(streams, source[again], shapely.length(lines[again])))
    lines, numbers, source = lines[~again], numbers[~again], source[~again]
    moved = _moved(lines, nodes[numbers[:, 0]], nodes[numbers[:, 1]])
    order = _by_position(moved)
    used, compact = np.unique(numbers[order], return_inverse=True)
    return Edges(moved[order], compact.reshape(-1, 2), source[order], nodes[used]), findings


def _worth_keeping(lines: NDArray[np.object_], streams: pd.DataFrame) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Leave out lines without length and copies of a line, drawn either way."""
    long = shapely.length(lines) > 0
    same = shapely.to_wkb(shapely.normalize(shapely.set_precision(lines, 1e-6)))
    copy = streams[CONTENT].reset_index(drop=True).assign(same=same).sort_values(CONTENT)["same"].duplicated()
    copy = copy.sort_index().to_numpy()
    findings = []
    for bad, check, what in (
        (~long, "no_length", "have no length"),
        (long & copy, "copies", "are copies of another line"),
    ):
        if bad.any():
            says = (
                f"{int(bad.sum())} stream lines {what}: {listed(streams['source_id'][bad].fillna('no id'))}. Left out."
            )
            findings.append(Finding("note", "streams", check, "", says, "Delete them in the layer."))
    return long & ~copy, findings


def _numbered(lines: NDArray[np.object_], snap_m: float) -> tuple[NDArray[np.int64], Floats]:
    """Give the node at both ends of each line, (n, 2), and the places of the nodes."""
    ends = np.stack([_vertex(lines, 0), _vertex(lines, -1)], axis=1)
    names, nodes = cluster(ends.reshape(-1, 2), snap_m)
    return names.reshape(-1, 2), nodes


def _halved(
    lines: NDArray[np.object_], source: NDArray[np.int64], these: NDArray[np.bool_]
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Cut some lines at half their length."""
    halves = [shapely.ops.substring(line, a, b, True) for line in lines[these] for a, b in ((0, 0.5), (0.5, 1))]
    return (
        np.array([*lines[~these], *halves], object),
        np.concatenate([source[~these], np.repeat(source[these], 2)]),
    )


def _point_finding(streams: pd.DataFrame, rows: NDArray[np.int64], snap_m: float) -> Finding:
    ids = streams["source_id"].iloc[np.unique(rows)].fillna("no id")
    says = f"{len(rows)} pieces of stream lines begin and end within {snap_m:g} m: {listed(ids)}. Left out."
    return Finding("note", "streams", "shorter_than_snap", "", says, "Nothing; or lower [streams] snap_m.")


def split_where_ends_lie(
    lines: NDArray[np.object_], source: NDArray[np.int64], snap_m: float
) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Split each line where the end of another one lies on its inside, within ``snap_m``."""
    points = shapely.points(np.concatenate([_vertex(lines, 0), _vertex(lines, -1)]))
    if not len(lines):
        return lines, source
    point, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=snap_m)
    place = shapely.line_locate_point(lines[line], points[point])
    inside = (place > snap_m) & (place < shapely.length(lines[line]) - snap_m)
    line, place = line[inside], place[inside]
    order = np.lexsort((place, line))
    line, place = line[order], place[order]
    split, start = np.unique(line, return_index=True)
    parts, rows = [], []
    for number, (first, last) in zip(split.tolist(), pairwise([*start.tolist(), len(line)]), strict=True):
        whole = lines[number]
        for a, b in pairwise([0.0, *_apart(place[first:last], snap_m), whole.length]):
            parts.append(shapely.ops.substring(whole, a, b))
            rows.append(source[number])
    uncut = np.ones(len(lines), bool)
    uncut[split] = False
    return np.array([*lines[uncut], *parts], object), np.array([*source[uncut], *rows], np.int64)


def _apart(at: Floats, snap_m: float) -> list[float]:
    """Keep places that lie more than ``snap_m`` behind the one kept before."""
    kept: list[float] = []
    for place in at:
        if not kept or place - kept[-1] > snap_m:
            kept.append(float(place))
    return kept


def cluster(points: Floats, snap_m: float) -> tuple[NDArray[np.int64], Floats]:
    """Put points nearer than ``snap_m`` together: the node of each, and the places of the nodes sorted by x, y."""
    if not len(points):
        return np.empty(0, np.int64), np.empty((0, 2))
    pairs = cKDTree(points).query_pairs(snap_m, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    count, name = connected_components(links, directed=False)
    order = np.lexsort((points[:, 1], points[:, 0]))
    frame = pd.DataFrame({"node": name[order], "x": points[order, 0], "y": points[order, 1]})
    centre = frame.drop_duplicates().groupby("node")[["x", "y"]].mean().to_numpy()
    rank = np.empty(count, np.int64)
    by_place = np.lexsort((centre[:, 1], centre[:, 0]))
    rank[by_place] = np.arange(count)
    return rank[name], centre[by_place]


def _vertex(lines: NDArray[np.object_], which: int) -> Floats:
    return shapely.get_coordinates(shapely.get_point(lines, which)).reshape(-1, 2)


def _drawn_again(
    lines: NDArray[np.object_],
    numbers: NDArray[np.int64],
    source: NDArray[np.int64],
    streams: pd.DataFrame,
    snap_m: float,
) -> NDArray[np.bool_]:
    """Say which lines lie, within ``snap_m``, over another one between the same nodes; (n,).

    Lines that overlap in part were split at their ends before, so that the shared stretch is there twice.
    """
    again = np.zeros(len(lines), bool)
    table = pd.DataFrame(np.sort(numbers, axis=1), columns=["a", "b"])
    table = table[table.duplicated(keep=False)]
    if table.empty:
        return again
    content = streams[CONTENT].reset_index(drop=True).sort_values(CONTENT).index.to_numpy()
    rank = np.empty(len(content), np.int64)
    rank[content] = np.arange(len(content))
    wkb = shapely.to_wkb(shapely.normalize(lines[table.index]))
    table = table.assign(rank=rank[source[table.index]], wkb=wkb).sort_values(["rank", "wkb"])
    for twins in table.groupby(["a", "b"]).groups.values():
        kept: list[int] = []
        for number in twins:
            near = [shapely.hausdorff_distance(lines[number], lines[other]) <= snap_m for other in kept]
            again[number] = any(near)
            kept += [] if any(near) else [number]
    return again


def _overlap_finding(streams: pd.DataFrame, rows: NDArray[np.int64], length_m: Floats) -> Finding:
    ids = streams["source_id"].iloc[np.unique(rows)].fillna("no id")
    says = f"{length_m.sum() / 1000:.3f} km of stream lie over another line: {listed(sorted(ids))}. Taken once there."
    return Finding("warning", "streams", "overlapping_lines", "", says, "Delete the doubled stretches in the layer.")


def _moved(lines: NDArray[np.object_], first: Floats, last: Floats) -> NDArray[np.object_]:
    """Put the ends of lines on their nodes, (n, 2) each; the lines are left alone otherwise."""
    points, line = shapely.get_coordinates(lines, return_index=True)
    if not len(lines):
        return lines
    starts = np.searchsorted(line, np.arange(len(lines)))
    points[starts] = first
    points[np.append(starts[1:], len(points)) - 1] = last
    return np.asarray(shapely.linestrings(points, indices=line), object)


def _by_position(lines: NDArray[np.object_]) -> NDArray[np.int64]:
    """Give an order of lines that does not depend on row order or on how they were drawn."""
    wkb = shapely.to_wkb(shapely.normalize(lines))
    return np.argsort(np.asarray(wkb, object), kind="stable") if len(lines) else np.empty(0, np.int64)
