"""Nodes: ends of stream lines that meet, within a tolerance; and lines split where another one ends on them."""

from __future__ import annotations

from dataclasses import dataclass
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

    @property
    def length(self) -> Floats:
        """Length of each line [m], to the last digit the same whichever way it is drawn."""
        return np.asarray(shapely.length(shapely.normalize(self.lines)))


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
    moved = np.array([_moved(line, nodes[a], nodes[b]) for line, (a, b) in zip(lines, numbers, strict=True)], object)
    order = _by_position(moved)
    used, compact = np.unique(numbers[order], return_inverse=True)
    return Edges(moved[order], compact.reshape(-1, 2), source[order], nodes[used]), findings


def _worth_keeping(lines: NDArray[np.object_], streams: pd.DataFrame) -> tuple[NDArray[np.bool_], list[Finding]]:
    """Leave out lines without length and copies of a line, drawn either way."""
    long = shapely.length(lines) > 0
    same = shapely.to_wkb(shapely.normalize(shapely.set_precision(lines, 1e-6)))
    known = streams[["kind", "name", "source_id", "area_km2"]].reset_index(drop=True).assign(same=same)
    by_content = known.sort_values(["kind", "name", "source_id", "area_km2"])  # not by the order of rows
    copy = by_content["same"].duplicated().sort_index().to_numpy()
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
    cuts = pd.Series(place[inside]).groupby(line[inside]).apply(lambda at: _apart(np.sort(at.to_numpy()), snap_m))
    parts, rows = [], []
    for number, whole in enumerate(lines):
        at = [0.0, *cuts.get(number, []), whole.length]
        for a, b in pairwise(at):
            parts.append(whole if len(at) == 2 else shapely.ops.substring(whole, a, b))
            rows.append(source[number])
    return np.array(parts, object), np.array(rows, np.int64)


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


def _moved(line: shapely.LineString, first: Floats, last: Floats) -> shapely.LineString:
    """Put the ends of a line on its nodes; the line is left alone otherwise."""
    points = shapely.get_coordinates(line)
    points[0], points[-1] = first, last
    return shapely.linestrings(points)


def _by_position(lines: NDArray[np.object_]) -> NDArray[np.int64]:
    """Give an order of lines that does not depend on row order or on how they were drawn."""
    wkb = shapely.to_wkb(shapely.normalize(lines))
    return np.argsort(np.asarray(wkb, object), kind="stable") if len(lines) else np.empty(0, np.int64)
