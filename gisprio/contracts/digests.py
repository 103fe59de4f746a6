"""Digests of tables by content, so that equal content has equal digests wherever it comes from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely


def table_digest(frame: pd.DataFrame) -> str:
    """Digest a table by content: names, kinds and values of columns; index and order of columns left out.

    Parameters
    ----------
    frame
        Any table, rows in an order that means something; a GeoDataFrame counts with geometry and system.
    """
    digest = hashlib.sha256(f"{len(frame)} rows".encode())
    if isinstance(frame, gpd.GeoDataFrame) and frame.crs is not None:
        digest.update(frame.crs.to_wkt().encode())
    for name in sorted(frame.columns):
        column = frame[name]
        digest.update(f"|{name}:{column.dtype}|".encode())
        for part in _column_bytes(column):
            digest.update(part)
    return digest.hexdigest()


def _column_bytes(column: pd.Series) -> Iterable[bytes]:
    if isinstance(column, gpd.GeoSeries):
        shapes = shapely.to_wkb(column.to_numpy(), byte_order=1)
        yield str([None if shape is None else len(shape) for shape in shapes]).encode()
        yield b"".join(shape for shape in shapes if shape is not None)
        return
    if pd.api.types.is_extension_array_dtype(column.dtype) or column.dtype == object:
        missing = column.isna().to_numpy(bool)
        yield missing.tobytes()
        known = column[~missing]
        if pd.api.types.is_numeric_dtype(column.dtype) or pd.api.types.is_bool_dtype(column.dtype):
            kind = "?" if pd.api.types.is_bool_dtype(column.dtype) else column.dtype.kind + "8"  # type: ignore[union-attr]
            yield np.ascontiguousarray(known.to_numpy(kind)).tobytes()
        else:
            words = known.to_numpy(object).tolist()
            yield json.dumps(
                words if isinstance(known.dtype, pd.StringDtype) else [str(word) for word in words]
            ).encode()
        return
    yield np.ascontiguousarray(column.to_numpy()).tobytes()
