"""The data of the map: words as JSON, numbers as bytes beside it, gzip, and text of 91 letters.

The letters hold no ``<``, so no value from a layer can leave the element it is put in; the page writes text
with ``textContent`` only. assets/unpack.js reads what is written here.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from gisprio.products.packing import (
    Whole,
    array_bytes,
    array_list,
    array_size,
    join_ids,
    join_texts,
    read_text,
    row_order,
    split_ids,
    split_texts,
    write_text,
)

DIGITS = 5
"""Decimals of degrees: a unit is about 1 m, so a place is within 0.6 m."""

MOST_POINTS = 1_000_000
"""A layer with more points is simplified further [own]: about 1.4 MB of the page."""

FOLLOWS = {
    "priority": "rank", "rank_p05": "rank", "rank_p50": "rank", "rank_p95": "rank", "top_share": "rank",
    "erosion_rank": "erosion_score", "gap_rank": "gap_score", "score": "value", "worst": "score",
}  # fmt: skip
"""Columns of numbers that lie in the order of another of their table, where they get smaller so."""

ARRAY = "$"
"""Key under which JSON says where an array lies: first byte, count, bytes a number, differences, with nulls,
multiplier; at last whether the page wants it as a plain list. Equal arrays lie there once."""

IDS = "$ids"
"""Key under which JSON holds a list of ids: ends, the place of each among them, letters as in the id before."""

_COARSEST_M = 32.0
_SHORT = 64


def encode(data: Mapping[str, Any]) -> str:
    """Give data as text of 91 letters; the same data give the same text.

    Parameters
    ----------
    data
        Plain data, packed columns and shapes, and numpy arrays of whole numbers, masked where null.
    """
    chunks: dict[bytes, int] = {}
    plain = json.dumps(_told(data, chunks), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    head = plain.encode("utf-8")
    whole = b"".join([len(head).to_bytes(4, "little"), head, *chunks])
    return write_text(gzip.compress(whole, 9, mtime=0))


def decode(text: str) -> Any:
    """Give the data of :func:`encode` back, arrays as lists."""
    whole = gzip.decompress(read_text(text))
    start = 4 + int.from_bytes(whole[:4], "little")
    return _restored(json.loads(whole[4:start].decode("utf-8")), whole[start:])


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


def _told(value: Any, chunks: dict[bytes, int]) -> Any:
    """Give data as JSON takes it, with every array replaced by where its bytes lie among the chunks."""
    if isinstance(value, np.ndarray):
        return _array_told(value, chunks, as_list=False)
    if isinstance(value, Mapping):
        return {key: _told(one, chunks) for key, one in _compact(value).items()}
    if not isinstance(value, (list, tuple)):
        return value
    if len(value) >= _SHORT and all(one is None or type(one) is int for one in value):
        missing = [one is None for one in value]
        return _array_told(np.ma.MaskedArray([one or 0 for one in value], missing, np.int64), chunks, as_list=True)
    if len(value) >= _SHORT and all(type(one) is str for one in value):
        split = split_ids(value)
        return list(value) if split is None else {IDS: [split[0], *(_told(one, chunks) for one in split[1:])]}
    return [_told(one, chunks) for one in value]


def _array_told(values: Whole, chunks: dict[bytes, int], *, as_list: bool) -> dict[str, Any]:
    data, how = array_bytes(values)
    last = next(reversed(chunks), b"")
    start = chunks.setdefault(data, chunks.get(last, 0) + len(last))
    return {ARRAY: [start, *how, int(as_list)]}


def _compact(table: Mapping[str, Any]) -> Mapping[str, Any]:
    """Lay columns of a table in the order of others, and take the numbers out of its texts."""
    if "w" in table and "v" in table:
        split = split_texts(table["w"])
        return table if split is None else {"w": split[0], "v": table["v"], "f": split[1], "n": split[2]}
    return {name: _followed(table, name, column) for name, column in table.items()}


def _followed(table: Mapping[str, Any], name: str, column: Any) -> Any:
    base = table.get(FOLLOWS.get(name, ""))
    if not (isinstance(base, dict) and isinstance(column, dict) and "d" in base and "d" in column):
        return column
    values = column["v"][row_order(base["v"])]
    return (
        {"d": column["d"], "by": FOLLOWS[name], "v": values} if array_size(values) < array_size(column["v"]) else column
    )


def _restored(value: Any, data: bytes) -> Any:
    """Undo :func:`_told`."""
    if isinstance(value, list):
        return [_restored(one, data) for one in value]
    if not isinstance(value, dict):
        return value
    if ARRAY in value:
        start, *how, _ = value[ARRAY]
        return array_list(data[start:], *how)
    if IDS in value:
        return join_ids(*_restored(value[IDS], data))
    table = {key: _restored(one, data) for key, one in value.items()}
    if "f" in table and "n" in table:
        return {"w": join_texts(table["w"], table["f"], table["n"]), "v": table["v"]}
    return {name: _in_rows(table, name) for name in table}


def _in_rows(table: Mapping[str, Any], name: str) -> Any:
    """Give a column in the order of rows, whatever order it lies in."""
    column = table[name]
    if not (isinstance(column, dict) and "by" in column):
        return column
    base = np.array([np.inf if v is None else v for v in _in_rows(table, column["by"])["v"]])
    values = np.empty(len(base), object)
    values[np.argsort(base, kind="stable")] = column["v"]
    return {"d": column["d"], "v": values.tolist()}
