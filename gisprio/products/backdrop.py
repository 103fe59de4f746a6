"""The picture at the foot of maps, hillshade or the user's image, as a GeoTIFF that opens in any GIS."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from gisprio.contracts.cards import Results
from gisprio.contracts.grids import GridSource
from gisprio.contracts.pictures import ImageSource, Picture
from gisprio.products.hillshade import Shade, as_shade, hillshade_picture

PIXELS = 1600
"""Most pixels along a side."""
HILLSHADE, IMAGE, BOTH = "hillshade", "image", "image; hillshade where it has no data"
"""What the picture shows, as tag ``shows`` of the file says it."""
_NOTHING = (0.0, 0.0, 1.0, 1.0)
"""Place of the picture of no heights."""


def draw_backdrop(elevation: GridSource, crs: str, image: ImageSource | None = None) -> Picture | None:
    """Draw the user's image over the hillshade.

    Parameters
    ----------
    elevation
        Heights [m] in the working system; the picture is as large as they are.
    crs
        The working system as WKT.
    image
        The user's image; the hillshade shows where it has no data.

    Returns
    -------
    Picture or None
        None where there is no height at all.
    """
    shade = hillshade_picture(elevation, crs, PIXELS, full=image is not None)
    if shade is None or image is None:
        return shade
    rows, columns, _ = shade.pixels.shape
    drawn = image.drawn(shade.bounds, rows, columns)
    shown = drawn[..., 3] > 0
    if not shown.any():
        return shade
    under = shade.pixels[..., [0, 0, 0, 1]]
    pixels = np.where(shown[..., np.newaxis], drawn, under)
    seen = bool((~shown & (under[..., 3] > 0)).any())
    return Picture(pixels, shade.bounds, shade.exaggeration if seen else None, has_image=True)


def backdrop_of(results: Results) -> Shade | None:
    """Give the picture of some results for a page; None where there is none."""
    picture = results.backdrop() if results.backdrop is not None else draw_backdrop(results.elevation, results.crs)
    return None if picture is None else as_shade(picture)


def write_backdrop(path: Path, results: Results) -> None:
    """Write ``backdrop.tif`` in EPSG:3857; without any height a single pixel that is clear.

    Parameters
    ----------
    path
        File to write.
    results
        ``backdrop`` is read; where that is None, ``elevation``.
    """
    import rasterio
    from rasterio.enums import ColorInterp

    picture = results.backdrop() if results.backdrop is not None else draw_backdrop(results.elevation, results.crs)
    pixels, bounds = (np.zeros((1, 1, 2), np.uint8), _NOTHING) if picture is None else (picture.pixels, picture.bounds)
    rows, columns, bands = pixels.shape
    west, south, east, north = bounds
    place = rasterio.Affine((east - west) / columns, 0, west, 0, (south - north) / rows, north)
    colours = [ColorInterp.gray] if bands == 2 else [ColorInterp.red, ColorInterp.green, ColorInterp.blue]
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=bands, dtype="uint8", crs="EPSG:3857",
        transform=place, compress="deflate", predictor=2, zlevel=6, interleave="pixel",
        photometric="MINISBLACK" if bands == 2 else "RGB", alpha="unspecified", tiled=True, blockxsize=256,
        blockysize=256,
    ) as file:  # fmt: skip
        file.colorinterp = [*colours, ColorInterp.alpha]
        file.write(np.moveaxis(pixels, 2, 0))
        file.update_tags(**_tags(picture))


def _tags(picture: Picture | None) -> dict[str, str]:
    """Say what a picture shows, and its place to the last digit, which corner and cell size need not give again."""
    if picture is None:
        return {"shows": "nothing"}
    place = {"west_south_east_north_m": " ".join(map(repr, map(float, picture.bounds)))}
    if picture.exaggeration is None:
        return {"shows": IMAGE, **place}
    shows = BOTH if picture.has_image else HILLSHADE
    return {"shows": shows, "exaggeration": f"{picture.exaggeration:g}", **place}


def read_backdrop(path: Path) -> Picture | None:
    """Read what :func:`write_backdrop` wrote.

    Raises
    ------
    rasterio.errors.RasterioError
        It cannot be read.
    """
    import rasterio

    with rasterio.open(path) as file:
        tags: dict[str, Any] = file.tags()
        if tags.get("shows") == "nothing":
            return None
        size = tags.get("exaggeration")
        west, south, east, north = (float(word) for word in tags["west_south_east_north_m"].split())
        return Picture(
            np.ascontiguousarray(np.moveaxis(file.read(), 0, 2)),
            (west, south, east, north),
            None if size is None else float(size),
            has_image=tags["shows"] in (IMAGE, BOTH),
        )
