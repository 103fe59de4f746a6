"""Images of the ground, such as aerial photographs, drawn at the size they are shown in."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.enums import ColorInterp, MaskFlags, Resampling
from rasterio.errors import RasterioError
from rasterio.windows import Window

from gisprio.contracts.grids import Bounds
from gisprio.contracts.pictures import Pixels
from gisprio.inputs.crs import transform_bounds
from gisprio.inputs.faults import Fault
from gisprio.inputs.raster_files import RasterFile, open_raster
from gisprio.inputs.rasters import not_read
from gisprio.inputs.warp import pick_bilinear, pick_nearest

_MAP = CRS.from_epsg(3857)
_MESH = 64
"""Parts of a picture's side between which places are transformed exactly."""
_STRIP = 128
"""Rows of a picture that are drawn at once, to save memory."""
_COLOURS = (ColorInterp.red, ColorInterp.green, ColorInterp.blue)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Image:
    """An image of one or several files; of what they share the first one shows.

    Parameters
    ----------
    files
        Heads of the files.
    """

    files: Sequence[RasterFile]

    def drawn(self, bounds: Bounds, rows: int, columns: int) -> Pixels:
        """Draw it on an even grid of EPSG:3857, as :class:`gisprio.contracts.pictures.ImageSource` says.

        Raises
        ------
        InputError
            A file cannot be read to its end.

        Notes
        -----
        Of each file only the window that is seen is read, as coarse as it is shown (of overviews where it has them).
        """
        pixels = np.zeros((rows, columns, 4), np.uint8)
        for file in self.files:
            box = _box_on(file, bounds, rows, columns)
            if box is None:
                continue
            row, column = _places(file, bounds, (rows, columns), box)
            part = pixels[box[0] : box[1], box[2] : box[3]]
            got = _colours_at(file, row, column)
            free = (part[..., 3] == 0) & (got[..., 3] > 0)
            part[free] = got[free]
        return pixels


def image_faults(file: RasterFile) -> Iterator[Fault]:
    """Find what keeps a file from being an image."""
    if file.kind != "uint8":
        yield Fault(
            f"[layers] image: {file.place.name} holds numbers of kind {file.kind}, which are no colours.",
            "8 bits a band: grey, or red, green and blue.",
            "save it from your GIS as a rendered image, with the colours you see there.",
        )


def _box_on(file: RasterFile, bounds: Bounds, rows: int, columns: int) -> tuple[int, int, int, int] | None:
    """Give row0, row1, column0, column1 of the part of a picture that a file may fill; None where it lies elsewhere."""
    assert file.crs is not None
    west, south, east, north = transform_bounds(file.bounds, file.crs, _MAP)
    across, down = columns / (bounds[2] - bounds[0]), rows / (bounds[3] - bounds[1])
    row0, row1 = max(0, math.floor((bounds[3] - north) * down)), min(rows, math.ceil((bounds[3] - south) * down))
    column0 = max(0, math.floor((west - bounds[0]) * across))
    column1 = min(columns, math.ceil((east - bounds[0]) * across))
    return (row0, row1, column0, column1) if row0 < row1 and column0 < column1 else None


def _places(
    file: RasterFile, bounds: Bounds, shape: tuple[int, int], box: tuple[int, int, int, int]
) -> tuple[Floats, Floats]:
    """Give the row and column of a file [cells from its corner] at each pixel's centre of a part of a picture."""
    (rows, columns), (row0, row1, column0, column1) = shape, box
    nodes_y = bounds[3] - (bounds[3] - bounds[1]) * np.linspace(row0, row1, _MESH + 1) / rows
    nodes_x = bounds[0] + (bounds[2] - bounds[0]) * np.linspace(column0, column1, _MESH + 1) / columns
    to_file = Transformer.from_crs(_MAP, file.crs, always_xy=True)
    x, y = to_file.transform(*np.meshgrid(nodes_x, nodes_y))
    a, b, c, d, e, f = (~rasterio.Affine(*file.transform))[:6]
    down, right = _weights(row1 - row0), _weights(column1 - column0)
    return down @ (d * x + e * y + f) @ right.T, down @ (a * x + b * y + c) @ right.T


def _weights(pixels: int) -> Floats:
    """Give the weight of each node of the mesh for each pixel's centre; (pixels, nodes)."""
    at = (np.arange(pixels) + 0.5) / pixels * _MESH
    return np.maximum(0.0, 1 - np.abs(at[:, np.newaxis] - np.arange(_MESH + 1)))


def _colours_at(file: RasterFile, row: Floats, column: Floats) -> Pixels:
    """Give red, green, blue and opacity of a file at some places; shape of ``row`` and 4."""
    pixels = np.zeros((*row.shape, 4), np.uint8)
    near = (row >= 0) & (row < file.rows) & (column >= 0) & (column < file.columns)
    if not near.any():
        return pixels
    r0, c0 = int(row[near].min()), int(column[near].min())
    r1, c1 = int(row[near].max()) + 1, int(column[near].max()) + 1
    step = max(1.0, math.sqrt((r1 - r0) * (c1 - c0) / near.sum()))
    shape = math.ceil((r1 - r0) / step), math.ceil((c1 - c0) / step)
    bands, valid, is_palette = _read(file, Window(c0, r0, c1 - c0, r1 - r0), shape)
    down = np.where(near, (row - r0) * shape[0] / (r1 - r0), -1.0)
    right = np.where(near, (column - c0) * shape[1] / (c1 - c0), -1.0)
    pick = pick_nearest if is_palette else pick_bilinear
    for top in range(0, len(pixels), _STRIP):
        at = slice(top, top + _STRIP)
        for number, band in enumerate(bands):
            values, ok = pick(band, valid, down[at], right[at])
            pixels[at, :, number] = np.where(ok, values, 0).round()
            pixels[at, :, 3] = np.where(ok, 255, 0)
    return pixels


def _read(
    file: RasterFile, window: Window, shape: tuple[int, int]
) -> tuple[list[NDArray[np.uint8]], NDArray[np.bool_], bool]:
    """Read red, green and blue of a window at the size asked for, which of it is data, and whether it has a palette."""
    try:
        with open_raster(file.place) as dataset:
            valid = np.ones(shape, bool)
            if any(flags != [MaskFlags.all_valid] for flags in dataset.mask_flag_enums):
                valid = dataset.dataset_mask(window=window, out_shape=shape) > 0
            if ColorInterp.alpha in dataset.colorinterp:  # the mask knows of it in two or four bands only
                opacity = dataset.colorinterp.index(ColorInterp.alpha) + 1
                valid &= dataset.read(opacity, window=window, out_shape=shape) > 0
            if dataset.colorinterp[0] == ColorInterp.palette:
                codes = dataset.read(1, window=window, out_shape=shape)
                colours = _palette(dataset.colormap(1))[codes]
                return [colours[..., n] for n in range(3)], valid & (colours[..., 3] > 0), True
            bands = _bands(dataset)
            read = dataset.read(bands, window=window, out_shape=(len(bands), *shape), resampling=Resampling.average)
            return [read[n if len(bands) == 3 else 0] for n in range(3)], valid, False
    except RasterioError:
        raise not_read(file) from None


def _palette(colours: dict[int, tuple[int, int, int, int]]) -> NDArray[np.uint8]:
    """Give the colour of each code; (256, 4)."""
    table = np.zeros((256, 4), np.uint8)
    for code, colour in colours.items():
        table[code] = colour
    return table


def _bands(dataset: Any) -> list[int]:
    """Give the numbers of the bands of red, green and blue, or of the grey one."""
    meant = list(dataset.colorinterp)
    if all(colour in meant for colour in _COLOURS):
        return [meant.index(colour) + 1 for colour in _COLOURS]
    others = [number for number, colour in enumerate(meant, 1) if colour != ColorInterp.alpha]
    return others[:3] if len(others) >= 3 else others[:1]
