"""The data of the map: columns of whole numbers and delta-coded coordinates, gzip, base64.

Base64 holds no ``<``, so no value from a layer can leave the element it is put in; the page writes text
with ``textContent`` only.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

DIGITS = 6
"""Decimals of degrees: a unit is about 0.1 m."""


def encode(data: Mapping[str, Any]) -> str:
    """Give data as base64 of gzipped JSON; the same data give the same text."""
    plain = json.dumps(data, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return base64.b64encode(gzip.compress(plain.encode("utf-8"), 9, mtime=0)).decode("ascii")


def decode(text: str) -> Any:
    """Give the data of :func:`encode` back."""
    return json.loads(gzip.decompress(base64.b64decode(text)).decode("utf-8"))


def pack_numbers(values: pd.Series, digits: int) -> dict[str, Any]:
    """Pack a column of numbers as whole numbers: value = v / 10**digits; null stays null.

    Examples
    --------
    >>> pack_numbers(pd.Series([1.26, None]), 1)
    {'d': 1, 'v': [13, None]}
    """
    numbers = values.astype("float64").to_numpy(na_value=np.nan)
    whole = np.round(numbers * 10**digits)
    return {"d": digits, "v": [None if np.isnan(v) else int(v) for v in whole]}


def pack_words(values: pd.Series) -> dict[str, Any]:
    """Pack a column of text as places in a list of its distinct values; null is -1.

    Examples
    --------
    >>> pack_words(pd.Series(["b", None, "a", "b"]))
    {'w': ['a', 'b'], 'v': [1, -1, 0, 1]}
    """
    distinct = sorted({str(value) for value in values.dropna()})
    number = {word: i for i, word in enumerate(distinct)}
    return {"w": distinct, "v": [-1 if pd.isna(value) else number[str(value)] for value in values]}


def pack_shapes(shapes: gpd.GeoSeries, crs: str, tolerance_m: float) -> dict[str, Any]:
    """Pack lines or polygons: simplified, in degrees, every part or ring one run of points.

    Parameters
    ----------
    shapes
        In the working system.
    crs
        The working system as WKT.
    tolerance_m
        A simplified line stays within this of the given one [m].

    Returns
    -------
    dict
        ``parts``: runs of each shape; ``points``: points of each run; ``x`` and ``y``: differences to the point
        before, in units of 10**-digits degrees.
    """
    simple = shapely.simplify(np.asarray(shapes.values), tolerance_m)
    runs = [_runs(shape) for shape in simple]
    flat = [run for one in runs for run in one]
    xy = np.vstack([shapely.get_coordinates(run) for run in flat]) if flat else np.empty((0, 2))
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:4326", always_xy=True)
    degrees = np.column_stack(to_degrees.transform(xy[:, 0], xy[:, 1])) if len(xy) else xy
    whole = np.round(degrees * 10**DIGITS).astype(np.int64)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64))
    return {
        "digits": DIGITS,
        "parts": [len(one) for one in runs],
        "points": [int(shapely.get_num_coordinates(run)) for run in flat],
        "x": steps[:, 0].tolist(),
        "y": steps[:, 1].tolist(),
    }


def _runs(shape: shapely.Geometry) -> list[shapely.Geometry]:
    """Give the parts of a line, or all rings of a polygon."""
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        polygons = shapely.get_parts(shape)
        return [ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors)]
    return list(shapely.get_parts(shape))
