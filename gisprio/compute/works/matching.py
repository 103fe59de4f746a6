"""Sites of another run found again by place: the same side of the stream, and half of the length in common."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from gisprio.compute.visits.places import AWAY_M

Shapes = NDArray[np.object_]
STEP_M = 5.0
"""Length is compared at points so far apart along the earlier site [own]: the default spacing of stations."""
SHARE = 0.5
"""So much of the length of the shorter of the two must be in common [own]."""


def site_lines(sites: pd.DataFrame, reaches: gpd.GeoDataFrame) -> Shapes:
    """Give the stretch of stream that each site lies along, drawn downstream.

    Parameters
    ----------
    sites
        ``reach_id``, ``from_m`` and ``to_m`` upstream from the reach's downstream end.
    reaches
        Layer ``reaches``.

    Returns
    -------
    ndarray
        (n,) lines.
    """
    line = pd.Series(np.asarray(reaches.geometry.array), index=reaches["reach_id"]).reindex(sites["reach_id"])
    ends = zip(line, sites["from_m"].to_numpy(float), sites["to_m"].to_numpy(float), strict=True)
    # a start below 0, by the last digit of a length, would count from the other end
    cut = [substring(shape, max(shape.length - high, 0.0), max(shape.length - low, 0.0)) for shape, low, high in ends]
    return np.array([*cut, None], object)[:-1]


def match_sites(before: gpd.GeoDataFrame, now: gpd.GeoDataFrame) -> pd.DataFrame:
    """Pair the sites of an earlier run with those of this one, by place alone.

    Parameters
    ----------
    before, now
        Lines of both in one system of metres, with ``site_id`` and ``side``.

    Returns
    -------
    DataFrame
        One row a pair: ``before``, ``now`` (ids) and ``common_m``, ordered by both. A site that was cut in two has two
        partners.

    Notes
    -----
    Points every 5 m along the earlier site belong to the nearest site of its side within 30 m that they lie beside, and
    not off its ends.
    """
    point, row, weight = _points(np.asarray(before.geometry.array))
    lines = np.asarray(now.geometry.array)
    side_before, side_now = before["side"].to_numpy(object), now["side"].to_numpy(object)
    at, of = shapely.STRtree(lines).query(point, predicate="dwithin", distance=AWAY_M)
    along = shapely.line_locate_point(lines[of], point[at])
    beside = (along > 0) & (along < shapely.length(lines[of])) & (side_before[row[at]] == side_now[of])
    at, of = at[beside], of[beside]
    near = pd.DataFrame({"point": at, "now": of, "away": np.round(shapely.distance(point[at], lines[of]), 3)})
    near = near.sort_values(["point", "away", "now"], kind="stable").drop_duplicates("point")
    near = near.assign(before=row[near["point"]], common_m=weight[near["point"]])
    pairs = near.groupby(["before", "now"], as_index=False)["common_m"].sum()
    lengths = [shapely.length(np.asarray(one.geometry.array)) for one in (before, now)]
    shorter = np.minimum(lengths[0][pairs["before"]], lengths[1][pairs["now"]])
    pairs = pairs[(pairs["common_m"] >= SHARE * shorter - 1e-6).to_numpy()]
    names = {side: one["site_id"].to_numpy(object)[pairs[side]] for side, one in (("before", before), ("now", now))}
    table = pd.DataFrame({**names, "common_m": pairs["common_m"].to_numpy(float)})
    return table.sort_values(["before", "now"], ignore_index=True)


def _points(lines: Shapes) -> tuple[Shapes, NDArray[np.int64], NDArray[np.float64]]:
    """Give points in the middle of even steps along lines, the row of each, and the metres each stands for."""
    length = shapely.length(lines)
    count = np.maximum(np.ceil(length / STEP_M - 1e-6), 1).astype(np.int64)
    row = np.repeat(np.arange(len(lines)), count)
    place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    points = shapely.line_interpolate_point(lines[row], (place + 0.5) / count[row], normalized=True)
    return np.asarray(points, object), row, (length / count)[row]
