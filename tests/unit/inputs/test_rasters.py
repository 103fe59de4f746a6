from __future__ import annotations

import pickle
import threading

import numpy as np
import pytest
import rasterio
from pyproj import CRS, Transformer

from gisprio.compute.terrain import relief
from gisprio.compute.terrain.relief import lay_routing_grid
from gisprio.inputs.paths import Place
from gisprio.inputs.raster_files import RasterFile, read_head
from gisprio.inputs.rasters import NO_CODE, RasterSource, round_cell
from gisprio.inputs.warp import BLOCK, BlockCache, pick_bilinear, stretch_bilinear
from tables import settings as made_settings

UTM = CRS.from_epsg(32633)


def head(path) -> RasterFile:
    got = read_head("dem", Place(str(path)))
    assert isinstance(got, RasterFile)
    return got


def test_a_file_of_the_working_system_is_read_as_it_is(world):
    values = world.heights()
    source = RasterSource([head(world.raster("a.tif", values))], UTM, "heights")
    assert (source.lattice.x0, source.lattice.y0, source.lattice.cell_m) == (500_000.0, 5_000_600.0, 10.0)
    assert source.shape == (60, 60)
    grid = source.window((500_105, 5_000_105, 500_124, 5_000_136))
    assert (grid.row, grid.column) == (46, 10)
    assert (grid.values == values[46:50, 10:13]).all()


def test_windows_beyond_the_file_are_cut(world):
    source = RasterSource([head(world.raster("a.tif", world.heights()))], UTM, "heights")
    assert source.window((499_000, 5_000_590, 500_005, 5_009_000)).values.shape == (2, 1)
    assert source.window((0, 0, 10, 10)).values.size == 0


@pytest.mark.parametrize(("unit_m", "expected"), [(0.3048, 30.48), (1200 / 3937, 120_000 / 3937), (0.01, 1.0)])
def test_heights_come_in_metres(world, unit_m, expected):
    path = world.raster("a.tif", np.full((4, 4), 100, "int16"))
    grid = RasterSource([head(path)], UTM, "heights", unit_m).window((500_000, 5_000_590, 500_001, 5_000_599))
    assert grid.values.dtype == np.float32
    assert grid.values[0, 0] == np.float32(expected)


def test_scale_and_offset(world):
    path = world.raster("a.tif", np.full((4, 4), 1234, "int16"))
    with rasterio.open(path, "r+") as file:
        file.scales, file.offsets = (0.1,), (5.0,)
    grid = RasterSource([head(path)], UTM, "heights").window((500_000, 5_000_590, 500_001, 5_000_599))
    assert grid.values[0, 0] == np.float32(128.4)


def test_nodata_masks_nan_and_undeclared_nodata(world):
    values = world.heights()
    values[0, 0], values[0, 1], values[0, 2], values[0, 3] = -9999, np.nan, -32767, 1e20
    path = world.raster("a.tif", values, nodata=-9999)
    source = RasterSource([head(path)], UTM, "heights")
    grid = source.window((500_000, 5_000_591, 500_049, 5_000_599))
    assert np.isnan(grid.values[0]).tolist() == [True, True, True, True, False]
    assert source.impossible == {-32767.0: 1, float(np.float32(1e20)): 1}


def test_a_mask_band_counts(world):
    path = world.raster("a.tif", world.heights())
    mask = np.full((60, 60), 255, "uint8")
    mask[0, 1] = 0
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as file:
        file.write_mask(mask)
    grid = RasterSource([head(path)], UTM, "heights").window((500_000, 5_000_595, 500_025, 5_000_599))
    assert np.isnan(grid.values[0]).tolist() == [False, True, False]


def test_the_first_file_with_data_counts_and_the_lattice_is_the_finest(world):
    fine = np.full((20, 20), 50, "float32")
    fine[0, 0] = np.nan
    first = world.raster("fine.tif", fine, cell_m=1.0, x0=500_100.0, y1=5_000_500.0)
    second = world.raster("coarse.tif", world.heights(), cell_m=10.0)
    source = RasterSource([head(first), head(second)], UTM, "heights")
    assert source.lattice.cell_m == 1.0
    assert source.shape == (600, 600)
    grid = source.window((500_099.5, 5_000_498.5, 500_101.5, 5_000_499.5))
    # the coarse file drawn between its cells: 5 % across, 0.2 % along
    coarse = [[100 + 0.05 * (300 - x) + 0.002 * y for x in (99.5, 100.5, 101.5)] for y in (499.5, 498.5)]
    expected = np.array(coarse)
    expected[0, 2], expected[1, 1], expected[1, 2] = 50, 50, 50
    np.testing.assert_allclose(grid.values, expected, atol=2e-4)


def test_tiles_of_one_lattice_are_put_together_exactly(world):
    whole = world.heights()
    west = world.raster("w.tif", whole[:, :25])
    east = world.raster("e.tif", whole[:, 25:], x0=500_250.0)
    source = RasterSource([head(east), head(west)], UTM, "heights")
    assert (source.window((500_000, 5_000_000, 500_599, 5_000_599)).values == whole).all()
    assert source.lattice.x0 == 500_000.0


def geographic_plane(world, step=1 / 3600):
    """Heights that are a plane in degrees, so the truth at any place is known."""
    x0, y1 = 14.99, 45.16
    lon = x0 + (np.arange(200) + 0.5) * step
    lat = y1 - (np.arange(150) + 0.5) * step
    values = 100 + 500 * (lon[None, :] - x0) + 300 * (y1 - lat[:, None])
    return world.raster("g.tif", values, cell_m=step, x0=x0, y1=y1, crs="EPSG:4326")


def test_a_file_of_another_system_is_drawn_on_a_round_lattice(world):
    source = RasterSource([head(geographic_plane(world))], UTM, "heights")
    # one second is 30.9 m by 21.8 m here: sqrt(30.9 x 21.8) = 26.0
    assert source.lattice.cell_m == 26.0
    assert source.lattice.x0 % 26.0 == 0
    assert source.lattice.y0 % 26.0 == 0
    x, y = 500_800.0, 4_999_500.0
    grid = source.window((x, y, x + 500, y + 500))
    rows, columns = grid.values.shape
    r, c = np.meshgrid(np.arange(rows) + grid.row, np.arange(columns) + grid.column, indexing="ij")
    lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(*grid.lattice.centres(r, c))
    # a plane comes out of bilinear drawing as it went in, to the width of a float32 and the nodes between
    np.testing.assert_allclose(grid.values, 100 + 500 * (lon - 14.99) + 300 * (45.16 - lat), atol=2e-5)


@pytest.mark.parametrize("kind", ["heights", "classes"])
def test_a_cell_has_one_value_whatever_the_window(world, kind):
    rng = np.random.default_rng(5)
    values = rng.integers(0, 1000, (300, 300)).astype("float32" if kind == "heights" else "int32")
    path = world.raster("g.tif", values, cell_m=0.0001, x0=14.99, y1=45.16, crs="EPSG:4326")
    source = RasterSource([head(path)], UTM, kind)
    rows, columns = source.shape
    lattice = source.lattice
    whole = source.window(
        (lattice.x0, lattice.y0 - rows * lattice.cell_m, lattice.x0 + columns * lattice.cell_m, lattice.y0)
    ).values
    again = RasterSource([head(path)], UTM, kind)
    for _ in range(40):
        row, column = int(rng.integers(rows)), int(rng.integers(columns))
        x, y = lattice.x0 + (column + 0.5) * lattice.cell_m, lattice.y0 - (row + 0.5) * lattice.cell_m
        far = rng.uniform(0, 900, 4)
        grid = again.window((x - far[0], y - far[1], x + far[2], y + far[3]))
        one = grid.values[row - grid.row, column - grid.column]
        assert one.tobytes() == whole[row, column].tobytes()


def test_blocks_meet_without_a_seam(world):
    """A plane drawn over several blocks is one plane."""
    step = 0.00002
    lon, lat = 14.99 + (np.arange(900) + 0.5) * step, 45.16 - (np.arange(900) + 0.5) * step
    values = 100 + 5000 * (lon[None, :] - 14.99) + 3000 * (45.16 - lat[:, None])
    source = RasterSource(
        [head(world.raster("g.tif", values, cell_m=step, x0=14.99, y1=45.16, crs="EPSG:4326"))], UTM, "heights"
    )
    assert source.shape[0] > BLOCK
    x = source.lattice.x0 + 700.0
    grid = source.window(
        (
            x,
            source.lattice.y0 - (BLOCK + 20) * source.lattice.cell_m,
            x + 30,
            source.lattice.y0 - (BLOCK - 20) * source.lattice.cell_m,
        )
    )
    down = np.diff(grid.values.astype(float), axis=0)
    assert np.ptp(down) < 1e-3 * np.abs(down).max() + 4e-5


def test_classes_of_another_system_take_the_cell_they_lie_in(world):
    values = np.arange(100 * 100, dtype="int32").reshape(100, 100) + 300
    path = world.raster("g.tif", values, cell_m=0.001, x0=14.95, y1=45.2, crs="EPSG:4326", nodata=305)
    source = RasterSource([head(path)], UTM, "classes", region=(500_000, 5_000_000, 500_400, 5_000_400))
    grid = source.window((500_000, 5_000_000, 500_400, 5_000_400))
    assert grid.values.dtype == np.int32
    rows, columns = grid.values.shape
    r, c = np.meshgrid(np.arange(rows) + grid.row, np.arange(columns) + grid.column, indexing="ij")
    lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(*grid.lattice.centres(r, c))
    row, column = np.floor((45.2 - lat) / 0.001).astype(int), np.floor((lon - 14.95) / 0.001).astype(int)
    assert (grid.values == values[row, column]).all()
    # the lattice ends at the region, not at the file
    assert source.shape[0] * source.lattice.cell_m < 700


def test_nodata_of_another_system(world):
    values = np.full((50, 50), 7, "int32")
    values[:, :25] = 0
    path = world.raster("g.tif", values, cell_m=0.0001, x0=14.9975, y1=45.16, crs="EPSG:4326", nodata=0)
    source = RasterSource([head(path)], UTM, "classes")
    rows, columns = source.shape
    lattice = source.lattice
    grid = source.window(
        (lattice.x0, lattice.y0 - rows * lattice.cell_m, lattice.x0 + columns * lattice.cell_m, lattice.y0)
    )
    assert set(np.unique(grid.values)) == {NO_CODE, 7}
    assert grid.nodata == NO_CODE
    # degree 15 is x = 500 000 in this zone: west of it there is nothing
    x, _ = lattice.centres(np.zeros(columns, int), np.arange(columns))
    assert (grid.values[:, x < 500_000] == NO_CODE).all()


def test_sources_travel_and_reopen(world):
    source = RasterSource([head(geographic_plane(world))], UTM, "heights")
    box = (500_800.0, 4_999_500.0, 501_000.0, 4_999_700.0)
    first = source.window(box).values
    copy = pickle.loads(pickle.dumps(source))
    assert (copy.window(box).values == first).all()
    source.close()
    got = []
    thread = threading.Thread(target=lambda: got.append(source.window(box).values))
    thread.start()
    thread.join()
    assert (got[0] == first).all()


def test_the_cache_holds_no_more_than_its_bytes():
    cache = BlockCache(3 * 80)
    made = []

    def make(number):
        made.append(number)
        return np.zeros(10)

    for number in (1, 2, 3, 1, 4, 1, 2):
        cache.block((0, 0, number), lambda number=number: make(number))
    # 4 pushes out 2, the one used least recently; 1 stays
    assert made == [1, 2, 3, 4, 2]
    assert cache.bytes == 240


def test_round_cells():
    assert [round_cell(value) for value in (0.9984, 9.26, 27.76, 30.001, 304.8)] == [1.0, 9.3, 28.0, 30.0, 300.0]


@pytest.mark.parametrize("holes", [False, True])
def test_stretching_gives_what_picking_gives(holes):
    rng = np.random.default_rng(7)
    values, valid = rng.normal(100, 5, (9, 12)), np.ones((9, 12), bool)
    valid[rng.random((9, 12)) < 0.3 * holes] = False
    row, column = np.linspace(-0.7, 9.6, 83), np.linspace(-0.2, 12.9, 61)
    got, ok = stretch_bilinear(values, valid, row, column)
    wanted, wanted_ok = pick_bilinear(values, valid, *np.meshgrid(row, column, indexing="ij"))
    np.testing.assert_array_equal(ok, wanted_ok)
    np.testing.assert_allclose(got[ok], wanted[ok], rtol=1e-13)
    assert (ok.all(), ok.any()) == (False, True)


def test_a_coarser_file_of_the_same_system_reads_alike_through_any_window(world):
    rng = np.random.default_rng(8)
    fine = world.raster("fine.tif", np.zeros((3, 3), "float32"), cell_m=1.0, x0=500_000.0, y1=5_000_000.0)
    coarse = world.raster(
        "coarse.tif", rng.normal(100, 5, (20, 20)).astype("float32"), cell_m=7.0, x0=500_001.3, y1=4_999_998.1
    )
    source = RasterSource([head(fine), head(coarse)], UTM, "heights", surveys=(0, 1))
    assert source.survey_cells_m == (1.0, 7.0)
    whole = source.window((499_990.0, 4_999_800.0, 500_200.0, 5_000_010.0))
    part = source.window((500_031.5, 4_999_911.5, 500_077.5, 4_999_950.5))
    rows = slice(part.row - whole.row, part.row - whole.row + part.values.shape[0])
    columns = slice(part.column - whole.column, part.column - whole.column + part.values.shape[1])
    np.testing.assert_array_equal(part.values, whole.values[rows, columns])
    assert np.isfinite(part.values).all()


def routing_grids(world, fine_x0, surveys=(0, 1)):
    """Routing grids of 1 m heights, 40 m square, before rough ones of 10 m."""
    rough = np.random.default_rng(8).normal(100, 5, (60, 60)).astype("float32")
    rough[30, 30] = np.nan
    fine = world.raster("fine.tif", np.full((40, 40), 50, "float32"), cell_m=1.0, x0=fine_x0, y1=5_000_500.0)
    files = [head(fine), head(world.raster("rough.tif", rough))]
    grids = lay_routing_grid({}, {"dem": RasterSource(files, UTM, "heights", surveys=surveys)}, made_settings())
    return rough, grids


def test_cells_of_a_coarse_file_that_are_blocks_of_the_lattice_go_into_the_routing_grid_as_they_are(world):
    rough, grids = routing_grids(world, 500_100.0)
    want = rough.copy()
    want[10:14, 10:14] = 50.0
    for name in ("elevation", "lowest"):
        np.testing.assert_array_equal(grids[name].values, want)
    assert (grids["survey"].values == 0).sum() == 16


def test_a_cell_that_the_fine_file_covers_in_part_is_its_own_where_the_fine_one_has_less(world):
    rough, grids = routing_grids(world, 500_096.0)  # 4 of 10 columns of the cells 90 to 100 m
    want = rough.copy()
    want[10:14, 10:13] = 50.0
    want[10:14, 13] = 50.0  # 6 of 10 columns
    np.testing.assert_array_equal(grids["elevation"].values, want)


def test_strips_change_nothing_of_cells_that_are_taken_as_they_are(world, monkeypatch):
    _, whole = routing_grids(world, 500_100.0)
    monkeypatch.setattr(relief, "STRIP_CELLS", 13_000)  # two rows of blocks
    np.testing.assert_array_equal(routing_grids(world, 500_100.0)[1]["elevation"].values, whole["elevation"].values)


def test_cells_beside_the_blocks_of_the_lattice_are_means_of_what_is_drawn_between_them(world):
    rough = np.random.default_rng(8).normal(100, 5, (60, 60)).astype("float32")
    fine = world.raster("fine.tif", np.full((40, 40), 50, "float32"), cell_m=1.0, x0=500_100.0, y1=5_000_500.0)
    beside = world.raster("rough.tif", rough, x0=500_003.0)
    wider = world.raster("wider.tif", np.full((62, 62), 1, "float32"), x0=500_000.0, y1=5_000_610.0)
    files = [head(fine), head(beside), head(wider)]
    source = RasterSource(files, UTM, "heights", surveys=(0, 1, 2))
    grid = lay_routing_grid({}, {"dem": source}, made_settings())["elevation"]
    assert (grid.values[2:58, 2:9] != rough[1:57, 2:9]).all()
