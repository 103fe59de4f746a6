"""Values of the polygons that points lie in, the same however the ground is cut into tiles."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Shapes = NDArray[np.object_]


def mean_inside(x: Floats, y: Floats, polygons: Shapes, values: Floats) -> Floats:
    """Give the mean value of the polygons each point lies in or on the border of.

    Parameters
    ----------
    x, y
        (n,) places [m].
    polygons
        (k,) polygons.
    values
        (k,) their values; those of a polygon without one do not count.

    Returns
    -------
    ndarray
        (n,); NaN where no polygon with a value is.
    """
    known = ~np.isnan(values)
    point, polygon = pairs_inside(x, y, polygons[known])
    return mean_of_pairs(point, values[known][polygon], len(x))


def pairs_inside(x: Floats, y: Floats, polygons: Shapes) -> tuple[Whole, Whole]:
    """Give the numbers of points and polygons that meet, pair by pair."""
    # The tree holds the points: then the polygons, which may have many corners, are the prepared ones.
    polygon, point = shapely.STRtree(shapely.points(x, y)).query(polygons, predicate="intersects")
    return point, polygon


def mean_of_pairs(point: Whole, values: Floats, count: int) -> Floats:
    """Give the mean of the values paired with each of ``count`` points; NaN where there is none."""
    order = np.lexsort((values, point))  # by value, so that no order of pairs changes the rounding
    number = np.bincount(point, minlength=count)
    total = np.bincount(point[order], weights=values[order], minlength=count)
    return np.divide(total, number, out=np.full(count, np.nan), where=number > 0)
