"""The table of measures row by row, steps and structures near, sites that go together, and the words of the prompts."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.land.measures import MEASURE_TABLE, with_measures
from gisprio.compute.land.prompts import prompts
from gisprio.compute.land.site_places import joint_sites, steps_above, structures_near
from gisprio.contracts.settings import Sites
from gisprio.contracts.words import MEASURES
from tables import network

BANKS = pd.DataFrame(
    {"not_ranked": [None] * 4 + ["a ditch"], "unit_stream_power_score": [10.0, 20.0, 30.0, 40.0, 99.0]}
)
"""The top quarter of the ranked four lies above 32.5."""
BARE_FIELD = {
    "site_kind": "gap", "step": None, "lacking_share": 0.9, "adjacent_cover": "crop", "gap_length_m": 50.0,
    "unit_stream_power_w_m2": 40.0, "unit_stream_power_score": 33.0, "erosion_score": 30.0,
    "observed_erosion_score": np.nan,
}  # fmt: skip
STEP = "a step of 1.0 m in the bed lies 9 m upstream"


@pytest.mark.parametrize(
    ("change", "measure", "why"),
    [
        ({}, "bank works and plant", "The flow's force, 40 W/m2, is in the top quarter"),
        ({"step": STEP}, "look first", f"Look first: bed may be cutting, for {STEP};"),
        ({"site_kind": "erosion"}, "look first", "Look first: likely to erode, but its strip is there"),
        ({"adjacent_cover": "pasture"}, "bank works and plant", "The flow's force, 40 W/m2"),
        ({"unit_stream_power_score": 32.0}, "plant", "90% of the strip has no cover that counts."),
        ({"unit_stream_power_w_m2": 34.0}, "plant", "90% of"),  # the top quarter of a quiet watershed
        ({"unit_stream_power_w_m2": 34.0, "erosion_score": 50.0}, "bank works and plant", "The flow's force, 34 W/m2"),
        ({"lacking_share": 0.7}, "plant", "70% of"),
        ({"unit_stream_power_score": 5.0, "observed_erosion_score": 80.0}, "bank works and plant", "Seen to erode"),
        ({"lacking_share": 0.7, "observed_erosion_score": 80.0}, "plant", "70% of"),
        ({"gap_length_m": np.nan}, "plant", "90% of the strip has no cover that counts; a coarse look"),
        ({"unit_stream_power_score": np.nan, "adjacent_cover": "pasture"}, "fence and plant", "Pasture where"),
        ({"site_kind": "strip", "lacking_share": 0.0}, "protect", "Its strip is there"),
    ],
)
def test_the_first_row_that_holds_counts(change, measure, why):
    got = with_measures(pd.DataFrame([BARE_FIELD | change]), BANKS, 50.0).iloc[0]
    assert got["measure"] == measure
    assert got["why_measure"].startswith(why)
    assert got["why_measure"].endswith(".")


def test_the_table_has_every_measure_and_fences_pasture_beside_works():
    assert {row.measure for row in MEASURE_TABLE} == set(MEASURES)
    pasture = with_measures(pd.DataFrame([BARE_FIELD | {"adjacent_cover": "pasture"}]), BANKS, 50.0)
    assert pasture["why_measure"].item().endswith("may be torn out; pasture beside it, so fence it too.")


def test_a_step_is_told_down_the_stream_across_a_confluence_as_far_as_its_widths_go():
    upper, lower = shapely.LineString([(0, 200), (0, 100)]), shapely.LineString([(0, 100), (0, 0)])
    world = network(upper, lower, width_m=5.0, downstream=(1, -1))
    steps = pd.DataFrame([(0, 30.0, 1.26, True)], columns=["segment_no", "at_m", "drop_m", "near_crossing"])
    sites = pd.DataFrame(  # 20 widths are 100 m: 30 m to the confluence and 70 m below it
        [(0, 30.0, 60.0), (0, 0.0, 40.0), (1, 80.0, 95.0), (1, 10.0, 31.0), (1, 0.0, 30.0)],
        columns=["segment_no", "low_m", "high_m"],
    )
    got = steps_above(sites, world["segments"], world["reach_measures"], steps, 20.0)
    words = "a step of 1.3 m in the bed lies {} (at a crossing: perhaps a culvert)"
    assert got == [
        None, words.format("beside it"), words.format("35 m upstream"), words.format("99 m upstream"), None,
    ]  # fmt: skip


def test_the_nearest_structure_within_ten_widths_is_named():
    sites = gpd.GeoDataFrame({"width_m": [3.0, 3.0]}, geometry=[shapely.box(0, 0, 10, 10), shapely.box(90, 0, 99, 9)])
    crossings = gpd.GeoDataFrame({"kind": ["road", None]}, geometry=[shapely.Point(39, 5), shapely.Point(130, 5)])
    constraints = gpd.GeoDataFrame(
        {"kind": ["old weir", "building", None]},
        geometry=[shapely.box(-22, 0, -12, 9), shapely.box(11, 0, 12, 1), shapely.box(10, 0, 11, 1)],
    )
    assert structures_near(sites, crossings, constraints) == ["a structure of kind old weir lies 12 m away", None]
    assert structures_near(sites.iloc[[0]], crossings, constraints.iloc[1:]) == ["a road crossing lies 29 m away"]


def test_sites_go_together_along_a_bank_and_across_the_stream():
    rows = [
        ("a", "p", 0, 0, 0.0, 50.0),
        ("b", "q", 0, 0, 70.0, 100.0),  # 20 m on
        ("c", "q", 0, 0, 121.0, 150.0),  # 21 m on
        ("d", None, 0, 1, 90.0, 121.0),  # opposite b, and only touching the place of c
        ("e", "q", 1, 0, 0.0, 50.0),
    ]
    sites = pd.DataFrame(
        rows, columns=["site_id", "property_id", "segment_no", "side", "low_m", "high_m"], index=range(5, 10)
    )
    got = joint_sites(sites)
    assert got["joint_sites"].fillna("").tolist() == ["b", "a, d", "", "b", ""]
    assert got["joint_properties"].fillna("").tolist() == ["q", "p", "", "q", ""]
    assert got["joint_length_m"].tolist() == [80.0, 80.0, 29.0, 31.0, 50.0]
    assert got.index.tolist() == sites.index.tolist()


SITE = {
    "measure": "plant", "name": "Tansy Brook", "joint_length_m": 200.0, "step": None, "structure": None,
    "bank_height_m": 2.0, "outer_bend": 4.0, "constraint": None,
}  # fmt: skip


def told(change, **settings):
    return {
        key.removeprefix("prompt_"): text for key, text in prompts(SITE | change, Sites(**settings)).items() if text
    }


def test_planting_asks_for_buried_lines_only():
    assert told({}) == {"locate": "Have buried lines located before digging, for posts and trees too."}
    assert told({"measure": "protect"}) == {}
    assert told({"constraint": "power line"})["locate"].endswith(" The maps show beside it: power line.")


def test_bank_works_ask_for_permits_windows_length_and_design():
    change = {"measure": "bank works and plant", "structure": "a road crossing lies 9 m away", "bank_height_m": 3.4}
    assert told(change | {"step": STEP, "outer_bend": 2.1, "constraint": "dyke"}) == {
        "in_water": "Work in the water or at the toe of the bank is likely: ask which permits it needs.",
        "window": "Ask when work in the water is allowed: [sites] windows tells nothing for this stream.",
        "length": "With the sites that go on along this bank it is 200 m long, over 150 m ([sites] length_limit_m): "
        "ask whether a permit has a limit of length.",
        "structure": "Near a structure: a road crossing lies 9 m away. Ask its owner.",
        "locate": "Have buried lines located before digging, for posts and trees too. The maps show beside it: dyke.",
        "design": "A qualified design is needed for any work on the bank: work on the face of a bank; the bank is 3.4 "
        f"m high; {STEP}; a bend of 2.1 widths' radius; a road crossing lies 9 m away; dyke beside it.",
    }
    assert "length" not in told({"measure": "look first"}, length_limit_m=200.0)


def test_the_window_is_the_users_own():
    rows = [
        {"stream": "tansy brook", "opens": "07-15", "closes": "09-30", "says": "trout"},
        {"opens": "11-1", "closes": "03-31"},
    ]
    look = {"measure": "look first"}
    words = "By your own table ([sites] windows) work in the water may be done from {}: ask if it holds."
    assert told(look, windows=rows)["window"] == words.format("07-15 to 09-30 (trout)")
    assert told(look | {"name": None}, windows=rows)["window"] == words.format("11-01 to 03-31")
    assert told(look | {"name": "Sorrel Run"}, windows=rows[:1])["window"].startswith("Ask when work in the water")
