"""Hillshade of the elevations as a light grey picture in Web Mercator, for the foot of a map.

Heights are averaged to at most the picture's size while they are read, so the grid is never whole in memory.
Places are transformed with pyproj alone.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np
import pyproj
from numpy.typing import NDArray
from PIL import Image

from gisprio.contracts.grids import Grid, GridSource, Lattice
from gisprio.contracts.pictures import Picture

Floats = NDArray[np.float64]

MERCATOR_RADIUS_M = 6_378_137.0
"""Radius of the sphere of EPSG:3857."""

_LIGHTS = ((315.0, 0.55), (270.0, 0.15), (0.0, 0.15), (225.0, 0.15))
"""Azimuth of each light [degrees] and its weight [own]; all stand 45 degrees high."""
_ALTITUDE_DEG = 45.0
_DARKEST, _LIGHTEST = 150.0, 250.0
_MESH = 64


@dataclass(frozen=True, slots=True)
class Shade:
    """A hillshade picture.

    Parameters
    ----------
    webp
        The picture's bytes.
    south, west, north, east
        Its place [degrees, WGS 84]; even in Mercator.
    exaggeration
        What heights were multiplied by; None where the picture is an image alone.
    has_image
        Whether an image of the user's is in it.
    """

    webp: bytes
    south: float
    west: float
    north: float
    east: float
    exaggeration: float | None
    has_image: bool = False


def draw_hillshade(elevation: GridSource, crs: str, *, pixels: int = 1600, quality: int = 60) -> Shade | None:
    """Draw the hillshade of a grid of heights.

    Parameters
    ----------
    elevation
        Heights [m] in the working system.
    crs
        The working system as WKT.
    pixels
        Longest side of the picture.
    quality
        Of the WebP, 0 to 100.

    Returns
    -------
    Shade or None
        None where there is no height at all.
    """
    picture = hillshade_picture(elevation, crs, pixels)
    return None if picture is None else as_shade(picture, quality=quality)


def hillshade_picture(elevation: GridSource, crs: str, pixels: int = 1600, *, full: bool = False) -> Picture | None:
    """Draw the hillshade as grey and opacity.

    Parameters
    ----------
    elevation, crs, pixels
        As :func:`draw_hillshade` takes them.
    full
        Whether the longest side gets so many pixels however few heights there are, because an image goes on top.
    """
    heights = coarse_heights(elevation, pixels)
    if min(heights.values.shape) < 2 or not heights.valid().any():
        return None
    exaggeration = choose_exaggeration(heights)
    most = pixels if full else min(pixels, 2 * max(heights.values.shape))
    drawn, bounds = _to_mercator(shade(heights, exaggeration), crs, most)
    return Picture(drawn, bounds, exaggeration)


def as_shade(picture: Picture, *, quality: int = 60) -> Shade:
    """Give a picture as WebP with its place in degrees."""
    buffer = io.BytesIO()
    Image.fromarray(picture.pixels).convert("RGBA").save(buffer, "WEBP", quality=quality, method=4)
    x0, y0, x1, y1 = picture.bounds
    west, south = _degrees(x0, y0)
    east, north = _degrees(x1, y1)
    return Shade(buffer.getvalue(), south, west, north, east, picture.exaggeration, picture.has_image)


def coarse_heights(elevation: GridSource, most: int) -> Grid:
    """Average heights over blocks, so that neither side has more than ``most`` cells; read in strips of rows.

    Parameters
    ----------
    elevation
        Heights [m].
    most
        Most cells along a side.

    Returns
    -------
    Grid
        Float heights [m], NaN where a block has none, on a lattice of its own.
    """
    rows, columns = elevation.shape
    lattice = elevation.lattice
    step = max(1, math.ceil(max(rows, columns) / most))
    blocks = [_block_row(elevation, row, step) for row in range(0, rows, step)]
    values = np.vstack(blocks) if blocks else np.empty((0, 0))
    return Grid(values, Lattice(lattice.x0, lattice.y0, lattice.cell_m * step))


def _block_row(elevation: GridSource, row: int, step: int) -> Floats:
    """Average ``step`` rows from ``row`` on into one row of blocks."""
    rows, columns = elevation.shape
    lattice, half = elevation.lattice, elevation.lattice.cell_m / 2
    last = min(row + step, rows) - 1
    window = elevation.window(
        (
            lattice.x0 + half,
            lattice.y0 - last * lattice.cell_m - half,
            lattice.x0 + columns * lattice.cell_m - half,
            lattice.y0 - row * lattice.cell_m - half,
        )
    )
    ok = window.valid()
    z = np.where(ok, window.values.astype(np.float64), 0.0)
    starts = np.arange(0, columns, step)
    total = np.add.reduceat(z.sum(axis=0), starts)
    count = np.add.reduceat(ok.sum(axis=0), starts)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)[np.newaxis, :]


def slopes(heights: Grid) -> tuple[Floats, Floats]:
    """Give the rise per metre to the east and to the north by Horn's third-order difference.

    Parameters
    ----------
    heights
        Heights [m]; (rows, columns).

    Returns
    -------
    tuple of arrays
        dz/dx and dz/dy [m/m], (rows, columns). A neighbour without data takes the height of the middle cell.

    Notes
    -----
    With neighbours a b c / d e f / g h i: dz/dx = ((c + 2f + i) - (a + 2d + g)) / (8 cell),
    dz/dy = ((a + 2b + c) - (g + 2h + i)) / (8 cell).
    """
    z = np.where(heights.valid(), heights.values, np.nan).astype(np.float64)
    padded = np.pad(z, 1, constant_values=np.nan)
    rows, columns = z.shape

    def at(down: int, right: int) -> Floats:
        there = padded[1 + down : 1 + down + rows, 1 + right : 1 + right + columns]
        return np.where(np.isnan(there), z, there)

    a, b, c, d, f, g, h, i = (
        at(*place) for place in ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
    )
    per = 8 * heights.lattice.cell_m
    return ((c + 2 * f + i) - (a + 2 * d + g)) / per, ((a + 2 * b + c) - (g + 2 * h + i)) / per


def choose_exaggeration(heights: Grid) -> float:
    """Choose a whole factor for heights so that flat land still shows: 1 where the 90th percentile slope is 0.35.

    At most 8 [own].
    """
    east, north = slopes(heights)
    steep = float(np.nanpercentile(np.hypot(east, north), 90))
    return float(min(8, max(1, round(0.35 / steep)))) if steep > 0 else 1.0


def shade(heights: Grid, exaggeration: float) -> Grid:
    """Give the light on each cell, 0 to 1, NaN without height: several lights, the strongest in the north-west.

    Notes
    -----
    Light = cos(angle between the surface's normal and the light), not below 0; weighted mean over the lights.
    """
    east, north = (exaggeration * slope for slope in slopes(heights))
    length = np.sqrt(1 + east**2 + north**2)
    high = math.radians(_ALTITUDE_DEG)
    total = np.zeros(east.shape)
    for azimuth, weight in _LIGHTS:
        turn = math.radians(azimuth)
        toward = (math.cos(high) * math.sin(turn), math.cos(high) * math.cos(turn), math.sin(high))
        total += weight * np.maximum((toward[2] - toward[0] * east - toward[1] * north) / length, 0)
    return Grid(total, heights.lattice)


def _to_mercator(light: Grid, crs: str, pixels: int) -> tuple[NDArray[np.uint8], tuple[float, float, float, float]]:
    """Draw light as grey and alpha (rows, columns, 2) on an even grid of EPSG:3857; and its bounds [m]."""
    to_map = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:3857", always_xy=True)
    bounds = to_map.transform_bounds(*_bounds(light), densify_pts=21)
    wide, high = bounds[2] - bounds[0], bounds[3] - bounds[1]
    side = max(wide, high) / pixels
    columns, rows = max(2, round(wide / side)), max(2, round(high / side))
    x, y = _places(to_map, bounds, rows, columns)
    filled = Grid(_filled_edge(light.values), light.lattice)
    value = filled.bilinear(x, y)
    known = light.nearest(x, y, outside=np.nan)
    ok = ~np.isnan(value) & ~np.isnan(known.astype(np.float64))
    grey = np.where(ok, _grey(np.nan_to_num(value)), _LIGHTEST)
    picture = np.dstack([grey, np.where(ok, 255, 0)]).round().astype(np.uint8)
    return picture, bounds


def _grey(light: Floats) -> Floats:
    """Stretch light to light greys: flat ground is 0.707."""
    return np.clip(_DARKEST + (_LIGHTEST - _DARKEST) * (light - 0.25) / 0.7, _DARKEST, _LIGHTEST)


def _filled_edge(values: NDArray[np.generic]) -> Floats:
    """Give cells without data the mean of their known neighbours, so that edges do not fray."""
    z = values.astype(np.float64)
    padded = np.pad(z, 1, constant_values=np.nan)
    rows, columns = z.shape
    total, count = np.zeros(z.shape), np.zeros(z.shape)
    for down in range(3):
        for right in range(3):
            there = padded[down : down + rows, right : right + columns]
            total += np.nan_to_num(there)
            count += ~np.isnan(there)
    return np.where(np.isnan(z) & (count > 0), total / np.maximum(count, 1), z)


def _places(
    to_map: pyproj.Transformer, bounds: tuple[float, float, float, float], rows: int, columns: int
) -> tuple[Floats, Floats]:
    """Give the working place of each pixel's centre, (rows, columns): exact on a mesh, linear between."""
    x0, y0, x1, y1 = bounds
    nodes_x, nodes_y = np.linspace(x0, x1, _MESH + 1), np.linspace(y1, y0, _MESH + 1)
    mesh_x, mesh_y = to_map.transform(*np.meshgrid(nodes_x, nodes_y), direction="INVERSE")
    down, right = _weights(rows), _weights(columns)
    return down @ mesh_x @ right.T, down @ mesh_y @ right.T


def _weights(pixels: int) -> Floats:
    """Give the weight of each mesh node for each pixel centre; (pixels, nodes)."""
    at = (np.arange(pixels) + 0.5) / pixels * _MESH
    return np.maximum(0.0, 1 - np.abs(at[:, np.newaxis] - np.arange(_MESH + 1)))


def _bounds(grid: Grid) -> tuple[float, float, float, float]:
    rows, columns = grid.values.shape
    cell, x0, y1 = grid.lattice.cell_m, grid.lattice.x0, grid.lattice.y0
    return x0, y1 - rows * cell, x0 + columns * cell, y1


def _degrees(x: float, y: float) -> tuple[float, float]:
    """Give longitude and latitude of a place in EPSG:3857."""
    latitude = 2 * math.atan(math.exp(y / MERCATOR_RADIUS_M)) - math.pi / 2
    return math.degrees(x / MERCATOR_RADIUS_M), math.degrees(latitude)
