from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.contracts.findings import Finding
from gisprio.inputs.checks import CHECKS, check_inputs
from gisprio.inputs.config import read_settings
from gisprio.inputs.project import read_inputs


def checked(settings):
    return check_inputs(read_inputs(settings), settings)


def test_a_sound_world_has_no_findings(world):
    assert checked(world.settings()) == []


def test_every_check_says_what_it_holds():
    assert all(check.__doc__ and check.__doc__.endswith(".") for check in CHECKS)
    assert len({check.__name__ for check in CHECKS}) == len(CHECKS)


def test_layers_that_share_no_ground(world):
    # the numbers of the zone, called the zone beside it: six degrees off
    world.vector("streams.gpkg", [world.line()], crs="EPSG:32632")
    assert checked(world.settings()) == [
        Finding(
            "error", "streams", "no_overlap", "",
            "streams does not touch the dem: 9.00 E to 9.00 E, 45.15 N to 45.16 N, against "
            "15.00 E to 15.01 E, 45.15 N to 45.16 N.",
            "check the coordinate system of both; one of them may have the wrong one assigned.",
        )
    ]  # fmt: skip


def test_streams_beyond_the_grids(world):
    # the DEM ends 200 m from the top: 150 of the 500 m of stream lie above it
    world.raster("dem.tif", world.heights()[20:], y1=5_000_400.0)
    found = checked(world.settings())
    assert [(one.severity, one.layer, one.check, one.says) for one in found] == [
        ("warning", "dem", "streams_without_data", "30 % of the stream length (0.150 of 0.500 km) has no DEM.")
    ]


def test_streams_that_are_not_given(world):
    path = world.config()
    path.write_text(path.read_text().replace('streams = "streams.gpkg"', ""))
    assert checked(read_settings(path)) == [
        Finding(
            "note", "streams", "not_given", "",
            "[layers] streams is not given: lines are drawn from the DEM, and what is otherwise checked along the "
            "streams beforehand (data, codes of the land cover, slopes) is not.",
            "give the stream lines of your map agency where there are some; they also know ditches and pipes.",
        )
    ]  # fmt: skip


def test_streams_without_any_cover(world):
    world.raster("cover.tif", np.zeros((120, 120), "uint8"), cell_m=5.0, nodata=0)
    assert [(one.severity, one.says) for one in checked(world.settings())] == [
        ("error", "100 % of the stream length (0.500 of 0.500 km) has no land cover.")
    ]


def test_codes_the_legend_does_not_know(world):
    cover = world.cover()
    cover[40:44, 60:70] = 9  # 20 m by 50 m at the stream: 0.1 ha
    cover[50:52, 78:80] = 7  # 10 m by 10 m, 90 to 100 m east of it: out of reach
    cover[50:52, 76:78] = 8  # 80 to 90 m east of it: just within 3 x 30 m
    world.raster("cover.tif", cover, cell_m=5.0)
    assert [(one.severity, one.check, one.says) for one in checked(world.settings())] == [
        (
            "warning", "unknown_code",
            'the legend "legend.csv" does not know these codes within 90 m of the streams: 9 (0.10 ha), '
            "8 (0.01 ha). That ground counts as unknown.",
        )
    ]  # fmt: skip


def test_unknown_codes_are_counted_once_across_tiles(world):
    """A line over the border of two tiles, each cell in one of them."""
    world.raster("dem.tif", np.full((500, 30), 100, "float32"), x0=500_000.0, y1=5_004_000.0)
    world.raster("cover.tif", np.full((1000, 60), 5, "uint8"), cell_m=5.0, x0=500_000.0, y1=5_004_000.0)
    world.vector("streams.gpkg", [shapely.LineString([(500_150, 5_001_500), (500_150, 5_002_500)])])
    found = [one for one in checked(world.settings()) if one.check == "unknown_code"]
    x, y = np.meshgrid(500_002.5 + 5 * np.arange(60), 5_003_997.5 - 5 * np.arange(1000))
    near = shapely.LineString([(500_150, 5_001_500), (500_150, 5_002_500)]).buffer(90)
    hectares = shapely.contains_xy(near, x, y).sum() * 25 / 1e4
    assert hectares == pytest.approx(18 + np.pi * 0.9**2, rel=0.01)
    assert f"streams: 5 ({hectares:.2f} ha)." in found[0].says


def test_cover_too_coarse_for_the_setback(world):
    world.raster("cover.tif", world.cover(12.0), cell_m=12.0)
    expected = [
        Finding(
            "warning", "land_cover", "too_coarse", "",
            "the land cover shows nothing narrower than 12 m, which cannot measure a setback of 30 m: a coarse look "
            "only, without widths and gaps.",
            "get land cover of 10 m or finer, for instance a national 1 m to 5 m cover map, or classify an air photo; "
            "canopy heights of such cells measure woody strips at least.",
        )
    ]  # fmt: skip
    assert checked(world.settings()) == expected
    assert checked(world.settings("[setback]\nwidth_m = 36\nshortest_gap_m = 24")) == []


def test_a_legend_may_be_coarser_than_its_cells(world):
    (world.folder / "legend.csv").write_text("# min_width_m = 25\ncode,name,cover\n1,a,woody\n2,b,crop\n")
    assert [one.check for one in checked(world.settings())] == ["too_coarse"]


def test_gaps_of_single_cells(world):
    assert [one.says for one in checked(world.settings("[setback]\nshortest_gap_m = 8"))] == [
        "[setback] shortest_gap_m = 8 is under two cells of the land cover (5 m): single cells can make gaps."
    ]


def test_lines_shorter_than_the_snap(world):
    speck = shapely.LineString([(500_300, 5_000_200), (500_300.5, 5_000_200)])
    world.vector("streams.gpkg", [world.line(), speck], id=["a", "b"])
    assert [one.says for one in checked(world.settings(columns='streams.id = "id"'))] == [
        "1 stream lines are shorter than [streams] snap_m = 1 m and shrink to a point: b."
    ]


def test_parcels_of_absurd_size(world):
    shapes = [shapely.box(490_000, 4_990_000, 501_000, 5_001_000), shapely.box(500_000, 5_000_000, 500_002, 5_000_002)]
    world.vector("p.gpkg", shapes, parcel=["all", "speck"])
    found = checked(world.settings(layers='properties = "p.gpkg"', columns='properties.id = "parcel"'))
    assert [one.says for one in found] == [
        "1 of 2 properties are smaller than 10 m2 and may be slivers of drawing: speck.",
        "1 of 2 properties are larger than 100 km2 and may be no parcels: all.",
    ]


def test_feet_read_as_metres(world):
    steep = 100 + 20 * (world.heights() - 100) / 3.2808 * 3.2808
    world.raster("dem.tif", steep.astype("float32"))
    assert [(one.check, one.says, one.do) for one in checked(world.settings())] == [
        (
            "too_steep", "half of the ground near the streams is steeper than 100 %.",
            'check [dem] vertical_unit = "m": heights may be in feet.',
        )
    ]  # fmt: skip


def test_heights_no_land_has(world):
    heights = world.heights()
    heights[:6, :6] = -9999  # a corner far from the stream, as undeclared "no data" lies
    world.raster("dem.tif", heights)
    assert [(one.check, one.says) for one in checked(world.settings()) if one.layer == "dem"] == [
        (
            "impossible_height",
            "the DEM holds values that are no heights of land (-500 to 9000 m), taken as no data: -9999.",
        )
    ]


def test_a_dem_clipped_at_the_watershed(world):
    heights = world.heights()
    heights[:10], heights[-10:], heights[:, :10], heights[:, -10:] = (np.nan,) * 4
    world.raster("dem.tif", heights)
    world.vector("streams.gpkg", [shapely.LineString([(500_300, 5_000_450), (500_300, 5_000_150)])])
    world.vector("w.gpkg", [shapely.box(500_100, 5_000_100, 500_500, 5_000_500)])
    assert [(one.severity, one.says) for one in checked(world.settings(layers='watershed = "w.gpkg"'))] == [
        ("note", "the DEM ends at the watershed: no data 30 m outside 100 % of its border.")
    ]


def test_lines_beside_the_channel(world):
    world.vector("streams.gpkg", [world.line(500_325), world.line(500_304)])
    found = [one for one in checked(world.settings()) if one.check != "side_by_side"]
    assert [(one.severity, one.check, one.says) for one in found] == [
        (
            "warning", "off_channel",
            "50 % of the stream length with over 1 m of relief across (0.5 of 1.0 km) is drawn more than 10 m from "
            "the low of the DEM.",
        )
    ]  # fmt: skip


def test_flat_ground_says_nothing_of_the_channel(world):
    world.raster("dem.tif", (100 + (world.heights() - 100) / 10).astype("float32"))
    world.vector("streams.gpkg", [world.line(500_340)])
    assert checked(world.settings()) == []


def test_a_coarse_file_behind_a_fine_one(world):
    world.raster("old.tif", np.full((20, 20), 2, "uint8"), cell_m=30.0)
    path = world.config()
    path.write_text(path.read_text().replace('"cover.tif"', '["cover.tif", "old.tif"]'))
    from gisprio.inputs.config import read_settings

    assert [one.says for one in checked(read_settings(path))] == [
        "where only old.tif has data, the land cover is too coarse for a setback of 30 m."
    ]


def test_third_fork_as_it_lies(third_fork, tmp_path):
    """Four systems, one row without geometry, a masked DEM: read, and told of."""
    config = tmp_path / "a.toml"
    config.write_text(
        f"""[run]
name = "third fork"
output = "out"
[layers]
dem = "{third_fork}/dem.tif"
land_cover = "{third_fork}/landcover.tif"
streams = "{third_fork}/streams_nhdplusv2.gpkg"
properties = "{third_fork}/properties_city_parks.gpkg"
watershed = "{third_fork}/boundary.shp"
[columns]
streams.id = "COMID"
streams.kind = "FCODE"
streams.area_km2 = "TotDASqKM"
properties.id = "objectd"
[land_cover]
legend = "nlcd"
"""
    )
    from gisprio.inputs.config import read_settings

    settings = read_settings(config)
    inputs = read_inputs(settings)
    assert inputs.crs.to_epsg() == 32617
    streams = inputs.tables["streams"]
    assert len(streams) == 28
    assert set(streams["kind"]) == {"natural"}
    assert streams["area_km2"].max() == pytest.approx(43.0569)
    assert streams.geometry.length.sum() / 1000 == pytest.approx(33.4, abs=0.1)
    assert inputs.tables["watershed"].geometry.area.sum() / 1e6 == pytest.approx(43.01, rel=0.002)
    assert len(inputs.tables["properties"]) == 78
    assert inputs.rasters["dem"].lattice.cell_m == 28.0
    assert inputs.rasters["land_cover"].lattice.cell_m == 30.0
    told = [(one.severity, one.layer, one.check) for one in [*inputs.findings, *check_inputs(inputs, settings)]]
    assert told == [
        ("note", "dem", "crs_unnamed"),
        ("note", "land_cover", "crs_unnamed"),
        ("note", "streams", "crs_unnamed"),
        ("warning", "properties", "no_geometry"),
        ("warning", "dem", "streams_without_data"),
        ("warning", "land_cover", "too_coarse"),
        ("note", "dem", "clipped"),
        ("warning", "streams", "off_channel"),
    ]
