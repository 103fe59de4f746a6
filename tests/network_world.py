"""Stream lines and heights at hand, run through the five stages that see the whole area."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.join import join_streams
from gisprio.compute.network.profiles import lay_profiles
from gisprio.compute.network.reaches import measure_reaches
from gisprio.compute.terrain.flow import share_catchments
from gisprio.compute.terrain.relief import lay_routing_grid
from gisprio.contracts.findings import findings_from, findings_table
from gisprio.contracts.grids import ArraySource, Grid
from gisprio.contracts.layers import (
    CATCHMENTS,
    CONSTRAINTS,
    INFLOWS,
    KNICKPOINTS,
    LONG_PROFILES,
    PROFILE_POINTS,
    REACH_MEASURES,
    ROADS,
    SEGMENTS,
    SOURCE_PARTS,
    STREAMS,
    STRETCHES,
    SUB_WATERSHEDS,
    WATER,
    WATERSHED,
)
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Settings
from makers import CRS, Place, straight_height
from tables import settings as made_settings
from tables import source

WHOLE = (-605.0, -805.0, 3305.0, 805.0)
"""Extent (u, v) of the straight valley, beyond its divides."""


def streams(lines: Sequence[shapely.LineString], **columns: object) -> gpd.GeoDataFrame:
    """Give a stream layer; ``source_id`` is L0, L1, ... unless given."""
    table = gpd.GeoDataFrame(
        {
            "source_id": [f"L{n}" for n in range(len(lines))],
            "name": None,
            "kind": "natural",
            "area_km2": np.nan,
            "class": None,
            "divergence": None,
        }
        | columns,
        geometry=list(lines),
        crs=CRS,
    )
    return check(STREAMS, table)


def heights(
    height: Callable[[NDArray, NDArray], NDArray] = straight_height,
    place: Place | None = None,
    extent: tuple[float, float, float, float] = WHOLE,
    cell_m: float = 10.0,
) -> ArraySource:
    """Give heights over an extent (u0, v0, u1, v1) of a place; the straight V valley unless told otherwise."""
    place = place or Place()
    corners = place.on_map(np.array([extent[0], extent[2]]), np.array([extent[1], extent[3]]))
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    x = x0 + (np.arange(round((x1 - x0) / cell_m)) + 0.5) * cell_m
    y = y1 - (np.arange(round((y1 - y0) / cell_m)) + 0.5) * cell_m
    u, v = place.from_map(*np.meshgrid(x, y))
    return source(height(u, v).astype(np.float32), x0, y1, cell_m)


def whole_chain(
    lines: gpd.GeoDataFrame, dem: ArraySource, settings: Settings | None = None, **layers: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Run the five stages; give their tables, held to contract, ``findings`` by check, and the ``sources``."""
    settings = settings or made_settings()
    tables: dict[str, pd.DataFrame] = {
        "stream_lines": lines,
        "inflows": empty(INFLOWS, CRS),
        "water": empty(WATER, CRS),
        "roads": empty(ROADS, CRS),
        "constraints": empty(CONSTRAINTS, CRS),
        "watershed": empty(WATERSHED, CRS),
        "sub_watersheds": empty(SUB_WATERSHEDS, CRS),
    } | layers
    grids = lay_routing_grid({}, {"dem": dem}, settings.part(("dem",)))
    sources = {name: ArraySource(grid) for name, grid in grids.items() if isinstance(grid, Grid)}
    said = {}
    for stage, sections, promised in (
        (join_streams, ("streams",), (SEGMENTS, SOURCE_PARTS)),
        (share_catchments, ("streams",), (CATCHMENTS,)),
        (measure_reaches, ("streams", "hydraulics", "dem"), (REACH_MEASURES, STRETCHES, PROFILE_POINTS, KNICKPOINTS)),
        (lay_profiles, (), (LONG_PROFILES,)),
    ):
        given = stage(tables, sources, settings.part(sections))
        tables |= {layer.name: check(layer, given[layer.name]) for layer in promised}
        sources |= {name: ArraySource(made) for name, made in given.items() if isinstance(made, Grid)}
        said |= {finding.check: finding for finding in findings_from(given.get("findings", findings_table([])))}
    return tables | {"findings": said, "sources": sources}
