"""Ground that two layers of polygons share, as strips and properties do."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.terrain.cells import threads_at_hand

THREADS = min(2, threads_at_hand())
"""GEOS lets go of the interpreter while it cuts, so that two threads take half the time. They change no result."""
STRIPS_AT_ONCE = 500
"""Strips of one job. No geometry is prepared here: two threads that ask one prepared geometry end the process."""


def shared_areas(strips: NDArray[np.object_], properties: NDArray[np.object_]) -> pd.DataFrame:
    """Give the area of every pair of polygons that meet.

    Parameters
    ----------
    strips, properties
        (n,) and (m,) valid polygons or multipolygons [m].

    Returns
    -------
    DataFrame
        ``strip`` and ``property``, rows of the two, in this order; ``area_m2``, 0 where they only touch.

    Examples
    --------
    >>> lots = np.array([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10), shapely.box(30, 0, 40, 10)])
    >>> shared_areas(np.array([shapely.box(8, 2, 14, 4)]), lots).to_dict("list")
    {'strip': [0, 0], 'property': [0, 1], 'area_m2': [4.0, 8.0]}
    """
    strips, properties = np.array(strips, object), np.array(properties, object)
    tree = shapely.STRtree(properties)
    firsts = range(0, max(1, len(strips)), STRIPS_AT_ONCE)

    def share(first: int) -> pd.DataFrame:
        some = strips[first : first + STRIPS_AT_ONCE]
        strip, lot = tree.query(some, predicate="intersects")
        area = shapely.area(shapely.intersection(some[strip], properties[lot]))
        return pd.DataFrame({"strip": first + strip, "property": lot, "area_m2": area})

    with ThreadPoolExecutor(THREADS) as pool:
        pairs = pd.concat(list(pool.map(share, firsts)), ignore_index=True)
    return pairs.sort_values(["strip", "property"], ignore_index=True)
