"""Two properties on a straight stream that runs south, with gaps whose measures are known by hand."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.products.sheets.drawing import overview_of
from gisprio.products.sheets.pdf import text_width
from gisprio.products.sheets.sheet import SIDE_MM, Setting
from gisprio.products.sheets.texts import Texts, texts_in

CRS = "EPSG:32633"
X, Y = 500_000.0, 5_200_000.0
HALF_M, SETBACK_M = 2.0, 30.0


def reach_line(number: int) -> shapely.LineString:
    """Give a reach of 200 m: 0 is the upper one, both run south."""
    top = Y - 200 * number
    return shapely.LineString([(X, top), (X, top - 200)])


def gap(reach: int, side: str, from_m: float, to_m: float, width_m: float = 30.0) -> dict[str, Any]:
    """Give a gap: ``width_m`` of ground up to the setback line, between places above the lower end of a reach."""
    sign = 1 if side == "left" else -1  # the stream runs south, so its left bank is in the east
    low = Y - 200 * (reach + 1)
    outer, inner = sign * (HALF_M + SETBACK_M), sign * (HALF_M + SETBACK_M - width_m)
    west, east = sorted((X + inner, X + outer))
    return {
        "bank_id": f"R{reach}-{side[0].upper()}", "reach_id": f"R{reach}", "side": side, "rule": "fixed_width",
        "from_m": from_m, "to_m": to_m, "length_m": to_m - from_m, "setback_m": SETBACK_M,
        "buffer_width_m": SETBACK_M - width_m, "area_m2": (to_m - from_m) * width_m, "adjacent_cover": "pasture",
        "certainty": "clear", "geometry": shapely.box(west, low + from_m, east, low + to_m),
    }  # fmt: skip


def make_tables(gaps: list[dict[str, Any]], *, kinds: tuple[str, str] = ("natural", "natural")) -> dict[str, Any]:
    """Make result layers: property EAST on the left bank, with works of 2015, WEST on the right one, FAR on none."""
    reaches = gpd.GeoDataFrame(
        {"reach_id": ["R0", "R1"], "name": ["Fern Brook", None], "kind": list(kinds), "length_m": 200.0,
         "strahler_order": [1, 2]},
        geometry=[reach_line(0), reach_line(1)], crs=CRS,
    )  # fmt: skip
    sides = [(reach, side, sign) for reach in (0, 1) for side, sign in (("left", 1), ("right", -1))]
    banks = gpd.GeoDataFrame(
        {
            "bank_id": [f"R{reach}-{side[0].upper()}" for reach, side, _ in sides],
            "reach_id": [f"R{reach}" for reach, _, _ in sides],
            "side": [side for _, side, _ in sides],
            "name": [reaches["name"][reach] for reach, _, _ in sides],
            "kind": [kinds[reach] for reach, _, _ in sides],
            "setback_m": SETBACK_M,
        },
        geometry=[shapely.affinity.translate(reach_line(reach), sign * HALF_M) for reach, _, sign in sides], crs=CRS,
    )  # fmt: skip
    rows = pd.DataFrame(gaps).assign(gap_id=[f"G{n}" for n in range(len(gaps))])
    properties = gpd.GeoDataFrame(
        {"property_id": ["WEST", "EAST", "FAR"], "rank": pd.array([2, 1, pd.NA], dtype="Int64"), "gap_length_m": 0.0},
        geometry=[
            shapely.box(X - 200, Y - 400, X, Y), shapely.box(X, Y - 400, X + 260, Y),
            shapely.box(X + 260, Y - 400, X + 500, Y),
        ], crs=CRS,
    )  # fmt: skip
    works = gpd.GeoDataFrame(
        {"kind": ["tree planting"], "year": pd.array([2015], dtype="Int64"), "status": [None]},
        geometry=[shapely.box(X + 10, Y - 60, X + 30, Y - 20)], crs=CRS,
    )  # fmt: skip
    return {
        "reaches": reaches, "banks": banks, "gaps": gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS),
        "properties": properties, "works_done": works,
    }  # fmt: skip


def make_setting(tables: dict[str, Any], texts: Texts | None = None, **changed: Any) -> Setting:
    """Give what all sheets share."""
    lines = tables["reaches"].geometry.to_numpy()
    given: dict[str, Any] = {
        "texts": texts or texts_in("en"), "place": "Fern Brook watershed", "paper": "a4", "streams": lines,
        "overview": overview_of(lines, np.array([1.0, 2.0]), SIDE_MM), "bounds": tuple(shapely.total_bounds(lines)),
        "rule": "fixed_width", "kind": "own target", "rule_title": "", "counts": ("woody", "wetland"),
        "date": "2026-03-04", "cover_year": 2021, "digest": "0123456789ab", "contact": "Bächi-Łoś & Søn\n+00 555 0100",
        "measure": text_width,
    }  # fmt: skip
    return Setting(**{**given, **changed})
