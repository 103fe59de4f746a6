"""Stations as GeoParquet, appended one piece at a time so that the whole is never in memory."""

from __future__ import annotations

import json
from pathlib import Path
from types import TracebackType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyproj
import shapely

from gisprio.contracts.errors import ContractError
from gisprio.contracts.schema import Column, Layer

_ARROW = {"text": pa.string(), "float": pa.float64(), "int": pa.int64(), "bool": pa.bool_()}


class StationWriter:
    """Context manager that appends row groups to one GeoParquet 1.1 file.

    Parameters
    ----------
    path
        File to write.
    layer
        What the rows hold; its columns in order, then ``geometry``.
    crs
        The working system as WKT.

    Notes
    -----
    GeoParquet 1.1: geometry is WKB, the system PROJJSON, compression zstd. The box is written when the file
    is closed, since only then it is known.

    Examples
    --------
    ::

        with StationWriter(path, layer, crs) as stations:
            for piece in pieces:
                stations.write(piece)
    """

    def __init__(self, path: Path, layer: Layer, crs: str) -> None:
        self._layer = layer
        self._crs = pyproj.CRS.from_wkt(crs)
        self._schema = pa.schema(
            [pa.field(c.name, _ARROW[c.kind], nullable=c.null) for c in layer.columns]
            + [pa.field("geometry", pa.binary(), nullable=False)]
        )
        self._bounds = np.array([np.inf, np.inf, -np.inf, -np.inf])
        self._file: pq.ParquetWriter | None = pq.ParquetWriter(path, self._schema, compression="zstd")

    def __enter__(self) -> StationWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write(self, frame: pd.DataFrame) -> None:
        """Append rows as one row group; no rows, no row group.

        Parameters
        ----------
        frame
            The layer's columns, and either point geometry or columns ``x`` and ``y`` [m].

        Raises
        ------
        ContractError
            When a column of the layer or the place is missing.
        """
        if self._file is None:
            raise ValueError("this writer is closed")
        if len(frame) == 0:
            return
        xy = self._places(frame)
        missing = [name for name in self._layer.names() if name not in frame.columns]
        if missing:
            raise ContractError(
                f"layer {self._layer.name} breaks its contract: columns missing: {', '.join(missing)}.",
                wanted="what contracts/layers.py promises",
                do="report this as a fault of gisprio, with run.log.",
            )
        arrays = [_array(column, frame[column.name]) for column in self._layer.columns]
        arrays.append(pa.array(shapely.to_wkb(shapely.points(xy), byte_order=1), pa.binary()))
        self._file.write_table(pa.Table.from_arrays(arrays, schema=self._schema), row_group_size=len(frame))
        self._bounds[:2] = np.minimum(self._bounds[:2], xy.min(axis=0))
        self._bounds[2:] = np.maximum(self._bounds[2:], xy.max(axis=0))

    def close(self) -> None:
        """Write the metadata and finish the file."""
        if self._file is None:
            return
        self._file.add_key_value_metadata({"geo": json.dumps(self._metadata(), sort_keys=True)})
        self._file.close()
        self._file = None

    def _places(self, frame: pd.DataFrame) -> np.ndarray:
        if isinstance(frame, gpd.GeoDataFrame):
            return shapely.get_coordinates(np.asarray(frame.geometry.values))
        if {"x", "y"} <= set(frame.columns):
            return frame[["x", "y"]].to_numpy(dtype=float)
        raise ContractError(
            f"layer {self._layer.name} breaks its contract: no geometry and no columns x and y.",
            wanted="point geometry, or the place as x and y",
            do="report this as a fault of gisprio, with run.log.",
        )

    def _metadata(self) -> dict[str, Any]:
        column: dict[str, Any] = {
            "encoding": "WKB",
            "geometry_types": ["Point"],
            "crs": self._crs.to_json_dict(),
        }
        if np.isfinite(self._bounds).all():
            column["bbox"] = self._bounds.tolist()
        return {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}


def _array(column: Column, values: pd.Series) -> pa.Array:
    return pa.array(values, type=_ARROW[column.kind], from_pandas=True)
