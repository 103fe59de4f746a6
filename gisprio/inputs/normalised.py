"""What the makers of layers share: text and numbers out of data, a layer held to its contract."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.schema import Layer, check


@dataclass
class Normalised:
    """One layer of the contract with what was noticed while making it."""

    table: gpd.GeoDataFrame
    findings: list[Finding] = field(default_factory=list)


def as_text(values: pd.Series) -> pd.Series:
    """Give values as text: whole numbers without a point, blanks as None.

    Examples
    --------
    >>> as_text(pd.Series([12.0, None, 7.5])).tolist(), as_text(pd.Series([" a ", ""])).tolist()
    (['12', None, '7.5'], ['a', None])
    """

    def one(value: Any) -> str | None:
        if pd.isna(value):
            return None
        if isinstance(value, (float, np.floating)) and float(value).is_integer():
            value = int(value)
        return str(value).strip() or None

    return pd.Series([one(value) for value in values], index=values.index, dtype=object)


def as_numbers(layer: str, key: str, values: pd.Series, low: float, high: float) -> tuple[pd.Series, list[Finding]]:
    """Give values as numbers; what is none, or lies outside low to high, is missing and a finding."""
    numbers = pd.to_numeric(values, errors="coerce").astype("float64")
    wrong = values.notna() & ~((numbers >= low) & (numbers <= high) & np.isfinite(numbers))
    if not wrong.any():
        return numbers, []
    shown = listed(dict.fromkeys(values[wrong].tolist()))
    bounds = f"a number of at least {low:g}" if np.isinf(high) else f"a number from {low:g} to {high:g}"
    says = f"{layer}.{key}: {int(wrong.sum())} values are not {bounds} and are taken as missing: {shown}."
    finding = Finding("warning", layer, "value", "", says, f"correct them if {key} should count there.")
    return numbers.where(~wrong), [finding]


def column(frame: gpd.GeoDataFrame, name: str | None) -> pd.Series:
    """Give a column; all missing where none is named."""
    if name is None:
        return pd.Series([None] * len(frame), index=frame.index, dtype=object)
    return frame[name]


def made_layer(
    layer: Layer, frame: gpd.GeoDataFrame, columns: Mapping[str, Any], findings: list[Finding]
) -> Normalised:
    """Put a layer of the contract together, held to it; raises ContractError where it is broken."""
    table = gpd.GeoDataFrame(dict(columns), geometry=frame.geometry, crs=frame.crs).reset_index(drop=True)
    checked = check(layer, table)
    assert isinstance(checked, gpd.GeoDataFrame)
    return Normalised(checked, findings)
