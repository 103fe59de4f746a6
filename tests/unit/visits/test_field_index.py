"""The field index of bank erosion hazard: the published table, its worked example, what is missing."""

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.visits.field_index import MATERIAL_ADDS, PARTS, field_index, hazard_class

EXAMPLE = {
    "bank_height_m": 1.6,
    "bankfull_height_m": 1.0,
    "root_depth_m": 0.48,
    "root_density_pct": 79.0,
    "bank_angle_deg": 61.0,
    "surface_protection_pct": 54.0,
    "material": "silt",
    "stratification": "none",
}
WORST = EXAMPLE | {"bank_height_m": 3.0, "root_depth_m": 0.0, "root_density_pct": 0.0, "bank_angle_deg": 120.0,
                   "surface_protection_pct": 0.0}  # fmt: skip
BEST = EXAMPLE | {"bank_height_m": 1.0, "root_depth_m": 1.5, "root_density_pct": 100.0, "bank_angle_deg": 0.0,
                  "surface_protection_pct": 100.0}  # fmt: skip


def index_of(**changed):
    """Give the row of the example with some of it changed."""
    return field_index(pd.DataFrame([EXAMPLE | changed])).iloc[0]


def test_the_worked_example_is_22_16_moderate_and_with_cobble_12_16_low():
    got = field_index(pd.DataFrame([EXAMPLE, EXAMPLE | {"material": "cobble"}]))
    assert got["field_hazard_index"].tolist() == pytest.approx([22.16, 12.16], abs=0.005)
    assert got["field_hazard_class"].tolist() == ["moderate", "low"]
    assert got["field_hazard_says"].isna().all()


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("height_ratio", (1.1, 1.5, 2.0, 2.8)),
        ("root_depth_ratio", (0.9, 0.5, 0.3, 0.15, 0.05)),
        ("root_density_pct", (80, 55, 30, 15, 5)),
        ("bank_angle_deg", (20, 60, 80, 90, 119)),
        ("surface_protection_pct", (80, 55, 30, 15, 10)),
    ],
)
def test_each_part_passes_through_the_class_edges_and_is_ten_beyond_the_last(key, values):
    part = next(part for part in PARTS if part.key == key)
    edges = [1.9, 5.9, 7.9, 9.0] if key == "height_ratio" else [1.9, 3.9, 5.9, 7.9, 9.0]
    assert part.index(np.array(values, float)).tolist() == pytest.approx(edges)
    outward = 1 if values[-1] > values[0] else -1
    assert part.index(np.array([values[-1] + outward * 1e-6])).tolist() == [10.0]
    assert np.isnan(part.index(np.array([np.nan]))).all()


def test_the_sum_runs_from_5_to_50_and_the_classes_follow_it():
    got = field_index(pd.DataFrame([BEST, WORST]))
    assert got["field_hazard_index"].tolist() == [5.0, 50.0]
    assert got["field_hazard_class"].tolist() == ["very low", "extreme"]


def test_material_and_layers_are_added():
    added = {name: index_of(material=name)["field_hazard_index"] - 22.16 for name in ("gravel", "sand", "clay")}
    assert added == pytest.approx({"gravel": 7.5, "sand": 10.0, "clay": 0.0}, abs=0.001)
    layers = [
        index_of(stratification=word)["field_hazard_index"] for word in ("above bankfull", "at or below bankfull")
    ]
    assert layers == pytest.approx([27.16, 32.16], abs=0.001)
    assert set(MATERIAL_ADDS) == {"bedrock", "boulders", "cobble", "gravel", "sand", "silt", "clay"}


def test_bedrock_is_always_very_low_and_boulders_always_low():
    rows = [row | {"material": name} for name in ("bedrock", "boulders") for row in (BEST, WORST)]
    got = field_index(pd.DataFrame(rows))
    assert got["field_hazard_class"].tolist() == ["very low", "very low", "low", "low"]
    assert got["field_hazard_index"].tolist() == [5.0, 9.5, 10.0, 19.5]


def test_a_missing_measure_leaves_it_null_and_is_told():
    got = index_of(root_density_pct=np.nan, material=None)
    assert np.isnan(got["field_hazard_index"])
    assert got["field_hazard_class"] is None
    assert got["field_hazard_says"] == "not seen: root density, material"
    assert index_of(bankfull_height_m=0.0)["field_hazard_says"] == "not seen: bank height over bankfull height"


def test_a_class_begins_at_its_printed_lower_end():
    got = hazard_class(np.array([5.0, 9.99, 10.0, 19.99, 20.0, 29.99, 30.0, 40.0, 45.0, 45.01, -5.0]))
    assert got.tolist() == ["very low", "very low", "low", "low", "moderate", "moderate", "high", "very high",
                            "very high", "extreme", "very low"]  # fmt: skip
