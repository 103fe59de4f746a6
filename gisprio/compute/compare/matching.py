"""Which station, bank, site and property of one run is which of another: by place, never by id."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
NEAR_M = 15.0
"""Stations of one side so near to each other are the same place [own]: three times the usual error of a stream line."""
SAME_M = 1.0
"""Stations with one key and so near are the same, whatever else is near."""
LEAST_SHARE = 0.5
"""Partners share at least so much of the longer one's length."""
KEY = ["segment_id", "station_no", "side"]


def pair_stations(first: pd.DataFrame, second: pd.DataFrame) -> Rows:
    """Give the station of another run at the place of each station, on the same side.

    Parameters
    ----------
    first, second
        Stations of two runs: ``segment_id``, ``station_no``, ``side``, ``x``, ``y`` [m, one working system].

    Returns
    -------
    ndarray
        (n,) row of ``second`` for each of ``first``; -1 where no station of its side lies within :data:`NEAR_M`.
    """
    found = _by_key(first, second)
    for side in ("left", "right"):
        open_ = np.flatnonzero((found < 0) & (first["side"] == side).to_numpy(bool))
        there = np.flatnonzero((second["side"] == side).to_numpy(bool))
        if not len(open_) or not len(there):
            continue
        tree = cKDTree(second[["x", "y"]].to_numpy(float)[there])
        away, near = tree.query(first[["x", "y"]].to_numpy(float)[open_], distance_upper_bound=NEAR_M)
        found[open_] = np.where(np.isfinite(away), there[np.minimum(near, len(there) - 1)], -1)
    return found


def _by_key(first: pd.DataFrame, second: pd.DataFrame) -> Rows:
    """Give the station of the same key where it lies at the same place."""
    if not len(second):
        return np.full(len(first), -1, np.int64)
    keys = pd.MultiIndex.from_frame(second[KEY])
    found = keys.get_indexer(pd.MultiIndex.from_frame(first[KEY])).astype(np.int64)
    off = first[["x", "y"]].to_numpy(float) - second[["x", "y"]].to_numpy(float)[np.maximum(found, 0)]
    return np.where((found >= 0) & (np.hypot(off[:, 0], off[:, 1]) <= SAME_M), found, -1)


def pair_banks(first: pd.DataFrame, second: pd.DataFrame, partner: Rows) -> pd.DataFrame:
    """Give the banks of two runs that are the same: partners by the metres of stations they share.

    Parameters
    ----------
    first, second
        Stations: ``bank_id``, ``length_m``.
    partner
        Of :func:`pair_stations`.

    Returns
    -------
    DataFrame
        ``before``, ``after`` (bank ids), ``shared_m``, ``share`` (of the longer one); ordered by ``before``. A bank
        stands in it once at most.
    """
    met = partner >= 0
    shared = pd.DataFrame(
        {
            "before": first["bank_id"].to_numpy(object)[met],
            "after": second["bank_id"].to_numpy(object)[partner[met]],
            "shared_m": first["length_m"].to_numpy(float)[met],
        }
    )
    sums = shared.groupby(["before", "after"], as_index=False)["shared_m"].sum()
    whole = [table.groupby("bank_id")["length_m"].sum() for table in (first, second)]
    longer = np.maximum(
        whole[0].reindex(sums["before"]).to_numpy(float), whole[1].reindex(sums["after"]).to_numpy(float)
    )
    return one_to_one(sums.assign(share=np.minimum(sums["shared_m"] / longer, 1.0)))


def one_to_one(pairs: pd.DataFrame) -> pd.DataFrame:
    """Keep the pairs that share enough, each id once, the largest share first; equal ones by id."""
    kept = pairs[pairs["share"] >= LEAST_SHARE - 1e-9]
    kept = kept.sort_values(["share", "before", "after"], ascending=[False, True, True], kind="stable")
    while True:  # a pair stands where it is the best of both its ids; two rounds are the rule
        best = ~kept.duplicated("before") & ~kept.duplicated("after")
        lost = ~best & (kept["before"].isin(kept.loc[best, "before"]) | kept["after"].isin(kept.loc[best, "after"]))
        if not lost.any():
            return kept[best].sort_values("before", ignore_index=True)
        kept = kept[~lost]


def pair_polygons(
    first: Sequence[str], shapes: NDArray[np.object_], second: Sequence[str], others: NDArray[np.object_]
) -> pd.DataFrame:
    """Give the polygons of two runs that are the same: they share at least half of the larger one's area.

    Parameters
    ----------
    first, second
        (n,), (m,) ids.
    shapes, others
        Their polygons, in one working system.

    Returns
    -------
    DataFrame
        ``before``, ``after``, ``share``; ordered by ``before``.
    """
    row, other = shapely.STRtree(others).query(shapes, predicate="intersects")
    with np.errstate(invalid="ignore"):
        common = shapely.area(shapely.intersection(shapely.make_valid(shapes[row]), shapely.make_valid(others[other])))
        larger = np.maximum(shapely.area(shapes[row]), shapely.area(others[other]))
    pairs = pd.DataFrame(
        {
            "before": np.asarray(first, object)[row],
            "after": np.asarray(second, object)[other],
            "share": np.where(larger > 0, common / np.maximum(larger, 1e-9), 0.0),
        }
    )
    return one_to_one(pairs)
