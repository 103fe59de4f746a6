"""Layers that are likely wrong, and those near the border that are not: no false alarm."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
import shapely

from gisprio.contracts.findings import Finding
from gisprio.inputs.checks import check_inputs
from gisprio.inputs.config import read_settings
from gisprio.inputs.doubts import cover_year, edge_steps
from gisprio.inputs.project import read_inputs

X, Y0, Y1 = 500_300.0, 5_000_050.0, 5_000_550.0


def told(settings, check):
    """Give the findings of one check."""
    return [one for one in check_inputs(read_inputs(settings), settings) if one.check == check]


def beside(world, away_m, length_m=500.0):
    """Write the stream, and a line beside its lower end."""
    line = shapely.LineString([(X + away_m, Y0 + length_m), (X + away_m, Y0)])
    world.vector("streams.gpkg", [world.line(), line], code=["main", "other"])
    return world.settings(columns='streams.id = "code"')


def test_a_line_beside_another(world):
    assert told(beside(world, 29.0), "side_by_side") == [
        Finding(
            "warning", "streams", "side_by_side", "",
            "2 lines (1.0 of 1.0 km) with a line beside, under 30 m away: main, other. The strip of one holds the "
            "other: gaps between them and the drainage areas of both are uncertain.",
            "where they are the two banks of one stream, or copies of one line, draw its middle once.",
        )
    ]  # fmt: skip


@pytest.mark.parametrize(("away_m", "length_m"), [(31.0, 500.0), (20.0, 190.0)])
def test_lines_farther_than_the_setback_and_short_ones_are_no_doubles(world, away_m, length_m):
    assert told(beside(world, away_m, length_m), "side_by_side") == []


def test_a_line_that_joins_at_a_sharp_angle_is_no_double(world):
    world.vector("streams.gpkg", [world.line(), shapely.LineString([(X + 80, Y0 + 350), (X, Y0 + 50)])])
    assert told(world.settings(), "side_by_side") == []


def test_an_arm_that_the_data_call_minor_is_no_double(world):
    arm = shapely.LineString([(X, Y1), (X + 20, Y1 - 30), (X + 20, Y0 + 30), (X, Y0)])
    world.vector("streams.gpkg", [world.line(), arm], div=[1, 2])
    found = told(world.settings(columns='streams.divergence = "div"'), "side_by_side")
    assert [one.says.split(":")[0] for one in found] == ["1 line (0.5 of 1.0 km) with a line beside, under 30 m away"]


def test_a_lowland_stream_that_hardly_falls_is_no_contour(world):
    heights = np.broadcast_to(100 + 0.1 * np.abs(np.arange(60) - 29.5) * 10, (60, 60)).astype("float32")
    world.raster("dem.tif", heights)
    world.vector("streams.gpkg", [shapely.LineString([(X, Y0 + 549), (X, Y0)])])
    assert told(world.settings(), "level_lines") == []
    world.vector("streams.gpkg", [shapely.LineString([(X + 150, Y0 + 549), (X + 150, Y0)])])
    assert [one.says.split(":")[0] for one in told(world.settings(), "level_lines")] == [
        "1 line (0.5 of 0.5 km) along a slope with no more than 1 m of fall"
    ]


def test_cover_of_one_class(world):
    world.raster("cover.tif", np.full((120, 120), 2, "uint8"), cell_m=5.0)
    assert [one.says for one in told(world.settings(), "odd_cover")] == [
        "the ground within 30 m of the streams is 100 % pasture by the land cover: the legend may be that of another "
        "map, and then buffer widths, gaps and delivery are wrong everywhere."
    ]


def test_cover_without_a_class_that_counts(world):
    (world.folder / "legend.csv").write_text("code,name,cover\n1,a,herbaceous\n2,b,crop\n")
    assert [one.says for one in told(world.settings(), "odd_cover")] == [
        "the ground within 30 m of the streams is none of what counts (woody, wetland), most of it herbaceous (75 %) "
        "by the land cover: the legend may be that of another map, and then buffer widths, gaps and delivery are wrong "
        "everywhere."
    ]
    assert told(world.settings('[setback]\ncounts = ["herbaceous"]'), "odd_cover") == []


@pytest.mark.parametrize(
    ("legend", "year", "expected"),
    [("legend.csv", "", None), ("legend.csv", "year = 2014", 2014), ("worldcover-2021", "", 2021), ("nlcd", "", None)],
)
def test_year_of_the_cover(world, legend, year, expected):
    assert cover_year(world.settings(year, legend=legend)) == expected


@pytest.mark.parametrize(("year", "found"), [(2013, True), (2014, False)])
def test_cover_that_is_old_when_the_run_looks_back(world, year, found):
    world.config(f"year = {year}")
    path = world.folder / "world.toml"
    path.write_text(path.read_text().replace('output = "out"', 'output = "out"\nas_of = "2021-05-31"'))
    says = [one.says for one in told(read_settings(path), "old_cover")]
    expected = (
        "the land cover shows 2013, 8 years before 2021. Woods cut or planted since are not in it: buffer widths and "
        "gaps are those of then."
    )
    assert says == ([expected] if found else [])


def test_steps_at_the_edge_of_woods():
    """A wood 10 m high on a slope of 1 in 2 steps up by 10 m, on either side of it; the slope alone does not."""
    place = np.arange(14.0)
    woody = ((place >= 4) & (place < 10))[None, :]
    known = np.ones_like(woody)
    for crown in (10.0, 0.0):
        steps = edge_steps(0.5 * place[None, :] + crown * woody, woody, known)
        np.testing.assert_allclose(steps, [crown, crown])
    assert len(edge_steps(place[None, :], woody, known & (place != 3))) == 1  # one edge beside unknown cover


def test_wood_on_a_steeper_slope_than_the_pasture_below_has_no_crowns():
    place = np.arange(14.0)
    woody = (place >= 7)[None, :]
    height = np.where(place < 7, 0.0, 3.0 * (place - 6))[None, :]  # level, then 3 m a cell
    assert edge_steps(height, woody, np.ones_like(woody))[0] < 3.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[setback]\nwidth_m = 50\n[report]\nunits = "us"', "[setback] width_m = 50 is 164 ft; the key is in metres."),
        ('[setback]\nwidth_m = 30\n[report]\nunits = "us"', None),
        ('[setback]\nwidth_m = 45.72\n[report]\nunits = "us"', None),
        ("[setback]\nwidth_m = 50", None),
    ],
)
def test_a_setback_meant_in_feet(world, text, says):
    assert [one.says for one in told(world.settings(text), "setback_unit")] == ([says] if says else [])


def test_streams_mostly_outside_the_area_of_interest(world):
    world.vector("watershed.gpkg", [shapely.box(X - 200, Y0 + 300, X + 200, Y1)])
    found = told(world.settings(layers='watershed = "watershed.gpkg"'), "outside_watershed")
    assert [(one.layer, one.says) for one in found] == [
        ("streams", "60 % of the stream length lies outside [layers] watershed and is not ranked.")
    ]
    world.vector("watershed.gpkg", [shapely.box(X - 200, Y0 + 240, X + 200, Y1)])
    assert told(world.settings(layers='watershed = "watershed.gpkg"'), "outside_watershed") == []


@pytest.mark.parametrize(("unit", "found"), [("m", []), ("ft", ["vertical_unit"])])
def test_heights_in_feet_where_places_are_in_metres(world, unit, found):
    settings = world.settings(f'[dem]\nvertical_unit = "{unit}"')
    assert [one.check for one in read_inputs(settings).findings] == found


def test_a_band_that_names_its_unit(world):
    with rasterio.open(world.folder / "dem.tif", "r+") as file:
        file.units = ("US survey foot",)
    assert [one.says for one in read_inputs(world.settings()).findings] == [
        'dem.tif says its heights are in units of 0.3048 m; [dem] vertical_unit is "m".'
    ]
    assert read_inputs(world.settings('[dem]\nvertical_unit = "us-ft"')).findings == []
