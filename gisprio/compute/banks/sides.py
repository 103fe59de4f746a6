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
    sides = core["bank_points"].merge(core["stations"].drop(columns=["x", "y"]), on=STATION_KEY, validate="many_to_one")
    for name in measures:
        by_side = "side" in core[name].columns
        key, rule = (SIDE_KEY, "one_to_one") if by_side else (STATION_KEY, "many_to_one")
        sides = sides.merge(core[name], on=key, validate=rule)
    return sides.sort_values(["segment_no", "side", "station_no"], ignore_index=True)
