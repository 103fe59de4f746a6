"""Layers and the check that holds tables to them."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.contracts import layers
from gisprio.contracts.errors import ContractError
from gisprio.contracts.schema import Column, Layer, check, empty

WEIRS = Layer(
    "weirs",
    "point",
    ("weir_id",),
    "Weirs.",
    (
        Column("weir_id", "text", "Id."),
        Column("height_m", "float", "Height.", "m", null=True, low=0, high=5),
        Column("steps", "int", "Steps.", null=True),
        Column("kind", "text", "Kind.", null=True, among=("rock", "wood")),
    ),
)


def weirs(**changes):
    columns = {"weir_id": ["a", "b"], "height_m": [1.0, np.nan], "steps": [2, None], "kind": ["rock", None]}
    return gpd.GeoDataFrame(columns | changes, geometry=gpd.points_from_xy([0, 1], [0, 1]), crs=32633)


def test_a_good_table_comes_back_in_the_layers_order_and_kinds():
    got = check(WEIRS, weirs()[["kind", "steps", "height_m", "weir_id", "geometry"]])
    assert got.columns.tolist() == ["weir_id", "height_m", "steps", "kind", "geometry"]
    assert got["steps"].dtype == "Int64"
    assert got["kind"].isna().tolist() == [False, True]
    assert got.crs == "EPSG:32633"


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"weir_id": ["a", "a"]}, "key weir_id is not unique"),
        ({"weir_id": ["a", None]}, "weir_id has 1 nulls"),
        ({"weir_id": [1, 2]}, "weir_id holds other than text"),
        ({"height_m": [6.0, 1.0]}, "height_m goes up to 6, above 5"),
        ({"height_m": [-1.0, 1.0]}, "height_m goes down to -1, below 0"),
        ({"height_m": [np.inf, 1.0]}, "height_m holds infinity"),
        ({"height_m": ["high", 1.0]}, "height_m holds other than numbers"),
        ({"steps": [1.5, 2.0]}, "steps holds fractions"),
        ({"kind": ["rock", "gold"]}, "kind holds ['gold']"),
        ({"colour": ["red", "red"]}, "columns not promised: colour"),
    ],
)
def test_each_fault_is_named(changes, fault):
    with pytest.raises(ContractError) as caught:
        check(WEIRS, weirs(**changes))
    assert str(caught.value) == (
        f"layer weirs breaks its contract: {fault}.\n  Wanted: what contracts/layers.py promises\n"
        "  Do: report this as a fault of gisprio, with run.log."
    )


def test_geometry_faults():
    lines = weirs().set_geometry([shapely.LineString([(0, 0), (1, 1)])] * 2, crs=32633)
    with pytest.raises(ContractError, match="geometry is LineString, not point"):
        check(WEIRS, lines)
    with pytest.raises(ContractError, match="geometries are null or empty"):
        check(WEIRS, weirs().set_geometry([shapely.Point(), shapely.Point(1, 1)], crs=32633))
    with pytest.raises(ContractError, match="no geometry"):
        check(WEIRS, pd.DataFrame(weirs().drop(columns="geometry")))
    with pytest.raises(ContractError, match="columns missing: kind"):
        check(WEIRS, weirs().drop(columns="kind"))


ALL_LAYERS = [value for value in vars(layers).values() if isinstance(value, Layer)]


@pytest.mark.parametrize("layer", ALL_LAYERS, ids=lambda layer: layer.name)
def test_every_layer_is_whole_and_an_empty_one_keeps_it(layer):
    assert len(set(layer.names())) == len(layer.names())
    assert set(layer.key) <= set(layer.names())
    for column in layer.columns:
        assert column.says.endswith((".", "...")), column.name
        suffix = column.name.rsplit("_", 1)[-1]
        if column.unit in ("m", "m2", "km2", "deg") and column.name not in ("x", "y"):
            assert suffix == column.unit, column.name
    check(layer, empty(layer, 32633))


CONTRACT = {
    layers.REACHES: """
        reach_id name kind not_ranked downstream_reach_id sub_watershed_id strahler_order length_m slope_m_m
        slope_se_m_m sinuosity drainage_area_km2 bankfull_width_m bankfull_discharge_m3_s unit_stream_power_w_m2
        gap_length_m erosion_score gap_score priority rank rank_p05 rank_p95 top_share""",
    layers.BANKS: """
        bank_id reach_id side kind not_ranked sub_watershed_id length_m bank_line_basis setback_m setback_rule
        setback_kind buffer_width_m gap_length_m gap_area_m2 crossing_length_m constrained_length_m plantable_area_m2
        adjacent_cover line_offset_m bank_height_m bank_angle_deg erosion_score gap_score need priority rank
        erosion_rank gap_rank rank_p05 rank_p50 rank_p95 top_share why""",
    layers.BANK_SETBACKS: "bank_id rule setback_m buffer_width_m gap_length_m gap_area_m2",
    layers.GAPS: """
        gap_id bank_id reach_id side rule from_m to_m length_m setback_m buffer_width_m area_m2 adjacent_cover
        certainty""",
    layers.SITES: "site_id bank_id property_id from_m to_m length_m priority rank measure",
    layers.PROPERTIES: """
        property_id frontage_m gap_length_m gap_area_m2 priority priority_gap_m rank rank_p05 rank_p95 top_share
        site_count""",
    layers.FINDINGS: "severity layer check feature_id says do",
}


@pytest.mark.parametrize("layer", CONTRACT, ids=lambda layer: layer.name)
def test_columns_that_users_rely_on_are_there(layer):
    assert set(CONTRACT[layer].split()) <= set(layer.names())
