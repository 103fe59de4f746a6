"""What is known of raster files from earlier runs: trusted by size and date, kept whole or not at all."""

from __future__ import annotations

import json
import os
import pickle
import time
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from gisprio.contracts.errors import InputError
from gisprio.inputs import digests, raster_files
from gisprio.inputs.box_tree import FEW, BoxTree, keep_trees
from gisprio.inputs.digests import raster_digest
from gisprio.inputs.paths import Place
from gisprio.inputs.project import read_inputs
from gisprio.inputs.raster_files import RasterFile
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.surveys import find_surveys
from gisprio.inputs.tile_index import TileIndex

UTM = CRS.from_epsg(32633)
LONG_AGO = 1_500_000_000


def tiles(world, count: int, columns: int = 8, **profile) -> list[Place]:
    """Write tiles of 10 x 10 cells side by side, of an old date; their value is their number."""
    places = []
    for number in range(count):
        row, column = divmod(number, columns)
        values = np.full((10, 10), number, "float32")
        path = world.raster(
            f"tile_{number:03}.tif", values, 1.0, 500_000.0 + 10 * column, 5_000_600.0 - 10 * row, **profile
        )
        places.append(Place(str(path)))
    age(world.folder)
    return places


def age(folder) -> None:
    for path in folder.iterdir():
        os.utime(path, (LONG_AGO, LONG_AGO))


@pytest.fixture
def read(monkeypatch):
    """Count what is opened by rasterio, and whose bytes are read."""
    seen: list[str] = []
    opens, digest = rasterio.open, digests._bytes_digest.__wrapped__

    def opened(path, *args, **kwargs):
        seen.append(f"open {os.path.basename(str(path))}")
        return opens(path, *args, **kwargs)

    def digested(path, *args):
        if not path.endswith(".py"):
            seen.append(f"read {os.path.basename(path)}")
        return digest(path, *args)

    monkeypatch.setattr(rasterio, "open", opened)
    monkeypatch.setattr(digests, "_bytes_digest", digested)
    return seen


def all_digests(index: TileIndex, places) -> list[str]:
    heads = [index.head("dem", place) for place in places]
    assert all(isinstance(head, RasterFile) for head in heads)
    return [raster_digest([head], digest=index.digest) for head in heads]


def test_what_did_not_change_is_neither_opened_nor_read(world, tmp_path, read):
    places = tiles(world, 3)
    read.clear()
    index = TileIndex(tmp_path / "index")
    first = all_digests(index, places)
    heads = [index.head("dem", place) for place in places]
    assert len(read) == 6
    index.keep()
    read.clear()
    again = TileIndex(tmp_path / "index")
    assert all_digests(again, places) == first
    assert [again.head("dem", place) for place in places] == heads
    assert read == []


def test_a_changed_tile_alone_is_read_again(world, tmp_path, read):
    places = tiles(world, 3)
    index = TileIndex(tmp_path / "index")
    first = all_digests(index, places)
    index.keep()
    with rasterio.open(places[1].path, "r+") as file:
        file.write(np.full((10, 10), 77, "float32"), 1)
    os.utime(places[1].path, (LONG_AGO + 1, LONG_AGO + 1))
    read.clear()
    second = all_digests(TileIndex(tmp_path / "index"), places)
    assert [one == other for one, other in zip(first, second, strict=True)] == [True, False, True]
    assert read == ["open tile_001.tif", "read tile_001.tif"]


def test_a_file_changed_twice_at_one_date_is_not_trusted(world, tmp_path):
    """Two edits in one tick of the clock: same size, same date, other bytes."""
    (place,) = tiles(world, 1)
    now = time.time_ns()
    os.utime(place.path, ns=(now, now))
    index = TileIndex(tmp_path / "index")
    first = index.digest(place.path)
    index.keep()
    content = Path(place.path).read_bytes()
    Path(place.path).write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    os.utime(place.path, ns=(now, now))
    digests._bytes_digest.cache_clear()
    assert TileIndex(tmp_path / "index").digest(place.path) != first


def test_a_file_beside_that_comes_later_counts(world, tmp_path):
    (place,) = tiles(world, 1)
    index = TileIndex(tmp_path / "index")
    assert index.head("dem", place).nodata is None
    index.keep()
    aux = "<PAMDataset><PAMRasterBand band='1'><NoDataValue>7</NoDataValue></PAMRasterBand></PAMDataset>"
    (world.folder / "tile_000.tif.aux.xml").write_text(aux)
    age(world.folder)
    assert TileIndex(tmp_path / "index").head("dem", place).nodata == 7


@pytest.mark.parametrize("spoil", ["cut", "format", "word"])
def test_an_index_that_is_not_as_it_was_written_is_not_used(world, tmp_path, read, spoil):
    places = tiles(world, 2)
    index = TileIndex(tmp_path / "index")
    first = all_digests(index, places)
    index.keep()
    path = tmp_path / "index" / "files.json"
    assert sorted(os.listdir(tmp_path / "index")) == ["files.json"]
    text = path.read_text()
    spoilt = {
        "cut": text[: len(text) // 2],
        "format": text.replace('"format": 1', '"format": 0'),
        "word": text.replace(first[0][:8], "0" * 8).replace('"rows": 10', '"rows": 11', 1),
    }
    path.write_text(spoilt[spoil])
    read.clear()
    assert all_digests(TileIndex(tmp_path / "index"), places) == first
    assert len([one for one in read if one.startswith("open")]) == 2


def test_files_no_longer_asked_for_leave_the_index(world, tmp_path):
    places = tiles(world, 3)
    for asked in (places, places[:1]):
        index = TileIndex(tmp_path / "index")
        all_digests(index, asked)
        index.keep()
    kept = json.loads((tmp_path / "index" / "files.json").read_text().splitlines()[1])
    assert list(kept["digests"]) == [places[0].path]
    assert list(kept["heads"]) == [f"{places[0].path}|"]


def test_second_reading_of_a_project_opens_nothing(world, tmp_path, read):
    tiles(world, 20)
    settings = world.settings()
    settings = settings.model_copy(
        update={"layers": settings.layers.model_copy(update={"dem": ("dem.tif", "tile_*.tif")})}
    )
    age(world.folder)
    first = read_inputs(settings, tmp_path / "index")
    assert "open tile_000.tif" in read
    assert not (tmp_path / "index").exists()  # nothing is written before it is asked for
    first.remember()
    read.clear()
    second = read_inputs(settings, tmp_path / "index")
    assert read == []
    assert (second.digests, second.findings) == (first.digests, first.findings)
    assert second.rasters["dem"].surveys == first.rasters["dem"].surveys
    assert len(os.listdir(tmp_path / "index" / "trees")) == 1


def vrt(path, sources) -> Place:
    """Write a virtual raster over tiles of 10 x 10 cells in a row."""
    parts = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="10" ySize="10"/><DstRect xOff="{10 * n}" yOff="0" xSize="10" ySize="10"/>'
        "</SimpleSource>"
        for n, name in enumerate(sources)
    )
    path.write_text(
        f'<VRTDataset rasterXSize="{10 * len(sources)}" rasterYSize="10"><SRS>EPSG:32633</SRS>'
        "<GeoTransform>500000,1,0,5000600,0,-1</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{parts}</VRTRasterBand></VRTDataset>'
    )
    os.utime(path, (LONG_AGO, LONG_AGO))
    return Place(str(path))


@pytest.mark.parametrize("nested", [False, True])
def test_sources_of_a_virtual_raster_belong_to_its_digest(world, tmp_path, nested):
    places = tiles(world, 3)
    place = vrt(world.folder / "all.vrt", [Place.name.fget(one) for one in places])
    if nested:
        place = vrt(world.folder / "outer.vrt", ["all.vrt"])
    index = TileIndex(tmp_path / "index")
    (first,) = all_digests(index, [place])
    index.keep()
    assert all_digests(TileIndex(tmp_path / "index"), [place]) == [first]
    with rasterio.open(places[2].path, "r+") as file:
        file.write(np.full((10, 10), 5, "float32"), 1)
    assert all_digests(TileIndex(tmp_path / "index"), [place]) != [first]


def test_a_virtual_raster_with_a_source_that_is_not_there(world, tmp_path, message):
    tiles(world, 1)
    place = vrt(world.folder / "all.vrt", ["tile_000.tif", "gone.tif"])
    index = TileIndex(tmp_path / "index")
    (first,) = all_digests(index, [place])
    source = RasterSource([index.head("dem", place)], UTM, "heights")
    assert source.window((500_001, 5_000_591, 500_009, 5_000_599)).values.max() == 0
    assert message(InputError, source.window, (500_011, 5_000_591, 500_019, 5_000_599)) == (
        f"InputError: all.vrt is made of files that are not there: {world.folder}/gone.tif.\n"
        "  Wanted: all the files it names, at least where the run reads it.\n"
        "  Do: put them back, or build it again without them."
    )
    index.keep()
    world.raster("gone.tif", np.full((10, 10), 9, "float32"), 1.0, 500_010.0)
    age(world.folder)
    assert all_digests(TileIndex(tmp_path / "index"), [place]) != [first]


def test_a_raster_in_an_archive_changes_with_the_archive(world, tmp_path):
    (tile,) = tiles(world, 1)
    place = Place(f"/vsizip/{world.folder}/packed.zip/tile_000.tif")
    seen = []
    for value in (1, 2):
        with rasterio.open(tile.path, "r+") as file:
            file.write(np.full((10, 10), value, "float32"), 1)
        with zipfile.ZipFile(world.folder / "packed.zip", "w") as packed:
            packed.write(tile.path, "tile_000.tif")
        seen += all_digests(TileIndex(tmp_path / "index"), [place])
    assert seen[0] != seen[1]


def test_cloud_optimised_file_of_many_blocks(world):
    path = world.folder / "cloud.tif"
    values = np.arange(600 * 600, dtype="float32").reshape(600, 600) / 100
    transform = rasterio.Affine(1, 0, 500_000, 0, -1, 5_000_600)
    with rasterio.open(
        path, "w", driver="COG", height=600, width=600, count=1, dtype="float32", crs="EPSG:32633",
        transform=transform, blocksize=256, overview_resampling="average",
    ) as file:  # fmt: skip
        file.write(values, 1)
    head = TileIndex().head("dem", Place(str(path)))
    assert head.block == (256, 256)
    got = RasterSource([head], UTM, "heights").window((500_200.5, 5_000_300.5, 500_300.5, 5_000_400.5))
    np.testing.assert_array_equal(got.values, values[199:300, 200:301])


def boxes(count: int) -> list[tuple[float, float, float, float]]:
    """Boxes of 10 x 10, 100 in a row, each over its neighbours' edges."""
    rows, columns = np.divmod(np.arange(count), 100)
    return [
        (9.0 * c, 9.0 * r, 9.0 * c + 10, 9.0 * r + 10) for r, c in zip(rows.tolist(), columns.tolist(), strict=True)
    ]


@pytest.mark.parametrize("kept", [False, True])
@pytest.mark.parametrize("count", [FEW - 1, 1000])
def test_boxes_near_a_window_are_those_of_a_look_at_all(tmp_path, kept, count):
    given = [None, *boxes(count)]
    if kept:
        keep_trees([BoxTree(given, tmp_path / "trees")])
        assert len(list(tmp_path.glob("trees/*"))) == (count > FEW)
    tree = BoxTree(given, tmp_path / "trees")
    rng = np.random.default_rng(5)
    for x, y, w, h in np.column_stack([rng.uniform(-20, 920, (50, 2)), rng.uniform(0, 60, (50, 2))]).tolist():
        near = [
            n for n, box in enumerate(given) if box is not None
            and box[0] <= x + w + 2 and x <= box[2] + 2 and box[1] <= y + h + 2 and y <= box[3] + 2
        ]  # fmt: skip
        assert tree.near((x, y, x + w, y + h), 2.0) == near
    tree.close()


def test_a_window_asks_only_boxes_that_are_near(monkeypatch):
    from gisprio.inputs import box_tree

    asked, touch = [], box_tree._touch
    monkeypatch.setattr(box_tree, "_touch", lambda *args: asked.append(1) or touch(*args))
    assert len(BoxTree(boxes(3000)).near((100.0, 100.0, 120.0, 120.0), 2.0)) == 16
    assert len(asked) <= 20


def test_a_tree_goes_to_a_worker_without_its_handle(tmp_path):
    tree = BoxTree(boxes(500), tmp_path)
    tree.keep()
    expected = tree.near((5.0, 5.0, 30.0, 30.0), 1.0)
    assert len(pickle.dumps(tree)) < 40_000
    there = pickle.loads(pickle.dumps(tree))
    assert there.near((5.0, 5.0, 30.0, 30.0), 1.0) == expected


@pytest.mark.parametrize("spoil", ["tree.dat", "tree.idx", "sums.json"])
def test_a_torn_tree_is_not_used_and_closing_changes_nothing_kept(tmp_path, spoil):
    tree = BoxTree(boxes(500), tmp_path)
    tree.keep()
    before = {path.name: path.read_bytes() for path in tree.place.iterdir()}
    opened = BoxTree(boxes(500), tmp_path)
    expected = opened.near((5.0, 5.0, 30.0, 30.0), 1.0)
    opened.close()
    assert {path.name: path.read_bytes() for path in tree.place.iterdir()} == before
    path = tree.place / spoil
    path.write_bytes(before[spoil][: len(before[spoil]) // 2])
    assert BoxTree(boxes(500), tmp_path).near((5.0, 5.0, 30.0, 30.0), 1.0) == expected
    BoxTree(boxes(500), tmp_path).keep()
    assert {path.name: path.read_bytes() for path in tree.place.iterdir()} == before


def test_trees_of_other_boxes_are_dropped(tmp_path):
    keep_trees([BoxTree(boxes(100), tmp_path)])
    other = BoxTree(boxes(101), tmp_path)
    keep_trees([other])
    assert list(tmp_path.iterdir()) == [other.place]


def test_bytes_gdal_keeps_are_those_wanted_while_it_reads(world, monkeypatch):
    from rasterio._env import get_gdal_config

    (place,) = tiles(world, 1)
    source = RasterSource([TileIndex().head("dem", place)], UTM, "heights")
    found, numbers = [], RasterSource._heights

    def heights(self, *args):
        found.append((get_gdal_config("GDAL_CACHEMAX"), get_gdal_config("GDAL_HTTP_TIMEOUT")))
        return numbers(self, *args)

    monkeypatch.setattr(RasterSource, "_heights", heights)
    source.window((500_001, 5_000_591, 500_009, 5_000_599))
    assert found == [(64 * 2**20, 60)]
    assert raster_files.GDAL_CACHE_BYTES == 64 * 2**20


def test_datasets_kept_open_are_bounded(world, monkeypatch):
    from gisprio.inputs import rasters

    monkeypatch.setattr(rasters, "_MOST_OPEN", 4)
    places = tiles(world, 24)
    index = TileIndex()
    source = RasterSource([index.head("dem", place) for place in places], UTM, "heights")
    grid = source.window((500_000, 5_000_500, 500_100, 5_000_600))
    assert np.unique(grid.values[~np.isnan(grid.values)]).tolist() == list(range(24))
    assert len(source._opened) == 4
    source.close()


def test_tiles_side_by_side_are_no_overlaps_left_out(world, monkeypatch):
    from gisprio.inputs import surveys

    monkeypatch.setattr(surveys, "MOST_TILE_PAIRS", 2)
    index = TileIndex()
    source = RasterSource([index.head("dem", place) for place in tiles(world, 24)], UTM, "heights")
    assert find_surveys(source) == ((0,) * 24, [])


def test_many_torn_tiles_are_told_together(world, message):
    tiles(world, 30)
    for number in range(3, 20):
        (world.folder / f"tile_{number:03}.tif").write_bytes(b"II*\0torn")
    settings = world.settings()
    layers = settings.layers.model_copy(update={"dem": ("tile_*.tif",)})
    assert message(InputError, read_inputs, settings.model_copy(update={"layers": layers})) == (
        "InputError: [layers] dem: tile_003.tif cannot be read as a raster. The same holds for 16 more files: "
        "tile_004.tif, tile_005.tif, tile_006.tif, tile_007.tif and 12 more.\n"
        "  Wanted: a raster that GDAL reads, such as GeoTIFF.\n"
        "  Do: open it in your GIS to see whether it is whole, and save it as GeoTIFF."
    )


def test_one_torn_tile_of_many_is_named(world, message):
    tiles(world, 30)
    (world.folder / "tile_017.tif").write_bytes(b"II*\0torn")
    settings = world.settings()
    layers = settings.layers.model_copy(update={"dem": ("tile_*.tif",)})
    assert message(InputError, read_inputs, settings.model_copy(update={"layers": layers})) == (
        "InputError: [layers] dem: tile_017.tif cannot be read as a raster.\n"
        "  Wanted: a raster that GDAL reads, such as GeoTIFF.\n"
        "  Do: open it in your GIS to see whether it is whole, and save it as GeoTIFF."
    )


def test_tiles_that_say_no_data_each_in_its_own_way(world):
    left = np.full((10, 10), 1, "float32")
    right, left[:, 5:] = left + 1, -1.0
    first = world.raster("a.tif", left, 1.0, nodata=-1.0)
    second = world.raster("b.tif", np.where(np.arange(10) < 5, -32768.0, right).astype("float32"), 1.0, nodata=-32768.0)
    index = TileIndex()
    source = RasterSource([index.head("dem", Place(str(path))) for path in (first, second)], UTM, "heights")
    grid = source.window((500_000.5, 5_000_590.5, 500_009.5, 5_000_599.5))
    np.testing.assert_array_equal(grid.values, np.repeat([[1.0] * 5 + [2.0] * 5], 10, axis=0))


class Decoder:
    """Counts how often GDAL would decode each block of each file, from the windows asked of it and what it keeps."""

    def __init__(self, monkeypatch, cells: int) -> None:
        self.decoded: dict[tuple[int, int, int], int] = {}
        self.kept: dict[tuple[int, int, int], int] = {}
        read = RasterSource._read

        def counted(source, number, row0, row1, column0, column1):
            file = source.files[number]
            rows, columns = file.block
            for row in range(max(row0, 0) // rows, -(-min(row1, file.rows) // rows)):
                for column in range(max(column0, 0) // columns, -(-min(column1, file.columns) // columns)):
                    self.take((number, row, column), rows * columns, cells)
            return read(source, number, row0, row1, column0, column1)

        monkeypatch.setattr(RasterSource, "_read", counted)

    def take(self, block, size, most) -> None:
        if self.kept.pop(block, None) is None:
            self.decoded[block] = self.decoded.get(block, 0) + 1
        self.kept[block] = size
        while sum(self.kept.values()) > most:
            del self.kept[next(iter(self.kept))]


@pytest.fixture
def wide(world) -> list[Place]:
    """Two files of 64 x 512 and 64 x 480 cells of 1 m, one above the other, in blocks of 16 x 16; a hole in each."""
    chance = np.random.default_rng(4)
    places = []
    for number, columns in enumerate((512, 480)):
        values = chance.uniform(100, 200, (64, columns)).astype("float32")
        values[20:30, 100:140] = np.nan
        path = world.raster(
            f"w{number}.tif", values, 1.0, 500_000.0, 5_000_600.0 - 64 * number,
            tiled=True, blockxsize=16, blockysize=16,
        )  # fmt: skip
        places.append(Place(str(path)))
    return places


def test_heights_are_read_in_panels_and_each_block_is_decoded_once(wide, monkeypatch):
    from gisprio.compute.terrain import relief
    from gisprio.inputs import rasters

    monkeypatch.setattr(relief, "STRIP_CELLS", 2000)
    heads = [TileIndex().head("dem", place) for place in wide]
    source = RasterSource(heads, UTM, "heights", surveys=(0, 1))
    decoder = Decoder(monkeypatch, cells=4096)
    whole = relief.block_means(source, 10)
    blocks = 4 * (32 + 30)
    assert len(decoder.decoded) == blocks
    assert sum(decoder.decoded.values()) > 2 * blocks  # a whole row of blocks is not kept
    monkeypatch.setattr(rasters, "_PANEL_CELLS", 170)
    assert source.panel_columns(10) == 160
    decoder = Decoder(monkeypatch, cells=4096)
    panels = relief.block_means(source, 10)
    assert (len(decoder.decoded), sum(decoder.decoded.values())) == (blocks, blocks)
    for one, other in zip(panels, whole, strict=True):
        assert one.lattice == other.lattice
        np.testing.assert_array_equal(one.values, other.values)


def test_heights_of_a_coarse_file_are_the_same_in_panels(wide, world, monkeypatch):
    """A file whose cells are blocks of the fine ones is taken as it is, at the place where it lies."""
    from gisprio.compute.terrain import relief
    from gisprio.inputs import rasters

    values = np.random.default_rng(6).uniform(300, 400, (30, 70)).astype("float32")
    coarse = Place(str(world.raster("coarse.tif", values, 10.0, 500_000.0, 5_000_600.0)))
    heads = [TileIndex().head("dem", place) for place in (wide[0], coarse)]
    source = RasterSource(heads, UTM, "heights", surveys=(0, 1))
    whole = relief.block_means(source, 10)
    np.testing.assert_array_equal(whole[0].values[7:, :], values[7:, :])
    monkeypatch.setattr(rasters, "_PANEL_CELLS", 160)
    monkeypatch.setattr(relief, "STRIP_CELLS", 2000)
    for one, other in zip(relief.block_means(source, 10), whole, strict=True):
        np.testing.assert_array_equal(one.values, other.values)


def test_a_file_in_long_rows_is_read_in_long_rows(world):
    path = world.raster("rows.tif", np.zeros((4, 20_000), "float32"), 1.0)
    source = RasterSource([TileIndex().head("dem", Place(str(path)))], UTM, "heights")
    assert source.panel_columns(10) == 20_000


def test_a_run_keeps_the_index_in_its_store_and_a_fresh_one_trusts_none(world, monkeypatch):
    from gisprio.inputs import tile_index
    from gisprio.run import engine

    jobs = []
    monkeypatch.setattr(engine, "run_job", lambda job: jobs.append(job) or SimpleNamespace(files=[]))
    age(world.folder)
    opened, facts = [], tile_index.read_facts
    monkeypatch.setattr(tile_index, "read_facts", lambda *args: opened.append(args[1].name) or facts(*args))
    index = world.folder / "out" / ".gisprio" / "index" / "files.json"
    counts = []
    for fresh in (False, False, True):
        engine.run(world.settings(), fresh=fresh)
        assert index.is_file()
        assert jobs[-1].inputs.digests["dem"] == read_inputs(world.settings()).digests["dem"]
        counts.append(opened.count("dem.tif") - 1)  # one is of the reading without an index
        opened.clear()
    assert counts == [1, 0, 1]


def test_a_run_that_is_refused_leaves_no_folder(world):
    from gisprio.run import engine

    (world.folder / "dem.tif").write_bytes(b"II*\0torn")
    with pytest.raises(InputError):
        engine.run(world.settings())
    assert not (world.folder / "out").exists()


@pytest.mark.parametrize("nodata", [-9999.0, -32768.0, -3.4028234663852886e38, 1e20])
def test_no_data_far_from_land_is_what_gdal_takes_for_it(world, nodata):
    """GDAL takes the nearest neighbours of a number of single precision for the number itself."""
    near = [np.float32(nodata)]
    for _ in range(8):
        near.append(np.nextafter(near[-1], np.float32(0)))
    values = np.array([[*near, 100, np.nan, -1e36, 1e36]], "float32")
    path = world.raster("a.tif", values, 1.0, nodata=nodata)
    with rasterio.open(path) as file:
        held = file.read_masks(1)[0] > 0
    assert 2 <= held.sum() < 12
    source = RasterSource([TileIndex().head("dem", Place(str(path)))], UTM, "heights")
    stored, got = source._stored(0, rasterio.windows.Window(0, 0, 13, 1))
    assert source._no_land(0, source._dataset(0))
    np.testing.assert_array_equal(stored, values)
    assert got[0].tolist() == held.tolist()
    assert source.window((500_009.5, 5_000_599.5, 500_009.6, 5_000_599.6)).values.tolist() == [[100.0]]


@pytest.mark.parametrize("nodata", [0.0, -999.0, float("nan")])
def test_no_data_that_could_be_land_is_asked_of_the_mask(world, nodata):
    path = world.raster("a.tif", np.array([[nodata, 100]], "float32"), 1.0, nodata=nodata)
    source = RasterSource([TileIndex().head("dem", Place(str(path)))], UTM, "heights")
    assert not source._no_land(0, source._dataset(0))
    grid = source.window((500_000.5, 5_000_599.5, 500_001.5, 5_000_599.6))
    assert np.isnan(grid.values).tolist() == [[True, False]]
    assert source.impossible == {}


def test_it_is_said_when_much_is_to_be_read(world, tmp_path, monkeypatch):
    from gisprio.inputs import project

    said: list[str] = []
    age(world.folder)
    read_inputs(world.settings(), tmp_path / "index", said.append).remember()
    assert said == []
    monkeypatch.setattr(project, "_MUCH_BYTES", 1)
    read_inputs(world.settings(), None, said.append)
    read_inputs(world.settings(), tmp_path / "index", said.append)
    os.utime(world.folder / "dem.tif", (LONG_AGO + 9, LONG_AGO + 9))
    read_inputs(world.settings(), tmp_path / "index", said.append)
    assert said == [
        "Reading 2 raster files that are new or changed, 0.0 GB; later runs need not ...",
        "Reading a raster file that is new or changed, 0.0 GB; later runs need not ...",
    ]
