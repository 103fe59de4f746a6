"""The interactive map: one file that needs no network."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj

from gisprio.contracts.cards import Results
from gisprio.contracts.words import CAUTION, SIDES
from gisprio.products.classes import GAP, NOT_RANKED, PROPERTY, urgency_classes
from gisprio.products.hillshade import Shade, draw_hillshade
from gisprio.products.page import OfflineMap, Panel, assemble_page, hillshade_layer
from gisprio.products.payload import encode, pack_numbers, pack_shapes, pack_words
from gisprio.products.units import shown_units

ORDERS = (("priority", "rank"), ("erosion_score", "erosion_rank"), ("gap_score", "gap_rank"))
"""Values banks can be coloured by, and the rank that makes the classes."""

WARNINGS_SHOWN = 10
LIST_LENGTH = 25

_LINE_TOLERANCE_M, _GAP_TOLERANCE_M, _PROPERTY_TOLERANCE_M = 1.5, 0.5, 0.5


def write_map(path: Path, results: Results) -> None:
    """Write ``map.html``: banks by priority, gaps, properties, hillshade, and a card with the reasons.

    Parameters
    ----------
    path
        File to write.
    results
        Result layers, elevations, settings and record of the run.
    """
    shade = draw_hillshade(results.elevation, results.crs)
    chart = OfflineMap(_centre(results))
    if shade is not None:
        hillshade_layer(shade).add_to(chart)
    Panel(encode(map_data(results, shade))).add_to(chart)
    path.write_text(assemble_page(chart, "Ranked stream banks"), encoding="utf-8", newline="\n")


def map_data(results: Results, shade: Shade | None) -> dict[str, Any]:
    """Give what the page shows, as plain data.

    Parameters
    ----------
    results
        Result layers, settings and record.
    shade
        The hillshade, whose exaggeration the legend names.

    Returns
    -------
    dict
        For :func:`gisprio.products.payload.encode`.
    """
    tables = results.tables
    return {
        "about": _about(results, shade),
        "orders": [_order(tables["banks"], value, rank) for value, rank in ORDERS],
        "colours": {"gap": GAP, "property": PROPERTY, "not_ranked": NOT_RANKED},
        "reaches": _reaches(tables["reaches"], results.crs),
        "banks": _banks(tables["banks"], tables["reaches"]),
        "factors": _factors(tables["factors"], tables["banks"]),
        "gaps": _gaps(tables["gaps"], tables["banks"], results.crs),
        "properties": _properties(tables["properties"], results.crs),
    }


def _about(results: Results, shade: Shade | None) -> dict[str, Any]:
    settings, findings = results.settings, results.tables["findings"]
    warnings = findings[findings["severity"] == "warning"]
    weights = settings.priority.weights
    return {
        "title": settings.run.name,
        "date": str(results.record.get("started", ""))[:10],
        "caution": CAUTION,
        "contact": settings.report.contact,
        "units": {unit: list(shown) for unit, shown in shown_units(settings.report.units).items()},
        "system": settings.report.units,
        "need_at": settings.priority.need_at,
        "combine": settings.priority.combine,
        "weights": {"erosion": weights.erosion, "gap": weights.gap},
        "warnings": [f"{row.says} {row.do}".strip() for row in warnings.head(WARNINGS_SHOWN).itertuples()],
        "warning_count": len(warnings),
        "list_length": LIST_LENGTH,
        "exaggeration": None if shade is None else shade.exaggeration,
    }


def _order(banks: pd.DataFrame, value: str, rank: str) -> dict[str, Any]:
    ranked = int(banks[rank].notna().sum())
    classes = urgency_classes(ranked)
    return {
        "value": value,
        "rank": rank,
        "ranked": ranked,
        "classes": [{"low": c.low, "high": c.high, "colour": c.colour, "says": c.says} for c in classes],
    }


def _reaches(reaches: gpd.GeoDataFrame, crs: str) -> dict[str, Any]:
    return {
        "shapes": pack_shapes(reaches.geometry, crs, _LINE_TOLERANCE_M),
        "name": pack_words(reaches["name"]),
        "width_m": pack_numbers(reaches["bankfull_width_m"], 1),
        "drainage_area_km2": pack_numbers(reaches["drainage_area_km2"], 2),
    }


def _banks(banks: gpd.GeoDataFrame, reaches: gpd.GeoDataFrame) -> dict[str, Any]:
    place = {reach_id: number for number, reach_id in enumerate(reaches["reach_id"])}
    numbers = {
        "length_m": 1,
        "setback_m": 1,
        "buffer_width_m": 1,
        "woody_share": 3,
        "gap_length_m": 1,
        "gap_area_m2": 0,
        "crossing_length_m": 1,
        "erosion_score": 1,
        "gap_score": 1,
        "priority": 2,
        "rank": 0,
        "erosion_rank": 0,
        "gap_rank": 0,
        "erosion_above_share": 2,
        "gap_above_share": 2,
        "constrained_length_m": 1,
        "plantable_area_m2": 0,
        "done_year": 0,
        "recentred_m": 1,
        "least_retreat_m_y": 2,
    }
    words = (
        "kind",
        "not_ranked",
        "need",
        "adjacent_cover",
        "why",
        "bank_line_basis",
        "setback_kind",
        "buffer_width_basis",
        "woody_share_basis",
        "constraint",
        "done_kind",
    )
    return {
        "id": banks["bank_id"].tolist(),
        "reach": [place[reach_id] for reach_id in banks["reach_id"]],
        "side": [SIDES.index(side) for side in banks["side"]],
        **{name: pack_numbers(banks[name], digits) for name, digits in numbers.items()},
        **{name: pack_words(banks[name]) for name in words},
    }


def _factors(factors: pd.DataFrame, banks: pd.DataFrame) -> list[dict[str, Any]]:
    """Give each factor's words and columns; shares are shown as percent."""
    return [_factor(row, banks) for row in factors.to_dict("records")]


def _factor(row: Mapping[str, Any], banks: pd.DataFrame) -> dict[str, Any]:
    return {
        "title": str(row["title"]),
        "group": str(row["group"]),
        "unit": str(row["unit"]),
        "weight": int(row["weight"]),
        "used": bool(row["used"]),
        "floors": bool(row.get("floors", False)),
        "says": str(row["says"]),
        "value": pack_numbers(banks[row["value_column"]], 3),
        "basis": pack_words(banks[row["basis_column"]]),
        "score": pack_numbers(banks[row["score_column"]], 1),
    }


def _gaps(gaps: gpd.GeoDataFrame, banks: pd.DataFrame, crs: str) -> dict[str, Any]:
    place = {bank_id: number for number, bank_id in enumerate(banks["bank_id"])}
    return {
        "shapes": pack_shapes(gaps.geometry, crs, _GAP_TOLERANCE_M),
        "bank": [place[bank_id] for bank_id in gaps["bank_id"]],
        "certain": [int(word == "clear") for word in gaps["certainty"]],
    }


def _properties(properties: gpd.GeoDataFrame, crs: str) -> dict[str, Any]:
    numbers = {
        "frontage_m": 1,
        "gap_length_m": 1,
        "gap_area_m2": 0,
        "priority": 2,
        "priority_gap_m": 0,
        "rank": 0,
        "joint_gap_m": 1,
    }
    return {
        "id": properties["property_id"].tolist(),
        "ranked": int(properties["rank"].notna().sum()),
        "shapes": pack_shapes(properties.geometry, crs, _PROPERTY_TOLERANCE_M),
        "joint_neighbours": pack_words(properties["joint_neighbours"]),
        **{name: pack_numbers(properties[name], digits) for name, digits in numbers.items()},
    }


def _centre(results: Results) -> tuple[float, float]:
    """Give latitude and longitude of the middle of the reaches."""
    x0, y0, x1, y1 = results.tables["reaches"].total_bounds
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(results.crs), "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform((x0 + x1) / 2, (y0 + y1) / 2)
    return float(np.round(latitude, 6)), float(np.round(longitude, 6))
