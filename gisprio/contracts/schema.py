"""What a layer promises, and the check that holds it to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.contracts.errors import ContractError

Kind = Literal["text", "int", "float", "bool"]
Geometry = Literal["line", "polygon", "point", "any", "none"]

_GEOMETRY_TYPES = {
    "line": {"LineString", "MultiLineString"},
    "polygon": {"Polygon", "MultiPolygon"},
    "point": {"Point"},
    "any": {"Point", "LineString", "Polygon", "MultiPolygon"},
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a layer.

    Parameters
    ----------
    name
        With its unit as suffix.
    kind
        text, int, float or bool.
    says
        What it holds, in one sentence.
    unit
        Unit in words; empty for none.
    null
        Whether a value may be missing (null, never a number that means missing).
    low, high
        Bounds of the values, both included.
    among
        The words allowed.
    """

    name: str
    kind: Kind
    says: str
    unit: str = ""
    null: bool = False
    low: float | None = None
    high: float | None = None
    among: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer that crosses a stage border: its geometry, its key and its columns in order."""

    name: str
    geometry: Geometry
    key: tuple[str, ...]
    says: str
    columns: tuple[Column, ...]

    def names(self) -> list[str]:
        """Give the column names in order, geometry left out."""
        return [column.name for column in self.columns]


def check(layer: Layer, frame: pd.DataFrame) -> pd.DataFrame:
    """Hold a frame to its layer; give it back with the columns in the layer's order.

    Parameters
    ----------
    layer
        The promise.
    frame
        The table; a GeoDataFrame where the layer has a geometry.

    Returns
    -------
    DataFrame or GeoDataFrame
        The same rows, columns as the layer names them (others are refused), numbers in the promised kind.

    Raises
    ------
    ContractError
        Listing every fault of the frame at once.
    """
    faults = list(_column_faults(layer, frame))
    if not faults:
        plain = pd.DataFrame(frame)  # columns come out of a GeoDataFrame slowly
        faults = [fault for column in layer.columns for fault in _value_faults(column, plain[column.name])]
        if layer.key and frame.duplicated(list(layer.key)).any():
            faults.append(f"key {', '.join(layer.key)} is not unique")
        faults += _geometry_faults(layer, frame)
    if faults:
        raise ContractError(
            f"layer {layer.name} breaks its contract: " + "; ".join(faults) + ".",
            wanted="what contracts/layers.py promises",
            do="report this as a fault of gisprio, with run.log.",
        )
    typed = {column.name: _typed(column, plain[column.name]) for column in layer.columns}
    if layer.geometry == "none":
        return pd.DataFrame(typed)
    assert isinstance(frame, gpd.GeoDataFrame)
    return gpd.GeoDataFrame(typed | {"geometry": frame.geometry}, geometry="geometry")


def empty(layer: Layer, crs: object = None) -> pd.DataFrame:
    """Give the layer with no rows."""
    columns = {column.name: _typed(column, pd.Series([], dtype=object)) for column in layer.columns}
    if layer.geometry == "none":
        return pd.DataFrame(columns)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=crs), crs=crs)


def _column_faults(layer: Layer, frame: pd.DataFrame) -> list[str]:
    here = set(frame.columns) - ({frame.geometry.name} if isinstance(frame, gpd.GeoDataFrame) else set())
    missing = [name for name in layer.names() if name not in here]
    more = sorted(here - set(layer.names()))
    faults = []
    if missing:
        faults.append("columns missing: " + ", ".join(missing))
    if more:
        faults.append("columns not promised: " + ", ".join(more))
    if layer.geometry != "none" and not isinstance(frame, gpd.GeoDataFrame):
        faults.append("no geometry")
    return faults


def _value_faults(column: Column, values: pd.Series) -> list[str]:
    faults = []
    missing = values.isna().to_numpy(bool)
    known = values[~missing] if missing.any() else values
    if not column.null and len(known) < len(values):
        faults.append(f"{column.name} has {len(values) - len(known)} nulls")
    if column.kind == "text":
        if not isinstance(known.dtype, pd.StringDtype) and not all(isinstance(value, str) for value in known):
            faults.append(f"{column.name} holds other than text")
        elif column.among and not set(known.unique()) <= set(column.among):
            faults.append(f"{column.name} holds {sorted(set(known.unique()) - set(column.among))[:5]}")
        return faults
    try:
        numbers = known.to_numpy(dtype=float)
    except (TypeError, ValueError):
        return [*faults, f"{column.name} holds other than numbers"]
    if numbers.size and not np.isfinite(numbers).all():
        faults.append(f"{column.name} holds infinity")
        numbers = numbers[np.isfinite(numbers)]
    if column.kind in ("int", "bool") and numbers.size and (numbers != np.round(numbers)).any():
        faults.append(f"{column.name} holds fractions")
    if numbers.size and column.low is not None and numbers.min() < column.low:
        faults.append(f"{column.name} goes down to {numbers.min():g}, below {column.low:g}")
    if numbers.size and column.high is not None and numbers.max() > column.high:
        faults.append(f"{column.name} goes up to {numbers.max():g}, above {column.high:g}")
    return faults


def _geometry_faults(layer: Layer, frame: pd.DataFrame) -> list[str]:
    if layer.geometry == "none" or not isinstance(frame, gpd.GeoDataFrame):
        return []
    faults = []
    if frame.geometry.isna().any() or frame.geometry.is_empty.any():
        faults.append("geometries are null or empty")
    kinds = set(frame.geom_type.dropna()) - _GEOMETRY_TYPES[layer.geometry]
    if kinds:
        faults.append(f"geometry is {', '.join(sorted(kinds))}, not {layer.geometry}")
    return faults


def _typed(column: Column, values: pd.Series) -> pd.Series:
    if column.kind in ("text", "float"):
        wanted = "str" if column.kind == "text" else "float64"
    elif column.kind == "bool":
        wanted = "boolean" if column.null else "bool"
    else:
        wanted = "Int64" if column.null else "int64"
    return values if values.dtype == wanted else values.astype(wanted)
