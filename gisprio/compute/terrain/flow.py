"""The ground that drains into each short piece of stream.

Every routing cell is walked downstream to the first cell under a stream line; from there the network of lines carries
its area on. So drainage area never falls downstream, and is exact at confluences, whatever the grid does in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gisprio.compute.terrain.kernels import (
    NODATA,
    OUTLET,
    UNSET,
    drain_flats,
    fill,
    neighbour_offsets,
    steepest,
    walk_to_label,
)
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.grids import Grid, GridSource
from gisprio.contracts.settings import Settings

PIECE_M = 50.0
"""Length of a piece of segment that is given its own ground."""
HOLE_CELLS = 25
"""Holes without data up to this size, away from the rim, are bridged [own]."""
RAMP_LINE_ERRORS = 3.0
"""Ground so near to a line, in errors of its place, is lowered on a ramp towards it [own]..."""
RAMP_CELLS = 2.5
"""...and at least so many cells [own]: a channel two cells off still finds its line."""
BORDER_CELLS = 2.0
"""The DEM may end so near to the watershed's border without cutting anything off [own]."""


def share_catchments(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Give each piece of stream the ground that drains straight into it.

    Parameters
    ----------
    tables
        ``segments``; ``watershed``, possibly empty.
    sources
        ``elevation``: the routing grid.
    settings
        Section ``streams``.

    Returns
    -------
    dict
        ``catchments``: one row for every 50 m of each segment; and ``findings``.

    Notes
    -----
    Lines are lowered by ``burn_m`` in a working copy, and the ground beside them on a ramp down to them, as far as the
    lines may lie off. Depressions are filled (barnes2014), flow is led to the steepest of eight neighbours
    (ocallaghan1984), flats are drained by direction. Ground is ``cut`` where it reaches the edge of the DEM and still
    rises towards it, inside the watershed: what lies beyond is not known.
    """
    elevation = whole_grid(sources["elevation"])
    raw = np.where(elevation.valid(), elevation.values.astype(np.float64), np.nan)
    bridged, holes = bridge_holes(raw)
    pieces = stream_pieces(tables["segments"])
    label = stream_labels(tables["segments"], pieces, elevation)
    cell_m = elevation.lattice.cell_m
    ramp_m = max(RAMP_LINE_ERRORS * settings.streams.line_error_m, RAMP_CELLS * cell_m)
    last = outlet_cells(tables["segments"], elevation)
    met = _routed(lowered(bridged, label >= 0, last, settings.streams.burn_m, ramp_m / cell_m), label)
    open_rim = rim_that_rises(bridged) & _inside(elevation, tables["watershed"], BORDER_CELLS * cell_m)
    found = met >= 0
    area = np.bincount(met[found], minlength=len(pieces)) * cell_m**2
    cut = np.bincount(met[found & open_rim], minlength=len(pieces)) > 0
    table = pieces.assign(area_m2=area.astype(float), cut=cut)
    findings = [*_hole_findings(holes), *_outside_findings(tables["segments"], elevation)]
    return {"catchments": table, "findings": findings_table(findings)}


def whole_grid(source: GridSource) -> Grid:
    """Read a whole source: only for the routing grid, which is whole anyway."""
    lattice, (rows, columns) = source.lattice, source.shape
    half = lattice.cell_m / 2
    return source.window(
        (
            lattice.x0 + half,
            lattice.y0 - rows * lattice.cell_m + half,
            lattice.x0 + columns * lattice.cell_m - half,
            lattice.y0 - half,
        )
    )


def stream_pieces(segments: pd.DataFrame) -> pd.DataFrame:
    """Cut segments every 50 m upstream; one row a piece, ``segment_no`` and ``from_m``."""
    length = segments["length_m"].to_numpy(float)
    count = np.maximum(1, np.ceil(length / PIECE_M - 1e-6)).astype(int)
    number = np.repeat(segments["segment_no"].to_numpy(), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return pd.DataFrame({"segment_no": number, "from_m": step * PIECE_M})


def stream_labels(segments: pd.DataFrame, pieces: pd.DataFrame, elevation: Grid) -> NDArray[np.int32]:
    """Give each cell under a line the row of its piece, -1 elsewhere; (rows, columns).

    A cell under several lines belongs to the one of highest order, then to the lowest number.
    """
    label = np.full(elevation.values.shape, -1, np.int32)
    first_row = pieces.groupby("segment_no").cumcount().eq(0)
    start = dict(zip(pieces.loc[first_row, "segment_no"], np.flatnonzero(first_row), strict=True))
    order = segments.sort_values(["strahler_order", "segment_no"], ascending=[True, False])
    for segment in order.itertuples(index=False):
        step = elevation.lattice.cell_m / 4
        down = np.append(np.arange(0, segment.length_m, step), segment.length_m)
        points = shapely.get_coordinates(shapely.line_interpolate_point(segment.geometry, down))
        row, column, inside = elevation.index(points[:, 0], points[:, 1])
        piece = np.floor((segment.length_m - down) / PIECE_M + 1e-9).astype(int)
        last = max(0, int(np.ceil(segment.length_m / PIECE_M - 1e-6)) - 1)
        rows = start[segment.segment_no] + np.minimum(piece, last)
        label[row[inside], column[inside]] = rows[inside]
    return label


def outlet_cells(segments: pd.DataFrame, elevation: Grid) -> NDArray[np.bool_]:
    """Say which cells lie under the lower end of a segment that flows into no other; (rows, columns)."""
    last = np.zeros(elevation.values.shape, bool)
    outlets = segments[segments["downstream_no"] < 0]
    ends = shapely.get_coordinates(shapely.get_point(np.asarray(outlets.geometry.array), -1)).reshape(-1, 2)
    row, column, inside = elevation.index(ends[:, 0], ends[:, 1])
    last[row[inside], column[inside]] = True
    return last


@dataclass(frozen=True)
class Holes:
    """Holes without data that were bridged: how many, and how many cells."""

    count: int
    cells: int


def bridge_holes(raw: NDArray[np.float64]) -> tuple[NDArray[np.float64], Holes]:
    """Fill small holes away from the rim with the mean of the cells around them, ring by ring.

    A hole in a channel would swallow the flow of all that lies above it.
    """
    gone = np.isnan(raw)
    names, count = ndimage.label(gone, structure=np.ones((3, 3)))
    size = np.bincount(names.ravel(), minlength=count + 1)
    at_rim = np.unique(np.concatenate([names[0], names[-1], names[:, 0], names[:, -1]]))
    small = (size <= HOLE_CELLS) & ~np.isin(np.arange(count + 1), at_rim)
    small[0] = False
    hole = small[names]
    bridged = raw.copy()
    while np.isnan(bridged[hole]).any():
        known = ~np.isnan(bridged)
        total = ndimage.convolve(np.where(known, bridged, 0.0), np.ones((3, 3)), mode="constant")
        near = ndimage.convolve(known.astype(float), np.ones((3, 3)), mode="constant")
        ring = hole & ~known & (near > 0)
        bridged[ring] = total[ring] / near[ring]
    return bridged, Holes(int(small.sum()), int(hole.sum()))


def lowered(
    heights: NDArray[np.float64],
    stream: NDArray[np.bool_],
    last: NDArray[np.bool_],
    burn_m: float,
    ramp_cells: float,
) -> NDArray[np.float64]:
    """Lower a copy of the heights under the streams, and less and less beside them.

    Parameters
    ----------
    heights
        (rows, columns) [m].
    stream
        (rows, columns) cells under a line.
    last
        (rows, columns) cells under the lower end of an outlet: no ramp leads to them, or ground below the end of the
        line would drain back up to it.
    burn_m
        Depth under the line [m]; beside it burn_m (1 - d / ramp) at a distance of d cells.
    ramp_cells
        Distance at which nothing is lowered any more [cells].

    Notes
    -----
    Without the ramp a channel that lies two cells beside its line would carry the valley's water past it.
    """
    if not stream.any():
        return heights.copy()
    away, nearest = ndimage.distance_transform_edt(~stream, return_indices=True)
    ramp = np.where(last[tuple(nearest)] & ~stream, 0.0, np.maximum(0.0, 1.0 - away / ramp_cells))
    lower: NDArray[np.float64] = heights - burn_m * ramp
    return lower


def _routed(heights: NDArray[np.float64], label: NDArray[np.int32]) -> NDArray[np.int32]:
    """Route flow on lowered heights; give the label each cell meets first, -1 for none. (rows, columns)

    Water that meets a line is taken up: the lowered cells are outlets, not a trench to be filled.
    """
    z, direction, marks = bordered(heights, label)
    direction[marks >= 0] = OUTLET
    offset = neighbour_offsets(heights.shape[1] + 2)
    fill(z, direction, offset)
    steepest(z, direction, offset)
    drain_flats(z, direction, offset)
    met = walk_to_label(direction, marks, offset)
    return met.reshape(heights.shape[0] + 2, heights.shape[1] + 2)[1:-1, 1:-1]


def bordered(
    heights: NDArray[np.float64], label: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.uint8], NDArray[np.int32]]:
    """Put a border of one cell without data around a grid, and flatten: heights, directions to fill in, labels."""
    z = np.pad(np.nan_to_num(heights, nan=0.0), 1)
    direction = np.pad(np.where(np.isnan(heights), NODATA, UNSET).astype(np.uint8), 1, constant_values=NODATA)
    marks = np.pad(np.where(np.isnan(heights), -1, label).astype(np.int32), 1, constant_values=-1)
    return z.ravel(), direction.ravel(), marks.ravel()


def rim_that_rises(heights: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say where the ground reaches the edge of the data and still rises towards it; (rows, columns).

    The rise is the sum, over the neighbours without data, of the height less that of the neighbour opposite.
    """
    z = np.pad(heights, 1, constant_values=np.nan)
    middle = z[1:-1, 1:-1]
    rise, rim = np.zeros(heights.shape), np.zeros(heights.shape, bool)
    rows, columns = heights.shape
    for r in (-1, 0, 1):
        for c in (-1, 0, 1):
            if r == c == 0:
                continue
            beyond = np.isnan(z[1 + r : 1 + r + rows, 1 + c : 1 + c + columns])
            opposite = z[1 - r : 1 - r + rows, 1 - c : 1 - c + columns]
            told = beyond & ~np.isnan(opposite) & ~np.isnan(middle)
            rise += np.where(told, middle - np.nan_to_num(opposite), 0.0)
            rim |= beyond & ~np.isnan(middle)
    return rim & (rise > 0)


def _inside(elevation: Grid, watershed: pd.DataFrame, margin_m: float) -> NDArray[np.bool_]:
    """Say which cells lie inside the watershed by more than ``margin_m``; all where no watershed is given."""
    shape = elevation.values.shape
    if not len(watershed):
        return np.ones(shape, bool)
    area = shapely.buffer(shapely.union_all(np.asarray(watershed.geometry.array)), -margin_m)
    shapely.prepare(area)
    inside = np.zeros(shape, bool)
    columns = np.arange(shape[1]) + elevation.column
    for row in range(shape[0]):
        x, y = elevation.lattice.centres(np.full(shape[1], row + elevation.row), columns)
        inside[row] = shapely.contains_xy(area, x, y)
    return inside


def _hole_findings(holes: Holes) -> list[Finding]:
    if not holes.count:
        return []
    says = (
        f"{holes.count} holes without heights, {holes.cells} cells, lie inside the DEM: "
        "they were bridged for routing only."
    )
    return [Finding("note", "dem", "holes", "", says, "Fill them in the DEM if they lie on a stream.")]


def _outside_findings(segments: pd.DataFrame, elevation: Grid) -> list[Finding]:
    """Find segments of which more than half has no heights under it."""
    off = []
    for segment in segments.itertuples(index=False):
        down = np.linspace(0.0, segment.length_m, 2 + int(segment.length_m / elevation.lattice.cell_m))
        points = shapely.get_coordinates(shapely.line_interpolate_point(segment.geometry, down))
        if np.isnan(elevation.nearest(points[:, 0], points[:, 1], np.nan)).mean() > 0.5:
            off.append(segment.segment_id)
    if not off:
        return []
    says = f"{len(off)} segments lie mostly outside the heights and get no ground of their own: {listed(off)}."
    return [Finding("warning", "streams", "outside_dem", "", says, "Give a DEM that covers them.")]
