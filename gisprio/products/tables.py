"""Result layers as CSV: UTF-8, no geometry, no cell that a spreadsheet would compute."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from gisprio.contracts.cards import Results

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_ENDS_A_CELL = re.compile(r'[",\r\n]')
_DIGITS_BY_SUFFIX = (
    ("_m_m", 6),
    ("_elevation_m", 2),
    ("_1_m", 6),
    ("_m3_s", 3),
    ("_w_m2", 2),
    ("_km2", 3),
    ("_m2", 1),
    ("_m", 1),
    ("_deg", 1),
    ("_pct", 1),
    ("_score", 1),
    ("_share", 4),
)
_DIGITS_BY_NAME = {
    "priority": 2, "sinuosity": 3, "froude": 3, "rank_p05": 1, "rank_p50": 1, "rank_p95": 1,
    "latitude": 6, "longitude": 6, "height_low_m": 2, "height_mid_m": 2, "height_high_m": 2,
}  # fmt: skip


def write_reaches(path: Path, results: Results) -> None:
    """Write the layer ``reaches`` as CSV."""
    write_table(path, results.tables["reaches"])


def write_banks(path: Path, results: Results) -> None:
    """Write the layer ``banks`` as CSV."""
    write_table(path, results.tables["banks"])


def write_properties(path: Path, results: Results) -> None:
    """Write the layer ``properties`` as CSV."""
    write_table(path, results.tables["properties"])


def write_sites(path: Path, results: Results) -> None:
    """Write the layer ``sites`` as CSV."""
    write_table(path, results.tables["sites"])


def write_monitoring(path: Path, results: Results) -> None:
    """Write the layer ``monitoring`` as CSV, where visits told anything of it."""
    if len(results.tables["monitoring"]):
        write_table(path, results.tables["monitoring"])


def write_sensitivity(path: Path, results: Results) -> None:
    """Write the table of what changes the top as CSV."""
    write_table(path, results.tables["sensitivity"])


def write_table(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as CSV: the layer's columns in order, nulls as empty cells.

    Parameters
    ----------
    path
        File to write.
    frame
        The layer; a geometry is left out.

    Notes
    -----
    Text cells that a spreadsheet would read as a formula get an apostrophe in front. Numbers are written
    plainly (no exponent), rounded by the unit of their column: see :func:`digits_of`.
    """
    plain = plain_table(frame)
    columns = [cells_of(str(name), plain[name]) for name in plain.columns]
    heads = [guard(str(name)) for name in plain.columns]
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(_line(cells) for cells in (heads, *zip(*columns, strict=True)))


def plain_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Give a layer without its geometry."""
    return pd.DataFrame(frame).drop(columns=frame.geometry.name) if isinstance(frame, gpd.GeoDataFrame) else frame


def guard(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would take for a formula.

    Examples
    --------
    >>> guard("=1+1"), guard("Tansy Brook")
    ("'=1+1", 'Tansy Brook')
    """
    return "'" + text if text.lstrip(" \u00a0\ufeff")[:1] in _FORMULA_STARTS else text


def digits_of(column: str) -> int:
    """Give the decimals a column of fractions is written with, by its unit suffix."""
    if column in _DIGITS_BY_NAME:
        return _DIGITS_BY_NAME[column]
    for suffix, digits in _DIGITS_BY_SUFFIX:
        if column.endswith(suffix):
            return digits
    return 4


def _line(cells: Iterable[str]) -> str:
    return ",".join(map(_quoted, cells)) + "\n"


def _quoted(cell: str) -> str:
    """Quote a cell that holds what would end it, a lone carriage return too (csv leaves that one bare)."""
    return '"' + cell.replace('"', '""') + '"' if _ENDS_A_CELL.search(cell) else cell


def cells_of(name: str, values: pd.Series) -> list[str]:
    """Give the cells of one column as text that no spreadsheet computes, empty where null.

    Parameters
    ----------
    name
        The column: its unit says how numbers are rounded.
    values
        Its values.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    write = _writer_of(name, values)
    known = values.notna().to_numpy().tolist()
    plain = values.to_numpy(object).tolist()  # one by one out of the series takes five times as long
    return [write(value) if there else "" for value, there in zip(plain, known, strict=True)]


def _writer_of(name: str, values: pd.Series) -> Callable[[Any], str]:
    """Give what turns a value of a column into text."""
    if pd.api.types.is_bool_dtype(values.dtype):
        return lambda value: str(bool(value)).lower()
    if pd.api.types.is_integer_dtype(values.dtype):
        return lambda value: str(int(value))
    if pd.api.types.is_float_dtype(values.dtype):
        unit = Decimal(1).scaleb(-digits_of(name))
        return lambda value: _plain(float(value), unit)
    return lambda value: guard(str(value))


def _plain(value: float, unit: Decimal) -> str:
    """Give a number to a unit such as 0.01, without exponent and without trailing zeros after the point."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot stand in a table")
    text = f"{Decimal(repr(value)).quantize(unit, rounding=ROUND_HALF_EVEN):f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text
