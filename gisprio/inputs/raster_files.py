"""Heads of raster files: size, place, system, kind of numbers; no cell is read."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from rasterio.errors import NotGeoreferencedWarning, RasterioIOError

from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import Bounds
from gisprio.inputs.crs import height_unit_m, horizontal, named_unit_m, same, transform_bounds, unnamed
from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import Place


@dataclass(frozen=True, slots=True)
class RasterFile:
    """What the head of a raster file says.

    Parameters
    ----------
    place
        The file.
    crs
        Its horizontal system; None where it names none.
    transform
        Six numbers: x = a column + b row + c, y = d column + e row + f.
    rows, columns
        Its size.
    bounds
        Its extent in its own system.
    bands
        Number of bands; the first is read.
    kind
        Kind of number, as numpy names it.
    scale, offset
        Value = stored x scale + offset.
    height_unit_m
        Metres in one unit of the heights that the system names; None where it names none.
    """

    place: Place
    crs: CRS | None
    transform: tuple[float, float, float, float, float, float]
    rows: int
    columns: int
    bounds: Bounds
    bands: int
    kind: str
    scale: float
    offset: float
    height_unit_m: float | None

    @property
    def north_up(self) -> bool:
        """Whether rows run from north to south, columns from west to east, and cells are square."""
        a, b, _, d, e, _ = self.transform
        return b == 0 and d == 0 and a > 0 and e < 0 and math.isclose(a, -e, rel_tol=1e-6)


def read_head(layer: str, place: Place) -> RasterFile | Fault:
    """Read what the head of a raster file says.

    Parameters
    ----------
    layer
        Its layer, for the message.
    place
        The file.

    Returns
    -------
    RasterFile or Fault
        The fault where it cannot be opened.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            opened = rasterio.open(address(place))
        with opened as file:
            if file.transform.is_identity:
                return Fault(
                    f"[layers] {layer}: {place.name} does not say where it lies.",
                    "a raster with its corner and cell size, and a coordinate reference system.",
                    "georeference it in your GIS, or put its world file (.tfw) beside it.",
                )
            crs = CRS.from_wkt(file.crs.to_wkt()) if file.crs else None
            transform, bounds = file.transform, file.bounds
            return RasterFile(
                place,
                horizontal(crs) if crs is not None else None,
                (transform.a, transform.b, transform.c, transform.d, transform.e, transform.f),
                file.height,
                file.width,
                (bounds.left, bounds.bottom, bounds.right, bounds.top),
                file.count,
                file.dtypes[0],
                file.scales[0],
                file.offsets[0],
                (height_unit_m(crs) if crs is not None else None) or named_unit_m(file.units[0]),
            )
    except RasterioIOError:
        return Fault(
            f"[layers] {layer}: {place.name} cannot be read as a raster.",
            "a raster that GDAL reads, such as GeoTIFF.",
            "open it in your GIS to see whether it is whole, and save it as GeoTIFF.",
        )


def head_findings(layer: str, head: RasterFile) -> Iterator[Finding]:
    """Note a system without a registered code, and bands that are not read."""
    if head.crs is not None:
        note = unnamed(layer, head.place.name, head.crs)
        if note is not None:
            yield note
    if head.bands > 1:
        says = f"{head.place.name} has {head.bands} bands; the first is read."
        yield Finding("note", layer, "bands", "", says, "give a file with one band if another one is meant.")


def address(place: Place) -> str:
    """Give what GDAL opens: the file, or the named grid inside a GeoPackage."""
    return f"GPKG:{place.path}:{place.sublayer}" if place.sublayer else place.path


def native_cell_m(file: RasterFile, crs: CRS) -> float:
    """Give the side of a square cell as large as the file's cells are on the ground at its middle [m]."""
    a, b, c, d, e, f = file.transform
    if file.crs is None or same(file.crs, crs):
        return math.sqrt(abs(a * e - b * d))
    column, row = file.columns / 2 + np.array([0.0, 1.0, 0.0]), file.rows / 2 + np.array([0.0, 0.0, 1.0])
    to_working = Transformer.from_crs(file.crs, crs, always_xy=True)
    x, y = to_working.transform(a * column + b * row + c, d * column + e * row + f)
    area = abs((x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]))
    if not math.isfinite(area):
        transform_bounds(file.bounds, file.crs, crs)
    return math.sqrt(area)
