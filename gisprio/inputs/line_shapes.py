"""Stream layers that read well and hold something else: outlines, contours, roads, doubled lines, another basin."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.findings import Finding, Severity, listed
from gisprio.contracts.settings import Settings
from gisprio.inputs.channel import low_offsets
from gisprio.inputs.project import Inputs
from gisprio.inputs.samples import LinePoints, outside_of, percent, points_along, values_at

STEP_M = 25.0
BESIDE_LEAST_M = 30.0
"""Lines nearer side by side than this, or than the setback if that is more, have strips that hold each other [own]."""
BESIDE_SHARE = 0.8
"""Share of a line beside another from which it is told: a line that only joins one at a sharp angle has less [own]."""
BESIDE_LINE_M = 200.0
"""Shorter lines may lie beside another at a confluence [own]."""
BESIDE_GRAVE = 0.1
"""Share of all length from which lines side by side are a warning: fewer may be arms around islands [own]."""
CLOSED_SHARE = 0.5
"""Share of the length in closed lines that no layer of streams has [own]."""
LEVEL_LINE_M = 500.0
LEVEL_RANGE_M = 1.0
LEVEL_RELIEF_M = 5.0
"""A line so long that rises and falls so little, on ground with so much relief across, is level [own]..."""
LEVEL_OFF_SHARE = 0.8
"""...where so much of it has no low of the ground beside it: a lowland stream lies in the low [own]."""
ON_ROAD_M = 2.0
ON_ROAD_SHARE = 0.5
"""Share of the stream length so near to a road that the layer is doubted: streams cross roads, they are none [own]."""
OUTSIDE_SHARE = 0.5
"""Share of the stream length outside the area of interest that is told [own]."""


def lines_side_by_side(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """No line runs beside another so near that the strip of one holds the other."""
    streams = inputs.tables["streams"]
    lines = streams.geometry.to_numpy()
    reach = max(BESIDE_LEAST_M, settings.setback.most_m)
    points = points_along(lines, STEP_M)
    beside = _length_by_line(points, _has_line_beside(lines, points, reach), len(lines))
    length = shapely.length(lines)
    doubled = (beside >= BESIDE_SHARE * length) & (length >= BESIDE_LINE_M)
    doubled &= streams["divergence"].fillna(0).ne(2).to_numpy(bool)
    if not doubled.any():
        return
    share = length[doubled].sum() / length.sum()
    severity: Severity = "warning" if share >= BESIDE_GRAVE else "note"
    says = (
        f"{_count(doubled)} ({_km(length[doubled].sum(), length.sum())}) with a line beside, under {reach:g} m away: "
        f"{listed(_names(inputs, doubled))}. The strip of one holds the other: gaps between them and the drainage "
        "areas of both are uncertain."
    )
    do = "where they are the two banks of one stream, or copies of one line, draw its middle once."
    yield Finding(severity, "streams", "side_by_side", "", says, do)


def _has_line_beside(lines: NDArray[Any], points: LinePoints, reach_m: float) -> NDArray[np.bool_]:
    """Say which points have a line to the left or right of them within reach; (n,)."""
    tree = shapely.STRtree(lines)
    found = np.zeros(len(points.x), bool)
    for sign in (1.0, -1.0):
        steps = [
            np.column_stack([points.x - sign * points.along_y * away, points.y + sign * points.along_x * away])
            for away in (0.5, reach_m)
        ]
        point, _ = tree.query(shapely.linestrings(np.stack(steps, axis=1)), predicate="intersects")
        found[point] = True
    return found


def lines_not_closed(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Lines begin and end at different places, as streams do."""
    lines = inputs.tables["streams"].geometry.to_numpy()
    length, closed = shapely.length(lines), shapely.is_closed(lines)
    if length[closed].sum() < CLOSED_SHARE * length.sum() or not closed.any():
        return
    says = (
        f"{_count(closed)} ({_km(length[closed].sum(), length.sum())}) without two ends: "
        f"{listed(_names(inputs, closed))}. Outlines of polygons and contours are closed, streams are not; what is "
        "measured along them is no bank."
    )
    yield Finding("warning", "streams", "closed_lines", "", says, "give the lines along the middle of the streams.")


def lines_fall(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """No natural stream keeps one height along a slope, as contours and canals do."""
    streams, dem = inputs.tables["streams"], inputs.rasters["dem"]
    lines = streams.geometry.to_numpy()
    length = shapely.length(lines)
    level = (length >= LEVEL_LINE_M) & streams["kind"].eq("natural").to_numpy(bool)
    points = points_along(lines[level], 4 * STEP_M)
    height = values_at(dem, points.x, points.y)
    known_m = _length_by_line(points, np.isfinite(height), int(level.sum()))
    level[level] = (known_m >= LEVEL_OFF_SHARE * length[level]) & (_ranges(points, height) <= LEVEL_RANGE_M)
    points = points_along(lines[level], 4 * STEP_M)
    offset, relief = low_offsets(dem, points)
    limit = max(settings.setback.most_m / 3, dem.lattice.cell_m)
    aside_m = _length_by_line(points, (relief > LEVEL_RELIEF_M) & (np.abs(offset) > limit), int(level.sum()))
    level[level] = aside_m >= LEVEL_OFF_SHARE * length[level]
    if not level.any():
        return
    says = (
        f"{_count(level)} ({_km(length[level].sum(), length.sum())}) along a slope with no more than "
        f"{LEVEL_RANGE_M:g} m of fall: {listed(_names(inputs, level))}. Contours and canals are level, streams are not."
    )
    do = "leave contours out; name canals in [columns] streams.kind."
    yield Finding("warning", "streams", "level_lines", "", says, do)


def lines_not_roads(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Streams and roads are two layers, not one given twice."""
    roads = inputs.tables["roads"].geometry.to_numpy()
    if not len(roads):
        return
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), STEP_M)
    near, _ = shapely.STRtree(roads).query(shapely.points(points.x, points.y), predicate="dwithin", distance=ON_ROAD_M)
    on_road_m = points.length_m[np.unique(near)].sum()
    if on_road_m > ON_ROAD_SHARE * points.length_m.sum():
        part = _km(on_road_m, points.length_m.sum())
        says = f"{part} of stream lie on a road: the layers may be the same, or swapped."
        yield Finding("warning", "streams", "on_roads", "", says, "check [layers] streams and roads.")


def lines_in_watershed(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Most of the streams lie in the area of interest."""
    watershed = inputs.tables["watershed"].geometry.to_numpy()
    if not len(watershed) or not len(inputs.tables["streams"]):
        return
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), STEP_M)
    outside = outside_of(watershed, points.x, points.y)
    share = points.length_m[outside].sum() / points.length_m.sum()
    if share > OUTSIDE_SHARE:
        says = f"{percent(share)} of the stream length lies outside [layers] watershed and is not ranked."
        do = "check that streams and watershed are of the same basin."
        yield Finding("warning", "streams", "outside_watershed", "", says, do)


def _names(inputs: Inputs, which: NDArray[np.bool_]) -> list[str]:
    """Name lines by their id, else by their number in the layer."""
    ids = inputs.tables["streams"]["source_id"][which]
    return [name if isinstance(name, str) else f"line {at}" for at, name in ids.items()]


def _count(which: NDArray[np.bool_]) -> str:
    number = int(which.sum())
    return "1 line" if number == 1 else f"{number} lines"


def _km(part_m: float, whole_m: float) -> str:
    return f"{part_m / 1000:.1f} of {whole_m / 1000:.1f} km"


def _length_by_line(points: LinePoints, which: NDArray[np.bool_], count: int) -> NDArray[np.float64]:
    """Add up the length of the chosen points of each line [m]; (lines,)."""
    return np.asarray(np.bincount(points.line, np.where(which, points.length_m, 0.0), count), np.float64)


def _ranges(points: LinePoints, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give highest less lowest value along each line, missing ones passed over; (lines,)."""
    by_line = pd.Series(values).groupby(points.line)
    return (by_line.max() - by_line.min()).to_numpy(float)
