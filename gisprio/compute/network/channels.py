"""Streams drawn from the heights where no stream lines are given.

Cells through which enough ground drains are channels; they make links from source or confluence to confluence. A chain
of cells runs in steps of 45 degrees: the staircase is smoothed, since its zigzags are no bends of the stream.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.terrain.flow import bridge_holes, whole_grid
from gisprio.compute.terrain.routing import route
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.grids import Grid
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

SMOOTHING_PASSES = 9
"""Passes of the 1-2-1 mean along a channel: a moving mean over 7 cells, sigma 2.1 cells [own]."""
FARTHEST_CELLS = 0.75
"""No place of a channel is moved farther from its cell [own]: real bends keep their swing but for so much."""
DRAWN_KIND = "unconfirmed"


def draw_streams(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Give the stream lines: those given, as they are; where there are none, lines drawn from the heights.

    Parameters
    ----------
    tables
        ``streams``, possibly empty; ``watershed``, possibly empty.
    sources
        ``elevation``: raw heights on the routing grid.
    settings
        Section ``streams``.

    Returns
    -------
    dict
        ``stream_lines``, in the layer of ``streams``; and ``findings``.

    Raises
    ------
    InputError
        No lines are given, and none can be drawn: the ground is flat, or nowhere drains enough of it.

    Notes
    -----
    Holes are bridged, depressions filled, and the flow led to the steepest of eight neighbours; channels begin
    where ``start_area_km2`` drains. With a watershed only links that touch it are drawn, and those that flow into them.
    """
    streams, watershed, elevation = tables["streams"], tables["watershed"], sources["elevation"]
    start_km2 = settings.streams.start_area_km2
    if len(streams):
        return {"stream_lines": streams}
    grid = whole_grid(elevation)
    raw = np.where(grid.valid(), grid.values, np.nan).astype(np.float32, copy=False)
    _refuse_flat(raw)
    heights, _ = bridge_holes(raw, np.zeros(raw.shape, bool))  # told of with the catchments
    routed = route(heights)
    network = channel_cells(routed.direction, routed.counts(), start_km2 * 1e6 / grid.lattice.cell_m**2)
    lines = channel_lines(network, grid)
    if len(watershed):
        lines = lines[_into(lines, np.asarray(watershed.geometry.array))]
    if not len(lines):
        raise _nothing_drains(start_km2, float(network.most * grid.lattice.cell_m**2 / 1e6), bool(len(watershed)))
    told = {"source_id": None, "name": None, "class": None, "area_km2": np.nan, "divergence": None}
    unknown = {**told, "kind": DRAWN_KIND}
    drawn = gpd.GeoDataFrame(
        unknown, index=range(len(lines)), geometry=lines["geometry"].to_numpy(), crs=streams.crs
    ).astype({"source_id": "str", "name": "str"})
    return {"stream_lines": drawn, "findings": findings_table([_drawn_finding(drawn, start_km2)])}


@dataclass(frozen=True)
class Channels:
    """Channel cells, in order of row and column.

    Parameters
    ----------
    place
        (n, 2) row and column.
    below
        (n,) channel cell each flows into; -1 where water leaves the ground.
    above
        (n,) the cell that flows in with the most ground; -1 at a source.
    inflows
        (n,) channel cells that flow in.
    most
        Cells that drain through the largest channel, or through any cell where there is no channel.
    """

    place: Numbers
    below: Numbers
    above: Numbers
    inflows: Numbers
    most: int


def channel_cells(direction: NDArray[np.uint8], counts: NDArray[np.integer], least: float) -> Channels:
    """Find the channel cells and how they hang together.

    Parameters
    ----------
    direction
        (rows, columns) 1 to 8 for E, SE, S, SW, W, NW, N, NE; anything else where water leaves.
    counts
        (rows, columns) cells that drain through each cell.
    least
        Cells that must drain through a channel.

    Notes
    -----
    Of two inflows with equal ground the one that runs on straighter is the main one.
    """
    channel = (counts >= least) & (counts > 0)
    row, column = np.nonzero(channel)
    number = np.full((counts.shape[0] + 2, counts.shape[1] + 2), -1, np.int64)
    number[1:-1, 1:-1][channel] = np.arange(len(row))
    towards = direction[channel].astype(np.int64)
    towards[towards > 8] = 0
    step_row = np.array([0, 0, 1, 1, 1, 0, -1, -1, -1])[towards]
    step_column = np.array([0, 1, 1, 0, -1, -1, -1, 0, 1])[towards]
    below = np.where(towards > 0, number[row + 1 + step_row, column + 1 + step_column], -1)
    flows = np.flatnonzero(below >= 0)
    turn = np.abs((towards[flows] - towards[below[flows]] + 4) % 8 - 4)
    most_first = flows[np.lexsort((turn, -counts[channel][flows].astype(np.int64)))]
    above = np.full(len(row), -1, np.int64)
    above[below[most_first][::-1]] = most_first[::-1]  # the first of each comes last, and stays
    return Channels(
        np.column_stack([row, column]),
        below,
        above,
        np.bincount(below[flows], minlength=len(row)),
        int(counts.max(initial=0)),
    )


def smoothed_places(network: Channels) -> Floats:
    """Move channel cells off their staircase; (n, 2) row and column.

    Notes
    -----
    Each place is drawn to the mean of its neighbours up and down the main stem, time and again. Sources and outlets
    stay; confluences move with the main stem, and side streams end on them.
    """
    fixed = (network.below < 0) | (network.above < 0)
    start = network.place.astype(np.float64)
    place = start
    for _ in range(SMOOTHING_PASSES):
        mean = place / 2 + (place[network.above] + place[network.below]) / 4
        moved = np.where(fixed[:, None], start, mean) - start
        away = np.hypot(moved[:, 0], moved[:, 1])
        place = start + moved * np.minimum(1.0, FARTHEST_CELLS / np.maximum(away, 1e-12))[:, None]
    return place


def link_starts(network: Channels) -> tuple[Numbers, Numbers]:
    """Give each cell the source or confluence its link starts at, and how many cells it lies below it.

    The way up is doubled each time, so that the longest link takes few rounds.
    """
    cells = np.arange(len(network.below))
    start = np.where(network.inflows == 1, network.above, cells)
    depth = (network.inflows == 1).astype(np.int64)
    while (start[start] != start).any():
        depth = depth + depth[start]
        start = start[start]
    return start, depth


def channel_lines(network: Channels, grid: Grid) -> pd.DataFrame:
    """Draw the links, downstream, in order of the row and column they start at.

    Parameters
    ----------
    network
        Channel cells.
    grid
        The grid they lie on, for their place.

    Returns
    -------
    DataFrame
        ``geometry``; ``downstream``, the row of the link each flows into, -1 at an outlet.
    """
    start, depth = link_starts(network)
    ends = np.flatnonzero((network.below >= 0) & (network.inflows[network.below] != 1))
    link = np.concatenate([start, start[ends]])
    cell = np.concatenate([np.arange(len(start)), network.below[ends]])
    order = np.lexsort((np.concatenate([depth, depth[ends] + 1]), link))
    link, cell = link[order], cell[order]
    drawn = np.bincount(link, minlength=len(start))[link] > 1  # a source or confluence at an outlet has no line
    names, rows = np.unique(link[drawn], return_inverse=True)
    place = smoothed_places(network)[cell[drawn]]
    x, y = grid.lattice.centres(place[:, 0] + grid.row, place[:, 1] + grid.column)
    row_of = np.full(len(start) + 1, -1, np.int64)
    row_of[names] = np.arange(len(names))
    last = np.full(len(names), -1, np.int64)
    last[rows] = cell[drawn]
    geometry = shapely.linestrings(x, y, indices=rows) if len(names) else np.empty(0, object)
    return pd.DataFrame({"geometry": geometry, "downstream": row_of[last]})


def _into(lines: pd.DataFrame, area: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Say which links touch an area, or flow into one that does."""
    whole = shapely.union_all(area)
    shapely.prepare(whole)
    keep = np.append(shapely.intersects(whole, lines["geometry"].to_numpy()), False)  # -1 is the last: never
    down = np.append(lines["downstream"].to_numpy(), -1)
    while (keep[down] & ~keep).any():
        keep |= keep[down]
    return keep[:-1]


def _drawn_finding(drawn: gpd.GeoDataFrame, start_km2: float) -> Finding:
    says = (
        f"[layers] streams is not given: {drawn.geometry.length.sum() / 1000:.1f} km of streams were drawn from the "
        f"DEM, from {start_km2:g} km2 of drainage area on. Where they begin is an assumption, bends of a few "
        f"cells are smoothed away with the staircase of the grid, their kind is {DRAWN_KIND}, and banks of that kind "
        "are not ranked unless asked for."
    )
    do = (
        "Check their heads and courses on a map or in the field; then rank them with "
        f'ranked_kinds = ["natural", "{DRAWN_KIND}"] under [priority], or give stream lines.'
    )
    return Finding("warning", "streams", "streams_drawn", "", says, do)


def _refuse_flat(raw: NDArray[np.float32]) -> None:
    known = raw[~np.isnan(raw)]
    if len(known) and known.min() < known.max():
        return
    what = f"all heights are {known[0]:g} m" if len(known) else "it has no heights"
    raise InputError(
        f"[layers] streams is not given, and no streams can be drawn from the DEM: {what}.",
        wanted="stream lines, or a DEM with relief.",
        do='give the lines of your map agency, as in streams = "../data/streams.gpkg".',
    )


def _nothing_drains(start_km2: float, most_km2: float, watershed: bool) -> InputError:
    where = " in the watershed" if watershed else ""
    return InputError(
        f"[layers] streams is not given, and no streams can be drawn from the DEM: nowhere{where} do [streams] "
        f"start_area_km2 = {start_km2:g} km2 drain together; the most in the DEM is {most_km2:.3g} km2.",
        wanted="stream lines, or a start_area_km2 that some ground reaches.",
        do="give the lines of your map agency, or lower start_area_km2.",
    )
