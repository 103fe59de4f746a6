"""A result folder made by hand: three banks and two properties whose explanation is known to the digit."""

from __future__ import annotations

import json
from pathlib import Path

import pyogrio
import shapely
from pyproj import CRS

from gisprio.contracts.layers import PROPERTIES, REACHES, SITES
from gisprio.run.record import settings_as_config
from gisprio.run.stages import promised
from gisprio.run.store import Store
from unit.run.fake_chain import filled, make_settings

FACTORS = [
    {"key": "unit_stream_power", "group": "erosion", "title": "Unit stream power", "unit": "W/m2", "digits": 1,
     "value_column": "unit_stream_power_w_m2", "weight": 500, "used": True, "source": "brookes1987",
     "status": "break from memory, levels own", "scaled_by": "freedom_to_move", "scaled_says": "freedom to move"},
    {"key": "outer_bend", "group": "erosion", "title": "Outer bend", "unit": "", "digits": 2,
     "value_column": "outer_bend", "weight": 500, "used": True, "source": "hec15",
     "status": "published"},
    {"key": "missing_strip", "group": "gap", "title": "Missing strip", "unit": "share", "digits": 2,
     "value_column": "missing_strip", "weight": 1000, "used": True, "source": "own", "status": "own"},
    {"key": "subsoil_fines", "group": "erosion", "title": "Subsoil fines", "unit": "percent", "digits": 0,
     "value_column": "subsoil_fines_pct", "weight": 0, "used": False, "source": "julian_torres2006",
     "status": "published"},
    {"key": "bank_angle", "group": "erosion", "title": "Bank angle", "unit": "deg", "digits": 0,
     "value_column": "bank_angle_deg", "weight": 0, "used": False, "source": "rosgen2001", "status": "published"},
]  # fmt: skip


def make_banks(**columns):
    layer = promised("banks")
    value = next(c.name for c in layer.columns if c.name.startswith("outer_bend") and "score" not in c.name)
    lines = [shapely.LineString([(0, n), (200, n)]) for n in range(3)]
    banks = filled(
        layer, 3, lines, bank_id=["ab1-1-L", "ab1-1-R", "cd2-1-L"], reach_id=["ab1-1", "ab1-1", "cd2-1"],
        side=["left", "right", "left"], name=["Tansy Brook", "Tansy Brook", None], kind=["natural", "natural", "ditch"],
        not_ranked=[None, None, "a ditch"], length_m=[200.0, 200.0, 150.0], bank_line_basis=["water_edge"] * 3,
        setback_m=[30.0] * 3, setback_rule=["fixed_width"] * 3, setback_kind=["own target"] * 3,
        buffer_width_m=[3.25, 30.0, None], gap_length_m=[200.0, 0.0, None], gap_area_m2=[5400.0, 0.0, None],
        adjacent_cover=["pasture", "woody", None], freedom_to_move=[0.75, 0.75, None],
        unit_stream_power_w_m2=[42.0, 42.0, None], unit_stream_power_score=[60.0, 60.0, None],
        unit_stream_power_basis=["modelled", "modelled", "missing"],
        outer_bend_score=[40.0, 0.0, None], outer_bend_basis=["measured", "measured", "missing"],
        missing_strip=[0.8, 0.0, None], missing_strip_score=[80.0, 0.0, None],
        missing_strip_basis=["measured", "measured", "missing"],
        erosion_score=[50.0, 30.0, None], gap_score=[80.0, 0.0, None], need=["both", "none", None],
        priority=[63.25, 17.32, None], rank=[1, 2, None], erosion_rank=[1, 2, None], gap_rank=[1, 2, None],
        why=["Likely to erode and short of cover.", "Neither score is high.", "Not ranked: a ditch."],
    )  # fmt: skip
    banks[value] = [0.4, 0.0, None]
    for name, values in columns.items():
        banks[name] = values
    return banks, value


def make_properties():
    return filled(
        PROPERTIES, 2, [shapely.box(0, 0, 9, 9)] * 2, property_id=["P-17", "P-18"], frontage_m=[200.0, 80.0],
        gap_length_m=[120.0, 0.0], gap_area_m2=[3000.0, 0.0], priority=[40.28, 17.32], priority_gap_m=[4833.6, 0.0],
        rank=[1, 2], rank_p05=[1.0, None], rank_p95=[2.0, None], top_share=[1.0, None],
        joint_neighbours=["P-18, P-9", None], joint_gap_m=[80.4, 0.0],
    )  # fmt: skip


def make_sites():
    return filled(
        SITES, 2, [shapely.box(0, 0, 9, 9)] * 2, site_id=["ab1-1-L-S1", "ab1-1-L-S2"], bank_id=["ab1-1-L"] * 2,
        reach_id=["ab1-1"] * 2, side=["left"] * 2, name=["Tansy Brook", None], property_id=["P-17", None],
        from_m=[0.0, 100.0], to_m=[40.0, 150.0], length_m=[40.0, 50.0], setback_m=[30.0] * 2, area_m2=[1200.0, 1500.0],
        plantable_area_m2=[600.0, None], gap_length_m=[40.0, None], certainty=["clear", None],
        erosion_score=[50.0, 30.0], gap_score=[80.0, 90.0], priority=[63.25, 51.96], rank=[1, 2],
        measure=["plant", "look first"], why_measure=["50% of the strip has no cover that counts.", "Look first: why."],
        joint_sites=["ab1-1-L-S2, ab1-1-R-S1", None], joint_properties=["P-18", None],
        prompt_locate=["Have buried lines located.", None],
    )  # fmt: skip


def make_results_folder(
    folder: Path,
    *,
    with_store: bool = True,
    with_sites: bool = False,
    columns: dict | None = None,
    **sections: dict,
) -> Path:
    banks, value = make_banks(**(columns or {}))
    results = folder / "results"
    results.mkdir()
    tables = {
        "reaches": filled(REACHES, 1, [shapely.LineString([(0, 0), (1, 1)])]),
        "banks": banks,
        "bank_setbacks": filled(promised("bank_setbacks"), 1),
        "gaps": filled(promised("gaps"), 1, [shapely.box(0, 0, 1, 1)]),
        "properties": make_properties(),
        "findings": filled(promised("findings"), 1),
    }
    if with_sites:
        tables["sites"] = make_sites()
    for name, table in tables.items():
        pyogrio.write_dataframe(table, results / "ranked.gpkg", layer=name, append=(results / "ranked.gpkg").exists())
    why = "first run in this folder"
    stage = {"name": "network", "scope": "whole", "ran": 1, "kept": 0, "seconds": 0.25, "why": why}
    pieces = {"name": "gaps", "scope": "piece", "ran": 1, "kept": 3, "seconds": 1.5, "why": "changed: [setback]"}
    record = {
        "format": 1, "gisprio": "0.1", "name": "Tansy Brook", "started": "10:00", "finished": "10:01",
        "settings": settings_as_config(make_settings(folder, **sections)), "stages": [stage, pieces],
        "counts": {"banks": 3, "ranked_banks": 2, "ranked_properties": 2} | ({"sites": 2} if with_sites else {}),
        "findings": {"error": 0, "warning": 1, "note": 2},
        "factors": [{**row, "value_column": value} if row["key"] == "outer_bend" else row for row in FACTORS],
        "files": {},
    }  # fmt: skip
    (results / "run.json").write_text(json.dumps(record))
    if with_store:
        store = Store(results, CRS.from_user_input("EPSG:32633"))
        reaches = filled(
            promised("reach_measures"), 1, [shapely.LineString([(0, 0), (1, 1)])], reach_no=[7], reach_id=["ab1-1"]
        )
        frontages = filled(
            promised("frontages"), 3, property_id=["P-17", "P-17", "P-18"], reach_no=[7, 7, 7], side=[1, 0, 1],
            frontage_m=[100.0, 100.0, 80.0], gap_length_m=[0.0, 120.0, 0.0],
        )  # fmt: skip
        kept = {"reach_measures": reaches, "frontages": frontages}
        if with_sites:
            kept["site_pieces"] = filled(
                promised("site_pieces"), 2, [shapely.box(0, 0, 1, 1)] * 2, reach_no=[7, 7], side=[0, 0],
                from_m=[0.0, 100.0], missing_strip=[0.5, 0.9], missing_strip_score=[50.0, 90.0],
                unit_stream_power_w_m2=[42.0, 42.0], unit_stream_power_score=[60.0, 60.0],
            )  # fmt: skip
        store.settle([store.keep(name, "k", {name: table}, [], 0.0) for name, table in kept.items()], 1e9)
    return results
