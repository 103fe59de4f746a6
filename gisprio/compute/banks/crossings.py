"""Crossings: where a road or railway meets the stream at a steep angle. A road along the bank is none."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.stations import along_line
from gisprio.contracts.constants import CROSSING_ANGLE_DEG, CROSSING_MARGIN_M

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


def road_width(road_class: object) -> float:
    """Give the width of a road by its class [m]; 8 m where no word is known.

    >>> road_width("Secondary road"), road_width(None)
    (10.0, 8.0)
    """
    words = str(road_class).lower()
    return next((width for word, width in ROAD_WIDTHS_M if word in words), UNKNOWN_ROAD_WIDTH_M)


def crossing_stations(stations: pd.DataFrame, roads: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which stations lie under a road that crosses.

    Parameters
    ----------
    stations
        Stations of the piece, sorted by segment and number.
    roads
        Lines with ``class``.

    Returns
    -------
    ndarray
        (n,) bool. A crossing takes the road's width and 10 m along the stream, and at least the nearest station.
    """
    under = np.zeros(len(stations), bool)
    if not len(roads) or not len(stations):
        return under
    road_lines = np.asarray(roads.geometry.array)
    tree = shapely.STRtree(road_lines)
    classes = roads["class"].to_numpy(object)
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
                    under[rows[np.abs(at - place) <= half]] = True
                    under[rows[np.argmin(np.abs(at - place))]] = True
    return under


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
