"""Sound and broken layers through read_inputs: what comes out, what is told, whole messages."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.layers import INPUT_LAYERS, STREAMS
from gisprio.contracts.schema import check
from gisprio.inputs.config import read_settings
from gisprio.inputs.project import read_inputs


def box(x0, y0, x1, y1):
    return shapely.box(500_000 + x0, 5_000_000 + y0, 500_000 + x1, 5_000_000 + y1)


def says(inputs, check):
    return [finding.says for finding in inputs.findings if finding.check == check]


def test_a_sound_world(world):
    inputs = read_inputs(world.settings(columns='streams.name = "name"'))
    assert inputs.crs == CRS.from_epsg(32633)
    assert inputs.findings == []
    assert set(inputs.tables) == {layer.name for layer in INPUT_LAYERS}
    stream = inputs.tables["streams"].iloc[0]
    assert (stream["name"], stream["kind"], stream.geometry.length) == ("Alder Run", "natural", 500.0)
    assert inputs.tables["legend"]["min_width_m"].tolist() == [5.0, 5.0]
    heights = inputs.rasters["dem"].window((500_300, 5_000_299, 500_309, 5_000_301))
    # cells 5 m beside the stream, 305 and 295 m above the valley's mouth
    assert heights.values.dtype == np.float32
    np.testing.assert_allclose(heights.values, [[100.86], [100.84]], atol=1e-4)
    codes = inputs.rasters["land_cover"].window((500_281, 5_000_001, 500_284, 5_000_004)).values
    assert codes.dtype == np.int32
    assert codes.tolist() == [[1]]
    inputs.close()


def test_the_same_bytes_give_the_same_digests_and_other_heights_other_ones(world):
    first = read_inputs(world.settings()).digests
    assert set(first) == {"dem", "land_cover", "legend", "streams"}
    assert read_inputs(world.settings()).digests == first
    in_feet = read_inputs(world.settings('[dem]\nvertical_unit = "ft"')).digests
    assert in_feet["dem"] != first["dem"]
    assert in_feet["streams"] == first["streams"]
    world.raster("dem.tif", world.heights(lift=0.01))
    assert read_inputs(world.settings()).digests["dem"] != first["dem"]


def test_the_utm_zone_follows_the_ground_dem_and_streams_share(world):
    world.raster("dem.tif", np.ones((20, 20), "float32"), cell_m=0.1, x0=-71.0, y1=-32.0, crs="EPSG:4326")
    world.raster("cover.tif", np.ones((20, 20), "uint8"), cell_m=0.1, x0=-71.0, y1=-32.0, crs="EPSG:4326")
    world.vector("streams.gpkg", [shapely.LineString([(-69.5, -33), (-69.4, -33.1)])], crs="EPSG:4326")
    assert read_inputs(world.settings()).crs == CRS.from_epsg(32719)


# ---------------------------------------------------------------- broken worlds: the whole message


def test_files_that_are_not_there_are_named_all_at_once(world, message):
    settings = world.settings(layers='water = "pond.gpkg"\nroads = "ro*.gpkg"\nvisits = "none.gpkg"')
    assert message(InputError, read_inputs, settings) == (
        "InputError: 3 layers are not where the config says.\n"
        '  1. [layers] water: there is no file "pond.gpkg".\n'
        f"     Wanted: a file that is there; a relative path starts at {world.folder}.\n"
        "     Do: correct the path, or take the layer out of the config.\n"
        '  2. [layers] roads: no file fits "ro*.gpkg".\n'
        f"     Wanted: at least one file; a relative pattern starts at {world.folder}.\n"
        "     Do: check the folder and the ending in the pattern.\n"
        '  3. [layers] visits: there is no file "none.gpkg".\n'
        f"     Wanted: a file that is there; a relative path starts at {world.folder}.\n"
        "     Do: correct the path, or take the layer out of the config."
    )


def test_without_streams_the_layer_is_empty_and_the_system_that_of_the_dem(world):
    path = world.config()
    path.write_text(path.read_text().replace('streams = "streams.gpkg"', ""))
    inputs = read_inputs(read_settings(path))
    assert inputs.tables["streams"].empty
    assert check(STREAMS, inputs.tables["streams"]).crs == inputs.crs
    assert "streams" not in inputs.digests
    assert inputs.crs.to_epsg() == 32633


def test_a_raster_without_a_system(world, message):
    world.raster("dem.tif", world.heights(), crs=None)
    assert message(InputError, read_inputs, world.settings()) == (
        "InputError: dem.tif has no coordinate reference system.\n"
        '  Wanted: a projected system in metres, as in [run] crs = "EPSG:...".\n'
        "  Do: assign it in your GIS, or give the path with a .prj beside it."
    )


def test_two_layers_without_a_system(world, message):
    world.raster("cover.tif", world.cover(), cell_m=5.0, crs=None)
    world.vector("streams.gpkg", [world.line()], crs=None)
    assert message(InputError, read_inputs, world.settings()) == (
        "InputError: 2 layers cannot be used.\n"
        "  1. cover.tif has no coordinate reference system.\n"
        '     Wanted: a projected system in metres, as in [run] crs = "EPSG:...".\n'
        "     Do: assign it in your GIS, or give the path with a .prj beside it.\n"
        "  2. streams.gpkg has no coordinate reference system.\n"
        '     Wanted: a projected system in metres, as in [run] crs = "EPSG:...".\n'
        "     Do: assign it in your GIS, or give the path with a .prj beside it."
    )


def test_a_raster_without_a_place(world, message):
    import rasterio

    with (
        pytest.warns(rasterio.errors.NotGeoreferencedWarning),
        rasterio.open(
            world.folder / "dem.tif", "w", driver="GTiff", height=2, width=2, count=1, dtype="float32"
        ) as file,
    ):
        file.write(np.ones((2, 2), "float32"), 1)
    assert message(InputError, read_inputs, world.settings()) == (
        "InputError: [layers] dem: dem.tif does not say where it lies.\n"
        "  Wanted: a raster with its corner and cell size, and a coordinate reference system.\n"
        "  Do: georeference it in your GIS, or put its world file (.tfw) beside it."
    )


def test_files_that_are_no_layers(world, message):
    (world.folder / "dem.tif").write_text("not a raster")
    (world.folder / "streams.gpkg").write_text("not a vector")
    assert message(InputError, read_inputs, world.settings()) == (
        "InputError: 2 layers cannot be used.\n"
        "  1. [layers] dem: dem.tif cannot be read as a raster.\n"
        "     Wanted: a raster that GDAL reads, such as GeoTIFF.\n"
        "     Do: open it in your GIS to see whether it is whole, and save it as GeoTIFF.\n"
        "  2. [layers] streams: streams.gpkg cannot be read as a vector layer.\n"
        "     Wanted: a file that GDAL reads, such as GeoPackage or Shapefile, or GeoParquet.\n"
        "     Do: open it in your GIS to see whether it is whole, and save it as GeoPackage."
    )


def test_a_table_without_geometry_is_no_layer(world, message):
    import pandas as pd

    pd.DataFrame({"a": [1]}).to_parquet(world.folder / "water.parquet")
    assert message(InputError, read_inputs, world.settings(layers='water = "water.parquet"')) == (
        "InputError: [layers] water: water.parquet cannot be read as a vector layer.\n"
        "  Wanted: a file that GDAL reads, such as GeoPackage or Shapefile, or GeoParquet.\n"
        "  Do: open it in your GIS to see whether it is whole, and save it as GeoPackage."
    )


def test_a_raster_cut_short(world, message):
    path = world.raster("dem.tif", np.random.default_rng(1).random((600, 600)).astype("float32"), cell_m=1.0)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    inputs = read_inputs(world.settings())
    assert message(InputError, inputs.rasters["dem"].window, (500_000, 5_000_000, 500_600, 5_000_600)) == (
        "InputError: dem.tif could be opened, but not read to its end.\n"
        "  Wanted: a whole file.\n"
        "  Do: copy or download it again."
    )


def test_columns_that_are_not_there(world, message):
    world.vector("parcels.gpkg", [box(0, 0, 100, 100)], PARCEL_ID=["a"], landuse=["x"])
    settings = world.settings(
        layers='properties = "parcels.gpkg"', columns='streams.name = "nam"\nproperties.id = "parcel_id"'
    )
    assert message(InputError, read_inputs, settings) == (
        "InputError: 2 columns are not there.\n"
        '  1. [columns] streams.name: streams.gpkg has no column "nam".\n'
        "     Wanted: one of name.\n"
        '     Do: write streams.name = "name" if that is what you meant.\n'
        '  2. [columns] properties.id: parcels.gpkg has no column "parcel_id".\n'
        "     Wanted: one of PARCEL_ID, landuse.\n"
        '     Do: write properties.id = "PARCEL_ID" if that is what you meant.'
    )


def test_properties_need_an_id(world, message):
    world.vector("parcels.gpkg", [box(0, 0, 100, 100)], parcel=["a"], use=["x"])
    assert message(InputError, read_inputs, world.settings(layers='properties = "parcels.gpkg"')) == (
        "InputError: [columns] properties.id is not given, but [layers] properties is.\n"
        "  Wanted: the column that holds the parcel's number; parcels.gpkg has parcel, use.\n"
        '  Do: write properties.id = "..." under [columns].'
    )


def test_polygons_for_streams(world, message):
    world.vector("streams.gpkg", [box(0, 0, 10, 10)])
    assert message(InputError, read_inputs, world.settings()) == (
        "InputError: [layers] streams: streams.gpkg holds Polygon.\n"
        "  Wanted: lines.\n"
        "  Do: give a layer of lines, or convert it in your GIS."
    )


def test_streams_without_rows(world, message):
    world.vector("streams.parquet", [])
    path = world.config()
    path.write_text(path.read_text().replace("streams.gpkg", "streams.parquet"))
    from gisprio.inputs.config import read_settings

    assert message(InputError, read_inputs, read_settings(path)) == (
        "InputError: [layers] streams: streams.parquet holds no lines.\n"
        "  Wanted: stream lines.\n"
        "  Do: check the layer in your GIS."
    )


def test_a_file_with_several_layers(world, message):
    import geopandas as gpd

    for name in ("main", "ditches"):
        gpd.GeoDataFrame(geometry=[world.line()], crs="EPSG:32633").to_file(
            world.folder / "two.gpkg", layer=name, engine="pyogrio"
        )
    from gisprio.inputs.config import read_settings

    path = world.config()
    text = path.read_text()
    path.write_text(text.replace("streams.gpkg", "two.gpkg"))
    assert message(InputError, read_inputs, read_settings(path)) == (
        "InputError: [layers] streams: two.gpkg holds 2 layers.\n"
        '  Wanted: one of them, as in "two.gpkg|main"; it has main, ditches.\n'
        "  Do: write | and the name behind the path."
    )
    path.write_text(text.replace("streams.gpkg", "two.gpkg|mains"))
    assert message(InputError, read_inputs, read_settings(path)) == (
        'InputError: [layers] streams: two.gpkg has no layer "mains".\n'
        "  Wanted: one of main, ditches.\n"
        "  Do: write |main if that is what you meant."
    )
    path.write_text(text.replace("streams.gpkg", "two.gpkg|ditches"))
    assert len(read_inputs(read_settings(path)).tables["streams"]) == 1


CRS_FAULTS = {
    "EPSG:4326": '[run] crs: "EPSG:4326" (WGS 84) is not projected.',
    "EPSG:2264": '[run] crs: "EPSG:2264" (NAD83 / North Carolina (ftUS)) is in US survey foot.',
    "EPSG:999999": '[run] crs: "EPSG:999999" is not a known system.',
}


@pytest.mark.parametrize("crs", CRS_FAULTS)
def test_a_working_system_that_will_not_do(world, message, crs):
    path = world.config()
    path.write_text(path.read_text().replace('output = "out"', f'output = "out"\ncrs = "{crs}"'))
    from gisprio.inputs.config import read_settings

    assert message(SettingsError, read_inputs, read_settings(path)) == (
        f"SettingsError: {CRS_FAULTS[crs]}\n"
        "  Wanted: a projected system in metres, such as the UTM zone of your area: EPSG:32633.\n"
        "  Do: correct it, or leave crs out: the UTM zone of the data is taken then."
    )


def test_cover_with_fractions(world, message):
    world.raster("cover.tif", np.full((120, 120), 0.25, "float32"), cell_m=5.0)
    inputs = read_inputs(world.settings())
    assert message(InputError, inputs.rasters["land_cover"].window, (500_000, 5_000_000, 500_020, 5_000_020)) == (
        "InputError: [layers] land_cover: cover.tif holds fractions such as 0.25.\n"
        "  Wanted: whole numbers, the codes of a legend.\n"
        "  Do: give the map of classes, not one of shares or heights."
    )


# ---------------------------------------------------------------- repairs: each is a finding


def test_streams_are_cleaned_and_every_repair_is_told(world):
    line = world.line()
    far = shapely.LineString([(500_100, 5_000_100), (500_100, 5_000_200)])
    shapes = [
        line,
        line.reverse(),
        None,
        shapely.LineString(),
        shapely.MultiLineString([far, shapely.LineString([(500_100, 5_000_200), (500_150, 5_000_200)])]),
        shapely.Point(500_000, 5_000_000),
        shapely.LineString([(500_200, 5_000_000, 7), (500_210, 5_000_000, 8)]),
        shapely.LineString([(500_200, 5_000_300), (500_200, 5_000_300)]),
    ]
    world.vector("streams.gpkg", shapes, id=[1, 2, 3, 4, 5, 6, 5, 8], area=[1.5, -9999, 0, 0, 2, 0, None, 0])
    inputs = read_inputs(world.settings(columns='streams.id = "id"\nstreams.area_km2 = "area"'))
    streams = inputs.tables["streams"]
    assert streams["source_id"].tolist() == ["1", "5", "5", "5"]
    assert streams.geometry.length.tolist() == [500.0, 100.0, 50.0, 10.0]
    assert not shapely.has_z(streams.geometry.to_numpy()).any()
    assert streams["area_km2"].tolist()[:3] == [1.5, 2.0, 2.0]
    assert np.isnan(streams["area_km2"].iloc[3])
    told = [(finding.severity, finding.check, finding.says) for finding in inputs.findings]
    assert told == [
        ("warning", "no_geometry", "streams.gpkg has 2 of 8 rows without a geometry, left out: feature 3, 4."),
        (
            "note", "three_dimensions",
            "streams.gpkg has 1 of 8 rows with heights (Z), which are not used: feature 7.",
        ),
        ("warning", "wrong_geometry", "streams.gpkg has 1 of 8 rows that are no lines, left out: feature 6."),
        ("warning", "no_length", "streams.gpkg has 1 of 8 rows without any length, left out: feature 8."),
        ("note", "duplicate_id", "streams: 1 ids stand on several lines: 5."),
        (
            "warning", "value",
            "streams.area_km2: 1 values are not a number of at least 0 and are taken as missing: -9999.0.",
        ),
        ("warning", "duplicate_geometry", "streams: 1 lines (0.50 km) are drawn twice; each is taken once."),
    ]  # fmt: skip


def test_stream_kinds(world):
    lines = [world.line(500_100 + 10 * number) for number in range(7)]
    world.vector("streams.gpkg", lines, kind=["46006", "33600", "Ditch", "brook", "wadi", None, "42803"])
    inputs = read_inputs(world.settings('[stream_kinds]\nbrook = "natural"', columns='streams.kind = "kind"'))
    assert inputs.tables["streams"]["kind"].tolist() == [
        "natural", "ditch", "ditch", "natural", "unconfirmed", "unconfirmed", "piped",
    ]  # fmt: skip
    assert says(inputs, "unknown_kind") == [
        "streams.kind holds words or codes without a meaning here: (empty) (0.5 km), wadi (0.5 km). "
        "Those lines are unconfirmed."
    ]


def test_stream_kinds_as_numbers(world):
    world.vector("streams.gpkg", [world.line(), world.line(500_100)], fcode=[46003, 55800])
    inputs = read_inputs(world.settings(columns='streams.kind = "fcode"'))
    assert inputs.tables["streams"]["kind"].tolist() == ["natural", "natural"]
    assert inputs.findings == []


def test_parcels_are_joined_and_mended(world):
    bow_tie = shapely.Polygon([(500_300, 5_000_300), (500_400, 5_000_400), (500_400, 5_000_300), (500_300, 5_000_400)])
    shapes = [box(0, 0, 100, 100), box(100, 0, 200, 100), box(0, 200, 50, 250), bow_tie, box(0, 200, 50, 250)]
    world.vector("p.gpkg", shapes, parcel=[7.0, 7.0, None, 9.0, 12.0], use=[None, "farm", "x", "y", ""])
    settings = world.settings(
        layers='properties = "p.gpkg"', columns='properties.id = "parcel"\nproperties.class = "use"'
    )
    inputs = read_inputs(settings)
    parcels = inputs.tables["properties"]
    assert parcels["property_id"].tolist() == ["7", "9", "12"]
    assert parcels["class"].isna().tolist() == [False, False, True]
    assert parcels["class"].tolist()[:2] == ["farm", "y"]
    assert parcels.geometry.area.tolist() == pytest.approx([20_000.0, 5_000.0, 2_500.0])
    assert [(finding.severity, finding.check, finding.says) for finding in inputs.findings] == [
        (
            "note", "repaired",
            "p.gpkg has 1 of 5 rows whose border crosses or touches itself, repaired: feature 4.",
        ),
        ("warning", "missing_id", "properties: 1 of 5 parcels have no id in parcel and are left out (0.2 ha)."),
        ("note", "duplicate_id", "properties: 1 ids stand on several rows, joined into one parcel each: 7."),
    ]  # fmt: skip


def test_stacked_parcels_are_told(world):
    world.vector("p.gpkg", [box(0, 0, 9, 9), box(0, 0, 9, 9), box(9, 0, 18, 9)], parcel=["a", "b", "c"])
    inputs = read_inputs(world.settings(layers='properties = "p.gpkg"', columns='properties.id = "parcel"'))
    assert says(inputs, "duplicate_geometry") == [
        "properties: 2 parcels share their exact shape with another id: a, b."
    ]


def test_inflows_are_points_with_an_area(world, message):
    places = [box(0, 0, 2, 2).centroid, shapely.MultiPoint([(500_009, 5_000_009), (500_019, 5_000_009)])]
    shapes = [*places, places[0], places[0], shapely.LineString([(500_000, 5_000_000), (500_001, 5_000_000)])]
    world.vector("inflows.gpkg", shapes, area=[12.5, 3.0, -1.0, 0.0, 4.0])
    assert message(InputError, read_inputs, world.settings(layers='inflows = "inflows.gpkg"')) == (
        "InputError: [columns] inflows.area_km2 is not given, but [layers] inflows is.\n"
        "  Wanted: the column that holds the drainage area in km2; inflows.gpkg has area.\n"
        '  Do: write inflows.area_km2 = "..." under [columns].'
    )
    inputs = read_inputs(world.settings(layers='inflows = "inflows.gpkg"', columns='inflows.area_km2 = "area"'))
    inflows = inputs.tables["inflows"]
    assert inflows["area_km2"].tolist() == [12.5, 3.0, 3.0]
    assert inflows.geometry.x.tolist() == [500_001.0, 500_009.0, 500_019.0]
    assert says(inputs, "wrong_geometry") == ["inflows.gpkg has 1 of 5 rows that are no points, left out: feature 5."]
    assert says(inputs, "value") == [
        "inflows.area_km2: 1 values are not a number of at least 0 and are taken as missing: -1.0."
    ]
    assert says(inputs, "no_area") == ["inflows: 2 of 5 points have no area above 0 and are left out."]


def test_lines_for_inflows(world, message):
    world.vector("inflows.gpkg", [world.line()], area=[1.0])
    settings = world.settings(layers='inflows = "inflows.gpkg"', columns='inflows.area_km2 = "area"')
    assert message(InputError, read_inputs, settings) == (
        "InputError: [layers] inflows: inflows.gpkg holds LineString.\n"
        "  Wanted: points.\n"
        "  Do: give a layer of points, or convert it in your GIS."
    )


@pytest.mark.parametrize("values", [[2, 1, 0, None, 7], ["minor", "Main", "0", None, "braid"]])
def test_minor_paths_are_read_as_numbers_or_words(world, values):
    world.vector("streams.gpkg", [world.line(500_300 + 10 * n) for n in range(5)], div=values)
    inputs = read_inputs(world.settings(columns='streams.divergence = "div"'))
    assert inputs.tables["streams"]["divergence"].fillna(-9).tolist() == [2, 1, 0, -9, -9]
    assert says(inputs, "value") == [
        f"streams.divergence: 1 values are not 0, 1, 2, main or minor and say nothing: {values[-1]}."
    ]


def test_soils_and_sub_watersheds(world):
    world.vector("soils.gpkg", [box(0, 0, 9, 9), box(9, 0, 18, 9)], k=[0.31, -1], fines=[55.0, 140.0])
    world.vector("subs.gpkg", [box(0, 0, 9, 9), box(9, 0, 18, 9)], name=["Upper", None])
    inputs = read_inputs(
        world.settings(
            layers='soils = "soils.gpkg"\nsub_watersheds = "subs.gpkg"',
            columns='soils.k = "k"\nsoils.silt_clay = "fines"\nsub_watersheds.name = "name"',
        )
    )
    assert inputs.tables["soils"]["k_us"].fillna(-9).tolist() == [0.31, -9]
    assert inputs.tables["soils"]["silt_clay_pct"].fillna(-9).tolist() == [55.0, -9]
    assert inputs.tables["sub_watersheds"]["name"].tolist() == ["Upper", "2"]
    assert says(inputs, "value") == [
        "soils.k: 1 values are not a number of at least 0 and are taken as missing: -1.0.",
        "soils.silt_clay: 1 values are not a number from 0 to 100 and are taken as missing: 140.0.",
    ]


def test_globs_lists_and_parquet(world):
    (world.folder / "streams.gpkg").unlink()
    world.vector("s1.gpkg", [world.line()], id=["a"])
    world.vector("s2.parquet", [world.line(500_100)], id=["b"])
    path = world.config(columns='streams.id = "id"')
    path.write_text(path.read_text().replace('"streams.gpkg"', '["s*.gpkg", "s2.parquet", "s1.gpkg"]'))
    from gisprio.inputs.config import read_settings

    assert read_inputs(read_settings(path)).tables["streams"]["source_id"].tolist() == ["a", "b"]


def test_visits_that_are_no_points_are_refused(world):
    world.vector("w.gpkg", [box(0, 0, 9, 9)])
    with pytest.raises(InputError) as caught:
        read_inputs(world.settings(layers='visits = "w.gpkg"'))
    assert str(caught.value) == (
        "[layers] visits: w.gpkg holds Polygon.\n"
        "  Wanted: points.\n"
        "  Do: give a layer of points, or convert it in your GIS."
    )


def test_another_system_is_transformed_and_an_unnamed_one_is_told(world):
    import geopandas as gpd

    frame = gpd.GeoDataFrame(geometry=[world.line()], crs="EPSG:32633")
    frame.to_crs("+proj=laea +lat_0=45 +lon_0=15 +ellps=GRS80 +units=m +type=crs").to_file(
        world.folder / "streams.gpkg", engine="pyogrio"
    )
    inputs = read_inputs(world.settings())
    got = shapely.get_coordinates(inputs.tables["streams"].geometry.iloc[0])
    np.testing.assert_allclose(got, shapely.get_coordinates(world.line()), atol=1e-3)
    assert says(inputs, "crs_unnamed") == [
        'streams.gpkg is in a projected system "unknown" without an EPSG code; taken as described.'
    ]


def test_the_unit_a_dem_names_is_compared(world):
    world.raster("dem.tif", world.heights(), crs="EPSG:32633+6360")
    inputs = read_inputs(world.settings())
    assert says(inputs, "vertical_unit") == [
        'dem.tif says its heights are in units of 0.3048 m; [dem] vertical_unit is "m".'
    ]
    assert says(read_inputs(world.settings('[dem]\nvertical_unit = "us-ft"')), "vertical_unit") == []


def test_cover_as_polygons(world):
    world.vector(
        "cover.gpkg", [box(0, 0, 300, 600), box(300, 0, 600, 300), box(300, 300, 310, 310)],
        class_=["wood", "2", "swamp"],
    )  # fmt: skip
    path = world.config(columns='land_cover.code = "class_"')
    path.write_text(path.read_text().replace("cover.tif", "cover.gpkg"))
    from gisprio.inputs.config import read_settings

    inputs = read_inputs(read_settings(path))
    grid = inputs.rasters["land_cover"].window((500_298.5, 5_000_298.5, 500_301.5, 5_000_301.5))
    empty = -(2**31)
    assert grid.nodata == empty
    # rows from 302 down to 298: north of 300 the east has no polygon with a code
    assert grid.values.tolist() == [[1, 1, empty, empty], [1, 1, empty, empty], [1, 1, 2, 2], [1, 1, 2, 2]]
    assert says(inputs, "unknown_code") == [
        "land_cover.class_ holds words the legend does not name: swamp (0.0 ha). That ground has no cover."
    ]
    assert inputs.tables["legend"]["min_width_m"].tolist() == [5.0, 5.0]
