"""Station sides: the two ends of every transect, with all that was measured on them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.cards import Tables

SIDE_KEY = ["segment_no", "station_no", "side"]
STATION_KEY = SIDE_KEY[:2]
NO_BANK = ("lake_path", "piped")
"""Kinds of stream without a bank."""


def has_bank(sides: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the station sides on a bank of the outer ring; (n,): no crossing, island, standing water or pipe.

    Parameters
    ----------
    sides
        Station sides: ``kind``, ``crossing``, ``island``.
    """
    none = sides["kind"].isin(NO_BANK) | sides["crossing"] | sides["island"]
    return ~none.to_numpy(bool)


def places_out(points: pd.DataFrame, out: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give places outward of bank points; ``out`` holds the distances of each, (k,) [m]. x and y, (n, k) each [m]."""
    x, y, out_x, out_y = (points[name].to_numpy(float)[:, None] for name in ("x", "y", "out_x", "out_y"))
    return x + out_x * out, y + out_y * out


def station_sides(core: Tables, *measures: str) -> pd.DataFrame:
    """Join measures to the bank points of a piece, one row a station side.

    Parameters
    ----------
    core
        ``stations``, ``bank_points`` and the tables named.
    measures
        Tables keyed by station side or by station.

    Returns
    -------
    DataFrame
        Sorted along each side of each segment; ``x`` and ``y`` are those of the bank point.
    """
    points = core["bank_points"]
    points = points.iloc[np.lexsort([points[name] for name in ("station_no", "side", "segment_no")])]
    tables = [core["stations"].drop(columns=["x", "y"]), *(core[name] for name in measures)]
    rows = [_rows_of(points, table) for table in tables]
    told = np.logical_and.reduce([row >= 0 for row in rows])
    columns = {name: points[name].array[told] for name in points.columns}
    for table, row in zip(tables, rows, strict=True):
        columns |= {name: table[name].array.take(row[told]) for name in table.columns if name not in SIDE_KEY}
    return pd.DataFrame(columns)


def _rows_of(points: pd.DataFrame, table: pd.DataFrame) -> NDArray[np.int64]:
    """Give the row of each station side in a table keyed by station side or by station; -1 where it has none.

    Raises
    ------
    pandas.errors.InvalidIndexError
        A key stands in the table twice.
    """
    key = SIDE_KEY if "side" in table.columns else STATION_KEY
    sizes = [
        max(int(points[name].max()), int(table[name].max())) + 1 if len(points) and len(table) else 1 for name in key
    ]

    def number(frame: pd.DataFrame) -> pd.Index:
        return pd.Index(np.ravel_multi_index([frame[name].to_numpy(np.int64) for name in key], sizes))

    return np.asarray(number(table).get_indexer(number(points)), np.int64)
