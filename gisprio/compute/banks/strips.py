"""Strips along a bank line: polygons by one-sided buffers, since fans of transects overlap inside bends."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
SIMPLIFY_M = 0.25
_OUTWARD = (1.0, -1.0)
"""Sign of a one-sided buffer that lies outward of a bank line drawn downstream: left, right."""


def bank_line(points: Floats, at: Floats, from_m: float, to_m: float) -> Floats:
    """Cut a bank line between two places along the stream, drawn downstream.

    Parameters
    ----------
    points
        (n, 2) bank points of one side of one segment, counted upstream [m].
    at
        (n,) their places along the segment [m].
    from_m, to_m
        Lower and upper place [m]; beyond the outermost points the line goes straight on.

    Returns
    -------
    ndarray
        (k, 2), k >= 2.
    """
    inside = (at > from_m + 1e-6) & (at < to_m - 1e-6)
    places = np.concatenate([[from_m], at[inside], [to_m]])
    return along_bank(places, at, points)[::-1]


def along_bank(places: Floats, at: Floats, points: Floats) -> Floats:
    """Give points on a bank line at places along the stream; beyond the outermost ones it goes straight on; (n, 2)."""
    return np.column_stack([_straight_on(places, at, points[:, i]) for i in (0, 1)])


def _straight_on(places: Floats, at: Floats, values: Floats) -> Floats:
    got = np.interp(places, at, values)
    if len(at) > 1:
        first = (values[1] - values[0]) / (at[1] - at[0])
        last = (values[-1] - values[-2]) / (at[-1] - at[-2])
        got = np.where(places < at[0], values[0] + (places - at[0]) * first, got)
        got = np.where(places > at[-1], values[-1] + (places - at[-1]) * last, got)
    return got


def outward_strip(line: Floats, width_m: float, side: int) -> shapely.Geometry:
    """Give the strip of one width outward of a bank line drawn downstream (side 0 left, 1 right)."""
    soft = shapely.simplify(shapely.linestrings(line), SIMPLIFY_M)
    return polygons_of(shapely.buffer(soft, _OUTWARD[side] * width_m, quad_segs=4, single_sided=True))


def varying_strip(line: Floats, out: Floats, width: Floats) -> shapely.Geometry:
    """Give the strip between a bank line and the points ``width`` outward of it; (n, 2), (n, 2) unit, (n,) [m]."""
    ring = np.concatenate([line, (line + out * width[:, None])[::-1]])
    return polygons_of(shapely.make_valid(shapely.polygons(ring)))


def polygons_of(geometry: shapely.Geometry) -> shapely.Geometry:
    """Keep the polygons of a geometry: a Polygon or MultiPolygon, valid, possibly empty."""
    valid = shapely.make_valid(geometry)
    parts = shapely.get_parts(shapely.get_parts(valid))
    solid = parts[(shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0)]
    if len(solid) == 1:
        return solid[0]
    return shapely.multipolygons(solid)
