"""Network tables made by hand, so that bank stages can be tried without reading or routing anything."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_heights import measure_bank_heights
from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.cover import measure_cover
from gisprio.compute.banks.gaps import find_gaps
from gisprio.compute.banks.ground import measure_ground
from gisprio.compute.banks.own_layers import measure_own_layers
from gisprio.compute.banks.ownership import share_ground
from gisprio.compute.banks.scars import find_scars
from gisprio.compute.banks.soils import read_soils
from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.banks.supply import share_supply
from gisprio.compute.banks.valleys import measure_valleys
from gisprio.compute.banks.works import find_works
from gisprio.compute.setbacks.asking import ask_setbacks
from gisprio.compute.terrain.entries import Banks
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.layers import (
    BANK_ASKED,
    BANK_GROUND,
    BANK_LINES,
    CONCENTRATED_FLOW,
    CONSTRAINTS,
    DONE,
    ERODING,
    FURTHER_SETBACKS,
    GAP_PIECES,
    ISLANDS,
    LEGEND,
    PARCELS_MARKED,
    REACH_MEASURES,
    ROADS,
    SEGMENTS,
    SETBACK_ZONES,
    SIDE_CONSTRAINTS,
    SIDE_GAPS,
    SIDE_GROUND,
    SIDE_OWN_VALUES,
    SIDE_SCARS,
    SIDE_SETBACKS,
    SIDE_SOILS,
    SIDE_SUPPLY,
    SIDE_WORKS,
    SOILS,
    SOURCE_PARTS,
    VALLEYS,
    VISIT_PLACES,
    WATER,
    WETLANDS,
)
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Settings
from makers import CRS


def settings(**sections: dict[str, object]) -> Settings:
    """Give settings of a made-up run."""
    return Settings.model_validate(
        {
            "run": {"name": "Tiny", "output": "results"},
            "layers": {"dem": "dem.tif", "land_cover": "cover.tif"},
            "land_cover": {"legend": "legend.csv"},
            **sections,
        }
    )


def segments(
    *lines: shapely.LineString, downstream: tuple[int, ...] | None = None, line_error_m: float = 5.0
) -> gpd.GeoDataFrame:
    """Give segments drawn downstream; ``downstream`` names the row each flows into."""
    down = list(downstream or [-1] * len(lines))
    up = [next((i for i, d in enumerate(down) if d == n), -1) for n in range(len(lines))]
    table = gpd.GeoDataFrame(
        {
            "segment_no": range(len(lines)),
            "segment_id": [f"S{n}" for n in range(len(lines))],
            "name": None,
            "downstream_no": down,
            "main_upstream_no": up,
            "minor": False,
            "strahler_order": 1,
            "length_m": [line.length for line in lines],
            "line_error_m": line_error_m,
        },
        geometry=list(lines),
        crs=CRS,
    )
    return check(SEGMENTS, table)


def network(
    *lines: shapely.LineString,
    width_m: float = 6.0,
    power: float = 35.0,
    step: float = 200.0,
    downstream: tuple[int, ...] | None = None,
    kind: str = "natural",
    line_error_m: float = 5.0,
) -> dict[str, pd.DataFrame]:
    """Give segments, reaches cut every ``step`` metres upstream, and stretches."""
    made = segments(*lines, downstream=downstream, line_error_m=line_error_m)
    rows = []
    for number, line in enumerate(lines):
        borders = np.append(np.arange(0, max(line.length - step / 2, 0) + 1e-6, step), line.length)
        for n, (a, b) in enumerate(pairwise(borders)):
            geometry = shapely.ops.substring(line, line.length - b, line.length - a)
            rows.append((number, f"S{number}-{n + 1:02d}", a, b, geometry))
    reaches = gpd.GeoDataFrame(
        {
            "reach_no": range(len(rows)),
            "reach_id": [r[1] for r in rows],
            "segment_no": [r[0] for r in rows],
            "from_m": [r[2] for r in rows],
            "to_m": [r[3] for r in rows],
            "kind": kind,
            "outside": False,
            "length_m": [r[3] - r[2] for r in rows],
            "strahler_order": 1,
            "slope_m_m": 0.005,
            "bankfull_width_m": width_m,
            "bankfull_depth_m": 0.5,
            "unit_stream_power_w_m2": power,
            "slope_basis": "measured",
            "drainage_area_basis": "modelled",
            "bankfull_width_basis": "modelled",
            "bankfull_discharge_basis": "modelled",
        },
        geometry=[r[4] for r in rows],
        crs=CRS,
    )
    for column in REACH_MEASURES.columns:
        if column.name not in reaches:
            reaches[column.name] = None if column.kind == "text" else np.nan
    stretches = pd.DataFrame(
        {
            "segment_no": range(len(lines)),
            "from_m": 0.0,
            "to_m": [line.length for line in lines],
            "kind": kind,
        }
    )
    return {
        "segments": made,
        "reach_measures": check(REACH_MEASURES, reaches),
        "stretches": stretches,
        "visit_places": empty(VISIT_PLACES),
    }


def nearby(**layers: gpd.GeoDataFrame) -> dict[str, pd.DataFrame]:
    """Give halo layers; those not named are empty."""
    legend = pd.DataFrame(
        {
            "code": [1, 2, 3, 4, 5],
            "name": ["wood", "pasture", "water", "field", "bar"],
            "cover": ["woody", "pasture", "water", "crop", "bare"],
            "c_factor": np.nan,
            "min_width_m": np.nan,
        }
    )
    given = {
        "water": empty(WATER, CRS),
        "bank_lines": empty(BANK_LINES, CRS),
        "roads": empty(ROADS, CRS),
        "setback_zones": empty(SETBACK_ZONES, CRS),
        "source_parts": empty(SOURCE_PARTS),
        "further_setbacks": empty(FURTHER_SETBACKS),
        "islands": empty(ISLANDS, CRS),
        "segments": empty(SEGMENTS, CRS),
        "constraints": empty(CONSTRAINTS, CRS),
        "done": empty(DONE, CRS),
        "eroding": empty(ERODING, CRS),
        "visit_places": empty(VISIT_PLACES),
        "parcels": empty(PARCELS_MARKED, CRS),
        "soils": empty(SOILS, CRS),
        "wetlands": empty(WETLANDS, CRS),
        "legend": check(LEGEND, legend),
    }
    return given | layers


def no_works(points: pd.DataFrame) -> pd.DataFrame:
    """Give station sides without any works."""
    key = points[["segment_no", "station_no", "side"]]
    years = pd.array([pd.NA] * len(points), dtype="Int64")
    none = {"done_kind": None, "done_year": years, "planted": False, "cover_from_m": np.nan, "cover_to_m": np.nan}
    return check(SIDE_WORKS, key.assign(**none))


def asked(points: pd.DataFrame, width_m: object = 30.0, **columns: object) -> pd.DataFrame:
    """Give what a rule of ``width_m`` asks of station sides, but for ``columns``."""
    told = {"setback_m": width_m, "least_m": np.nan, "inner_m": np.nan, "counted_m": width_m, "exempt": None}
    key = points[["segment_no", "station_no", "side"]]
    return check(SIDE_SETBACKS, key.assign(**{**told, "setback_told": True, **columns}))


def all_own(points: pd.DataFrame, owned_m: float = 33.0) -> pd.DataFrame:
    """Give station sides whose ground is their own as far as ``owned_m``."""
    return check(SIDE_GROUND, points[["segment_no", "station_no", "side"]].assign(owned_m=owned_m))


def bank_asked(banks: pd.DataFrame, **columns: object) -> pd.DataFrame:
    """Give what a rule of 30 m asks of banks, but for ``columns``."""
    none = {name: 0.0 for name in BANK_ASKED.names() if name.endswith("_length_m")}
    table = banks[["reach_no", "side"]].assign(**{**none, "setback_m": 30.0, "exempt": None, **columns})
    return check(BANK_ASKED, table)


def bank_ground(banks: pd.DataFrame, **columns: object) -> pd.DataFrame:
    """Give banks without constraints or works, but for ``columns``."""
    none = {
        "island": False,
        "constrained_length_m": 0.0,
        "constraint": None,
        "plantable_area_m2": 0.0,
        "done_kind": None,
    }
    none |= dict.fromkeys(("done_year", "planted_year"), pd.array([pd.NA] * len(banks), dtype="Int64"))
    return check(BANK_GROUND, pd.DataFrame(banks[["reach_no", "side"]]).assign(**none | columns))


def source(values: NDArray, x0: float, y0: float, cell_m: float, nodata: float | None = None) -> ArraySource:
    """Give a grid source; (x0, y0) is the upper left corner."""
    return ArraySource(Grid(values, Lattice(x0, y0, cell_m), 0, 0, nodata))


def concentrated_flow(*places: tuple[float, int, float], x: float = 0.0) -> gpd.GeoDataFrame:
    """Give points of concentrated flow on segment 0: (at_m, side, area_ha) each."""
    at_m, side, area_ha = zip(*places, strict=True) if places else ((), (), ())
    columns = {"segment_no": 0, "at_m": at_m, "side": side, "area_ha": area_ha, "stream_like": False}
    points = gpd.points_from_xy(np.full(len(at_m), x), np.array(at_m, float))
    return check(CONCENTRATED_FLOW, gpd.GeoDataFrame(columns, geometry=points, crs=CRS))


def bank_chain(line, cover, *, step=200.0, halo=None, kind="natural", supply=0.3, flows=(), height=None, **sections):
    """Run the bank stages over a cover function of x, y on 1 m cells; every bank is sent ``supply``.

    Without a function ``height`` of x, y the ground is level and coarse; with one the heights have cells of 1 m.
    """
    made = settings(**sections)
    core = dict(network(line, step=step, kind=kind))
    near = nearby(**(halo or {}))
    core["visit_places"] = near["visit_places"]
    x0, y0, x1, y1 = line.buffer(80).bounds
    x, y = np.meshgrid(np.arange(np.floor(x0), np.ceil(x1)) + 0.5, np.arange(np.ceil(y1), np.floor(y0), -1) - 0.5)
    sources = {
        "land_cover": source(cover(x, y).astype(np.uint8), np.floor(x0), np.ceil(y1), 1.0, 0),
        "elevation": source(np.zeros((40, 40), np.float32), x0 - 100, y1 + 100, 50.0),
        "height_above_stream": source(np.zeros((40, 40), np.float32), x0 - 100, y1 + 100, 50.0),
        "dem": source(np.zeros((40, 40), np.float32), x0 - 100, y1 + 100, 50.0),
        "survey": source(np.zeros((40, 40), np.int16), x0 - 100, y1 + 100, 50.0),
    }
    if height is not None:
        sources["dem"] = source(height(x, y).astype(np.float32), np.floor(x0), np.ceil(y1), 1.0)
    core |= lay_stations(core, {"segments": core["segments"]}, {}, made)
    core |= find_bank_lines(core, near, sources, made)
    near |= {name: core[name] for name in ("segments", "reach_measures", "stretches")}
    core |= measure_bank_heights(core, near, sources, made)
    core |= ask_setbacks(core, near, sources, made)
    check(SIDE_SETBACKS, core["side_setbacks"])
    core |= share_ground(core, near, {}, made)
    core |= find_works(core, near, {}, made)
    core |= measure_cover(core, near, sources, made)
    core |= measure_valleys(core, {}, sources, made)
    core |= find_gaps(core, near, {}, made)
    core |= read_soils(core, near, {}, made)
    core |= measure_own_layers(core, near, sources, made)
    core["bank_supply"] = Banks.of(core["segments"]).table.assign(ground_m2=1e4, delivery=supply)
    core["concentrated_flow"] = concentrated_flow(*flows)
    core |= share_supply(core, {}, {}, made)
    core |= find_scars(core, near, {}, made)
    check(SIDE_SCARS, core["side_scars"])
    core |= measure_ground(core, near, {}, made)
    check(SIDE_GROUND, core["side_ground"])
    check(SIDE_WORKS, core["side_works"])
    check(SIDE_CONSTRAINTS, core["side_constraints"])
    check(VALLEYS, core["valleys"])
    check(SIDE_GAPS, core["side_gaps"])
    check(SIDE_SOILS, core["side_soils"])
    check(SIDE_OWN_VALUES, core["side_own_values"])
    check(GAP_PIECES, core["gap_pieces"])
    check(SIDE_SUPPLY, core["side_supply"])
    return core
