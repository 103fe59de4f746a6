"""The map of the report: banks by urgency on the backdrop, numbers at the first ten; lines and letters as SVG."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from PIL import Image

from gisprio.contracts.cards import Results
from gisprio.contracts.pictures import Picture
from gisprio.products.backdrop import draw_backdrop
from gisprio.products.classes import NOT_RANKED, urgency_classes
from gisprio.products.hillshade import MERCATOR_RADIUS_M
from gisprio.products.svg import number, plain, ticks
from gisprio.products.units import shown_units

WIDE_PT, HIGHEST_PT, LOWEST_PT = 505.0, 560.0, 200.0
"""Size of the picture [pt]: 178 mm wide, and low enough that its heading stays on the page."""
LEGEND_PT = 34.0
LINES_PT = (4.6, 3.8, 2.8, 2.0, 1.3)
"""Width of the lines of each class: the most urgent are the widest, so that nobody needs to see the colour [own]."""
PIXELS = 900
"""Most pixels of the backdrop along a side [own]."""
FADE = 0.55
"""How much of the backdrop shows on the white of the page [own]."""
NUMBERED = 10
_APART_PT = 12.0
_WAYS = [(0, 0), *((ring * x, ring * y) for ring in (1, 2, 3) for x, y in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1)))]
"""Where a number may go, in steps of ``_APART_PT``."""
_AROUND = 0.03
"""Margin around the banks, as a share of the larger side."""

Points = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """A window of EPSG:3857 on the page: west, north [m of EPSG:3857], points a metre, size [pt]."""

    west: float
    north: float
    scale: float
    wide: float
    high: float

    @classmethod
    def around(cls, box: tuple[float, float, float, float]) -> Frame:
        """Give the frame around a box, as wide as the page unless it gets too high."""
        x0, y0, x1, y1 = box
        margin = _AROUND * max(x1 - x0, y1 - y0, 200.0)
        wide, high = x1 - x0 + 2 * margin, y1 - y0 + 2 * margin
        scale = min(WIDE_PT / wide, HIGHEST_PT / high)
        tall = min(max(high * scale, LOWEST_PT), HIGHEST_PT)
        middle_x, middle_y = (x0 + x1) / 2, (y0 + y1) / 2
        return cls(middle_x - WIDE_PT / 2 / scale, middle_y + tall / 2 / scale, scale, WIDE_PT, tall)

    def placed(self, points: Points) -> Points:
        """Give places on the page [pt]."""
        return np.column_stack([(points[:, 0] - self.west) * self.scale, (self.north - points[:, 1]) * self.scale])


def report_map(results: Results) -> tuple[str, str] | None:
    """Draw the map.

    Parameters
    ----------
    results
        ``banks``, settings, and the picture at the foot of maps.

    Returns
    -------
    The picture as SVG and its words; None where there is no bank.
    """
    banks = results.tables["banks"]
    if banks.empty:
        return None
    placed = gpd.GeoDataFrame(banks[["bank_id", "rank"]], geometry=banks.geometry.to_numpy())
    placed = placed.set_crs(pyproj.CRS.from_wkt(results.crs), allow_override=True).to_crs(3857)
    frame = Frame.around(tuple(placed.total_bounds))
    alt = _words(results, placed)
    picture = results.backdrop() if results.backdrop is not None else draw_backdrop(results.elevation, results.crs)
    marks = [
        f'<rect width="{number(frame.wide)}" height="{number(frame.high)}" fill="#fff"/>',
        *_below(picture, frame),
        *_bank_lines(placed, frame),
        *_scale_bar(placed, frame, results.settings.report.units),
        *_numbers(placed, frame),
        *_north(frame),
        f'<rect x=".5" y=".5" width="{number(frame.wide - 1)}" height="{number(frame.high - 1)}" fill="none" '
        'stroke="#55606d"/>',
        *_legend(placed, frame),
    ]
    wide, high = number(frame.wide), number(frame.high + LEGEND_PT)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}pt" height="{high}pt" '
        f'role="img" aria-label="{plain(alt, 2000)}" font-family="system-ui, sans-serif" font-size="8.5" '
        f'fill="#1d2733">\n' + "\n".join(marks) + "\n</svg>\n"
    )
    return svg, alt


def _words(results: Results, placed: gpd.GeoDataFrame) -> str:
    ranked = int(placed["rank"].notna().sum())
    banks = results.tables["banks"]
    first = banks[banks["rank"].notna() & (banks["rank"] <= NUMBERED)].sort_values("rank", kind="stable")
    ids = ", ".join(first["bank_id"])
    return (
        f"Map of the banks of {results.settings.run.name}, by urgency. {ranked} ranked banks in five classes, dark and "
        f"wide lines first. Numbered are the first: {ids or 'none'}. The table of the most urgent banks says where "
        "they are."
    )


def _below(picture: Picture | None, frame: Frame) -> Iterator[str]:
    """Lay the backdrop below, made pale, cut to the frame and no finer than it shows."""
    if picture is None:
        return
    rows, columns, bands = picture.pixels.shape
    west, south, east, north = picture.bounds
    across, down = columns / (east - west), rows / (north - south)
    box = (
        max(0, math.floor((frame.west - west) * across)),
        max(0, math.floor((north - frame.north) * down)),
        min(columns, math.ceil((frame.west + frame.wide / frame.scale - west) * across)),
        min(rows, math.ceil((north - frame.north + frame.high / frame.scale) * down)),
    )
    if box[0] >= box[2] or box[1] >= box[3]:
        return
    cut = picture.pixels[box[1] : box[3], box[0] : box[2]]
    shown = cut[..., -1:] / 255 * FADE
    pale = (255 - (255 - cut[..., :-1].astype(np.float32)) * shown).round().astype(np.uint8)
    image = Image.fromarray(pale[..., 0] if bands == 2 else pale)
    image.thumbnail((PIXELS, PIXELS), Image.Resampling.BOX)
    packed = io.BytesIO()
    image.save(packed, "JPEG", quality=72)
    corner = frame.placed(np.array([[west + box[0] / across, north - box[1] / down]]))[0]
    wide, high = (box[2] - box[0]) / across * frame.scale, (box[3] - box[1]) / down * frame.scale
    data = base64.b64encode(packed.getvalue()).decode("ascii")
    yield (
        f'<svg width="{frame.wide:.1f}" height="{frame.high:.1f}"><image x="{corner[0]:.2f}" y="{corner[1]:.2f}" '
        f'width="{wide:.2f}" height="{high:.2f}" preserveAspectRatio="none" '
        f'href="data:image/jpeg;base64,{data}"/></svg>'
    )


def _bank_lines(placed: gpd.GeoDataFrame, frame: Frame) -> Iterator[str]:
    """Draw the banks, the most urgent last, on top."""
    ranks = placed["rank"].to_numpy(float, na_value=np.nan)
    shapes = shapely.simplify(placed.geometry.to_numpy(), 0.4 / frame.scale, preserve_topology=False)
    yield _path(shapes[np.isnan(ranks)], frame, NOT_RANKED, 1.0, "3 2")
    classes = urgency_classes(int(np.isfinite(ranks).sum()))
    for one, wide in reversed(list(zip(classes, LINES_PT, strict=True))):
        own = shapes[(ranks >= one.low) & (ranks <= one.high)]
        yield _path(own, frame, "#ffffff", wide + 1.2)
        yield _path(own, frame, one.colour, wide)


def _path(shapes: NDArray[np.object_], frame: Frame, colour: str, wide: float, dashes: str = "") -> str:
    """Draw lines as one path; nothing for none."""
    parts = shapely.get_parts(shapes)
    if not len(parts):
        return ""
    points, own = shapely.get_coordinates(parts, return_index=True)
    at = frame.placed(points)
    starts = np.diff(own, prepend=-1) != 0
    text = "".join(
        f"{'M' if begins else 'L'}{x:.1f} {y:.1f}" for (x, y), begins in zip(at.tolist(), starts.tolist(), strict=True)
    )
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    pen = f'fill="none" stroke="{colour}" stroke-width="{number(wide)}" stroke-linejoin="round"{dashed}'
    return f'<path d="{text}" {pen}/>'


def _numbers(placed: gpd.GeoDataFrame, frame: Frame) -> Iterator[str]:
    """Write the rank at the first banks, beside each other where they would lie on one another."""
    first = placed[placed["rank"].notna() & (placed["rank"] <= NUMBERED)].sort_values(["rank", "bank_id"])
    taken: list[tuple[float, float]] = []
    for row in first.itertuples():
        middle = shapely.line_interpolate_point(_longest(row.geometry), 0.5, normalized=True)
        x, y = frame.placed(shapely.get_coordinates(middle))[0]
        x, y = _free(x, y, taken, frame)
        taken.append((x, y))
        yield (
            f'<circle cx="{number(x)}" cy="{number(y)}" r="6.4" fill="#fff" stroke="#1d2733" stroke-width=".9"/>'
            f'<text x="{number(x)}" y="{number(y + 3)}" text-anchor="middle" font-weight="650">{int(row.rank)}</text>'
        )


def _free(x: float, y: float, taken: list[tuple[float, float]], frame: Frame) -> tuple[float, float]:
    """Give the nearest place around where no number stands yet."""
    for dx, dy in _WAYS:
        at = (x + dx * _APART_PT, y + dy * _APART_PT)
        inside = 7 < at[0] < frame.wide - 7 and 7 < at[1] < frame.high - 7
        if inside and all(math.dist(at, other) >= _APART_PT for other in taken):
            return at
    return min(max(x, 7), frame.wide - 7), min(max(y, 7), frame.high - 7)


def _longest(shape: shapely.Geometry) -> shapely.Geometry:
    return max(shapely.get_parts(shape), key=shapely.length)


def _scale_bar(placed: gpd.GeoDataFrame, frame: Frame, system: str) -> Iterator[str]:
    """Draw a bar of a round length on the ground at the middle of the map, in the corner with the fewest banks."""
    middle = frame.north - frame.high / 2 / frame.scale
    on_ground = 1 / math.cosh(middle / MERCATOR_RADIUS_M)  # metres of ground in a metre of EPSG:3857 at that latitude
    unit_m, unit = (1000.0, "km") if system == "si" else (1000 / shown_units("us")["km"][0], "mi")
    widest = 110 / frame.scale * on_ground / unit_m
    length = max(tick for tick in ticks(0, widest, 2) if tick <= widest)
    long = length * unit_m / on_ground * frame.scale
    x, y = _free_corner(placed, frame, long)
    yield (
        f'<rect x="{number(x - 6)}" y="{number(y - 17)}" width="{number(long + 12)}" height="24" fill="#fff" '
        f'opacity=".8"/><path d="M{number(x)} {number(y - 3)}v4h{number(long)}v-4" fill="none" stroke="#1d2733"/>'
        f'<text x="{number(x + long / 2)}" y="{number(y - 5)}" text-anchor="middle">{length:g} {unit}</text>'
    )


def _free_corner(placed: gpd.GeoDataFrame, frame: Frame, long: float) -> tuple[float, float]:
    """Give where a bar of a length [pt] begins: below left, below right or above left."""
    at = frame.placed(shapely.get_coordinates(placed.geometry.to_numpy()))
    right, low = frame.wide - long - 12, frame.high - 12
    corners = ((12.0, low), (right, low), (12.0, 24.0))

    def near(corner: tuple[float, float]) -> int:
        x, y = corner
        across = (at[:, 0] > x - 20) & (at[:, 0] < x + long + 20)
        return int((across & (at[:, 1] > y - 32) & (at[:, 1] < y + 22)).sum())

    return min(corners, key=near)


def _north(frame: Frame) -> Iterator[str]:
    x = frame.wide - 16
    yield (
        f'<path d="M{number(x)} 8l5 14-5-3.5-5 3.5z" fill="#1d2733" stroke="#fff" stroke-width=".8"/>'
        f'<text x="{number(x)}" y="32" text-anchor="middle" font-weight="650" stroke="#fff" stroke-width="2" '
        f'paint-order="stroke">N</text>'
    )


def _legend(placed: gpd.GeoDataFrame, frame: Frame) -> Iterator[str]:
    """Say what the lines mean, below the map."""
    ranked = int(placed["rank"].notna().sum())
    rows = [
        (one.colour, wide, "", f"{one.says} (rank {one.low} to {one.high})" if one.high > one.low else one.says)
        for one, wide in zip(urgency_classes(ranked), LINES_PT, strict=True)
        if one.high >= one.low
    ]
    rows += [(NOT_RANKED, 1.0, "3 2", "not ranked")] if ranked < len(placed) else []
    for place, (colour, wide, dashes, says) in enumerate(rows):
        x, y = (place % 3) * frame.wide / 3, frame.high + 13 + 15 * (place // 3)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        yield (
            f'<path d="M{number(x)} {number(y)}h22" stroke="{colour}" stroke-width="{number(wide)}"{dashed}/>'
            f'<text x="{number(x + 28)}" y="{number(y + 3)}">{plain(says)}</text>'
        )
