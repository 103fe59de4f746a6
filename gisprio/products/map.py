"""The interactive map: one file that needs no network."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from gisprio.contracts.cards import Results
from gisprio.contracts.words import CAUTION, SIDES
from gisprio.products.backdrop import backdrop_of
from gisprio.products.classes import COLOURS, NEED_CLASSES, NOT_RANKED, urgency_classes
from gisprio.products.hillshade import Shade
from gisprio.products.page import OfflineMap, Panel, assemble_page, hillshade_layer
from gisprio.products.payload import encode, pack_numbers, pack_shapes, pack_words
from gisprio.products.units import sentences_in, shown_units

ORDERS = (
    ("priority", "rank", "Priority"),
    ("erosion_score", "erosion_rank", "Erosion"),
    ("gap_score", "gap_rank", "Gap"),
)
"""Values banks can be coloured by, the rank that makes the classes, and the name people read."""

SYMBOLS: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = (
    ("flow_points", ("in_gap",), ("area_ha",)),
    ("crossings", ("kind",), ("length_m",)),
    ("knickpoints", (), ("drop_m",)),
    ("constraints", ("kind",), ()),
    ("works_done", ("kind", "status"), ("year",)),
    ("scars", (), ("year", "height_m")),
)
"""Layers shown as symbols where they are there: name, columns of words, columns of numbers."""

PROMPTS = ("prompt_in_water", "prompt_window", "prompt_length", "prompt_structure", "prompt_locate", "prompt_design")
SITE_NUMBERS = {
    "length_m": 1, "gap_length_m": 1, "area_m2": 0, "plantable_area_m2": 0, "erosion_score": 2, "gap_score": 2,
    "priority": 2, "rank": 0,
}  # fmt: skip
"""Columns of sites that their card shows, with decimals."""

Audience = Literal["team", "board"]

WARNINGS_SHOWN = 10
PROFILE_STEP_M = 40.0

_OWN_WORK_M2 = 1.0
_LINE_TOLERANCE_M, _GAP_TOLERANCE_M, _PROPERTY_TOLERANCE_M = 1.5, 2.0, 1.0


def write_map(path: Path, results: Results, audience: Audience = "team") -> None:
    """Write ``map.html``: banks by priority, gaps, properties, hillshade, and a card with the reasons.

    Parameters
    ----------
    path
        File to write.
    results
        Result layers, elevations, settings and record of the run.
    audience
        For ``board`` the ids of properties stay out of the file: they show as "Property of rank 3".
    """
    shade = backdrop_of(results)
    tiles = results.settings.report.tiles
    chart = OfflineMap(_centre(results))
    if shade is not None:
        hillshade_layer(shade).add_to(chart)
    Panel(encode(map_data(results, shade, audience))).add_to(chart)
    path.write_text(assemble_page(chart, "Ranked stream banks", tiles=tiles), encoding="utf-8", newline="\n")


def map_data(results: Results, shade: Shade | None, audience: Audience = "team") -> dict[str, Any]:
    """Give what the page shows, as plain data.

    Parameters
    ----------
    results
        Result layers, settings and record.
    shade
        What lies at the foot of the map: hillshade or image, which the legend names.
    audience
        Who reads it.

    Returns
    -------
    dict
        For :func:`gisprio.products.payload.encode`.
    """
    tables = results.tables
    banks, properties = tables["banks"], _in_telling_order(tables["properties"], audience)
    system = results.settings.report.units
    return {
        "about": _about(results, shade, audience),
        "orders": [_order(results, *order) for order in ORDERS],
        "needs": [{"need": c.need, "colour": c.colour, "says": c.says} for c in NEED_CLASSES],
        "colours": {**COLOURS, "not_ranked": NOT_RANKED},
        "reaches": _reaches(tables["reaches"], results.crs),
        "banks": {**_banks(banks, tables["reaches"]), "why": pack_words(sentences_in(banks["why"], system))},
        "factors": _factors(tables["factors"], banks),
        "gaps": _gaps(tables["gaps"], banks, results.crs),
        "properties": _properties(properties, results, audience),
        "frontages": _frontages(tables.get("frontages"), banks, properties),
        "setbacks": _setbacks(tables["bank_setbacks"], banks),
        "profiles": _profiles(tables["long_profiles"], tables["reaches"]),
        "sites": _sites(tables.get("sites"), banks, properties, results),
        **{name: _symbols(tables.get(name), words, numbers, results) for name, words, numbers in SYMBOLS},
    }


def _in_telling_order(properties: gpd.GeoDataFrame, audience: Audience) -> gpd.GeoDataFrame:
    """Give properties by id; for the board by rank and place, since the order of ids would tell which is which."""
    if audience == "team":
        return properties
    box = properties.geometry.bounds
    order = np.lexsort((box["miny"], box["minx"], properties["rank"].astype("float64").fillna(np.inf)))
    return properties.iloc[order].reset_index(drop=True)


def _about(results: Results, shade: Shade | None, audience: Audience) -> dict[str, Any]:
    settings, findings = results.settings, results.tables["findings"]
    warnings = findings[findings["severity"] == "warning"]
    weights = settings.priority.weights
    return {
        "title": settings.run.name,
        "part": None if results.part is None else dataclasses.asdict(results.part),
        "audience": audience,
        "date": str(results.record.get("started", ""))[:10],
        "caution": CAUTION,
        "contact": settings.report.contact,
        "tiles": [settings.report.tiles, settings.report.tiles_credit] if settings.report.tiles else None,
        "units": {unit: list(shown) for unit, shown in shown_units(settings.report.units).items()},
        "system": settings.report.units,
        "need_at": settings.priority.need_at,
        "worst_m": settings.priority.worst_m,
        "top_n": settings.robustness.top_n,
        "draws": settings.robustness.draws,
        "combine": settings.priority.combine,
        "weights": {"erosion": weights.erosion, "gap": weights.gap},
        "warnings": [f"{row.says} {row.do}".strip() for row in warnings.head(WARNINGS_SHOWN).itertuples()],
        "warning_count": len(warnings),
        "exaggeration": None if shade is None else shade.exaggeration,
        "has_image": shade is not None and shade.has_image,
    }


def _order(results: Results, value: str, rank: str, name: str) -> dict[str, Any]:
    ranked = results.part.ranked[rank] if results.part else int(results.tables["banks"][rank].notna().sum())
    classes = urgency_classes(ranked)
    return {
        "name": name,
        "value": value,
        "rank": rank,
        "ranked": ranked,
        "classes": [{"low": c.low, "high": c.high, "colour": c.colour, "says": c.says} for c in classes],
    }


def _reaches(reaches: gpd.GeoDataFrame, crs: str) -> dict[str, Any]:
    return {
        "shapes": pack_shapes(reaches.geometry, crs, _LINE_TOLERANCE_M),
        "name": pack_words(reaches["name"]),
        "sub_watershed_id": pack_words(reaches["sub_watershed_id"]),
        "strahler_order": pack_numbers(reaches["strahler_order"], 0),
        "width_m": pack_numbers(reaches["bankfull_width_m"], 1),
        "drainage_area_km2": pack_numbers(reaches["drainage_area_km2"], 2),
    }


def _banks(banks: gpd.GeoDataFrame, reaches: gpd.GeoDataFrame) -> dict[str, Any]:
    numbers = {
        "length_m": 1, "setback_m": 1, "buffer_width_m": 1, "woody_share": 3, "gap_length_m": 1, "gap_area_m2": 0,
        "crossing_length_m": 1, "erosion_score": 2, "gap_score": 2, "priority": 2, "rank": 0, "erosion_rank": 0,
        "gap_rank": 0, "rank_p05": 1, "rank_p50": 1, "rank_p95": 1, "top_share": 3, "erosion_above_share": 2,
        "gap_above_share": 2, "constrained_length_m": 1, "plantable_area_m2": 0, "done_year": 0, "recentred_m": 1,
        "least_retreat_m_y": 2,
    }  # fmt: skip
    words = (
        "kind", "not_ranked", "need", "adjacent_cover", "bank_line_basis", "setback_kind",
        "buffer_width_basis", "woody_share_basis", "constraint", "done_kind",
    )  # fmt: skip
    return {
        "id": banks["bank_id"].tolist(),
        "reach": _places(banks["reach_id"], reaches["reach_id"]),
        "side": [SIDES.index(side) for side in banks["side"]],
        **{name: pack_numbers(banks[name], digits) for name, digits in numbers.items()},
        **{name: pack_words(banks[name]) for name in words},
    }


def _factors(factors: pd.DataFrame, banks: pd.DataFrame) -> list[dict[str, Any]]:
    """Give each factor's words and columns; shares are shown as percent."""
    return [_factor(row, banks) for row in factors.to_dict("records")]


def _factor(row: Mapping[str, Any], banks: pd.DataFrame) -> dict[str, Any]:
    worst = row.get("worst_column")
    return {
        "key": str(row["key"]),
        "title": str(row["title"]),
        "group": str(row["group"]),
        "unit": str(row["unit"]),
        "given": float(row.get("given_weight", row["weight"])),
        "weight": int(row["weight"]),
        "used": bool(row["used"]),
        "floors": bool(row.get("floors", False)),
        "shares": str(row.get("shares") or ""),
        "says": str(row["says"]),
        "value": pack_numbers(banks[row["value_column"]], 3),
        "basis": pack_words(banks[row["basis_column"]]),
        "score": pack_numbers(banks[row["score_column"]], 1),
        "worst": pack_numbers(banks[worst if worst in banks.columns else row["score_column"]], 1),
    }


def _gaps(gaps: gpd.GeoDataFrame, banks: pd.DataFrame, crs: str) -> dict[str, Any]:
    return {
        "shapes": pack_shapes(gaps.geometry, crs, _GAP_TOLERANCE_M),
        "bank": _places(gaps["bank_id"], banks["bank_id"]),
        "certain": [int(word == "clear") for word in gaps["certainty"]],
    }


def _properties(properties: gpd.GeoDataFrame, results: Results, audience: Audience) -> dict[str, Any]:
    works = results.tables.get("works_done")
    numbers = {
        "frontage_m": 1, "gap_length_m": 1, "gap_area_m2": 0, "priority": 2, "priority_gap_m": 1, "rank": 0,
        "rank_p05": 1, "rank_p95": 1, "top_share": 3, "joint_gap_m": 1, "site_count": 0,
    }  # fmt: skip
    named = audience == "team"
    joint = properties["joint_neighbours"]
    return {
        "count": len(properties),
        "id": properties["property_id"].tolist() if named else None,
        "ranked": results.part.ranked["properties"] if results.part else int(properties["rank"].notna().sum()),
        "shapes": pack_shapes(properties.geometry, results.crs, _PROPERTY_TOLERANCE_M),
        "done": pack_words(works_on(properties, works)),
        "joint_neighbours": pack_words(joint if named else pd.Series(None, joint.index, object)),
        **{name: pack_numbers(properties[name], digits) for name, digits in numbers.items()},
    }


def works_on(properties: gpd.GeoDataFrame, works: gpd.GeoDataFrame | None) -> pd.Series:
    """Say which works were done on each property: kind and year, null where none are known.

    Parameters
    ----------
    properties
        Layer ``properties``.
    works
        Layer ``works_done``; work of which less than 1 m2 lies on a property is a neighbour's.
    """
    told = pd.Series(None, properties.index, object)
    if works is None or not len(works) or not len(properties):
        return told
    land, work = shapely.STRtree(works.geometry.values).query(properties.geometry.values, predicate="intersects")
    shared = shapely.intersection(properties.geometry.values[land], works.geometry.values[work])
    on = shapely.area(shared) >= _OWN_WORK_M2
    years = [f" {int(year)}" if pd.notna(year) else "" for year in works["year"]]
    kinds = [kind if isinstance(kind, str) else "kind not told" for kind in works["kind"]]
    names = [kind + year for kind, year in zip(kinds, years, strict=True)]
    for row in np.unique(land[on]):
        told.iloc[row] = ", ".join(sorted({names[i] for i in work[on & (land == row)]}))
    return told


def _frontages(frontages: pd.DataFrame | None, banks: pd.DataFrame, properties: pd.DataFrame) -> dict[str, Any] | None:
    """Give which bank lies how far along which property, in whole millimetres, which the ranks of properties need.

    They go in the order of the rows of properties: that of their ids would tell the board which is which.
    """
    if frontages is None:
        return None
    land = _places(frontages["property_id"], properties["property_id"])
    bank = _places(frontages["bank_id"], banks["bank_id"])
    order = np.lexsort((bank, land))
    return {
        "property": land[order],
        "bank": bank[order],
        "frontage_mm": pack_numbers(frontages["frontage_m"].iloc[order] * 1000, 0),
        "gap_mm": pack_numbers(frontages["gap_length_m"].iloc[order] * 1000, 0),
    }


def _setbacks(setbacks: pd.DataFrame, banks: pd.DataFrame) -> list[dict[str, Any]]:
    """Give what each rule asks of each bank, in the order of the banks; the rule that ranks comes first."""
    tables = {str(rule): table.set_index("bank_id") for rule, table in setbacks.groupby("rule", sort=False)}
    own = str(banks["setback_rule"].iloc[0]) if len(banks) else ""
    ordered = sorted(tables, key=lambda rule: rule != own)
    return [{"rule": rule, **_judged(tables[rule].reindex(banks["bank_id"]))} for rule in ordered]


def _judged(table: pd.DataFrame) -> dict[str, Any]:
    digits = {"setback_m": 1, "buffer_width_m": 1, "gap_length_m": 1, "gap_area_m2": 0}
    return {name: pack_numbers(table[name], most) for name, most in digits.items()}


def _profiles(profiles: pd.DataFrame, reaches: pd.DataFrame) -> dict[str, Any]:
    """Give the long profile of each stream: a point every 40 m or so, and each end and step."""
    points = profiles.sort_values(["stream_id", "from_mouth_m"], kind="stable", ignore_index=True)
    stream, _ = pd.factorize(points["stream_id"])
    step = np.floor(points["from_mouth_m"].to_numpy(float) / PROFILE_STEP_M)
    first = np.r_[True, (np.diff(stream) != 0) | (np.diff(step) != 0)][: len(points)]
    last = np.r_[np.diff(stream) != 0, True][: len(points)]
    keep = points[first | last | points["knickpoint"].to_numpy(bool)]
    return {
        "stream": keep.groupby("stream_id", sort=True).size().to_numpy(np.int64),
        "reach": _places(keep["reach_id"], reaches["reach_id"]),
        "from_mouth_m": pack_numbers(keep["from_mouth_m"], 0),
        "elevation_m": pack_numbers(keep["falling_elevation_m"].fillna(keep["low_elevation_m"]), 1),
        "step_m": pack_numbers(keep["knickpoint_drop_m"].where(keep["knickpoint"].astype(bool)), 1),
        "crossing": keep["crossing"].to_numpy(np.int64),
    }


def _sites(
    sites: gpd.GeoDataFrame | None, banks: pd.DataFrame, properties: pd.DataFrame, results: Results
) -> dict[str, Any] | None:
    if sites is None:
        return None
    told = {name: sentences_in(sites[name], results.settings.report.units) for name in ("why_measure", *PROMPTS)}
    return {
        "id": sites["site_id"].tolist(),
        "shapes": pack_shapes(sites.geometry, results.crs, _GAP_TOLERANCE_M),
        "bank": _places(sites["bank_id"], banks["bank_id"]),
        "property": _places(sites["property_id"], properties["property_id"]),
        **{name: pack_words(sites[name]) for name in ("measure", "certainty")},
        **{name: pack_words(sentences) for name, sentences in told.items()},
        **{name: pack_numbers(sites[name], digits) for name, digits in SITE_NUMBERS.items()},
    }


def _symbols(
    layer: gpd.GeoDataFrame | None, words: tuple[str, ...], numbers: tuple[str, ...], results: Results
) -> dict[str, Any] | None:
    """Give a layer that is shown as symbols; None where the run has none of it."""
    if layer is None or not len(layer):
        return None
    on = {"reach": _places(layer["reach_id"], results.tables["reaches"]["reach_id"])} if "reach_id" in layer else {}
    return {
        "shapes": pack_shapes(layer.geometry, results.crs, _GAP_TOLERANCE_M),
        **on,
        **{name: pack_words(layer[name]) for name in words},
        **{name: pack_numbers(layer[name], 1) for name in numbers},
    }


def _places(ids: pd.Series, of: pd.Series) -> NDArray[np.int64]:
    """Give the row of each id in a table; -1 where it is not there."""
    return np.asarray(pd.Index(of).get_indexer(pd.Index(ids)), np.int64)


def _centre(results: Results) -> tuple[float, float]:
    """Give latitude and longitude of the middle of the reaches."""
    x0, y0, x1, y1 = results.tables["reaches"].total_bounds
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(results.crs), "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform((x0 + x1) / 2, (y0 + y1) / 2)
    return float(np.round(latitude, 6)), float(np.round(longitude, 6))
