"""Retreat of banks: how far the bank line moved between the oldest and the newest date, and what could be detected."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import met_lines, search_length, transect_lines

Floats = NDArray[np.float64]
CONFIDENCE = 1.96
"""Standard errors of the difference that a move must pass: two-sided 95 % of a normal error."""
LEAST_RUN_M = 20.0
"""A move counts where it goes on for this length of bank: at single stations one in twenty passes by chance [own]."""
LEAST_YEARS = 1.0
"""Moves over a shorter time are not scaled up to a year [own]: floods come by the year."""
SAME_CHANNEL_WIDTHS = 2.0
"""Two old lines on one side, no farther apart than this many present widths, are the banks of a channel that moved
across [own]."""


def find_retreat(stations: pd.DataFrame, bank_lines: pd.DataFrame, error_m: float) -> pd.DataFrame:
    """Measure along each transect how far the bank line moved.

    Parameters
    ----------
    stations
        Layer ``stations``.
    bank_lines
        Layer ``bank_lines`` near them.
    error_m
        Standard error of the place of lines that have none of their own [m].

    Returns
    -------
    DataFrame
        Two rows a station, left before right: ``retreat_m_y``, outward positive, NaN where it is not detectable;
        ``least_retreat_m_y``, NaN where there are no two dates.

    Notes
    -----
    The rate is (offset of the newest line - offset of the oldest) / years. The smallest detectable one is
    1.96 sqrt(se1^2 + se2^2) / years, and it must be passed, the same way, on 20 m of bank [own].
    """
    moved = moves(stations, bank_lines, error_m)
    years = np.maximum(moved["years"].to_numpy(), LEAST_YEARS)
    rate, least = moved["moved_m"].to_numpy() / years, moved["least_m"].to_numpy() / years
    with np.errstate(invalid="ignore"):
        way = np.where(np.abs(rate) >= least, np.sign(rate), 0.0)
    told = _long_enough(way.reshape(-1, 2), stations)
    return pd.DataFrame(
        {
            "segment_no": np.repeat(stations["segment_no"].to_numpy(), 2),
            "station_no": np.repeat(stations["station_no"].to_numpy(), 2),
            "side": np.tile([0, 1], len(stations)),
            "retreat_m_y": np.where(told.ravel(), rate, np.nan),
            "least_retreat_m_y": least,
        }
    )


def moves(stations: pd.DataFrame, bank_lines: pd.DataFrame, error_m: float) -> pd.DataFrame:
    """Give ``moved_m``, ``years`` and ``least_m`` between the oldest and the newest line met; (2 n rows), else NaN."""
    centre, left = stations[["x", "y"]].to_numpy(float), stations[["left_x", "left_y"]].to_numpy(float)
    transects = transect_lines(centre, left, search_length(stations["bankfull_width_m"].to_numpy(float)))
    dated = bank_lines[bank_lines["date_y"].notna()]
    met = met_lines(transects, centre, left, dated.assign(error_m=dated["error_m"].fillna(error_m)))
    places = _of_one_channel(met).sort_values(["station", "side", "date_y"], kind="stable")
    by_side = places.groupby(["station", "side"])
    old, new = by_side.first(), by_side.last()
    found = pd.DataFrame(
        {
            "moved_m": new["offset_m"] - old["offset_m"],
            "years": new["date_y"] - old["date_y"],
            "least_m": CONFIDENCE * np.hypot(old["error_m"], new["error_m"]),
        }
    )
    every = pd.MultiIndex.from_product([range(len(stations)), (0, 1)])
    return found[found["years"] > 0].reindex(every).reset_index(drop=True)


def _of_one_channel(met: pd.DataFrame) -> pd.DataFrame:
    """Give the line of each date on each side of each station: the nearest outward.

    Where a date has two lines on one side and none on the other, as near to each other as banks, the channel lay there:
    the nearer one is the other side's bank, at an offset below 0.
    """
    key = ["station", "date_y"]
    ordered = met.sort_values([*key, "side", "offset_m", "line"], kind="stable")
    nearest = ordered.drop_duplicates([*key, "side"])
    one_sided = nearest[~nearest.duplicated(key, keep=False)]
    beyond = ordered.merge(one_sided, on=[*key, "side"], suffixes=("", "_near"))
    beyond = beyond[beyond["line"] != beyond["line_near"]].drop_duplicates(key)
    beyond = beyond[beyond["offset_m"] - beyond["offset_m_near"] <= SAME_CHANNEL_WIDTHS * _width(nearest, beyond)]
    if not len(beyond):
        return nearest
    across = beyond.assign(side=1 - beyond["side"], offset_m=-beyond["offset_m_near"], error_m=beyond["error_m_near"])
    rest = nearest.merge(beyond[key], on=key, how="left", indicator=True).query("_merge == 'left_only'")
    return pd.concat([part[nearest.columns] for part in (rest, beyond, across)], ignore_index=True)


def _width(nearest: pd.DataFrame, of: pd.DataFrame) -> Floats:
    """Give the width between the newest lines on both sides at the stations of ``of``; NaN where one side has none."""
    newest = nearest[nearest["date_y"] == nearest.groupby("station")["date_y"].transform("max")]
    both = newest.groupby("station")["offset_m"].agg(["sum", "size"])
    return both["sum"].where(both["size"] == 2).reindex(of["station"]).to_numpy(float)


def _long_enough(way: Floats, stations: pd.DataFrame) -> NDArray[np.bool_]:
    """Say where moves of one way, (n, 2) of -1, 0, 1, go on for long enough along their bank; (n, 2)."""
    segment, length = stations["segment_no"].to_numpy(), (stations["to_m"] - stations["from_m"]).to_numpy(float)
    told = np.zeros(way.shape, bool)
    for side in (0, 1):
        change = (segment[1:] != segment[:-1]) | (way[1:, side] != way[:-1, side])
        run = np.concatenate([[0], np.cumsum(change)])[: len(way)]
        told[:, side] = (way[:, side] != 0) & (np.bincount(run, length)[run] >= LEAST_RUN_M - 1e-6)
    return told
