"""Labels of reaches: sub-watersheds for totals, and what lies outside the area of interest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.areas import upper_first


def outside(reaches: pd.DataFrame, watershed: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which reaches have their middle outside the area of interest; none where no watershed is given. (n,)"""
    if not len(watershed):
        return np.zeros(len(reaches), bool)
    middle = shapely.line_interpolate_point(np.asarray(reaches["geometry"], object), 0.5, normalized=True)
    reach, _ = shapely.STRtree(np.asarray(watershed.geometry.array)).query(middle, predicate="intersects")
    return ~np.isin(np.arange(len(reaches)), reach)


def sub_watersheds(
    reaches: pd.DataFrame, segments: pd.DataFrame, area_km2: NDArray[np.floating], polygons: pd.DataFrame, at_km2: float
) -> list[str | None]:
    """Label every reach.

    Parameters
    ----------
    reaches, segments
        Of the network.
    area_km2
        (n,) drainage area at each segment's lower end.
    polygons
        The user's sub-watersheds with ``name``; when there are none the network is cut.
    at_km2
        Area from which a stream gets a label of its own.

    Returns
    -------
    list
        Name of the polygon the reach's middle lies in (None outside all), or ``W-`` and the id of the segment in which
        the area first passes ``at_km2``; what lies below or is smaller goes with the segment it flows into.
    """
    if len(polygons):
        middle = shapely.line_interpolate_point(np.asarray(reaches["geometry"], object), 0.5, normalized=True)
        reach, polygon = shapely.STRtree(np.asarray(polygons.geometry.array)).query(middle, predicate="within")
        first = pd.Series(polygon).groupby(reach).min()
        names = polygons["name"].to_numpy()
        return [str(names[first[n]]) if n in first.index else None for n in range(len(reaches))]
    labels = network_labels(segments, area_km2, at_km2)
    return [labels[number] for number in reaches["segment_no"]]


def network_labels(segments: pd.DataFrame, area_km2: NDArray[np.floating], at_km2: float) -> list[str]:
    """Label every segment by where its drainage area first passes a threshold."""
    downstream = segments["downstream_no"].to_numpy()
    ids = segments["segment_id"].to_numpy()
    large = area_km2 >= at_km2
    below_large = np.zeros(len(segments), bool)
    np.logical_or.at(below_large, downstream[(downstream >= 0) & large], True)
    labels = [""] * len(segments)
    outlet = [""] * len(segments)
    for segment in reversed(upper_first(downstream)):
        below = int(downstream[segment])
        outlet[segment] = outlet[below] if below >= 0 else f"W-{ids[segment]}"
        if large[segment]:
            labels[segment] = outlet[segment] if below_large[segment] else f"W-{ids[segment]}"
        else:
            labels[segment] = labels[below] if below >= 0 else outlet[segment]
    return labels
