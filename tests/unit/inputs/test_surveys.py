"""Surveys of a DEM: which files belong together, and how far the surveys lie above each other, by the whole text."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from pyproj import CRS, Transformer

from gisprio.inputs import surveys as surveys_module
from gisprio.inputs.channel import low_offsets, median_slope
from gisprio.inputs.paths import Place
from gisprio.inputs.project import read_inputs
from gisprio.inputs.raster_files import RasterFile, read_head
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.samples import points_along
from gisprio.inputs.surveys import find_surveys, offset_between

UTM = CRS.from_epsg(32633)
CROSSES = "No slope, step or section is measured across the seam, but water is routed over it."


def dem(*paths, unit_m=1.0, crs=UTM):
    heads = [read_head("dem", Place(str(path))) for path in paths]
    assert all(isinstance(head, RasterFile) for head in heads)
    return RasterSource(heads, crs, "heights", unit_m)


def part(world, name, west_m, east_m, lift, cell_m=5.0, north_m=600.0):
    """Write the valley's heights between two distances from its western edge, lifted."""
    values = world.heights(cell_m, lift)
    columns = slice(int(west_m / cell_m), int(east_m / cell_m))
    rows = slice(0, int(north_m / cell_m))
    return world.raster(name, values[rows, columns], cell_m=cell_m, x0=500_000.0 + west_m)


def said(heights):
    numbers, findings = find_surveys(heights)
    return numbers, [(finding.severity, finding.says, finding.do) for finding in findings]


def test_one_file_is_one_survey_without_a_word(world):
    assert find_surveys(dem(part(world, "a.tif", 0, 600, 0.0))) == ((0,), [])


@pytest.mark.parametrize(("lift", "way"), [(0.5, "above"), (-0.5, "below")])
def test_the_offset_of_a_fine_survey_over_a_coarse_one(world, lift, way):
    fine = part(world, "lidar.tif", 0, 350, lift, cell_m=2.0)
    coarse = world.raster("dem10.tif", world.heights())
    source = dem(fine, coarse)
    numbers, findings = find_surveys(source)
    assert numbers == (0, 1)
    assert len(findings) == 1
    assert findings[0].check == "dem_offset"
    assert f"lidar.tif lies 0.50 m {way} dem10.tif where they overlap" in findings[0].says
    offset = offset_between(source, [(0, 1)])
    assert offset.median_m == pytest.approx(lift, abs=1e-3)
    assert offset.spread_m < 0.01
    assert offset.cells == 32 * 32  # one window of the 35 x 60 cells they share


def test_the_whole_text_of_a_small_and_of_a_large_offset(world):
    coarse = world.raster("dem10.tif", world.heights())
    says = "lidar.tif lies 0.25 m above dem10.tif where they overlap (median of 1024 cells, spread 0.00 m). " + CROSSES
    world.raster("lidar.tif", world.heights(5.0, 0.25)[:64, :64], cell_m=5.0)
    small = dem(world.folder / "lidar.tif", coarse)
    assert said(small) == ((0, 1), [("note", says, "nothing to do.")])
    world.raster("lidar.tif", world.heights(5.0, 0.75)[:64, :64], cell_m=5.0)
    large = dem(world.folder / "lidar.tif", coarse)
    do = "check the vertical datum and the unit of both; bring them to one, or leave one of them out."
    assert said(large) == ((0, 1), [("warning", says.replace("0.25", "0.75"), do)])


def test_a_second_source_in_feet(world):
    world.raster("lidar.tif", world.heights(5.0)[:64, :64], cell_m=5.0)
    world.raster("dem10.tif", world.heights() / 0.3048)
    numbers, found = said(dem(world.folder / "lidar.tif", world.folder / "dem10.tif"))
    assert numbers == (0, 1)
    ((severity, says, do),) = found
    assert severity == "warning"
    assert says.startswith("lidar.tif lies 2")
    assert " m below dem10.tif where they overlap (median of 1024 cells, spread " in says
    assert says.endswith(f"Heights of dem10.tif are 3.28 times as large, as feet are to metres. {CROSSES}")
    assert do == "bring both to one unit; [dem] vertical_unit holds for all files."


def test_tiles_of_one_flight_are_one_survey(world):
    tiles = [part(world, f"t{n}.tif", 200 * n, min(200 * n + 250, 600), 0.0) for n in range(3)]
    beside = [part(world, "a.tif", 0, 300, 0.0), part(world, "b.tif", 300, 600, 7.0)]  # no cell in common
    assert find_surveys(dem(*tiles)) == ((0, 0, 0), [])
    assert find_surveys(dem(*beside)) == ((0, 0), [])


def test_a_tile_that_lies_higher_is_a_survey_of_its_own_and_named(world):
    tiles = [part(world, f"t{n}.tif", 200 * n, min(200 * n + 250, 600), 0.3 * (n == 1)) for n in range(3)]
    numbers, findings = find_surveys(dem(*tiles))
    assert numbers == (0, 1, 0)
    assert [finding.severity for finding in findings] == ["note"]
    assert findings[0].says.startswith("t0.tif and 1 more lie 0.30 m below t1.tif where they overlap")
    within = [part(world, f"t{n}.tif", 200 * n, min(200 * n + 250, 600), 0.05 * (n == 1)) for n in range(3)]
    assert find_surveys(dem(*within)) == ((0, 0, 0), [])


@pytest.mark.parametrize(("columns", "met"), [(0, 0), (4, 4 * 12)])
def test_too_small_an_overlap_says_that_it_is_not_known(world, columns, met):
    values = world.heights()
    world.raster("west.tif", world.heights(5.0)[:24, : 60 + 2 * columns], cell_m=5.0)
    world.raster("east.tif", values[:, 30:], x0=500_300.0)
    says = (
        f"how far west.tif lies above or below east.tif is not known: {met} common cells were met, 50 are needed. "
        + CROSSES
    )
    found = said(dem(world.folder / "west.tif", world.folder / "east.tif"))
    assert found == ((0, 1), [("note", says, "give files that overlap, to have it measured.")])


def test_surveys_far_apart_have_no_seam_and_no_finding(world):
    west, east = part(world, "w.tif", 0, 200, 0.0), part(world, "e.tif", 400, 600, 0.0, cell_m=10.0)
    assert find_surveys(dem(west, east)) == ((0, 1), [])


def test_a_thin_overlap_of_data_is_found_by_the_closer_look(world):
    """The boxes overlap, the data do so only in a strip 20 m wide that no window of the first look meets."""
    side = np.full((400, 400), 100.0, np.float32)
    one, other = side.copy(), side - 0.2
    one[:, 107:], other[:, :105] = np.nan, np.nan
    first = world.raster("a.tif", one, cell_m=10.0)
    second = world.raster("b.tif", other, cell_m=10.0, x0=500_005.0)
    numbers, findings = find_surveys(dem(first, second))
    assert numbers == (0, 1)
    assert "a.tif lies 0.20 m above b.tif" in findings[0].says


def test_an_overlap_in_another_system(world):
    """A plane in degrees over one in metres, 1.5 m lower."""
    step = 1 / 3600
    lon, lat = 14.99 + (np.arange(60) + 0.5) * step, 45.16 - (np.arange(60) + 0.5) * step
    x, y = Transformer.from_crs(4326, UTM, always_xy=True).transform(*np.meshgrid(lon, lat))
    values = 100 + 0.02 * (x - 500_000) + 0.03 * (y - 5_000_000) - 1.5
    coarse = world.raster("g.tif", values, cell_m=step, x0=14.99, y1=45.16, crs="EPSG:4326")
    x, y = np.meshgrid(500_000 + (np.arange(100) + 0.5) * 5, 5_000_600 - (np.arange(100) + 0.5) * 5)
    fine = world.raster("f.tif", 100 + 0.02 * (x - 500_000) + 0.03 * (y - 5_000_000), cell_m=5.0)
    source = dem(fine, coarse)
    assert offset_between(source, [(0, 1)]).median_m == pytest.approx(1.5, abs=1e-3)
    assert offset_between(source, [(1, 0)]).median_m == pytest.approx(-1.5, abs=1e-3)


def test_unit_of_height_counts(world):
    fine, coarse = part(world, "a.tif", 0, 300, 1.0), world.raster("b.tif", world.heights())
    assert offset_between(dem(fine, coarse, unit_m=0.3048), [(0, 1)]).median_m == pytest.approx(0.3048, abs=1e-3)


def test_only_windows_are_read(world, monkeypatch):
    big = np.zeros((3000, 3000), np.float32)
    source = dem(
        world.raster("a.tif", big, cell_m=0.5, tiled=True), world.raster("b.tif", big[:150, :150], cell_m=10.0)
    )
    sizes = []
    read = RasterSource.file_cells

    def counted(self, number, r0, r1, c0, c1):
        sizes.append((r1 - r0) * (c1 - c0))
        return read(self, number, r0, r1, c0, c1)

    monkeypatch.setattr(RasterSource, "file_cells", counted)
    find_surveys(source)
    assert max(sizes) <= (surveys_module.MOST_FINE_CELLS + 4) ** 2
    assert len(sizes) > 2


def test_many_offsets_are_told_in_one(world, monkeypatch):
    monkeypatch.setattr(surveys_module, "MOST_TOLD", 2)
    files = [part(world, f"f{n}.tif", 0, 600, lift, cell_m=cell) for n, (lift, cell) in enumerate(
        [(0.0, 5.0), (0.1, 10.0), (0.4, 15.0)]
    )]  # fmt: skip
    findings = find_surveys(dem(*files))[1]
    assert [finding.says.split(" where")[0] for finding in findings[:2]] == [
        "f0.tif lies 0.40 m below f2.tif", "f1.tif lies 0.30 m below f2.tif",
    ]  # fmt: skip
    assert findings[2].says == "1 more pairs of surveys of the DEM meet; none of them lies over 0.10 m apart."


def test_more_overlaps_of_tiles_than_are_looked_at_are_told(world, monkeypatch):
    monkeypatch.setattr(surveys_module, "MOST_TILE_PAIRS", 1)
    tiles = [part(world, f"t{n}.tif", 150 * n, min(150 * n + 200, 600), 0.0) for n in range(4)]
    numbers, found = said(dem(*tiles))
    says = (
        "2 overlaps between files of the DEM on one lattice were not compared, 1 were; what was not compared is taken "
        "for one survey."
    )
    assert numbers == (0, 0, 0, 0)
    assert found == [("note", says, "if they differ, put the files of each survey in one file.")]


def test_each_cell_of_a_window_says_its_survey(world):
    fine = world.heights(5.0)[:, :60]
    fine[0, 0] = np.nan
    first = world.raster("a.tif", fine, cell_m=5.0)
    second = world.raster("b.tif", world.heights()[:, :50])
    source = RasterSource(dem(first, second).files, UTM, "heights", surveys=(0, 1))
    grid, survey = source.surveyed_window((500_000, 5_000_000, 500_599, 5_000_600))
    assert survey.values.shape == grid.values.shape
    assert (survey.values[:, 60:100] == 1).all()
    assert survey.values[0, 0] == 1
    assert (survey.values[1:, :60] == 0).all()
    np.testing.assert_array_equal(survey.values == -1, np.isnan(grid.values))
    np.testing.assert_array_equal(grid.values, source.window((500_000, 5_000_000, 500_599, 5_000_600)).values)


def test_checks_of_the_ground_look_at_one_survey_alone(world):
    """A flat plain whose eastern part another survey puts 3 m lower, 20 m beside the stream."""
    fine = np.full((120, 64), 100.0, np.float32)
    source = dem(world.raster("a.tif", fine, cell_m=5.0), world.raster("b.tif", np.full((60, 60), 97.0, np.float32)))
    lines = np.array([world.line()])
    points = points_along(lines, 100.0)
    assert (np.abs(low_offsets(source, points)[0]) > 10).all()
    assert median_slope(source, points_along(lines, 500.0)) == 0.0
    parted = RasterSource(source.files, UTM, "heights", surveys=(0, 1))
    assert np.isnan(low_offsets(parted, points)[0]).all()
    west = points_along(np.array([world.line(500_200.0)]), 100.0)
    assert (low_offsets(parted, west)[1] == 0).all()


def test_no_slope_of_the_ground_is_taken_at_a_seam(world):
    """Strips of two surveys, two cells wide: only slopes that meet no seam count."""
    fine = np.full((60, 60), 100.0, np.float32)
    fine[:, np.arange(60) % 4 < 2] = np.nan
    files = dem(world.raster("a.tif", fine), world.raster("b.tif", np.full((60, 60), 90.0, np.float32))).files
    points = points_along(np.array([world.line()]), 500.0)
    assert median_slope(RasterSource(files, UTM, "heights"), points) == pytest.approx(0.5)
    assert median_slope(RasterSource(files, UTM, "heights", surveys=(0, 1)), points) == 0.0


def test_reading_the_layers_tells_the_offset(world):
    world.raster("dem.tif", world.heights())
    world.raster("lidar.tif", world.heights(5.0, 0.75)[:64, :64], cell_m=5.0)
    settings = world.settings()
    layers = settings.layers.model_copy(update={"dem": ("lidar.tif", "dem.tif")})
    with rasterio.Env():
        inputs = read_inputs(settings.model_copy(update={"layers": layers}))
    told = [finding for finding in inputs.findings if finding.check == "dem_offset"]
    assert [finding.severity for finding in told] == ["warning"]
    assert inputs.rasters["dem"].surveys == (0, 1)
    inputs.close()
