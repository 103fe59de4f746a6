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

from gisprio.compute.terrain.cells import NODATA
from gisprio.compute.terrain.routing import route
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.grids import Grid, GridSource
from gisprio.contracts.settings import Settings

PIECE_M = 50.0
"""Length of a piece of segment that is given its own ground."""
HOLE_CELLS = 25
"""A hole without data that is larger than this is warned of, not only noted [own]."""
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
        ``catchments``: one row for every 50 m of each segment; ``height_above_stream``: float32 [m], nodata NaN;
        ``plain_area``: drainage area of each cell by the heights alone, no line lowered, float32 [km2];
        ``flow_direction``: uint8, directions of the routing; and ``findings``.

    Notes
    -----
    Lines are lowered by ``burn_m`` in a working copy, and the ground beside them on a ramp down to them, as far as the
    lines may lie off. Depressions are filled (barnes2014), flow is led to the steepest of eight neighbours
    (ocallaghan1984), flats are drained by direction. Ground is ``cut`` where it reaches the edge of the DEM and still
    rises towards it, inside the watershed: what lies beyond is not known. Height above the stream (nobre2011) reads
    raw heights alone: that of the cell less the lowest within a cell of the stream cell it drains to, as the channel
    may lie a cell beside its line; below 0 where ground behind a rise lies lower than that.
    """
    elevation = whole_grid(sources["elevation"])
    raw = np.where(elevation.valid(), elevation.values, np.nan).astype(np.float32, copy=False)
    pieces = stream_pieces(tables["segments"])
    label = stream_labels(tables["segments"], pieces, elevation)
    bridged, holes = bridge_holes(raw, label >= 0)
    cell_m = elevation.lattice.cell_m
    ramp_m = max(RAMP_LINE_ERRORS * settings.streams.line_error_m, RAMP_CELLS * cell_m)
    last = outlet_cells(tables["segments"], elevation)
    routed = route(lowered(bridged, label >= 0, last, settings.streams.burn_m, ramp_m / cell_m), label >= 0)
    met = routed.met(label)
    open_rim = rim_that_rises(bridged) & _inside(elevation, tables["watershed"], BORDER_CELLS * cell_m)
    found = met >= 0
    area = np.bincount(met[found], minlength=len(pieces)) * cell_m**2
    cut = np.bincount(met[found & open_rim], minlength=len(pieces)) > 0
    table = pieces.assign(area_m2=area.astype(float), cut=cut)
    above = raw - routed.carried(label >= 0, lowest_beside(raw, label >= 0))
    findings = [*_hole_findings(holes, cell_m), *_outside_findings(tables["segments"], elevation)]
    return {
        "catchments": table,
        "height_above_stream": Grid(above, elevation.lattice, elevation.row, elevation.column, None),
        "plain_area": Grid(plain_area(bridged, cell_m), elevation.lattice, elevation.row, elevation.column, None),
        "flow_direction": Grid(routed.direction, elevation.lattice, elevation.row, elevation.column, NODATA),
        "findings": findings_table(findings),
    }


def plain_area(heights: NDArray[np.float32], cell_m: float) -> NDArray[np.float32]:
    """Give the drainage area of each cell by the heights alone [km2]; 0 where there is no ground."""
    area = route(heights).counts().astype(np.float32)
    area *= np.float32(cell_m**2 / 1e6)
    return area


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


@dataclass(frozen=True, slots=True)
class Holes:
    """Holes without data that were bridged.

    Parameters
    ----------
    count
        How many.
    cells, largest_cells
        Cells of all of them, and of the largest.
    under_streams
        How many of them lie under a stream line.
    """

    count: int = 0
    cells: int = 0
    largest_cells: int = 0
    under_streams: int = 0


def bridge_holes(raw: NDArray[np.float32], stream: NDArray[np.bool_]) -> tuple[NDArray[np.float32], Holes]:
    """Make each hole without data that is enclosed by ground a pond at the level of the lowest cell around it.

    Parameters
    ----------
    raw
        (rows, columns) [m], NaN where there is no ground.
    stream
        (rows, columns) cells under a line.

    Returns
    -------
    heights, holes
        ``raw`` itself where there is no hole.

    Notes
    -----
    A hole swallows the flow of all that lies above it. Over a pond water goes on, and leaves where the ground around it
    is lowest. What touches the rim of the grid, by a corner at least, is no hole.
    """
    gone = np.isnan(raw)
    if not gone.any():
        return raw, Holes()
    names, count = ndimage.label(gone, structure=np.ones((3, 3)))
    enclosed = np.arange(count + 1) > 0
    enclosed[np.concatenate([names[0], names[-1], names[:, 0], names[:, -1]])] = False
    row, column = np.nonzero(enclosed[names])
    if not len(row):
        return raw, Holes()
    name = names[row, column]
    level = np.full(count + 1, np.inf, np.float32)
    np.minimum.at(level, name, _lowest_near(raw, row, column))
    bridged = raw.copy()
    bridged[row, column] = level[name]
    size = np.bincount(name, minlength=count + 1)
    under = np.unique(name[stream[row, column]]).size
    return bridged, Holes(int(enclosed.sum()), len(row), int(size.max()), under)


def _lowest_near(heights: NDArray[np.float32], row: NDArray[np.intp], column: NDArray[np.intp]) -> NDArray[np.float32]:
    """Give the lowest height among each cell and its neighbours [m]; infinite where none has any."""
    rows, columns = heights.shape
    lowest = np.full(row.shape, np.inf, np.float32)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            near = heights[np.clip(row + down, 0, rows - 1), np.clip(column + right, 0, columns - 1)]
            np.fmin(lowest, near, out=lowest)
    return lowest


def lowest_beside(heights: NDArray[np.float32], stream: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Give stream cells the lowest height within one cell of them [m]; (rows, columns), NaN elsewhere."""
    lowest = np.full(heights.shape, np.nan, np.float32)
    row, column = np.nonzero(stream)
    near = _lowest_near(heights, row, column)
    lowest[row, column] = np.where(np.isinf(near), np.nan, near)
    return lowest


def lowered(
    heights: NDArray[np.float32],
    stream: NDArray[np.bool_],
    last: NDArray[np.bool_],
    burn_m: float,
    ramp_cells: float,
) -> NDArray[np.float32]:
    """Lower a copy of the heights under the streams, and less and less beside them.

    Parameters
    ----------
    heights
        (rows, columns) [m].
    stream
        (rows, columns) cells under a line.
    last
        (rows, columns) cells under the lower end of an outlet: no ramp leads to them, or ground below the end of the
        line would drain back up to it. They win where a common stream cell is as near.
    burn_m
        Depth under the line [m]; beside it burn_m (1 - d / ramp) at a distance of d cells to the nearest stream cell.
    ramp_cells
        Distance at which nothing is lowered any more [cells].

    Notes
    -----
    Without the ramp a channel that lies two cells beside its line would carry the valley's water past it.
    """
    rows, columns = heights.shape
    depth = np.zeros(heights.shape, np.float32)
    common, ends = np.argwhere(stream & ~last), np.argwhere(stream & last)
    for steps in _rings(ramp_cells):
        burnt = burn_m * (1.0 - np.hypot(*steps[0]) / ramp_cells)
        for cells, here in ((common, burnt), (ends, 0.0)):
            for step in steps:
                row, column = (cells + step).T
                inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
                depth[row[inside], column[inside]] = here
    depth[stream] = burn_m
    return heights - depth


def _rings(radius: float) -> list[NDArray[np.int64]]:
    """Give the steps to all cells nearer than ``radius`` [cells], by distance, the farthest first."""
    reach = int(np.ceil(radius))
    steps = np.argwhere(np.ones((2 * reach + 1, 2 * reach + 1), bool)) - reach
    square = (steps**2).sum(axis=1)
    return [steps[square == s] for s in np.unique(square)[::-1] if 0 < s < radius**2]


def rim_that_rises(heights: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Say where the ground reaches the edge of the data and still rises towards it; (rows, columns).

    The rise is the sum, over the neighbours without data, of the height less that of the neighbour opposite.
    """
    z = np.pad(heights, 1, constant_values=np.nan)
    middle = z[1:-1, 1:-1]
    rise, rim = np.zeros(heights.shape, np.float32), np.zeros(heights.shape, bool)
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


def _hole_findings(holes: Holes, cell_m: float) -> list[Finding]:
    if not holes.count:
        return []
    one = holes.count == 1
    says = (
        f"{holes.count} {'hole' if one else 'holes'} without heights, {holes.cells} cells, "
        f"{'lies' if one else 'lie'} inside the DEM, the largest {holes.largest_cells * cell_m**2 / 1e4:.2g} ha, "
        f"{holes.under_streams} under a stream line: for routing only, each was taken for a pond as high as the lowest "
        "cell around it."
    )
    grave = holes.largest_cells > HOLE_CELLS or holes.under_streams > 0
    return [Finding("warning" if grave else "note", "dem", "holes", "", says, "Fill them in the DEM.")]


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
