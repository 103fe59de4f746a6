"""Islands: ground that threads of one stream flow around. Their banks are no banks of the stream's outer ring."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.layers import ISLANDS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

WIDEST_WIDTHS = 10.0
"""Ground between two threads wider than this many bankfull widths is land between two streams, no island [own]."""


def find_islands(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Find the islands between the threads of a braid.

    Parameters
    ----------
    tables
        ``segments`` and ``reach_measures``.
    sources, settings
        None.

    Returns
    -------
    dict
        ``islands``: ground that segments enclose, and that is nowhere wider than 10 bankfull widths of the widest of
        them. Where no width is known there is no island.
    """
    segments, reaches = tables["segments"], tables["reach_measures"]
    nothing = {"islands": empty(ISLANDS, getattr(segments, "crs", None))}
    if not len(segments):
        return nothing
    lines = np.asarray(segments.geometry.array)
    rings = shapely.get_parts(shapely.polygonize(lines))
    if not len(rings):
        return nothing
    widest = reaches.groupby("segment_no")["bankfull_width_m"].max().reindex(segments["segment_no"]).fillna(0.0)
    line, ring = shapely.STRtree(rings).query(lines, predicate="covered_by")
    bounding = shapely.intersects(lines[line], shapely.boundary(rings[ring]))
    width = pd.Series(widest.to_numpy()[line[bounding]]).groupby(ring[bounding]).max().reindex(range(len(rings)))
    across = 2 * shapely.length(np.array([shapely.maximum_inscribed_circle(one) for one in rings], dtype=object))
    kept = rings[across <= WIDEST_WIDTHS * width.fillna(0.0).to_numpy()]
    order = np.lexsort(shapely.bounds(kept).T[::-1])
    return {"islands": gpd.GeoDataFrame(geometry=kept[order], crs=segments.crs)}
