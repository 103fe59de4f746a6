"""The picture below a printed map: cut out of the one that lies below the web map, and turned to the working system."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from pyproj import Transformer
from scipy.ndimage import map_coordinates

from gisprio.contracts.pictures import Picture
from gisprio.products.sheets.frame import Bounds, Frame

DOTS_MM = 4.0
"""Pixels a millimetre on the page [own]: about 100 an inch, finer than the picture itself."""
HILLSHADE, IMAGE = 0.35, 0.6
"""How much of a hillshade and of an image shows on the paper; the map on top must be readable [own]."""


class Backdrop:
    """A picture in EPSG:3857, to be laid below the windows of maps.

    Parameters
    ----------
    pixels
        (rows, columns, 2) grey and opacity, or (rows, columns, 4) colours and opacity, 0 to 255.
    bounds
        West, south, east, north in EPSG:3857 [m].
    crs
        The working system as WKT.
    strength
        How much of it shows on the white of the paper, 0 to 1.
    """

    def __init__(self, pixels: np.ndarray, bounds: Bounds, crs: str, strength: float) -> None:
        self._pixels, self._bounds, self._strength = pixels, bounds, strength
        self._to_mercator = Transformer.from_crs(crs, "EPSG:3857", always_xy=True)

    def below(self, frame: Frame) -> np.ndarray | None:
        """Give what lies below a window, (rows, columns) or (rows, columns, 3); None where there is nothing.

        Places are turned exactly at the corners and sides of 8 by 8 fields, and evenly in between.
        """
        left, low, right, high = frame.box
        columns, rows = round((right - left) * DOTS_MM), round((high - low) * DOTS_MM)
        x0, y0, x1, y1 = frame.ground
        knots = np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y1, y0, 9))
        at = np.mgrid[0:rows, 0:columns] + 0.5
        field = np.stack([at[0] * 8 / rows, at[1] * 8 / columns])
        x, y = (map_coordinates(knot, field, order=1) for knot in self._to_mercator.transform(*knots))
        west, south, east, north = self._bounds
        high_px, wide_px, bands = self._pixels.shape
        where = np.stack([(north - y) / (north - south) * high_px - 0.5, (x - west) / (east - west) * wide_px - 0.5])
        opacity = self._sampled(-1, where) / 255 * self._strength
        if not opacity.any():
            return None
        shown = [255 - (255 - self._sampled(band, where)) * opacity for band in range(bands - 1)]
        made = np.stack(shown, axis=-1).round().astype(np.uint8)
        return made[..., 0] if bands == 2 else made

    def _sampled(self, band: int, where: np.ndarray) -> np.ndarray:
        part = self._pixels[..., band].astype(np.float32)
        made: np.ndarray = map_coordinates(part, where, order=1, mode="constant")
        return made


def backdrop_of(picture: Picture | None, crs: str) -> Callable[[Frame], np.ndarray | None] | None:
    """Give what lies below windows of a picture; None where there is no picture."""
    if picture is None:
        return None
    return Backdrop(picture.pixels, picture.bounds, crs, IMAGE if picture.has_image else HILLSHADE).below
