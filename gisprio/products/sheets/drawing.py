"""The map of a sheet as marks: own outline, strips, stream with its flow, setback line, works; bar, arrow, locator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import affinity

from gisprio.products.sheets.frame import Bounds, Frame
from gisprio.products.sheets.marks import Line, Mark, Place, Points, Shape, Words, disc, rectangle
from gisprio.products.sheets.plots import Plot

OUTLINE, STREAM, FLOW = "#111111", "#2f7fb8", "#0b3d66"
STRIP, HATCH, SETBACK, WORKS = "#ffd9a8", "#b3470b", "#6a3d9a", "#2e7d32"
GREY, FRAME, PLACE = "#8aa4b5", "#555555", "#c0182b"
HATCH_MM = 1.3
"""From one line of the hatching to the next [own]."""
FLOW_EVERY_MM = 42.0
"""An arrow for so much of the stream [own]."""
FLOW_MM = 4.8
"""Length of an arrow head [own]."""
OVERVIEW_MM = 0.08
"""How far streams of the locator may be simplified, on the page [own]."""
LETTER_MM = 2.2
"""Radius of the disc that a letter stands on [own]."""


def hatching(shape: shapely.Geometry, step: float = HATCH_MM, angle: float = 45) -> shapely.Geometry:
    """Give straight lines over a shape, ``step`` apart, turned by ``angle`` degrees; all begin at the same place."""
    turned = affinity.rotate(shape, -angle, origin=(0, 0))
    x0, y0, x1, y1 = turned.bounds
    rows = np.arange(np.floor(y0 / step), np.ceil(y1 / step) + 1) * step
    lines = shapely.linestrings([[(x0 - 1, y), (x1 + 1, y)] for y in rows])
    return affinity.rotate(shapely.intersection(shapely.multilinestrings(lines), turned), angle, origin=(0, 0))


def lines_of(shape: shapely.Geometry, colour: str, width: float, dash: tuple[float, ...] = ()) -> list[Mark]:
    """Give a mark for each line of a shape; nothing for points and shapes that came of cutting."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    parts = parts[(shapely.get_dimensions(parts) == 1) & (shapely.length(parts) > 0)]
    return [Line(shapely.get_coordinates(part), colour, width, dash) for part in parts]


def shapes_of(shape: shapely.Geometry, fill: str, edge: str, width: float) -> list[Mark]:
    """Give a mark for each polygon of a shape."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    return [
        Shape(tuple(shapely.get_coordinates(ring) for ring in shapely.get_rings(part)), fill, edge, width)
        for part in parts[shapely.get_dimensions(parts) == 2]
    ]


def map_marks(frame: Frame, plot: Plot, streams: Sequence[shapely.Geometry], size: float) -> list[Mark]:
    """Draw the map of a property, without its picture below.

    Parameters
    ----------
    frame
        The window.
    plot
        The property.
    streams
        Lines of the streams, drawn downstream.
    size
        Size of letters [pt].
    """
    marks: list[Mark] = []
    for strip in plot.strips:
        on_page = frame.cut(strip.shape)
        marks += shapes_of(on_page, STRIP, HATCH, 0.25)
        marks += lines_of(hatching(on_page), HATCH, 0.18)
    for work in plot.works:
        on_page = frame.cut(work.shape)
        marks += shapes_of(on_page, "#cfe8cf", WORKS, 0.3)
        marks += lines_of(hatching(on_page, 1.6, -45), WORKS, 0.12)
    marks += lines_of(frame.cut(plot.setback_line), SETBACK, 0.35, (1.6, 0.9))
    shown = [frame.cut(line) for line in streams]
    for line in shown:
        marks += lines_of(line, STREAM, 0.9)
    outline = shapely.intersection(plot.outline.boundary, shapely.box(*frame.ground))
    marks += lines_of(shapely.line_merge(shapely.transform(outline, frame.places)), OUTLINE, 0.55, (3.2, 1.0, 0.6, 1.0))
    arrows = flow_arrows(shown, frame, plot)
    marks += [Shape((ring,), FLOW, "#ffffff", 0.25) for ring in arrows]
    marks += _labels(frame, plot, [*shown, *map(shapely.Polygon, arrows)], size)
    return [*marks, Shape((rectangle(*frame.box),), edge=FRAME, width=0.3)]


def flow_arrows(shown: Sequence[shapely.Geometry], frame: Frame, plot: Plot) -> list[Points]:
    """Give arrow heads along the streams of a property, that point downstream; at least one.

    Parameters
    ----------
    shown
        Streams as they lie on the page, drawn downstream.
    frame
        The window.
    plot
        The property.
    """
    own = frame.cut(plot.outline)
    whole = shapely.get_parts(shapely.line_merge(shapely.union_all(list(shown)), directed=True))
    parts = shapely.get_parts(shapely.get_parts(shapely.intersection(whole, shapely.buffer(own, 3.0))))
    parts = sorted(parts[shapely.length(parts) >= FLOW_MM], key=lambda part: -part.length)
    if not parts and len(whole):
        line = whole[np.argmin(shapely.distance(whole, own))]
        return [_arrow_head(line, line.project(own.centroid))]
    arrows = []
    for number, part in enumerate(parts):
        if number and part.length < FLOW_EVERY_MM / 2:
            continue
        count = max(1, round(part.length / FLOW_EVERY_MM))
        arrows += [_arrow_head(part, (at + 0.5) / count * part.length) for at in range(count)]
    return arrows


def _arrow_head(line: shapely.LineString, at: float) -> Points:
    """Give an arrow head in the middle of which is the place ``at`` millimetres along a line."""
    half = FLOW_MM / 2
    back, tip = (shapely.get_coordinates(line.interpolate(np.clip(at + d, 0, line.length)))[0] for d in (-half, half))
    way = (tip - back) / max(np.hypot(*(tip - back)), 1e-9)
    side = np.array([-way[1], way[0]])
    middle = (tip + back) / 2
    tip, back = middle + way * half, middle - way * half
    return np.array([tip, back + side * 1.35, back + way * 1.0, back - side * 1.35, tip])


def _labels(frame: Frame, plot: Plot, drawn: Sequence[shapely.Geometry], size: float) -> list[Mark]:
    """Put a letter beside each strip and the year beside works, at the first place around that is free, with a tie."""
    named = [(strip.shape, strip.letter, HATCH) for strip in plot.strips]
    named += [(work.shape, str(work.year), WORKS) for work in plot.works if work.year is not None]
    shapes = [frame.cut(shape) for shape in (*(shape for shape, _, _ in named), plot.outline.boundary)]
    busy = shapely.union_all([*shapes, *drawn])
    shapely.prepare(busy)
    taken: list[np.ndarray] = []
    ties: list[Mark] = []
    marks: list[Mark] = []
    for (_, text, colour), on_page in zip(named, shapes, strict=False):
        if on_page.is_empty:
            continue
        start = shapely.get_coordinates(shapely.point_on_surface(on_page))[0]
        at = _free_place(start, frame, busy, taken)
        taken.append(at)
        ties.append(Line(np.array([start, at]), colour, 0.3))
        marks += _label((at[0], at[1]), text, size, colour)
    return ties + marks


def _free_place(start: np.ndarray, frame: Frame, busy: shapely.Geometry, taken: Sequence[np.ndarray]) -> np.ndarray:
    """Give a place for a label: clear of all that is drawn, else of other labels, else any inside the window."""
    left, low, right, high = frame.box
    around = [start + far * np.array([np.cos(turn), np.sin(turn)]) for far in (5, 7, 9, 12) for turn in _TURNS]
    inside = [p for p in around if left + 4 < p[0] < right - 4 and low + 4 < p[1] < high - 4] or [start]
    free = [p for p in inside if all(np.hypot(*(p - other)) > 2 * LETTER_MM + 1 for other in taken)]
    clear = [p for p in free if not busy.intersects(shapely.Point(p).buffer(LETTER_MM + 0.3))]
    return (clear or free or inside)[0]


def _label(at: Place, text: str, size: float, colour: str) -> list[Mark]:
    """Write a letter in a disc, or more signs in a box."""
    ring = disc(at, LETTER_MM)
    if len(text) > 2:
        half = 0.105 * size * len(text)
        ring = rectangle(at[0] - half, at[1] - LETTER_MM * 0.8, at[0] + half, at[1] + LETTER_MM * 0.8)
    return [
        Shape((ring,), "#ffffff", colour, 0.35),
        Words((at[0], at[1] - 0.12 * size), text, size, True, anchor="middle"),
    ]


_TURNS = tuple(np.pi / 8 * turn for turn in (2, 14, 6, 10, 0, 8, 4, 12, 1, 3, 5, 7, 9, 11, 13, 15))


def scale_bar(at: Place, length_mm: float, labels: tuple[str, str, str], size: float) -> list[Mark]:
    """Draw a bar in four parts with its numbers: begin, middle and end."""
    x, y = at
    marks: list[Mark] = []
    for part in range(4):
        box = rectangle(x + part * length_mm / 4, y, x + (part + 1) * length_mm / 4, y + 1.6)
        marks.append(Shape((box,), "#ffffff" if part % 2 else "#111111", "#111111", 0.15))
    for share, label in zip((0.0, 0.5, 1.0), labels, strict=True):
        marks.append(Words((x + share * length_mm, y + 2.5), label, size, anchor="middle"))
    return marks


def north_arrow(at: Place, label: str, size: float) -> list[Mark]:
    """Draw an arrow to the north, with its letter above."""
    x, y = at
    head = np.array([(x, y + 8), (x - 2.2, y), (x, y + 1.8), (x + 2.2, y), (x, y + 8)])
    return [Shape((head,), "#111111", "#ffffff", 0.2), Words((x, y + 9), label, size, True, anchor="middle")]


def locator(
    box: Bounds, streams: Sequence[tuple[shapely.Geometry, float]], ground: Bounds, place: Bounds
) -> list[Mark]:
    """Draw where in the watershed a property lies.

    Parameters
    ----------
    box
        Left, lower, right and upper edge on the page [mm].
    streams
        Lines and their width [mm].
    ground
        Bounds of the watershed's streams [m].
    place
        Bounds of the window of the map [m].
    """
    frame = locator_frame(box, ground)
    marks: list[Mark] = [Shape((rectangle(*box),), "#f4f6f7")]
    for line, width in streams:
        marks += lines_of(shapely.transform(line, frame.places), GREY, width)
    x0, y0, x1, y1 = frame.places(np.array([place[:2], place[2:]])).ravel()
    x, y, half = (x0 + x1) / 2, (y0 + y1) / 2, max((x1 - x0) / 2, (y1 - y0) / 2, 1.1)
    left, low, right, high = box
    shown = max(x - half, left + 0.6), max(y - half, low + 0.6), min(x + half, right - 0.6), min(y + half, high - 0.6)
    marks.append(Shape((rectangle(*shown),), "", PLACE, 0.6))
    return [*marks, Shape((rectangle(*box),), edge=FRAME, width=0.3)]


def overview_of(lines: np.ndarray, orders: np.ndarray, wide_mm: float) -> tuple[tuple[shapely.Geometry, float], ...]:
    """Give streams for a locator: simplified for its width on the page [mm], with a width [mm] by Strahler order."""
    x0, y0, x1, y1 = shapely.total_bounds(lines)
    simple = shapely.simplify(lines, OVERVIEW_MM * max(x1 - x0, y1 - y0) / wide_mm)
    return tuple(
        (shapely.line_merge(shapely.multilinestrings(simple[orders == order])), 0.12 + 0.1 * float(order))
        for order in np.unique(orders)
    )


def locator_frame(box: Bounds, ground: Bounds) -> Frame:
    """Give the window that shows a whole watershed in a box, with 2 mm around."""
    wide, high = box[2] - box[0] - 4, box[3] - box[1] - 4
    scale = 1000 * max((ground[2] - ground[0]) / wide, (ground[3] - ground[1]) / high, 1e-3)
    return Frame(box, ((ground[0] + ground[2]) / 2, (ground[1] + ground[3]) / 2), scale)
