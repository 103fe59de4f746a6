"""The map of a comparison as SVG: where gaps closed and opened, in two colours that differ in lightness and form."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.compare import Comparison
from gisprio.products.classes import CLOSED, OPENED
from gisprio.products.compare_words import CHANGE_WORDS, length
from gisprio.products.svg import box, line, page, path, shape, words
from gisprio.products.units import shown_units

WIDTH, MOST_HEIGHT, EDGE, ROW = 680.0, 520.0, 24.0, 20.0
"""Size of the picture, its edge, and a row of the legend [px]."""
LABELS = 6
"""So many of the longest changes get their length written beside them [own]."""
_STYLE = f"""
.cm-stream {{ fill: none; stroke: #9db4c4; stroke-width: 1.1; stroke-linejoin: round; }}
.cm-closed, .cm-opened, .cm-core, .cm-other {{ fill: none; stroke-linejoin: round; }}
.cm-closed {{ stroke: {CLOSED}; stroke-width: 5; stroke-linecap: round; }}
.cm-opened {{ stroke: {OPENED}; stroke-width: 6.4; stroke-linecap: square; }}
.cm-core {{ stroke: #ffffff; stroke-width: 2.4; stroke-linecap: square; }}
.cm-thin {{ stroke-width: 2.2; }}
.cm-opened.cm-thin {{ stroke-width: 3.2; }}
.cm-core.cm-thin {{ stroke-width: 1.1; }}
.cm-other {{ stroke: #7a8794; stroke-width: 2.2; stroke-dasharray: 2 2; }}
.cm-works {{ fill: none; stroke: #1d2733; stroke-width: 1.2; stroke-dasharray: 3 2; }}
.cm-bar, .cm-arrow {{ fill: #1d2733; stroke: #1d2733; stroke-width: 1; }}
.cm-rim {{ fill: none; stroke: #c3cad1; }}
.cm-text {{ font: 12px system-ui, 'Segoe UI', Helvetica, Arial, sans-serif; fill: #1d2733; }}
.cm-halo {{ font: bold 12px system-ui, 'Segoe UI', Helvetica, Arial, sans-serif; fill: #1d2733; stroke: #ffffff;
  stroke-width: 3; paint-order: stroke; }}
"""


class Frame:
    """Takes places of the working system to the picture.

    Parameters
    ----------
    bounds
        West, south, east, north of what is drawn [m].
    """

    def __init__(self, bounds: NDArray[np.float64]) -> None:
        west, south, east, north = bounds
        wide, high = max(east - west, 1.0), max(north - south, 1.0)
        self.scale = min((WIDTH - 2 * EDGE) / wide, (MOST_HEIGHT - 2 * EDGE) / high)
        self.height = high * self.scale + 2 * EDGE
        self._west = west - ((WIDTH - 2 * EDGE) / self.scale - wide) / 2
        self._north = north

    def places(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give places in the picture; (n, 2) [px]."""
        return np.column_stack([(xy[:, 0] - self._west), (self._north - xy[:, 1])]) * self.scale + EDGE


def compare_map(comparison: Comparison) -> str:
    """Draw the map.

    Parameters
    ----------
    comparison
        What was found.

    Returns
    -------
    str
        SVG with north arrow, scale and legend; it asks for nothing.
    """
    frame = Frame(shapely.total_bounds(comparison.reaches))
    changes = comparison.changes()
    marks = [
        box((0.5, 0.5), WIDTH - 1, frame.height - 1, "cm-rim"),
        *_lines(frame, shapely.simplify(comparison.reaches, 1.0 / frame.scale), "cm-stream"),
        *_works(frame, comparison),
        *_changes(frame, changes),
        *_labels(frame, changes, comparison.units),
        *_north(),
        *_scale_bar(frame, comparison.units),
    ]
    entries = list(_entries(changes, comparison))
    height = frame.height + ROW * ((len(entries) + 1) // 2) + ROW / 2
    return page(WIDTH, height, _STYLE, _title(comparison), [*marks, *_legend(frame.height, entries)])


def _title(comparison: Comparison) -> str:
    total = comparison.tables["totals"].iloc[-1]
    if not comparison.comparable_gaps:
        return "Map of the streams; gaps of the two runs cannot be compared."
    closed, opened = (length(total[f"{name}_m"], comparison.units) for name in ("closed", "opened"))
    return f"Map of the streams: gaps closed on {closed} of bank, opened on {opened}."


def _lines(frame: Frame, lines: NDArray[np.object_], kind: str) -> Iterator[str]:
    for part in shapely.get_parts(lines):
        yield path(frame.places(shapely.get_coordinates(part)), kind)


def _changes(frame: Frame, changes: pd.DataFrame) -> Iterator[str]:
    """Draw the changes: uncertain ones thin and below, what opened with a white core."""
    order = {"uncertain": 0, "clear": 1}
    places = {name: rank for rank, name in enumerate(("opened", "closed"), 1)}
    rank = changes["certainty"].map(order) * 10 + changes["change"].map(places).fillna(0)
    for row in np.argsort(rank.to_numpy(float), kind="stable"):
        change, thin = changes["change"].iloc[row], " cm-thin" if changes["certainty"].iloc[row] == "uncertain" else ""
        shapes = np.array([changes.geometry.iloc[row]], object)
        if change not in places:
            yield from _lines(frame, shapes, "cm-other")
            continue
        yield from _lines(frame, shapes, f"cm-{change}{thin}")
        if change == "opened":
            yield from _lines(frame, shapes, f"cm-core{thin}")


def _works(frame: Frame, comparison: Comparison) -> Iterator[str]:
    """Draw works done as outlines, at least so large that they are seen."""
    least = 5.0 / frame.scale
    for polygon in shapely.get_parts(np.asarray(comparison.tables["works"].geometry.array)):
        ring = shapely.buffer(polygon, least, quad_segs=4)
        yield shape(frame.places(shapely.get_coordinates(shapely.get_exterior_ring(ring))), "cm-works")


def _labels(frame: Frame, changes: pd.DataFrame, units: str) -> Iterator[str]:
    """Write the lengths of the longest changes where no other label stands."""
    told = changes[changes["change"].isin(("closed", "opened"))]
    taken: list[tuple[float, float]] = []
    for row in told.sort_values("length_m", ascending=False, kind="stable").index:
        if len(taken) == LABELS:
            return
        middle = shapely.line_interpolate_point(told.geometry[row], 0.5, normalized=True)
        x, y = frame.places(shapely.get_coordinates(middle))[0].tolist()
        near_edge = x > WIDTH - 130
        if any(abs(x - a) < 120 and abs(y - b) < 16 for a, b in taken):
            continue
        taken.append((x, y))
        text = f"{told['change'][row]} {length(told['length_m'][row], units)}"
        yield words(
            (x - 8 if near_edge else x + 8, y - 6), text, kind="cm-halo", anchor="end" if near_edge else "start"
        )


def _north() -> list[str]:
    x, y = WIDTH - 26.0, 20.0
    return [
        shape([(x, y), (x + 7, y + 24), (x, y + 18), (x - 7, y + 24)], "cm-arrow"),
        words((x, y + 40), "N", kind="cm-text", anchor="middle"),
    ]


def _scale_bar(frame: Frame, units: str) -> list[str]:
    shown = shown_units("us" if units == "us" else "si")
    most_m = 0.22 * WIDTH / frame.scale
    factor, unit = shown["km"] if most_m / 1000 * shown["km"][0] >= 1 else shown["m"]
    factor = factor / 1000 if unit == shown["km"][1] else factor
    most = most_m * factor
    steps = [mark * 10.0**power for power in range(5) for mark in (1, 2, 5)]
    told = max((step for step in steps if step <= most), default=steps[0])
    wide = told / factor * frame.scale
    x, y = EDGE, frame.height - 14
    return [
        box((x, y - 3), wide, 3, "cm-bar"),
        words((x + wide + 6, y + 1), f"{told:,.0f} {unit}", kind="cm-text"),
    ]


def _entries(changes: pd.DataFrame, comparison: Comparison) -> Iterator[tuple[str, str]]:
    """Give kind and words of the marks that are there."""
    yield "cm-stream", "stream"
    measured = comparison.tables["totals"].iloc[-1][["known_before_m", "known_m"]].sum() > 0
    for change in ("closed", "opened") if measured else ():
        own = changes[changes["change"] == change]
        total = comparison.tables["totals"].iloc[-1][f"{change}_m"]
        told = f": {length(total, comparison.units)}" if comparison.comparable_gaps else ": cannot be told"
        yield f"cm-{change}", f"gap {CHANGE_WORDS[change]}{told}"
        if (own["certainty"] == "uncertain").any():
            yield f"cm-{change} cm-thin", f"{CHANGE_WORDS[change]}, uncertain"
    if (~changes["change"].isin(("closed", "opened"))).any():
        yield "cm-other", "gap then or now; not known, or no bank, in the other run"
    if len(comparison.tables["works"]):
        yield "cm-works", "works done since" if not comparison.planted else "taken as planted"


def _legend(top: float, entries: Sequence[tuple[str, str]]) -> Iterator[str]:
    for number, (kind, text) in enumerate(entries):
        x, y = EDGE + 320 * (number % 2), top + ROW * (1 + number // 2)
        yield line((x, y - 4), (x + 26, y - 4), kind)
        if "cm-opened" in kind:
            yield line((x, y - 4), (x + 26, y - 4), kind.replace("cm-opened", "cm-core"))
        yield words((x + 38, y), text, kind="cm-text")
