"""Parcels of rivers, roads and railways: the strip lies on them, but nobody there plants it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.settings import Settings

CLASS_WORDS = (
    ("river", ("river", "stream", "water", "watercourse", "creek", "brook")),
    ("road", ("road", "street", "highway", "right of way", "row", "lane")),
    ("rail", ("rail", "railway", "railroad")),
)
WATER_SHARE = 0.6
"""Share under water from which a parcel is a river parcel [own]."""
ROAD_WIDTH_MOST_M = 30.0
"""Area over length of road inside, below which a parcel is a road parcel [own]."""
ROAD_LENGTH_WIDTHS = 4.0
"""...where the road inside is at least this many times that width long [own]."""


def mark_passages(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Mark the parcels on which no frontage is counted.

    Parameters
    ----------
    tables
        ``properties``, ``water``, ``roads``.
    sources, settings
        None.

    Returns
    -------
    dict
        ``parcels``: the properties with ``passed_over``: river, road or rail, by the words of their class, else by
        shape: mostly under water, or a thin strip along a road. And ``findings``.
    """
    parcels = tables["properties"].copy()
    by_class = [class_reason(text) for text in parcels["class"]]
    areas = np.asarray(parcels.geometry.array)
    wet = water_share(areas, tables["water"]) >= WATER_SHARE
    road = along_road(areas, tables["roads"])
    parcels["passed_over"] = [
        reason or ("river" if is_wet else "road" if is_road else None)
        for reason, is_wet, is_road in zip(by_class, wet, road, strict=True)
    ]
    found = []
    over = parcels[parcels["passed_over"].notna()]
    if len(over):
        found.append(
            Finding(
                "note",
                "properties",
                "passed_over",
                "",
                f"{len(over)} river, road or rail parcels get no frontage: {listed(over['property_id'])}.",
                "Nothing, if that is right; else give their use in [columns] properties.class.",
            )
        )
    return {"parcels": parcels, "findings": findings_table(found)}


def class_reason(text: object) -> str | None:
    """Give river, road or rail where a word of the class says so, else None.

    >>> class_reason("River bed"), class_reason("Riverside farm"), class_reason(None)
    ('river', None, None)
    """
    words = str(text).lower().replace("_", " ").replace("-", " ") if isinstance(text, str) else ""
    tokens = set(words.split())
    for reason, known in CLASS_WORDS:
        if any(word in tokens or (" " in word and word in words) for word in known):
            return reason
    return None


def water_share(areas: NDArray[np.object_], water: pd.DataFrame) -> NDArray[np.float64]:
    """Give the share of each parcel under water polygons; (n,)."""
    share = np.zeros(len(areas))
    polygons = np.asarray(water.geometry.array) if len(water) else np.empty(0, object)
    if len(areas) and len(polygons):
        parcel, polygon = shapely.STRtree(polygons).query(areas, predicate="intersects")
        wet = shapely.area(shapely.intersection(areas[parcel], polygons[polygon]))
        share = np.bincount(parcel, wet, len(areas)) / np.maximum(shapely.area(areas), 1e-9)
    return share


def along_road(areas: NDArray[np.object_], roads: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which parcels are thin strips along a road; (n,)."""
    lines = np.asarray(roads.geometry.array) if len(roads) else np.empty(0, object)
    if not len(areas) or not len(lines):
        return np.zeros(len(areas), bool)
    parcel, line = shapely.STRtree(lines).query(areas, predicate="intersects")
    inside = shapely.length(shapely.intersection(areas[parcel], lines[line]))
    length = np.bincount(parcel, inside, len(areas))
    width = np.divide(shapely.area(areas), length, out=np.full(len(areas), np.inf), where=length > 0)
    return (width <= ROAD_WIDTH_MOST_M) & (length >= ROAD_LENGTH_WIDTHS * width)
