"""The data of the map: words as JSON, numbers as bytes beside it, gzip, base64.

Base64 holds no ``<``, so no value from a layer can leave the element it is put in; the page writes text
with ``textContent`` only. assets/unpack.js reads what is written here.

Numbers are whole ones. Each array lies as its differences or as it is, whichever is smaller, a sign in the lowest bit
(0, -1, 1, -2 as 0, 1, 2, 3), first the lowest byte of every number, then the next: so gzip finds bytes of one kind
together.
"""

from __future__ import annotations

import base64
import gzip
import json
import zlib
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

DIGITS = 5
"""Decimals of degrees: a unit is about 1 m, so a place is within 0.6 m."""

MOST_POINTS = 1_000_000
"""A layer with more points is simplified further [own]: about 1.4 MB of the page."""

ARRAY = "$"
"""Key under which JSON says where an array lies: first byte, count, bytes a number, differences, with nulls."""

_TRIED = 16_384
_COARSEST_M = 32.0

Whole = NDArray[np.int64]


def encode(data: Mapping[str, Any]) -> str:
    """Give data as base64 of gzipped bytes; the same data give the same text.

    Parameters
    ----------
    data
        Plain data, and numpy arrays of whole numbers, masked where null.
    """
    chunks: list[bytes] = []
    plain = json.dumps(_told(data, chunks, [0]), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    head = plain.encode("utf-8")
    whole = b"".join([len(head).to_bytes(4, "little"), head, *chunks])
    return base64.b64encode(gzip.compress(whole, 9, mtime=0)).decode("ascii")


def decode(text: str) -> Any:
    """Give the data of :func:`encode` back, arrays as lists."""
    whole = gzip.decompress(base64.b64decode(text))
    start = 4 + int.from_bytes(whole[:4], "little")
    return _listed(json.loads(whole[4:start].decode("utf-8")), whole[start:])


def pack_numbers(values: pd.Series, digits: int) -> dict[str, Any]:
    """Pack a column of numbers as whole numbers: value = v / 10**digits; null is masked.

    Examples
    --------
    >>> pack_numbers(pd.Series([1.26, None]), 1)["v"].tolist()
    [13, None]
    """
    numbers = values.astype("float64").to_numpy(na_value=np.nan)
    missing = np.isnan(numbers)
    whole = np.round(np.where(missing, 0.0, numbers) * 10**digits).astype(np.int64)
    return {"d": digits, "v": np.ma.MaskedArray(whole, missing)}


def follow(packed: Mapping[str, Any], base: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Lay a packed column of numbers in the order of another, if it gets smaller so, as ranks do beside their scores.

    Parameters
    ----------
    packed
        Of :func:`pack_numbers`.
    base
        The column it follows, as it lies in its table; itself in the order of rows.
    name
        Name of that column; ``by`` says so in what is given back.

    Examples
    --------
    >>> score, rank = pd.Series([7, 1, 9] * 40), pd.Series([41, 81, 1] * 40)
    >>> followed = follow(pack_numbers(rank, 0), pack_numbers(score, 0), "score")
    >>> followed["by"], followed["v"].tolist()[:2]
    ('score', [81, 81])
    """
    values = packed["v"][_order(base["v"])]
    sizes = [_zipped_size(*_array_bytes(way)[:2]) for way in (packed["v"], values)]
    return {"d": packed["d"], "by": name, "v": values} if sizes[1] < sizes[0] else dict(packed)


def unpack_numbers(table: Mapping[str, Any], name: str) -> NDArray[np.float64]:
    """Give a column of a decoded table as numbers, NaN where null."""
    column = table[name]
    values = np.array([np.nan if v is None else v for v in column["v"]], float)
    if "by" in column:
        values[_order(np.ma.masked_invalid(unpack_numbers(table, column["by"])))] = values.copy()
    return values / 10 ** column["d"]


def _order(values: Any) -> Whole:
    """Give the rows from the least value to the largest, equal ones as they stand, null last."""
    return np.asarray(np.lexsort((np.ma.filled(values, 0), np.ma.getmaskarray(values))))


def pack_words(values: pd.Series) -> dict[str, Any]:
    """Pack a column of text as places in a list of its distinct values; null is -1.

    Examples
    --------
    >>> packed = pack_words(pd.Series(["b", None, "a", "b"]))
    >>> packed["w"], packed["v"].tolist()
    (['a', 'b'], [1, -1, 0, 1])
    """
    missing = values.isna().to_numpy(bool)
    words = values.to_numpy(object)[~missing]
    place = np.full(len(values), -1, np.int64)
    codes, distinct = pd.factorize(np.array([str(word) for word in words], object), sort=True)
    place[~missing] = codes
    return {"w": [str(word) for word in distinct], "v": place}


def pack_shapes(shapes: gpd.GeoSeries, crs: str, tolerance_m: float, *, most: int = MOST_POINTS) -> dict[str, Any]:
    """Pack lines or polygons: simplified, in degrees, every part or ring one run of points.

    Parameters
    ----------
    shapes
        In the working system.
    crs
        The working system as WKT.
    tolerance_m
        A simplified line stays within this of the given one [m]; rings of less ground than its square are left out,
        but for the largest of a shape.
    most
        Where more points would be left, the tolerance is doubled until they are not, or it is 32 m or more.

    Returns
    -------
    dict
        ``parts``: runs of each shape; ``points``: points of each run; ``x`` and ``y``: differences to the point
        before, in units of 10**-digits degrees; ``closed``: whether the first point of a run is also its last, which
        is not sent; ``tolerance_m`` as it was used.
    """
    runs, parts, closed = _runs(np.asarray(shapes.values), tolerance_m)
    simple = shapely.simplify(runs, tolerance_m)
    while _points(simple) > most and tolerance_m < _COARSEST_M:
        tolerance_m = 2 * max(tolerance_m, 1.0)
        simple = shapely.simplify(runs, tolerance_m)
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:4326", always_xy=True)
    xy = shapely.get_coordinates(simple)
    points = shapely.get_num_coordinates(simple)
    if closed:
        xy = np.delete(xy, np.cumsum(points) - 1, axis=0)
        points = points - 1
    degrees = np.column_stack(to_degrees.transform(xy[:, 0], xy[:, 1])) if len(xy) else xy
    steps = np.diff(np.round(degrees * 10**DIGITS).astype(np.int64), axis=0, prepend=np.zeros((1, 2), np.int64))
    return {
        "digits": DIGITS,
        "closed": closed,
        "tolerance_m": tolerance_m,
        "parts": parts,
        "points": points.astype(np.int64),
        "x": steps[:, 0],
        "y": steps[:, 1],
    }


def _points(shapes: NDArray[np.object_]) -> int:
    return int(shapely.get_num_coordinates(shapes).sum())


def _runs(shapes: NDArray[np.object_], tolerance_m: float) -> tuple[NDArray[np.object_], Whole, bool]:
    """Give the parts of lines or the rings of polygons, how many each shape has, and whether they are rings."""
    count = len(shapes)
    parts, of_shape = shapely.get_parts(shapes, return_index=True)
    closed = bool(len(parts)) and bool((shapely.get_type_id(parts) == shapely.GeometryType.POLYGON).all())
    if not closed:
        return parts, np.bincount(of_shape, minlength=count), False
    rings, of_part = shapely.get_rings(parts, return_index=True)
    of_shape = of_shape[of_part]
    ground = np.abs(shapely.area(shapely.polygons(rings)))
    largest = np.zeros(count)
    np.maximum.at(largest, of_shape, ground)
    keep = (ground >= tolerance_m**2) | (ground == largest[of_shape])
    return rings[keep], np.bincount(of_shape[keep], minlength=count), True


def _told(value: Any, chunks: list[bytes], end: list[int]) -> Any:
    """Give data with every array replaced by where its bytes lie among the chunks."""
    if isinstance(value, np.ndarray):
        data, *how = _array_bytes(value)
        chunks.append(data)
        end[0] += len(data)
        return {ARRAY: [end[0] - len(data), len(value), *how]}
    if isinstance(value, Mapping):
        return {key: _told(one, chunks, end) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_told(one, chunks, end) for one in value]
    return value


def _array_bytes(values: Whole) -> tuple[bytes, int, int, int]:
    """Give the bytes of an array, bytes a number, whether they are differences, whether 0 stands for null."""
    missing = np.ma.getmaskarray(values)
    nulls = bool(missing.any())
    plain = np.ma.filled(values, 0).astype(np.int64)
    last_known = np.maximum.accumulate(np.where(missing, 0, np.arange(len(plain))))
    steps = np.diff(plain[last_known], prepend=0)
    ways = [(_planes(way, missing, nulls), number) for number, way in enumerate((plain, steps))]
    (data, width), differences = min(ways, key=lambda way: _zipped_size(*way[0]))
    return data, width, differences, int(nulls)


def _planes(values: Whole, missing: NDArray[np.bool_], nulls: bool) -> tuple[bytes, int]:
    folded = (values << 1) ^ (values >> 63)
    if nulls:
        folded = np.where(missing, 0, folded + 1)
    width = max(1, (int(folded.max(initial=0)).bit_length() + 7) // 8)
    each = folded.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return np.ascontiguousarray(each.T).tobytes(), width


def _zipped_size(data: bytes, width: int) -> int:
    """Give about how large the planes of some of the numbers get."""
    step = max(1, len(data) // width)
    return sum(len(zlib.compress(data[start : start + _TRIED], 1)) for start in range(0, len(data), step))


def _listed(value: Any, data: bytes) -> Any:
    """Undo :func:`_told`."""
    if isinstance(value, dict):
        return _array_list(value[ARRAY], data) if ARRAY in value else {k: _listed(v, data) for k, v in value.items()}
    if isinstance(value, list):
        return [_listed(one, data) for one in value]
    return value


def _array_list(told: list[int], data: bytes) -> list[int | None]:
    start, count, width, differences, nulls = told
    planes = np.frombuffer(data, np.uint8, count * width, start).reshape(width, count)
    folded = (planes.astype(np.int64) << (8 * np.arange(width))[:, None]).sum(axis=0)
    missing = (folded == 0) & bool(nulls)
    folded = np.where(missing, 0, folded - nulls)
    values = (folded >> 1) ^ -(folded & 1)
    values = np.cumsum(values) if differences else values
    return list(np.ma.MaskedArray(values, missing).tolist())
