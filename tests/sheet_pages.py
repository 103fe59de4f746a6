"""Reads a landowner sheet back from its PDF, words and vectors, and holds it to the ground it should show."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import reduce
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import shapely
from pdfplumber.page import Page

from gisprio.products.sheets import drawing
from gisprio.products.sheets.plots import Plot

MM = 25.4 / 72
JUDGING = re.compile(r"violat|complian|illegal|unlawful|\brank|\bscore|priorit|offen[cs]e|blame", re.IGNORECASE)
SIDES = {"left": "left", "right": "right", "izquierda": "left", "derecha": "right"}
UNITS_M = {"m": 1.0, "ft": 0.3048}


@dataclass
class ReadSheet:
    """What a PDF holds: places in millimetres from the lower left corner of its page."""

    pages: int
    size: tuple[float, float]
    text: str
    words: list[dict[str, Any]]
    paths: list[tuple[str, str, np.ndarray]]
    pictures: int
    fonts: dict[str, bool] = field(default_factory=dict)

    def drawn(self, *, stroke: str = "", fill: str = "") -> list[np.ndarray]:
        """Give the places of paths of a colour."""
        return [at for s, f, at in self.paths if (not stroke or s == stroke) and (not fill or f == fill)]


def read_sheet(path: Path) -> ReadSheet:
    with pdfplumber.open(path) as pdf:
        page = pdf.pages[0]
        words = page.extract_words(x_tolerance=1.5, use_text_flow=False, extra_attrs=["fontname", "size"])
        return ReadSheet(
            pages=len(pdf.pages),
            size=(float(page.width) * MM, float(page.height) * MM),
            text=re.sub(r"\s+", " ", page.extract_text(x_tolerance=1.5)),
            words=words,
            paths=_paths(page),
            pictures=len(page.images),
            fonts=_fonts(pdf.doc),
        )


def _paths(page: Page) -> list[tuple[str, str, np.ndarray]]:
    paths = []
    for item in (*page.lines, *page.curves, *page.rects):
        stroke = _colour(item["stroking_color"]) if item["stroke"] else ""
        fill = _colour(item["non_stroking_color"]) if item["fill"] else ""
        paths += [(stroke, fill, ring) for ring in _rings(item["path"], float(page.height))]
    return paths


def _rings(path: list[tuple[Any, ...]], high: float) -> list[np.ndarray]:
    """Give the parts of a path, a closed one with its first place at its end too."""
    rings: list[list[tuple[float, float]]] = []
    for command, *places in path:
        if command == "m":
            rings.append([])
        rings[-1] += places or [rings[-1][0]]
    return [(np.array(ring) * (1, -1) + (0, high)) * MM for ring in rings if len(ring) > 1]


def _colour(parts: Any) -> str:
    if parts is None or len(parts) != 3:
        return ""
    return "#" + "".join(f"{round(255 * part):02x}" for part in parts)


def _fonts(document: Any) -> dict[str, bool]:
    """Say of each font in the file whether it is embedded."""
    from pdfminer.pdftypes import resolve1

    fonts = {}
    for reference in document.xrefs:
        for number in reference.get_objids():
            thing = resolve1(document.getobj(number))
            if isinstance(thing, dict) and str(thing.get("Type", "")) in ("/'Font'", "/Font"):
                inner = [resolve1(one) for one in resolve1(thing.get("DescendantFonts", []))] or [thing]
                descriptors = [resolve1(one.get("FontDescriptor", {})) for one in inner]
                fonts[str(thing.get("BaseFont"))] = all(
                    any(key in one for key in ("FontFile", "FontFile2", "FontFile3")) for one in descriptors
                )
    return fonts


@dataclass
class Laid:
    """How the ground lies on the page, found from the strips: millimetres a metre, and where the origin is."""

    mm_per_m: float
    origin: np.ndarray

    def ground(self, places: np.ndarray) -> np.ndarray:
        return (places - self.origin) / self.mm_per_m


def laid(sheet: ReadSheet, plot: Plot) -> Laid:
    strips = [at for at in sheet.drawn(fill=drawing.STRIP) if not _in_legend(sheet, at)]
    seen = np.vstack(strips)
    west, south, east, north = shapely.total_bounds([strip.shape for strip in plot.strips])
    low, high = seen.min(axis=0), seen.max(axis=0)
    scale = float(np.hypot(*(high - low)) / np.hypot(east - west, north - south))
    return Laid(scale, (low + high) / 2 - scale * np.array([(west + east) / 2, (south + north) / 2]))


def _in_legend(sheet: ReadSheet, places: np.ndarray) -> bool:
    return bool(places[:, 0].min() > map_right(sheet))


def map_right(sheet: ReadSheet) -> float:
    """Give the right edge of the map: that of the largest rectangle of the frame's colour."""
    frames = sheet.drawn(stroke=drawing.FRAME)
    return float(max(frames, key=lambda at: np.ptp(at[:, 0]))[:, 0].max())


def faults_of(
    sheet: ReadSheet, plot: Plot, streams: np.ndarray, others: list[str], paper_mm: tuple[float, float]
) -> list[str]:
    """Give what is wrong with a sheet; nothing where it is as it should be.

    Parameters
    ----------
    sheet
        The sheet, read back.
    plot
        The property it is of.
    streams
        Lines of all streams of the results, drawn downstream.
    others
        Ids of all other properties.
    paper_mm
        Size of the paper.
    """
    where = laid(sheet, plot)
    checks = {
        "pages": sheet.pages == 1,
        "size of the paper": np.allclose(sheet.size, paper_mm, atol=0.1),
        "fonts that are not embedded": bool(sheet.fonts) and all(sheet.fonts.values()),
        "cut off at the edge of the page": _inside(sheet),
        "text on text": not _overlapping(sheet.words),
        "scale bar": scale_bar_error(sheet, where) < 0.01,
        "scale in words": abs(1000 / where.mm_per_m / told_scale(sheet) - 1) < 0.01,
        "outline": _outline_is_own(sheet, plot, where),
        "a strip": _strips_are_own(sheet, plot, where),
        "something beyond the property": _only_own_ground(sheet, plot, where),
        "flow": _flows_down(sheet, streams, where),
        "left and right": _sides_are_true(sheet, plot, where),
        "an own id": plot.property_id in sheet.text,
        "letters": all(any(w["text"] == s.letter for w in sheet.words) for s in plot.strips),
        "id of a neighbour": not any(_names(sheet.text, name) for name in others),
        "judging words": not JUDGING.search(sheet.text),
    }
    return [name for name, held in checks.items() if not held]


def _names(text: str, name: str) -> bool:
    """Whether a text holds an id; one that is a short number cannot be told from a measure, and is not looked for."""
    return not re.fullmatch(r"\d{1,3}", name) and bool(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text))


def _inside(sheet: ReadSheet, margin: float = 9.0) -> bool:
    high = sheet.size[1]
    words = [(w["x0"] * MM, high - w["bottom"] * MM, w["x1"] * MM, high - w["top"] * MM) for w in sheet.words]
    paths = [(*at.min(axis=0), *at.max(axis=0)) for _, _, at in sheet.paths]
    least, most = np.array(words + paths)[:, :2].min(), np.array(words + paths)[:, 2:].max(axis=0)
    return bool(least >= margin and most[0] <= sheet.size[0] - margin and most[1] <= high - margin)


def _overlapping(words: list[dict[str, Any]]) -> bool:
    boxes = shapely.box(*np.array([[w[k] for k in ("x0", "top", "x1", "bottom")] for w in words]).T)
    small = shapely.buffer(boxes, -1.2)
    one, other = shapely.STRtree(small).query(small, predicate="intersects")
    return bool((one != other).any())


def told_scale(sheet: ReadSheet) -> float:
    return float(re.sub(r"[.,]", "", re.search(r"1 : ([\d.,]+)", sheet.text)[1]))


def scale_bar_error(sheet: ReadSheet, where: Laid) -> float:
    """Give how far the bar is off, as a share: its length on the page against what it tells, by the map's scale."""
    parts = [at for at in sheet.drawn(stroke="#111111") if np.ptp(at[:, 1]) > 1 and np.ptp(at[:, 1]) < 2.2]
    bar = np.vstack([at for at in parts if at[:, 0].min() > map_right(sheet) and len(at) >= 4])
    high = sheet.size[1]
    beside = [w for w in sheet.words if w["x0"] * MM > map_right(sheet)]
    above = [w for w in beside if abs(high - w["bottom"] * MM - bar[:, 1].max()) < 2.5]
    told = re.search(r"([\d.,]+)\s(m|ft)", " ".join(w["text"] for w in above).replace("\u00a0", " "))
    metres = float(re.sub(r"[.,]", "", told[1])) * UNITS_M[told[2]]
    return float(abs(np.ptp(bar[:, 0]) / where.mm_per_m / metres - 1))


def _on_map(sheet: ReadSheet, places: list[np.ndarray]) -> list[np.ndarray]:
    return [at for at in places if not _in_legend(sheet, at)]


def _outline_is_own(sheet: ReadSheet, plot: Plot, where: Laid) -> bool:
    lines = [at for at in _on_map(sheet, sheet.drawn(stroke=drawing.OUTLINE)) if len(at) > 1]
    if not lines:
        return False
    drawn = shapely.multilinestrings([shapely.linestrings(where.ground(at)) for at in lines])
    edge = plot.outline.boundary
    near = 0.4 / where.mm_per_m
    frame = max(sheet.drawn(stroke=drawing.FRAME), key=lambda at: np.ptp(at[:, 0]))
    window = shapely.box(*where.ground(np.array([frame.min(axis=0), frame.max(axis=0)])).ravel())
    return bool(
        shapely.covers(edge.buffer(near), drawn)
        and shapely.covers(drawn.buffer(near), edge.intersection(window.buffer(-near)))
    )


def _strips_are_own(sheet: ReadSheet, plot: Plot, where: Laid) -> bool:
    """Whether the hatched ground is that of the strips, and hatching lies on it."""
    drawn = [shapely.polygons(where.ground(at)) for at in _on_map(sheet, sheet.drawn(fill=drawing.STRIP))]
    own = shapely.union_all([strip.shape for strip in plot.strips])
    hatch = [at for at in _on_map(sheet, sheet.drawn(stroke=drawing.HATCH)) if len(at) == 2]
    together = reduce(shapely.symmetric_difference, shapely.make_valid(np.array(drawn, dtype=object)))
    same = shapely.area(shapely.symmetric_difference(together, own)) < 0.02 * own.area + shapely.length(own) * 0.05
    return bool(same and len(hatch) >= 2)


def _only_own_ground(sheet: ReadSheet, plot: Plot, where: Laid) -> bool:
    """Whether strips, setback line and works lie on the property alone."""
    own = plot.outline.buffer(0.4 / where.mm_per_m)
    shown = sheet.drawn(fill=drawing.STRIP) + sheet.drawn(stroke=drawing.SETBACK) + sheet.drawn(fill="#cfe8cf")
    places = [where.ground(at) for at in _on_map(sheet, shown)]
    return bool(shapely.covers(own, shapely.multipoints(np.vstack(places))))


def _flows_down(sheet: ReadSheet, streams: np.ndarray, where: Laid) -> bool:
    """Whether there are arrows, and each points the way the stream under it runs."""
    arrows = _on_map(sheet, sheet.drawn(fill=drawing.FLOW))
    tree = shapely.STRtree(streams)
    for arrow in arrows:
        tip, back = where.ground(arrow)[[0, 2]]
        middle = shapely.Point((tip + back) / 2)
        line = streams[tree.nearest(middle)]
        if line.distance(middle) > 2 / where.mm_per_m:
            return False
        at, half = line.project(middle), 2.0 / where.mm_per_m
        one, other = (np.array(line.interpolate(max(0, at + d)).coords[0]) for d in (-half, half))
        if (other - one) @ (tip - back) <= 0:
            return False
    return len(arrows) > 0


def _sides_are_true(sheet: ReadSheet, plot: Plot, where: Laid) -> bool:
    """Whether the table tells the side of each strip as the streams on the page run."""
    told = {}
    for letter, side in re.findall(r"(?<!\S)([A-Z]{1,2}) (left|right|izquierda|derecha) [\d.,]+ (?:m|ft)", sheet.text):
        told[letter] = SIDES[side]
    lines = [at for at in _on_map(sheet, sheet.drawn(stroke=drawing.STREAM)) if len(at) > 1]
    starts = np.vstack([where.ground(at)[:-1] for at in lines])
    ends = np.vstack([where.ground(at)[1:] for at in lines])
    tree = shapely.STRtree(shapely.linestrings(np.stack([starts, ends], axis=1)))
    judged = 0
    for strip in plot.strips:
        if strip.letter not in told:
            continue
        inside = shapely.get_coordinates(strip.shape)
        nearest = tree.nearest(shapely.points(inside))
        far = shapely.distance(tree.geometries[nearest], shapely.points(inside))
        edge = far <= np.quantile(far, 0.3)  # what lies farther may be nearer to another stream
        nearest, inside = nearest[edge], inside[edge]
        way, off = ends[nearest] - starts[nearest], inside - starts[nearest]
        left = float(np.sign(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]).mean())
        if abs(left) < 0.55:  # between two streams: which one is its own cannot be seen from the page
            continue
        judged += 1
        if (left > 0) != (told[strip.letter] == "left"):
            return False
    return judged > 0
