"""The ground of sites down to the water, where a parcel of the river lies between."""

from __future__ import annotations

import geopandas as gpd
import shapely
from shapely.ops import substring

TOUCHING_M = 0.5
"""A site this near to its bank line reaches it [own]."""
_STEP_M = 1.0


def ground_to_the_bank(sites: gpd.GeoDataFrame, banks: gpd.GeoDataFrame, properties: gpd.GeoDataFrame) -> gpd.GeoSeries:
    """Give the ground of each site with what lies between it and its bank line.

    Parameters
    ----------
    sites
        Layer ``sites``: ``bank_id``, ``property_id``, ``setback_m``, polygons.
    banks
        Layer ``banks``: bank lines.
    properties
        Layer ``properties``: those that have frontage.

    Returns
    -------
    GeoSeries
        Index of ``sites``. A site that touches its bank line, or lies more than half its setback from it, is as it was;
        nothing of another property that has frontage is added.

    Notes
    -----
    Sites are cut to their property. Where the river is a parcel of its own that ends some metres from the water, those
    metres belong to no site, yet whoever plants the site plants them too: a strip counts from the bank line outward.
    """
    lines = banks.set_index("bank_id").geometry.reindex(sites["bank_id"]).to_numpy()
    ground = [
        _to_line(site, line, setback / 2, properties.geometry[properties["property_id"] != owner])
        for site, line, setback, owner in zip(
            sites.geometry, lines, sites["setback_m"], sites["property_id"], strict=True
        )
    ]
    return gpd.GeoSeries(ground, index=sites.index, crs=sites.crs)


def _to_line(site: shapely.Geometry, line: shapely.Geometry, most_m: float, others: gpd.GeoSeries) -> shapely.Geometry:
    """Add the ground between a site and its bank line, at most so wide."""
    edge = shapely.points(shapely.get_coordinates(shapely.segmentize(site, _STEP_M)))
    away = shapely.distance(edge, line)
    if line.geom_type != "LineString" or not TOUCHING_M < away.min() <= most_m:
        return site
    facing = away <= away.min() + 2 * _STEP_M
    places = shapely.line_locate_point(line, edge[facing])
    stretch = substring(line, places.min(), places.max())
    wide = min(most_m, float(away[facing].max()) + TOUCHING_M)
    sides = [shapely.buffer(stretch, way * wide, cap_style="flat", single_sided=True) for way in (1, -1)]
    between = max(sides, key=lambda side: shapely.area(shapely.intersection(side, shapely.buffer(site, TOUCHING_M))))
    near = others[others.intersects(between)]
    return shapely.union(site, shapely.difference(between, shapely.union_all(near.to_numpy())))
