"""Findings of canopy and wetlands beside the stream; whole texts."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import box

from gisprio.contracts.findings import Finding
from gisprio.inputs.checks import check_inputs
from gisprio.inputs.project import read_inputs

X0, Y0, STREAM_X = 500_000.0, 5_000_000.0, 500_300.0
CANOPY = 'canopy = "canopy.tif"'


def checked(settings):
    return check_inputs(read_inputs(settings), settings)


def canopy(world, heights, cell_m=5.0, **where):
    world.raster("canopy.tif", np.asarray(heights, "float32"), cell_m=cell_m, nodata=-1, **where)
    return checked(world.settings(layers=CANOPY))


def trees(world):
    """20 m of canopy within 20 m of the stream."""
    return np.where(world.cover() == 1, 20.0, 0.0)


def test_a_sound_canopy_is_read_and_says_nothing(world):
    assert canopy(world, trees(world)) == []
    inputs = read_inputs(world.settings(layers=CANOPY))
    grid = inputs.rasters["canopy"].window((STREAM_X, Y0 + 301, STREAM_X + 3, Y0 + 303))
    assert grid.values.tolist() == [[20.0]]
    assert "canopy" in inputs.digests


def test_a_canopy_that_is_not_given_has_no_cells(world):
    inputs = read_inputs(world.settings())
    assert inputs.rasters["canopy"].shape == (0, 0)
    assert "canopy" not in inputs.digests


def test_a_canopy_coarser_than_the_land_cover(world):
    assert canopy(world, np.full((60, 60), 9.0), cell_m=10.0) == [
        Finding(
            "warning", "canopy", "too_coarse", "",
            "canopy: cells of 10 m, coarser than the land cover (5 m): not used.",
            "give a finer canopy, or leave it out.",
        )
    ]  # fmt: skip


def test_one_coarse_file_of_a_fine_canopy(world):
    world.raster("fine.tif", np.full((60, 120), 9.0, "float32"), cell_m=5.0, nodata=-1)
    world.raster("coarse.tif", np.full((60, 60), 9.0, "float32"), cell_m=10.0, nodata=-1)
    assert checked(world.settings(layers='canopy = ["fine.tif", "coarse.tif"]')) == [
        Finding(
            "warning", "canopy", "coarse_file", "",
            "canopy: coarse.tif is coarser than the land cover (5 m), and counts as if it were fine.",
            "leave that file out; the land cover then stands.",
        )
    ]  # fmt: skip


def test_a_canopy_away_from_the_stream(world):
    away = trees(world)
    away[:, 53:67] = -1  # no data to 35 m on both sides
    assert canopy(world, away) == [
        Finding(
            "warning", "canopy", "no_data", "",
            "canopy: no data within 30 m of the streams; it changes no result.",
            "check its extent and its coordinate system; or leave it out.",
        )
    ]  # fmt: skip


def test_a_canopy_that_shares_no_ground_with_the_dem(world):
    found = canopy(world, trees(world), x0=X0 + 9000.0)
    assert [(one.severity, one.layer, one.check) for one in found] == [("error", "canopy", "no_overlap")]


def test_a_canopy_on_one_side_of_the_stream(world):
    half = trees(world)
    half[:, 60:] = -1
    assert canopy(world, half) == [
        Finding(
            "note", "canopy", "partly_known", "",
            "canopy: known on 50% of the ground within 30 m of the streams.",
            "elsewhere the land cover stands: mind that banks are not judged alike, or give canopy for all of them.",
        )
    ]  # fmt: skip


def test_heights_of_no_tree(world):
    odd = trees(world)
    odd[:, 60] = 255.0  # 0 to 5 m east: one of the ten places across
    odd[:, 59] = -9999.0
    assert canopy(world, odd)[0] == Finding(
        "warning", "canopy", "impossible_height", "",
        "canopy: 20.0% of the heights beside the streams are no heights of trees (-2 to 120 m), taken as no data: "
        "-9999, 255.",
        "declare them as nodata in the file; where they are heights, check that they are in metres.",
    )  # fmt: skip


def test_heights_in_feet(world):
    assert canopy(world, trees(world) / 0.3048) == [
        Finding(
            "warning", "canopy", "unit", "",
            "canopy: 60.0% of the ground beside the streams has canopy above 60 m.",
            "check that heights are in metres, not feet; in feet, low scrub counts as woody: multiply them by 0.3048.",
        )
    ]  # fmt: skip


def test_a_coarse_land_cover_with_a_fine_canopy(world):
    world.raster("cover.tif", world.cover(12.0), cell_m=12.0)
    assert canopy(world, trees(world)) == [
        Finding(
            "warning", "land_cover", "woody_only", "",
            "the land cover shows nothing narrower than 12 m, which cannot measure a setback of 30 m: widths and gaps "
            "come from the canopy where it tells at least 80 % of the strip, elsewhere there is a coarse look only. "
            "What is not woody (use beside the bank, wetland, grass) stays coarse.",
            "get land cover of 10 m or finer if other cover than trees counts, or the use matters.",
        )
    ]  # fmt: skip


WETLANDS = 'wetlands = "wetlands.gpkg"'


@pytest.mark.parametrize(
    ("shape", "finding"),
    [
        (box(STREAM_X + 5, Y0 + 100, STREAM_X + 60, Y0 + 300), None),
        (box(STREAM_X - 5, Y0 + 50, STREAM_X + 60, Y0 + 250), None),  # 40 % of the stream flows through it
        (
            box(STREAM_X + 31, Y0 + 100, STREAM_X + 60, Y0 + 300),
            Finding(
                "warning", "wetlands", "away_from_streams", "",
                "wetlands: none lies within 30 m of the streams; the layer changes no result.",
                "check its extent and its coordinate system; or leave it out.",
            ),
        ),
        (
            box(STREAM_X - 5, Y0 + 50, STREAM_X + 5, Y0 + 350),
            Finding(
                "warning", "wetlands", "channel", "",
                "wetlands: 60% of the stream length lies inside them: the open channel may be among them.",
                "leave out the polygons of open water and channels, else the ground beside a channel counts as "
                "wetland.",
            ),
        ),
    ],
)  # fmt: skip
def test_wetlands_beside_the_stream(world, shape, finding):
    world.vector("wetlands.gpkg", [shape])
    settings = world.settings(layers=WETLANDS)
    assert checked(settings) == ([finding] if finding else [])
    assert read_inputs(settings).tables["wetlands"].geometry.area.tolist() == [pytest.approx(shape.area)]
