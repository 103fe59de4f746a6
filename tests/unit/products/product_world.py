"""A small invented world of results, made to the contracts, for tests of the products."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from gisprio.contracts import layers
from gisprio.contracts.cards import Results
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.layers import (
    BANK_SETBACKS,
    BANKS,
    CROSSINGS,
    FINDINGS,
    FLOW_POINTS,
    GAPS,
    LONG_PROFILES,
    MONITORING,
    PROPERTIES,
    REACHES,
    SCARS,
    SENSITIVITY,
    SHOWN_CONSTRAINTS,
    SHOWN_FRONTAGES,
    SHOWN_KNICKPOINTS,
    SHOWN_VISITS,
    SITES,
    WORKS_DONE,
)
from gisprio.contracts.schema import Column, Layer, check, empty
from gisprio.contracts.settings import Settings

CRS = pyproj.CRS.from_epsg(32633).to_wkt()
WKT_ONLY = pyproj.CRS.from_proj4(
    "+proj=lcc +lat_1=46 +lat_2=49 +lat_0=47 +lon_0=15 +x_0=500000 +y_0=5200000 +ellps=GRS80 +units=m"
).to_wkt()

FACTORS = (
    ("unit_stream_power", "erosion", "Unit stream power", "W/m2", "unit_stream_power_w_m2", 500, "bagnold"),
    ("outer_bend", "erosion", "Outer bend", "radius over width", "outer_bend", 500, "own"),
    ("missing_strip", "gap", "Missing strip", "share", "missing_strip", 1000, "own"),
)
EVIL = (
    "<script>window.hacked=1</script>",
    "</script><script>window.hacked=2</script>",
    "\"quoted\" 'name' `back`",
    "${window.hacked=3} {{ 7*7 }}",
    "<img src=x onerror=window.hacked=4>",
    "=1+1 \U0001f33f Bäche & Söhne",
    "\u202eنهر الطنسي\u202c",
    "x" * 300,
)
SPACING_M, PIECE_M = 1000.0, 200.0


def banks_layer() -> Layer:
    """Give BANKS with the columns of the factors."""
    more = []
    for key, _, title, unit, value, _, _ in FACTORS:
        more += [
            Column(value, "float", title, unit, null=True),
            Column(key + "_basis", "text", "How it was got.", null=True),
            Column(key + "_score", "float", title, null=True, low=0, high=100),
        ]
    return dataclasses.replace(BANKS, columns=BANKS.columns + tuple(more))


def make_settings(units: str = "si", name: str = "Tansy Brook") -> Settings:
    return Settings.model_validate(
        {
            "run": {"name": name, "output": "out"},
            "layers": {"dem": "dem.tif", "land_cover": "cover.tif"},
            "land_cover": {"legend": "own.csv"},
            "report": {"units": units},
        }
    )


def make_results(
    reaches: int = 24,
    *,
    names: tuple[str, ...] = ("Tansy Brook", "Sorrel Run", "Hazel Beck"),
    units: str = "si",
    coarse: bool = False,
    ditches: int = 12,
    properties: bool = True,
    crs: str = CRS,
    title: str = "Tansy Brook",
    seed: int = 7,
) -> Results:
    """Make results: streams run south side by side, cut in reaches of 200 m; every 12th is a ditch."""
    draw = np.random.default_rng(seed)
    lines = _stream_lines(reaches)
    reach = _reaches(lines, names, draw, crs, ditches)
    bank = _banks(reach, draw, coarse)
    gap = _gaps(reach, bank, crs) if not coarse else empty(GAPS, crs)
    land = _properties(reach, draw, crs, coarse) if properties else empty(PROPERTIES, crs)
    _ranked_reaches(reach, bank)
    tables = {
        "reaches": _fitted(REACHES, reach),
        "banks": _fitted(banks_layer(), bank),
        "gaps": _fitted(GAPS, gap),
        "sites": _fitted(SITES, _sites(gap, bank, land)) if len(gap) else empty(SITES, crs),
        "flow_points": empty(FLOW_POINTS, crs),
        **_landmarks(reach, bank, crs),
        "properties": _fitted(PROPERTIES, land),
        "frontages": check(SHOWN_FRONTAGES, _frontages(land, bank)),
        "bank_setbacks": _fitted(BANK_SETBACKS, _setbacks(bank)),
        "findings": _fitted(FINDINGS, _findings(title)),
        "long_profiles": _fitted(LONG_PROFILES, _long_profiles(reach)),
        "sensitivity": _fitted(SENSITIVITY, _sensitivity(bank)),
        "factors": _factors(),
    }
    record = {"started": "2026-03-04T09:30:00+00:00", "format": 1}
    return Results(tables, make_elevation(reach), make_settings(units, title), record, crs)


def _fitted(layer: Layer, frame: pd.DataFrame) -> pd.DataFrame:
    """Hold a frame to its layer; columns this world does not make are null, the first word allowed, or 0."""
    absent = [column for column in layer.columns if column.name not in frame.columns]
    missing = {c.name: None if c.null else c.among[0] if c.among else 0 for c in absent}
    return check(layer, frame.assign(**missing))


def make_elevation(reach: gpd.GeoDataFrame) -> ArraySource:
    """Make heights: valleys along the streams between rounded ridges, with a corner of no data."""
    x0, y0, x1, y1 = reach.total_bounds + np.array([-900, -700, 900, 700])
    cell = max(10.0, (x1 - x0) / 1500)
    x, y = np.arange(x0, x1, cell), np.arange(y1, y0, -cell)
    gx, gy = np.meshgrid(x, y)
    z = 420 + 0.006 * (gy - y0) + 34 * (1 - np.cos(2 * np.pi * (gx - 500_000 - 60 * np.sin(gy / 310)) / SPACING_M))
    z += 9 * np.sin(gx / 170 + gy / 260) * np.sin(gy / 190)
    z[: len(y) // 14, : len(x) // 9] = np.nan
    return ArraySource(Grid(z.astype(np.float32), Lattice(float(x0), float(y1), float(cell))))


def _stream_lines(reaches: int) -> list[shapely.LineString]:
    streams = max(1, round((reaches / 5) ** 0.5))
    per = -(-reaches // streams)
    lines = []
    for number in range(reaches):
        stream, piece = divmod(number, per)
        y = 5_205_000 + PIECE_M * (per - piece) - np.linspace(0, PIECE_M, 13)
        x = 500_000 + SPACING_M * stream + 60 * np.sin(y / 310) + 14 * np.sin(y / 41 + stream)
        lines.append(shapely.LineString(np.column_stack([x, y])))
    return lines


def _reaches(
    lines: list[shapely.LineString], names: tuple[str, ...], draw: np.random.Generator, crs: str, ditches: int
) -> gpd.GeoDataFrame:
    n = len(lines)
    k = np.arange(n)
    width = 3.0 + 4 * draw.random(n)
    frame = gpd.GeoDataFrame(
        {
            "reach_id": [f"S{i // 8:04d}-{i % 8 + 1:02d}" for i in k],
            "name": [None if i % 7 == 5 else names[(i // 4) % len(names)] for i in k],
            "kind": ["ditch" if i % ditches == ditches - 1 else "natural" for i in k],
            "downstream_reach_id": None,
            "sub_watershed_id": "1",
            "strahler_order": 2 + k % 3,
            "length_m": [line.length for line in lines],
            "slope_m_m": 0.002 + 0.01 * draw.random(n),
            "slope_se_m_m": 0.0004,
            "slope_window_m": 400.0,
            "slope_most_m_m": None,
            "slope_basis": "measured",
            "sinuosity": 1.08,
            "drainage_area_km2": 2 + 20 * draw.random(n),
            "drainage_area_basis": "modelled",
            "bankfull_width_m": width,
            "bankfull_depth_m": 0.6,
            "bankfull_discharge_m3_s": 4.5,
            "bankfull_width_basis": "modelled",
            "bankfull_discharge_basis": "modelled",
            "discharge_from": "curve",
            "froude": 0.5,
            "unit_stream_power_w_m2": 10 + 90 * draw.random(n),
            "not_ranked": [
                "A ditch: only natural streams are ranked." if i % ditches == ditches - 1 else None for i in k
            ],
        },
        geometry=lines,
        crs=crs,
    )
    return frame


def _banks(reach: gpd.GeoDataFrame, draw: np.random.Generator, coarse: bool) -> gpd.GeoDataFrame:
    two = reach.loc[reach.index.repeat(2)].reset_index(drop=True)
    n = len(two)
    left = np.arange(n) % 2 == 0
    half = two["bankfull_width_m"] / 2
    ranked = two["not_ranked"].isna().to_numpy()
    power = two["unit_stream_power_w_m2"].to_numpy()
    scores = {
        "unit_stream_power": np.round(np.clip(power, 0, 100), 1),
        "outer_bend": np.round(100 * draw.random(n), 1),
    }
    strip = np.round(draw.random(n) ** 2, 3)
    scores["missing_strip"] = np.round(100 * strip, 1)
    erosion = np.where(ranked, (scores["unit_stream_power"] + scores["outer_bend"]) / 2, np.nan)
    gap = np.where(ranked & (not coarse), scores["missing_strip"], np.nan)
    priority = np.round(np.sqrt(np.maximum(erosion, 10) * np.maximum(gap, 10)) if not coarse else erosion, 2)
    metres = np.where(strip > 0.15, np.round(200 * strip), 0.0)
    frame = gpd.GeoDataFrame(
        {
            "bank_id": two["reach_id"] + np.where(left, "-L", "-R"),
            "reach_id": two["reach_id"],
            "side": np.where(left, "left", "right"),
            "name": two["name"],
            "kind": two["kind"],
            "not_ranked": two["not_ranked"],
            "sub_watershed_id": "1",
            "length_m": two["length_m"],
            "bank_line_basis": "half_width",
            "setback_m": 30.0,
            "setback_rule": "fixed_width",
            "setback_kind": "own target",
            "buffer_width_m": None if coarse else np.round(30 * (1 - strip), 1),
            "buffer_width_basis": "missing" if coarse else "measured",
            "woody_share": np.round(1 - strip, 3),
            "woody_share_basis": "modelled" if coarse else "measured",
            "gap_length_m": None if coarse else metres,
            "gap_area_m2": None if coarse else np.round(metres * 30 * strip, 1),
            "crossing_length_m": 0.0,
            **_ground(np.arange(n)),
            "adjacent_cover": np.where(strip > 0.4, "pasture", "woody"),
            "line_offset_m": 2.5,
            "recentred_m": [(-4.24, 0.0, None)[i % 3] for i in range(n)],
            "recentred_length_m": 0.0,
            "valley_width_m": None,
            "erosion_above_share": np.where(ranked, 0.5, np.nan),
            "gap_above_share": np.where(ranked, 0.25, np.nan),
            "bank_height_m": None,
            "bank_angle_deg": None,
            "erosion_score": np.round(erosion, 2),
            "gap_score": gap,
            "need": _need(erosion, gap),
            "priority": priority,
            "rank": _rank(priority),
            "erosion_rank": _rank(erosion),
            "gap_rank": _rank(gap),
            "rank_p05": None,
            "rank_p50": None,
            "rank_p95": None,
            "top_share": None,
            "why": [_why(*row) for row in zip(left, power, strip, ranked, strict=True)],
            "unit_stream_power_w_m2": power,
            "outer_bend": np.where(np.arange(n) % 9 == 4, np.nan, scores["outer_bend"] / 10),
            "missing_strip": strip,
            "unit_stream_power_basis": "modelled",
            "outer_bend_basis": np.where(np.arange(n) % 9 == 4, "default", "measured"),
            "missing_strip_basis": "measured",
            **{f"{key}_score": value for key, value in scores.items()},
        },
        geometry=[line.offset_curve(d if side else -d) for line, d, side in zip(two.geometry, half, left, strict=True)],
        crs=reach.crs,
    )
    return frame


def _ground(bank: np.ndarray) -> dict[str, list]:
    """Constraints, works done and what can be planted: each bank in turn has, has none and does not know."""
    return {
        "constrained_length_m": [(61.5, 0.0, None)[i % 3] for i in bank],
        "constraint": [("building, road", None, None)[i % 3] for i in bank],
        "plantable_area_m2": [(1234.0, 0.0, None)[i % 3] for i in bank],
        "done_kind": [("planting", None, "fence", None)[i % 4] for i in bank],
        "done_year": [(2019.0, 2021.0, None, None)[i % 4] for i in bank],
        "least_retreat_m_y": [(0.35, None)[i % 2] for i in bank],
    }


def _why(left: bool, power: float, strip: float, ranked: bool) -> str:
    if not ranked:
        return "A ditch: only natural streams are ranked."
    side = "left" if left else "right"
    return f"Stream power of {power:.0f} W/m2; {100 * strip:.0f} % of the strip on the {side} has no woody cover."


def _need(erosion: np.ndarray, gap: np.ndarray) -> list[str | None]:
    words = {
        (True, True): "both",
        (True, False): "erosion_only",
        (False, True): "gap_only",
        (False, False): "none",
    }
    return [None if np.isnan(e) else words[bool(e >= 50), bool(g >= 50)] for e, g in zip(erosion, gap, strict=True)]


def _rank(value: np.ndarray) -> pd.Series:
    return pd.Series(value).rank(method="min", ascending=False).astype("Int64")


def _ranked_reaches(reach: gpd.GeoDataFrame, bank: gpd.GeoDataFrame) -> None:
    by = bank.groupby("reach_id")
    for name in ("erosion_score", "gap_score", "priority"):
        reach[name] = reach["reach_id"].map(by[name].max())
    reach["gap_length_m"] = reach["reach_id"].map(by["gap_length_m"].sum(min_count=1))
    reach["rank"] = _rank(reach["priority"].to_numpy(float))
    for name in ("rank_p05", "rank_p95", "top_share"):
        reach[name] = None


def _gaps(reach: gpd.GeoDataFrame, bank: gpd.GeoDataFrame, crs: str) -> gpd.GeoDataFrame:
    rows = bank[(bank["gap_length_m"] > 0) & bank["not_ranked"].isna()]
    shapes, far = [], []
    for _, row in rows.iterrows():
        part = shapely.ops.substring(row.geometry, 0, min(row["gap_length_m"], row.geometry.length - 1))
        shapes.append(part.buffer(30 if row["side"] == "left" else -30, single_sided=True))
        far.append(part.length)
    return gpd.GeoDataFrame(
        {
            "gap_id": rows["bank_id"] + "-1",
            "bank_id": rows["bank_id"],
            "reach_id": rows["reach_id"],
            "side": rows["side"],
            "rule": "fixed_width",
            "from_m": 0.0,
            "to_m": far,
            "length_m": rows["gap_length_m"],
            "setback_m": 30.0,
            "buffer_width_m": rows["buffer_width_m"].astype(float),
            "area_m2": [s.area for s in shapes],
            "adjacent_cover": "pasture",
            "certainty": ["uncertain" if i % 5 == 3 else "clear" for i in range(len(rows))],
        },
        geometry=shapes,
        crs=crs,
    )


def _sites(gap: gpd.GeoDataFrame, bank: gpd.GeoDataFrame, land: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Make a site of each gap: the measures in turn; every sixth goes on in the next one; one in five has no owner."""
    own = bank.set_index("bank_id").loc[gap["bank_id"]].reset_index()
    n = len(gap)
    k = np.arange(n)
    ids = (gap["bank_id"] + "-S1").to_numpy()
    owner = np.full(n, None, object)
    if len(land):
        middle = gap.geometry.representative_point()
        owner = [next(iter(land["property_id"][land.contains(point)]), None) for point in middle]
        owner = [None if i % 5 == 4 else one for i, one in enumerate(owner)]
    joint = [ids[i + 1] if i % 6 == 0 and i + 1 < n else ids[i - 1] if i % 6 == 1 else None for i in k]
    measure = [("plant", "fence and plant", "bank works and plant", "look first", "protect")[i % 5] for i in k]
    design = [EVIL[0] if i % 7 == 3 else "a step in the bed of 1.5 m lies 60 m upstream" for i in k]
    return gpd.GeoDataFrame(
        {
            "site_id": ids,
            **{name: gap[name].to_numpy() for name in ("bank_id", "reach_id", "side", "from_m", "to_m", "length_m")},
            "name": own["name"].to_numpy(),
            "property_id": owner,
            "setback_m": 30.0,
            "area_m2": gap["area_m2"].to_numpy(),
            "plantable_area_m2": 0.8 * gap["area_m2"].to_numpy(),
            "gap_length_m": gap["length_m"].to_numpy(),
            "certainty": gap["certainty"].to_numpy(),
            "adjacent_cover": "pasture",
            **{name: own[name].to_numpy() for name in ("erosion_score", "gap_score", "priority")},
            "rank": _rank(own["priority"].to_numpy(float)).to_numpy(),
            "measure": measure,
            "why_measure": [f"Invented reason {i} of a measure." for i in k],
            "joint_sites": joint,
            "joint_properties": ["001/2" if i % 6 == 0 and i + 1 < n else None for i in k],
            "joint_length_m": gap["length_m"].to_numpy(),
            "prompt_in_water": [None if i % 2 else "Work in the water is likely: ask the authority." for i in k],
            "prompt_locate": "Have buried lines located before digging.",
            "prompt_design": [None if i % 3 else f"A qualified design is needed: {design[i]}." for i in k],
        },
        geometry=gap.geometry.to_numpy(),
        crs=gap.crs,
    )


def _properties(reach: gpd.GeoDataFrame, draw: np.random.Generator, crs: str, coarse: bool) -> gpd.GeoDataFrame:
    some = reach.iloc[::2]
    shapes = [
        shapely.box(b[0] - 160, b[1], b[2] + (190 if i % 2 else 120), b[3] + 190)
        for i, b in enumerate(some.bounds.to_numpy())
    ]
    priority = np.round(100 * draw.random(len(some)), 2)
    metres = np.round(200 * draw.random(len(some)))
    weighed = None if coarse else priority * metres
    return gpd.GeoDataFrame(
        {
            "property_id": [f"{i:03d}/2" for i in range(len(some))],
            "frontage_m": 380.0,
            "gap_length_m": None if coarse else metres,
            "gap_area_m2": None if coarse else metres * 21.5,
            "priority": priority,
            "priority_gap_m": weighed,
            "rank": None if coarse else _rank(weighed).to_numpy(),
            "rank_p05": None,
            "rank_p95": None,
            "top_share": None,
            "joint_neighbours": [None if coarse or i % 3 else f"{i + 1:03d}/2, 900/7" for i in range(len(some))],
            "joint_gap_m": None if coarse else [0.0 if i % 3 else 45.5 for i in range(len(some))],
            "site_count": [(0, 1, 3, None)[i % 4] for i in range(len(some))],
        },
        geometry=shapes,
        crs=crs,
    )


def _frontages(land: gpd.GeoDataFrame, bank: gpd.GeoDataFrame) -> pd.DataFrame:
    """Cut banks by properties; the metres of gap of a property lie on its banks in turn, as far as they reach."""
    if not len(land):
        return empty(SHOWN_FRONTAGES)
    parts = gpd.GeoDataFrame(bank[["bank_id", "geometry"]]).overlay(land, keep_geom_type=True)
    metres = parts.length.groupby([parts["property_id"], parts["bank_id"]]).sum().round(2)
    table = metres.rename("frontage_m").reset_index()
    gap = table["property_id"].map(land.set_index("property_id")["gap_length_m"]).astype(float)
    before = table.groupby("property_id")["frontage_m"].cumsum() - table["frontage_m"]
    table["gap_length_m"] = (gap - before).clip(0, table["frontage_m"]).round(2)
    return table.assign(gap_area_m2=table["gap_length_m"] * 21.5)[SHOWN_FRONTAGES.names()]


def _landmarks(reach: gpd.GeoDataFrame, bank: gpd.GeoDataFrame, crs: str) -> dict[str, pd.DataFrame]:
    """Make a few of each: crossings and a step on the first reaches, constraints, works and scars beside them."""

    def laid(layer: Layer, shapes: list, **columns: list) -> pd.DataFrame:
        made = pd.DataFrame({name: values[: len(shapes)] for name, values in columns.items()})
        return check(layer, gpd.GeoDataFrame(made, geometry=shapes, crs=crs))

    ids, sides = reach["reach_id"].tolist(), bank["bank_id"].tolist()
    lines, edges = list(reach.geometry), list(bank.geometry)

    def at(number: int, from_m: float) -> shapely.Point:
        return shapely.line_interpolate_point(lines[number], lines[number].length - from_m)

    def beside(number: int, near_m: float, far_m: float, low: float, high: float) -> shapely.Polygon:
        """Give ground off a left bank (even) or a right bank, from ``low`` to ``high`` along it."""
        sign = 1 if number % 2 == 0 else -1
        part = shapely.ops.substring(edges[number], low, high)
        one, other = (shapely.get_coordinates(part.offset_curve(sign * d)) for d in (near_m, far_m))
        return shapely.Polygon([*one, *other[::-1]])

    steps = [(1, 100.0)] if len(lines) > 1 else []
    places = [(0, 110.0), *([(2, 60.0), (3, 150.0)] if len(lines) > 3 else [])]
    many = len(edges) > 7
    return {
        "crossings": laid(
            CROSSINGS,
            [at(*place) for place in places],
            reach_id=[ids[number] for number, _ in places],
            from_m=[from_m for _, from_m in places],
            kind=["road", "railway", None],
            **{"class": ["secondary", "rail", None]},
            length_m=[20.0, 20.0, 15.0],
        ),
        "knickpoints": laid(
            SHOWN_KNICKPOINTS, [at(*step) for step in steps], reach_id=[ids[number] for number, _ in steps],
            from_m=[100.0], drop_m=[1.5], near_crossing=[False],
        ),
        "constraints": laid(
            SHOWN_CONSTRAINTS,
            [beside(0, 8, 22, 40, 60), *([beside(5, 5, 15, 10, 150)] if many else [])],
            kind=["building", EVIL[0]],
        ),
        "works_done": laid(
            WORKS_DONE,
            [beside(1, 1, 25, 20, 120), *([beside(6, 0, 8, 100, 140)] if many else [])],
            kind=["tree planting", None], year=pd.array([2019, pd.NA], dtype="Int64"), status=["done", None],
        ),
        "scars": laid(
            SCARS,
            [shapely.ops.substring(edges[0], 120, 165), *([at(3, 20.0).buffer(5).boundary] if many else [])],
            bank_id=[sides[0], None], reach_id=[ids[0], None], year=pd.array([2021, pd.NA], dtype="Int64"),
            height_m=[1.8, np.nan],
        ),
        "visits": laid(
            SHOWN_VISITS,
            [edges[0].interpolate(100.0)],
            **{name: [None] for name in SHOWN_VISITS.names()}
            | {"visit_id": ["V1"], "bank_id": [sides[0]], "reach_id": [ids[0]], "side": ["left"], "at_random": [True],
               "erodes": [1.0], "verdict": ["ok"], "bankfull_height_basis": ["missing"]},
        ),
        "monitoring": check(MONITORING, pd.DataFrame(
            {name: [None] for name in MONITORING.names()}
            | {"place_id": [f"{sides[0]}@100"], "bank_id": [sides[0]], "side": ["left"], "date": ["2026-05-31"],
               "measure": ["pin"], "mark": [EVIL[0]], "value": [100.0], "unit": ["mm"], "at_least": [False]}
        )),
    }  # fmt: skip


def _sensitivity(bank: gpd.GeoDataFrame) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "kind": ["weight", "input"], "moved": ["outer_bend", "curve"], "direction": ["up", "down"],
            "moved_by": [12.0, 1.0], "unit": ["percent points", "standard deviations"], "changed_count": [1, 0],
            "first_out": [bank["bank_id"].iloc[0], None], "first_in": [bank["bank_id"].iloc[-1], None],
        }
    )  # fmt: skip


def _long_profiles(reach: gpd.GeoDataFrame) -> pd.DataFrame:
    """Make a point every 20 m along each column of reaches: a crossing, a pond and a step of 1.5 m in each."""
    column = np.round(reach.geometry.centroid.x / SPACING_M).to_numpy()
    parts = []
    for place in np.unique(column):
        own = reach[column == place].iloc[::-1]  # from the mouth up
        one = pd.concat([_profile_points(row, n) for n, row in enumerate(own.itertuples())], ignore_index=True)
        at = one["from_mouth_m"].to_numpy()
        one["segment_id"] += f"-{place:.0f}"  # a segment of this world may go on in the next column
        one["stream_id"] = one["segment_id"].iloc[0]
        one["stream_name"] = own["name"].dropna().mode().iloc[0]
        one["crossing"] = np.abs(at - 310) < 25
        one["knickpoint"] = np.arange(len(at)) == np.searchsorted(at, 500)
        one["knickpoint_drop_m"] = np.where(one["knickpoint"], 1.5, np.nan)
        one["barrier"] = np.where((at > 600) & (at < 700), "lake_path", None)
        one["low_elevation_m"] = 420 + 0.006 * at + np.where(at > 500, 1.5, 0.0) + 0.1 * np.sin(at)
        one["seam"] = False
        out = one["crossing"] | one["barrier"].notna()
        one["falling_elevation_m"] = one["low_elevation_m"].cummax().mask(out)
        parts.append(one)
    return pd.concat(parts, ignore_index=True)


def _profile_points(row: Any, place: int) -> pd.DataFrame:
    at = np.arange(10.0, PIECE_M, 20.0)
    points = shapely.get_coordinates(shapely.line_interpolate_point(row.geometry, row.geometry.length - at))
    return pd.DataFrame(
        {
            "segment_id": row.reach_id[:-3],
            "reach_id": row.reach_id,
            "x_m": points[:, 0],
            "y_m": points[:, 1],
            "from_mouth_m": at + place * PIECE_M,
            "from_outlet_m": at + place * PIECE_M,
            "slope_m_m": row.slope_m_m,
            "unit_stream_power_w_m2": row.unit_stream_power_w_m2,
            "drainage_area_km2": row.drainage_area_km2,
        }
    )


def _setbacks(bank: gpd.GeoDataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(bank[["bank_id", "setback_m", "buffer_width_m", "gap_length_m", "gap_area_m2"]])
    return frame.assign(rule="fixed_width")


def _findings(title: str) -> pd.DataFrame:
    says = "drainage area is cut by the edge."
    rows = [("warning", "dem", "edge", "", f"Warning {i} of {title}: {says}", "Give a larger DEM.") for i in range(12)]
    rows.append(("note", "streams", "3d", "", "Heights of the lines were dropped.", ""))
    return pd.DataFrame(rows, columns=FINDINGS.names())


def _factors() -> pd.DataFrame:
    rows = [
        {
            "key": key, "group": group, "title": title, "unit": unit, "digits": 1, "value_column": value,
            "basis_column": key + "_basis", "score_column": key + "_score", "worst_column": key + "_worst_score",
            "given_weight": float(weight), "weight": weight, "known_share": 1.0, "used": True, "neutral": 0.5,
            "nodes": "0: 0; 100: 1", "says": f"What {title.lower()} measures.", "because": "", "floors": False,
            "scaled_by": "", "scaled_says": "", "shares": "", "source": source, "status": "own",
        }
        for key, group, title, unit, value, weight, source in FACTORS
    ]  # fmt: skip
    return check(layers.FACTORS, pd.DataFrame(rows))
