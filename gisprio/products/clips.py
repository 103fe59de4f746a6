"""Clips of the ground around a place: heights, land cover and image side by side at one scale, the run's lines on top.

All three are drawn on the same window of the working system, grid north up; an arrow shows true north.
"""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from PIL import Image
from pyproj import Transformer

from gisprio.contracts.grids import Bounds, Grid, GridSource
from gisprio.contracts.pictures import ImageSource, Pixels
from gisprio.contracts.words import COVERS
from gisprio.products.hillshade import choose_exaggeration, shade
from gisprio.products.sheets.backdrop import DOTS_MM, Backdrop
from gisprio.products.sheets.frame import Frame, bar_length
from gisprio.products.svg import number, plain
from gisprio.products.units import shown_units

PIXELS = 348
"""Side of a picture: 58 mm at 152 to the inch [own]."""
SIDE = 290.0
"""Side of a clip in the drawing, of which 5 units are a millimetre on paper."""
APART = 15.0
_BELOW = 22.0
_DARK, _LIGHT = 45.0, 250.0
"""Grey of ground turned away from the light and towards it [own]."""
COVER_COLOURS = dict(
    zip(
        COVERS,
        ("#2f7d46", "#b5cc63", "#e3dc8f", "#d8a23f", "#bd9a78", "#b9605c", "#55a7a0", "#5b8fd1", "#9b9b9b"),
        strict=True,
    )
)
"""Colour of each cover class [own]; codes of one class differ in lightness."""
_UNKNOWN = (242, 242, 242)

Floats = NDArray[np.float64]
System = Literal["si", "us"]


@dataclass(frozen=True, slots=True)
class Window:
    """A square of ground.

    Parameters
    ----------
    centre
        Its middle in the working system [m].
    side_m
        Its side [m].
    """

    centre: tuple[float, float]
    side_m: float

    @property
    def bounds(self) -> Bounds:
        """West, south, east, north [m]."""
        (x, y), half = self.centre, self.side_m / 2
        return x - half, y - half, x + half, y + half

    def places(self) -> tuple[Floats, Floats]:
        """Give x and y of the centres of pixels; (pixels, pixels) each."""
        west, _, _, north = self.bounds
        off = (np.arange(PIXELS) + 0.5) * self.side_m / PIXELS
        x, y = np.meshgrid(west + off, north - off)
        return x, y

    def drawn(self, shape: shapely.Geometry) -> shapely.Geometry:
        """Cut a shape to the window and lay it on the clip."""
        west, _, _, north = self.bounds
        scale = SIDE / self.side_m
        kept = shapely.intersection(shape, shapely.box(*self.bounds))
        return shapely.transform(kept, lambda at: (at - (west, north)) * (scale, -scale))


@dataclass(frozen=True, slots=True)
class Clip:
    """A picture of a window.

    Parameters
    ----------
    data
        Its bytes.
    kind
        ``webp`` or ``png``.
    says
        What stands below it, in a few words.
    bare
        Whether nothing is drawn over it.
    """

    data: bytes
    kind: str
    says: str
    bare: bool = False


@dataclass(frozen=True, slots=True)
class Seen:
    """A code of the land cover in a window: its colour, its name, its class, and its share of the known ground."""

    colour: str
    name: str
    cover: str
    share: float


@dataclass(frozen=True, slots=True)
class Lines:
    """What is drawn over each clip, in the working system.

    Parameters
    ----------
    place
        The place that is asked for.
    outward
        Unit vector from the bank to the land there.
    bank
        Its bank, downstream.
    streams
        Lines of reaches nearby, downstream; the bank's own first.
    gaps
        Its gap strips.
    setback
        Where its setback ends.
    north_deg
        Direction of true north on the clip, clockwise from up [degrees].
    """

    place: tuple[float, float]
    outward: tuple[float, float]
    bank: shapely.Geometry
    streams: Sequence[shapely.Geometry]
    gaps: Sequence[shapely.Geometry]
    setback: shapely.Geometry
    north_deg: float


def heights_clip(heights: GridSource, window: Window, units: System = "si") -> Clip | None:
    """Draw the hillshade of a window of heights, their range told in ``units``; None where there are none."""
    west, south, east, north = window.bounds
    margin = 2 * heights.lattice.cell_m
    grid = heights.window((west - margin, south - margin, east + margin, north + margin))
    if min(grid.values.shape) < 2 or not grid.valid().any():
        return None
    exaggeration = choose_exaggeration(grid)
    light = Grid(shade(grid, exaggeration).values, grid.lattice, grid.row, grid.column)
    x, y = window.places()
    smooth = light.bilinear(x, y)
    value = np.where(np.isnan(smooth), light.nearest(x, y, outside=np.nan).astype(float), smooth)
    grey = np.clip(_DARK + (_LIGHT - _DARK) * (value - 0.25) / 0.7, _DARK, _LIGHT)
    pixels = np.where(np.isnan(value), _UNKNOWN[0], grey).round().astype(np.uint8)
    ok = grid.valid()
    factor, unit = shown_units(units)["m"]
    low, high = (float(pick(grid.values[ok])) * factor for pick in (np.min, np.max))
    steeper = f", drawn {exaggeration:g} times as steep" if exaggeration > 1 else ""
    return Clip(_webp(pixels), "webp", f"Heights {low:,.1f} to {high:,.1f} {unit}{steeper}")


def cover_clip(cover: GridSource, legend: pd.DataFrame, window: Window) -> tuple[Clip, tuple[Seen, ...]] | None:
    """Draw the classes of a window of land cover, and tell those in it; None where there is none.

    Parameters
    ----------
    cover
        Codes.
    legend
        ``code``, ``name``, ``cover``.
    window
        The window.
    """
    grid = cover.window(window.bounds)
    if not grid.values.size or not grid.valid().any():
        return None
    x, y = window.places()
    codes = grid.nearest(x, y, outside=-1).astype(np.int64)
    palette = code_colours(legend)
    found, place, count = np.unique(codes, return_inverse=True, return_counts=True)
    if not np.isin(found, list(palette)).any():
        return None
    colours = np.array([_rgb(palette[code]) if code in palette else _UNKNOWN for code in found.tolist()], np.uint8)
    rows = legend.drop_duplicates("code").set_index("code")
    known = [(int(code), int(n)) for code, n in zip(found, count, strict=True) if code in palette]
    total = sum(n for _, n in known)
    seen = [Seen(palette[c], str(rows.at[c, "name"]), str(rows.at[c, "cover"]), n / total) for c, n in known]
    drawn = Clip(_png(place.reshape(codes.shape), colours), "png", "Land cover")
    return drawn, tuple(sorted(seen, key=lambda one: (-one.share, one.name)))


def image_clip(image: ImageSource, crs: str, window: Window) -> Clip | None:
    """Draw a window of the user's image; None where it has none."""
    to_mercator = Transformer.from_crs(crs, "EPSG:3857", always_xy=True)
    bounds = to_mercator.transform_bounds(*window.bounds, densify_pts=21)
    pixels = image.drawn(bounds, PIXELS, PIXELS)
    if not (pixels[..., 3] > 0).any():
        return None
    side_mm = PIXELS / DOTS_MM
    frame = Frame((0.0, 0.0, side_mm, side_mm), window.centre, window.side_m * 1000 / side_mm)
    drawn = Backdrop(pixels, bounds, crs, 1.0).below(frame)
    return None if drawn is None else Clip(_webp(drawn), "webp", "Image")


def code_colours(legend: pd.DataFrame) -> dict[int, str]:
    """Give each code the colour of its class, lighter from code to code.

    Examples
    --------
    >>> code_colours(pd.DataFrame({"code": [41, 42], "cover": ["crop", "crop"]}))
    {41: '#d8a23f', 42: '#e2b973'}
    """
    found: dict[int, str] = {}
    for cover, rows in legend.groupby("cover", sort=True):
        base = np.array(_rgb(COVER_COLOURS.get(str(cover), COVER_COLOURS["other"])))
        codes = sorted({int(code) for code in rows["code"]})
        for at, code in enumerate(codes):
            share = min(at, 4) / (len(codes) + 1 if len(codes) < 4 else 5)
            mixed = np.round(base + (255 - base) * share * 0.8 if at else base).astype(int)
            found[code] = "#" + "".join(f"{part:02x}" for part in mixed)
    return found


def draw_clips(
    clips: Sequence[Clip | None],
    why_not: Sequence[str],
    lines: Lines,
    window: Window,
    *,
    alt: str,
    units: System = "si",
) -> str:
    """Draw three clips side by side as SVG.

    Parameters
    ----------
    clips
        Heights, land cover and image.
    why_not
        What stands in the place of each that is not there.
    lines
        What is drawn over each.
    window
        The ground of all three.
    alt
        Says what they show.
    units
        Of the scale bar: ``si`` or ``us``.
    """
    over = "".join(_over(lines, window))
    parts = []
    for at, (clip, why) in enumerate(zip(clips, why_not, strict=True)):
        left = at * (SIDE + APART)
        inner, says = _nothing(why), ""
        if clip is not None:
            marks = f"{'' if clip.bare else over}{_bar(window, units)}{_north(lines.north_deg)}"
            inner, says = _picture(clip) + marks, clip.says
        parts.append(
            f'<svg x="{number(left)}" y="0" width="{number(SIDE)}" height="{number(SIDE)}" '
            f'viewBox="0 0 {number(SIDE)} {number(SIDE)}">{inner}<rect class="frame" width="290" height="290"/></svg>'
            f'<text class="clip-title" x="{number(left)}" y="{number(SIDE + 15)}">{plain(says)}</text>'
        )
    wide, high = 3 * SIDE + 2 * APART, SIDE + _BELOW
    return (
        f'<svg class="clips" viewBox="0 0 {number(wide)} {number(high)}" role="img" aria-label="{plain(alt)}">'
        + "".join(parts)
        + "</svg>"
    )


def _over(lines: Lines, window: Window) -> Iterator[str]:
    """Give the marks over a clip, those below first."""
    gaps = [path_of(window.drawn(gap)) for gap in lines.gaps]
    for kind in ("gap-halo", "gap"):
        yield from (f'<path class="{kind}" d="{path}"/>' for path in gaps if path)
    streams = [path_of(window.drawn(line)) for line in lines.streams]
    for kind in ("halo", "stream"):
        yield from (f'<path class="{kind}" d="{path}"/>' for path in streams if path)
    yield from _flow(lines, window)
    for kind, shape in (("setback", lines.setback), ("bank", lines.bank)):
        path = path_of(window.drawn(shape))
        if path:
            yield f'<path class="{"thin-halo" if kind == "setback" else "halo"}" d="{path}"/>'
            yield f'<path class="{kind}" d="{path}"/>'
    yield from _place(lines, window)


def _flow(lines: Lines, window: Window) -> Iterator[str]:
    """Give an arrowhead downstream on the bank's own reach, a little below the place."""
    own = lines.streams[0] if lines.streams else shapely.LineString()
    if own.is_empty:
        return
    step = window.side_m * 0.02
    at = min(shapely.line_locate_point(own, shapely.Point(lines.place)) + window.side_m * 0.12, own.length - step)
    ends = [shapely.line_interpolate_point(own, max(at + off, 0.0)) for off in (-step, step)]
    (x0, y0), (x1, y1) = (window_place(window, (end.x, end.y)) for end in ends)
    turn = math.degrees(math.atan2(y1 - y0, x1 - x0))
    there = f"translate({x1:.1f},{y1:.1f}) rotate({turn:.1f})"
    yield f'<path class="flow" d="M9,0L-7,6.5L-3.5,0L-7,-6.5Z" transform="{there}"/>'


def _place(lines: Lines, window: Window) -> Iterator[str]:
    """Give the ring at the place, and the arrow from the bank to the land."""
    x, y = window_place(window, lines.place)
    dx, dy = lines.outward[0], -lines.outward[1]
    there = f"translate({x:.1f},{y:.1f}) rotate({math.degrees(math.atan2(dy, dx)):.1f})"
    for kind in ("arrow-halo", "arrow"):
        yield f'<path class="{kind}" d="M8,0L46,0M38,-5L46,0L38,5" transform="{there}"/>'
    for kind in ("ring-halo", "ring"):
        yield f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="8"/>'


def window_place(window: Window, at: tuple[float, float]) -> tuple[float, float]:
    """Give where a place of the ground lies on a clip, x to the right and y down."""
    west, _, _, north = window.bounds
    scale = SIDE / window.side_m
    return (at[0] - west) * scale, (north - at[1]) * scale


def path_of(shape: shapely.Geometry) -> str:
    """Write lines and outlines of a shape as an SVG path; empty where it has neither."""
    parts = []
    for one in shapely.get_parts(shape):
        if shapely.get_type_id(one) == shapely.GeometryType.POLYGON:
            parts += [(ring, "Z") for ring in shapely.get_rings(one)]
        elif shapely.get_dimensions(one) == 1 and not one.is_empty:
            parts.append((one, ""))
    written = []
    for line, end in parts:
        at = " ".join(f"{number(x)},{number(y)}" for x, y in shapely.get_coordinates(line))
        written.append(f"M{at}{end}")
    return "".join(written)


def _picture(clip: Clip) -> str:
    data = base64.b64encode(clip.data).decode("ascii")
    crisp = ' class="crisp"' if clip.kind == "png" else ""
    return f'<image{crisp} href="data:image/{clip.kind};base64,{data}" width="290" height="290"/>'


def _nothing(why: str) -> str:
    """Write why there is no clip, in its place."""
    rows: list[str] = [""]
    for word in why.split():
        rows = [*rows[:-1], f"{rows[-1]} {word}".strip()] if len(rows[-1]) + len(word) < 40 else [*rows, word]
    lines = "".join(f'<tspan x="20" dy="17">{plain(row[:60])}</tspan>' for row in rows[:12])
    return f'<rect class="nothing" width="290" height="290"/><text class="why" x="20" y="26">{lines}</text>'


def _bar(window: Window, units: System) -> str:
    """Draw a bar of a round length in the lower left."""
    factor, name = shown_units(units)["m"]
    unit_m = 1 / factor
    frame = Frame((0.0, 0.0, SIDE, SIDE), window.centre, window.side_m * 1000 / SIDE)
    length = bar_length(frame, 0.38 * SIDE, unit_m)
    wide = length * unit_m * SIDE / window.side_m
    return (
        f'<rect class="plate" x="5" y="262" width="{number(max(wide, 40) + 14)}" height="23"/>'
        f'<path class="bar" d="M12,273V279H{number(12 + wide)}V273"/>'
        f'<text class="small" x="12" y="271">{length} {name}</text>'
    )


def _north(turn: float) -> str:
    """Draw an arrow to true north in the upper right."""
    return (
        '<rect class="plate" x="258" y="5" width="27" height="40"/>'
        f'<path class="bar-fill" d="M0,-13L5,8L0,4L-5,8Z" transform="translate(271.5,31) rotate({turn:.1f})"/>'
        '<text class="small" x="271.5" y="16" text-anchor="middle">N</text>'
    )


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _webp(pixels: Pixels) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(pixels).convert("RGB").save(buffer, "WEBP", quality=72, method=4)
    return buffer.getvalue()


def _png(place: NDArray[np.integer], colours: Pixels) -> bytes:
    """Pack a picture as numbers into a few colours; beyond 256, which no legend has in one window, as plain colours."""
    few = len(colours) <= 256
    size = place.shape[1], place.shape[0]
    packed = Image.frombytes("P", size, place.astype(np.uint8).tobytes()) if few else Image.fromarray(colours[place])
    if few:
        packed.putpalette(colours.tobytes())
    buffer = io.BytesIO()
    packed.save(buffer, "PNG", optimize=True)
    return buffer.getvalue()
