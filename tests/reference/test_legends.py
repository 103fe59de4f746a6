"""The shipped legends against what their open classifications say of themselves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio

from gisprio.contracts.words import COVERS, STREAM_KINDS
from gisprio.inputs.layers import fcode_kinds
from gisprio.inputs.legends import legend_names, read_legend

pytestmark = pytest.mark.reference

WORLDCOVER = [10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]
CORINE = [
    111, 112, 121, 122, 123, 124, 131, 132, 133, 141, 142, 211, 212, 213, 221, 222, 223, 231, 241, 242, 243, 244,
    311, 312, 313, 321, 322, 323, 324, 331, 332, 333, 334, 335, 411, 412, 421, 422, 423, 511, 512, 521, 522, 523,
]  # fmt: skip


def covers(name):
    table = read_legend(name, Path()).table
    return dict(zip(table["code"], table["cover"], strict=True))


def factors(name):
    table = read_legend(name, Path()).table
    return dict(zip(table["code"], table["c_factor"], strict=True))


def test_the_four_legends_are_there():
    assert {"worldcover-2021", "nlcd", "corine-2018", "aafc-aci"} <= set(legend_names())


@pytest.mark.parametrize(
    ("name", "width_m"), [("worldcover-2021", 10), ("nlcd", 30), ("corine-2018", 100), ("aafc-aci", 30)]
)
def test_narrowest_width(name, width_m):
    assert read_legend(name, Path()).min_width_m == width_m


@pytest.mark.parametrize("name", ["worldcover-2021", "nlcd", "corine-2018", "aafc-aci"])
def test_names_are_short_and_differ(name):
    table = read_legend(name, Path()).table
    names = table["name"].drop_duplicates() if name == "corine-2018" else table["name"]
    assert len(names) == (44 if name == "corine-2018" else len(table))
    assert names.str.len().between(3, 40).all()
    assert set(table["cover"]) <= set(COVERS)


def test_worldcover():
    assert sorted(covers("worldcover-2021")) == WORLDCOVER
    # no pasture class exists; mangroves are trees
    assert "pasture" not in covers("worldcover-2021").values()
    assert covers("worldcover-2021")[95] == "woody"
    assert covers("worldcover-2021")[90] == "wetland"


def test_nlcd():
    conterminous = {11, 12, 21, 22, 23, 24, 31, 41, 42, 43, 52, 71, 81, 82, 90, 95}
    assert set(covers("nlcd")) == conterminous | {51, 72, 73, 74}
    assert [covers("nlcd")[code] for code in (90, 95, 81, 82, 52)] == ["woody", "wetland", "pasture", "crop", "woody"]


def test_corine_rasters_and_polygons_mean_the_same():
    got = covers("corine-2018")
    assert sorted(got) == list(range(1, 45)) + CORINE
    assert [got[number] for number in range(1, 45)] == [got[code] for code in CORINE]
    assert got[231] == got[18] == "pasture"
    assert got[311] == got[23] == "woody"


def test_crop_inventory():
    got = covers("aafc-aci")
    assert got[122] == "pasture"
    assert {got[code] for code in (50, 200, 210, 220, 230)} == {"woody"}
    assert {got[code] for code in (80, 85)} == {"wetland"}
    assert {got[code] for code in got if 130 <= code < 200} == {"crop"}


def test_c_factors_are_the_published_european_means():
    """Panagos et al. 2015, Land Use Policy 48:38-50."""
    assert factors("corine-2018")[211] == 0.233
    assert factors("corine-2018")[221] == 0.3527
    assert factors("corine-2018")[231] == factors("nlcd")[81] == factors("aafc-aci")[122] == 0.0903
    assert factors("corine-2018")[321] == 0.0435
    assert factors("corine-2018")[311] == 0.0013
    assert factors("aafc-aci")[147] == 0.38
    assert factors("aafc-aci")[146] == 0.20


def test_fcodes_by_their_feature_type():
    """Types of the US hydrography standard: 460 stream, 336 canal or ditch, 428 pipe, 558 path, 334 connector."""
    expected = {"460": "natural", "336": "ditch", "428": "piped", "558": "natural", "334": "natural", "566": "tidal"}
    kinds = fcode_kinds()
    assert {code[:3] for code in kinds} == set(expected)
    assert all(kind == expected[code[:3]] for code, kind in kinds.items())
    assert set(kinds.values()) <= set(STREAM_KINDS)


def test_a_real_map_holds_no_code_the_legend_lacks(third_fork):
    with rasterio.open(third_fork / "landcover.tif") as file:
        codes = set(np.unique(file.read(1, masked=True).compressed()).tolist())
    assert len(codes) == 15
    assert codes <= set(covers("nlcd"))
