"""Segments: stream lines joined at shared ends, turned downstream, cut at confluences, ordered."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gisprio.compute.network.direction import Flow, direct
from gisprio.compute.network.divergences import Ways, beside_main
from gisprio.compute.network.faults import crossing_findings, direction_findings, loose_end_findings
from gisprio.compute.network.nodes import Edges, edges_of
from gisprio.compute.network.order import stream_orders
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import findings_table
from gisprio.contracts.grids import Grid, GridSource
from gisprio.contracts.layers import SEGMENTS, SOURCE_PARTS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

_LETTERS = "BCDFGHJKLMNPQRSTVWXYZ"
_SYMBOLS = "0123456789" + _LETTERS
"""A letter first and no vowels: an id is never read as a number, a nought, a month or a word."""


def join_streams(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Join stream lines into segments that run downstream from confluence to confluence.

    Parameters
    ----------
    tables
        ``stream_lines``, drawn either way, rows in any order.
    sources
        ``elevation``: raw heights.
    settings
        Section ``streams``.

    Returns
    -------
    dict
        ``segments``, ``source_parts`` and ``findings``.
    """
    streams = tables["stream_lines"]
    edges, findings = edges_of(streams, settings.streams.snap_m)
    if not len(edges.lines):
        return {
            "segments": empty(SEGMENTS, streams.crs),
            "source_parts": empty(SOURCE_PARTS),
            "findings": findings_table(findings),
        }
    height = node_heights(sources["elevation"], edges)
    flow = direct(edges, height, Ways.of(edges, streams))
    chains = list(_chains(edges, flow))
    table, parts = _segments(chains, edges, flow, streams)
    cell_m = sources["elevation"].lattice.cell_m
    table = table.assign(line_error_m=line_errors(parts, settings.streams.line_error_m, cell_m))
    findings += [
        *direction_findings(edges, flow, height, streams),
        *crossing_findings(edges, streams, settings.streams.snap_m),
        *loose_end_findings(edges, [chain.edges for chain in chains]),
    ]
    return {"segments": table, "source_parts": parts, "findings": findings_table(findings)}


def heights_at(elevation: GridSource, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the lowest raw height within one cell of places (n, 2); NaN where there are none [m]."""
    cell = elevation.lattice.cell_m
    low, high = places.min(axis=0) - 2 * cell, places.max(axis=0) + 2 * cell
    grid = elevation.window((float(low[0]), float(low[1]), float(high[0]), float(high[1])))
    if not grid.values.size:
        return np.full(len(places), np.nan)
    low_around = ndimage.minimum_filter(np.where(grid.valid(), grid.values, np.inf), size=3, mode="nearest")
    around = Grid(np.where(np.isinf(low_around), np.nan, low_around), grid.lattice, grid.row, grid.column, None)
    return around.nearest(places[:, 0], places[:, 1], np.nan).astype(np.float64)


def node_heights(elevation: GridSource, edges: Edges) -> NDArray[np.float64]:
    """Give the raw height at each node; of one outside the DEM the first known height along its lines [m].

    Streams often leave a DEM that was cut along the watershed: the height there must not be wholly unknown.
    """
    height = heights_at(elevation, edges.nodes)
    off, at = np.flatnonzero(np.isnan(height)), np.argsort(edges.ends.ravel(), kind="stable")
    if not len(off):
        return height
    places, count = [], []
    for end in at[np.searchsorted(edges.ends.ravel()[at], off)].tolist():
        line = edges.lines[end // 2]
        steps = np.linspace(0.0, 1.0, 2 + int(line.length / elevation.lattice.cell_m))
        places.append(shapely.line_interpolate_point(line, steps if end % 2 == 0 else 1.0 - steps, normalized=True))
        count.append(len(steps))
    along = heights_at(elevation, shapely.get_coordinates(np.concatenate(places)))
    for node, own in zip(off.tolist(), np.split(along, np.cumsum(count)[:-1]), strict=True):
        known = own[np.isfinite(own)]
        height[node] = known[0] if len(known) else np.nan
    return height


@dataclass(frozen=True)
class _Chain:
    """Edges from one confluence to the next, upstream first."""

    edges: tuple[int, ...]
    up: int
    down: int


def _chains(edges: Edges, flow: Flow) -> Iterator[_Chain]:
    """Follow edges through nodes with one way in and one way out."""
    count = len(edges.nodes)
    comes, goes = np.bincount(flow.down, minlength=count), np.bincount(flow.up, minlength=count)
    passes = (comes == 1) & (goes == 1)
    leaving = dict(zip(flow.up.tolist(), range(len(flow.up)), strict=True))
    for first in np.flatnonzero(~passes[flow.up]).tolist():
        chain = [first]
        while passes[flow.down[chain[-1]]]:
            chain.append(leaving[int(flow.down[chain[-1]])])
        yield _Chain(tuple(chain), int(flow.up[first]), int(flow.down[chain[-1]]))


def _segments(
    chains: list[_Chain], edges: Edges, flow: Flow, streams: pd.DataFrame
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    lines = [_line(chain, edges, flow) for chain in chains]
    ids = position_ids(lines)
    by_id = sorted(range(len(chains)), key=lambda n: ids[n])
    chains, lines, ids = [chains[n] for n in by_id], [lines[n] for n in by_id], [ids[n] for n in by_id]
    downstream = _downstream(chains, flow)
    length = np.array([line.length for line in lines])
    upper_node = np.array([chain.up for chain in chains], np.int64)
    upper_first = np.lexsort((upper_node, -flow.steps[upper_node]))
    leaves_main = np.array([bool(flow.minor[chain.edges[0]]) for chain in chains])
    minor = beside_main(downstream, leaves_main, upper_first.tolist())
    order, main = stream_orders(downstream, minor, length, upper_first)
    parts = _parts(chains, length, edges, flow, streams)
    names = parts.assign(length=parts["to_m"] - parts["from_m"]).dropna(subset="name")
    names = names.groupby(["segment_no", "name"])["length"].sum().reset_index()
    names = names.sort_values(["segment_no", "length", "name"], ascending=[True, False, True])
    names = names.drop_duplicates("segment_no").set_index("segment_no")["name"]
    table = gpd.GeoDataFrame(
        {
            "segment_no": range(len(chains)),
            "segment_id": ids,
            "name": names.reindex(range(len(chains))).to_numpy(),
            "downstream_no": downstream,
            "main_upstream_no": main,
            "minor": minor,
            "strahler_order": order,
            "length_m": length,
        },
        geometry=lines,
        crs=streams.crs,
    )
    return table, parts


def _line(chain: _Chain, edges: Edges, flow: Flow) -> shapely.LineString:
    """Put the edges of a chain together, drawn downstream."""
    points: list[NDArray[np.floating]] = []
    for edge in chain.edges:
        own = shapely.get_coordinates(edges.lines[edge])
        own = own[::-1] if flow.turned[edge] else own
        points.append(own if not points else own[1:])
    return shapely.linestrings(np.concatenate(points))


def _downstream(chains: list[_Chain], flow: Flow) -> NDArray[np.int64]:
    """Give the segment each flows into: the main one that leaves its lower node; -1 at an outlet."""
    leaves = {chain.up: n for n, chain in enumerate(chains) if not flow.minor[chain.edges[0]]}
    return np.array([leaves.get(chain.down, -1) for chain in chains], np.int64)


def _parts(
    chains: list[_Chain], whole_m: NDArray[np.float64], edges: Edges, flow: Flow, streams: pd.DataFrame
) -> pd.DataFrame:
    """Say which drawn line each part of a segment comes from, counted upstream.

    The area given for a line holds at its lower end: where others join it on its way, only its lowest part keeps it.
    """
    length = edges.length
    lowest = pd.Series(flow.steps[flow.down]).groupby(edges.source).idxmin()
    holds = np.isin(np.arange(len(length)), lowest)
    rows = []
    for number, chain in enumerate(chains):
        upward = chain.edges[::-1]
        borders = np.concatenate([[0.0], np.cumsum(length[list(upward)])])
        borders[-1] = whole_m[number]
        for edge, (low, high) in zip(upward, pairwise(borders.tolist()), strict=True):
            rows.append((number, low, high, int(edges.source[edge]), bool(holds[edge])))
    table = pd.DataFrame(rows, columns=["segment_no", "from_m", "to_m", "row", "holds"])
    own = pd.DataFrame(streams[["kind", "class", "name", "area_km2"]]).reset_index(drop=True).reindex(table.pop("row"))
    own = own.reset_index(drop=True)
    own["area_km2"] = own["area_km2"].astype(float).where(table.pop("holds"))
    return pd.concat([table, own], axis=1)


def line_errors(parts: pd.DataFrame, line_error_m: float, cell_m: float) -> NDArray[np.float64]:
    """Give the standard error of each segment's place [m]; (n,).

    A line of unconfirmed kind, drawn from the heights or of unknown origin, is trusted no better than to one cell.
    """
    unconfirmed = (parts["kind"] == "unconfirmed").groupby(parts["segment_no"]).any().to_numpy()
    return np.where(unconfirmed, max(line_error_m, cell_m), line_error_m)


def position_ids(lines: list[shapely.LineString]) -> list[str]:
    """Make ids of six symbols from the place of both ends and the length of each line, to a decimetre.

    Two lines that would share an id take the next one in the order of their places, so that ids depend neither on
    row order nor on how lines were drawn.
    """
    keys = []
    for line in lines:
        ends = shapely.get_coordinates(line)[[-1, 0]].ravel()
        keys.append(",".join(f"{value:.1f}" for value in (*ends, line.length)))
    ids: dict[int, str] = {}
    taken: set[str] = set()
    for number in sorted(range(len(lines)), key=lambda n: keys[n]):
        salt = 0
        while (made := _symbols(f"{keys[number]}#{salt}")) in taken:
            salt += 1
        ids[number] = made
        taken.add(made)
    return [ids[number] for number in range(len(lines))]


def _symbols(key: str) -> str:
    value = int.from_bytes(hashlib.sha256(key.encode()).digest()[:8], "big")
    first, value = _LETTERS[value % len(_LETTERS)], value // len(_LETTERS)
    rest = ""
    for _ in range(5):
        rest += _SYMBOLS[value % len(_SYMBOLS)]
        value //= len(_SYMBOLS)
    return first + rest
