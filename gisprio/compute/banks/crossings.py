"""Crossings: where a road or railway meets the stream at a steep angle. A road along the bank is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.stations import along_line
from gisprio.contracts.constants import CROSSING_ANGLE_DEG, CROSSING_MARGIN_M
from gisprio.contracts.layers import CROSSING_PLACES
from gisprio.contracts.schema import empty

ROAD_WIDTHS_M = (
    ("motorway", 25.0),
    ("highway", 20.0),
    ("trunk", 20.0),
    ("primary", 12.0),
    ("secondary", 10.0),
    ("tertiary", 8.0),
    ("residential", 7.0),
    ("service", 5.0),
    ("track", 4.0),
    ("path", 2.0),
    ("foot", 2.0),
    ("rail", 8.0),
)
"""Width by a word in the class; common practice, no source."""
UNKNOWN_ROAD_WIDTH_M = 8.0
KIND_WORDS = (
    ("rail", "railway"),
    ("track", "track"),
    ("path", "path"),
    ("foot", "path"),
    ("cycle", "path"),
    ("bridle", "path"),
    ("steps", "path"),
)
"""Kind of a crossing by a word in the class, the first that is there; any other class is a road."""


def road_width(road_class: object) -> float:
    """Give the width of a road by its class [m]; 8 m where no word is known.

    >>> road_width("Secondary road"), road_width(None)
    (10.0, 8.0)
    """
    words = str(road_class).lower()
    return next((width for word, width in ROAD_WIDTHS_M if word in words), UNKNOWN_ROAD_WIDTH_M)


def crossing_kind(road_class: object) -> str | None:
    """Give the word of ``CROSSING_KINDS`` for a class; None where it is not told.

    >>> [crossing_kind(word) for word in ("Railway track", "Farm track", "Footway", "B 12", None)]
    ['railway', 'track', 'path', 'road', None]
    """
    if not isinstance(road_class, str):
        return None
    words = road_class.lower()
    return next((kind for word, kind in KIND_WORDS if word in words), "road")


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where one road crosses: the rows of the stations under it, its place on the segment [m], the road's row."""

    rows: NDArray[np.int64]
    at_m: float
    road: int


def road_meetings(stations: pd.DataFrame, roads: pd.DataFrame) -> list[Meeting]:
    """Find where roads cross.

    Parameters
    ----------
    stations
        Stations of the piece, sorted by segment and number.
    roads
        Lines with ``class``.

    Returns
    -------
    list of Meeting
        A crossing takes the road's width and 10 m along the stream, and at least the nearest station.
    """
    if not len(roads) or not len(stations):
        return []
    road_lines = np.asarray(roads.geometry.array)
    tree = shapely.STRtree(road_lines)
    classes = roads["class"].to_numpy(object)
    found = []
    for rows in stations.groupby("segment_no", sort=False).indices.values():
        if len(rows) < 2:
            continue
        at = stations["at_m"].to_numpy()[rows]
        points = stations[["x", "y"]].to_numpy()[rows]
        line = shapely.linestrings(points)
        for road in tree.query(line, predicate="intersects"):
            for place, angle in _meetings(points, at, line, road_lines[road]):
                if angle > CROSSING_ANGLE_DEG.value:
                    half = (road_width(classes[road]) + CROSSING_MARGIN_M.value) / 2
                    under = np.abs(at - place) <= half
                    under[np.argmin(np.abs(at - place))] = True
                    found.append(Meeting(rows[under], place, int(road)))
    return found


def crossing_stations(stations: pd.DataFrame, meetings: Sequence[Meeting]) -> NDArray[np.bool_]:
    """Say which stations lie under a road that crosses; (n,)."""
    under = np.zeros(len(stations), bool)
    for meeting in meetings:
        under[meeting.rows] = True
    return under


def crossing_places(stations: pd.DataFrame, roads: pd.DataFrame, meetings: Sequence[Meeting]) -> pd.DataFrame:
    """Give layer ``crossing_places``: one row a run of neighbouring stations under roads, told by the widest of these.

    Parameters
    ----------
    stations, roads
        As for :func:`road_meetings`.
    meetings
        What that found.
    """
    if not meetings:
        return empty(CROSSING_PLACES)
    under, segment = crossing_stations(stations, meetings), stations["segment_no"].to_numpy()
    starts = under & ~(np.roll(under, 1) & (np.roll(segment, 1) == segment))
    starts[0] = under[0]
    run = np.cumsum(starts)
    length = (stations["to_m"] - stations["from_m"]).where(under, 0.0).groupby(run).sum()
    at = stations["at_m"].to_numpy()
    nearest = [meeting.rows[np.argmin(np.abs(at[meeting.rows] - meeting.at_m))] for meeting in meetings]
    classes = roads["class"].to_numpy(object)[[meeting.road for meeting in meetings]]
    found = pd.DataFrame(
        {
            "run": run[nearest],
            "wide": [-road_width(one) for one in classes],
            "segment_no": segment[nearest],
            "at_m": [meeting.at_m for meeting in meetings],
            "reach_no": stations["reach_no"].to_numpy()[nearest],
            "class": classes,
        }
    )
    widest = found.sort_values(["run", "wide", "at_m", "class"], kind="stable").drop_duplicates("run")
    widest = widest.assign(length_m=length.loc[widest["run"]].to_numpy())
    return widest[CROSSING_PLACES.names()].sort_values(["segment_no", "at_m"], ignore_index=True)


def _meetings(
    points: NDArray[np.float64], at: NDArray[np.float64], line: shapely.LineString, road: shapely.Geometry
) -> list[tuple[float, float]]:
    """Give place along the segment [m] and angle [degrees, 0 to 90] of each point where the two lines meet."""
    along = along_line(points)
    found = []
    for x, y in shapely.get_coordinates(shapely.intersection(line, road)):
        here = shapely.Point(x, y)
        d = float(shapely.line_locate_point(line, here))
        stream = _heading(line, d)
        r = float(shapely.line_locate_point(road, here))
        cosine = abs(float(np.dot(stream, _heading(road, r))))
        found.append((float(np.interp(d, along, at)), float(np.degrees(np.arccos(min(1.0, cosine))))))
    return found


def _heading(line: shapely.Geometry, at: float, over_m: float = 5.0) -> NDArray[np.float64]:
    ends = shapely.get_coordinates(
        shapely.line_interpolate_point(line, [max(0.0, at - over_m), min(line.length, at + over_m)])
    )
    step = ends[1] - ends[0]
    return step / max(float(np.hypot(*step)), 1e-9)
