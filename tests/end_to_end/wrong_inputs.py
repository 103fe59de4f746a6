"""Layers that read well and are wrong, each fault done to a fresh copy of a small world that is right.

The world: a main stream 1,600 m long in an even valley, and a side stream that joins it from the left half way.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely

from makers import CROP, CRS, PASTURE, WATER, WOODY, Place, World, frame

FOOT_M = 0.3048
HALF_M, HEAD_M, LENGTH_M, JOIN_M, SIDE_M = 795.0, 400.0, 1600.0, 800.0, 600.0
PLACE = Place()


def height(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """An even V valley of slope .005, with a valley of slope .02 that comes in from the left at 800 m."""
    side = np.abs(v)
    across = 0.1 * np.where(side <= HALF_M, side, 2 * HALF_M - side)
    along = np.where(u >= -HEAD_M, -0.005 * u, 0.005 * HEAD_M + 0.02 * (u + HEAD_M))
    main = 100.0 + across + along
    beyond = np.where(v <= HALF_M, v, 2 * HALF_M - v)
    branch = 96.0 + 0.02 * beyond + 0.1 * np.abs(u - JOIN_M)
    return np.where(v > 0, np.minimum(main, branch), main)


def cover(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Wood 12 m wide on the left and 60 m on the right, a field on the left uphill; water 8 m wide; else pasture."""
    code = np.full(np.shape(u), PASTURE)
    code[v > 100] = CROP
    code[(v >= 4) & (v < 16)] = WOODY
    code[(v <= -4) & (v > -64)] = WOODY
    code[(np.abs(u - JOIN_M) < 15) & (v > 4)] = WOODY
    code[(np.abs(v) < 4) & (u > -20)] = WATER
    return code


def plain_world() -> World:
    """Give the world without any fault."""
    lines = [
        PLACE.line((0, 0), (JOIN_M, 0)),
        PLACE.line((JOIN_M, 0), (LENGTH_M, 0)),
        PLACE.line((JOIN_M, SIDE_M), (JOIN_M, 0)),
    ]
    parcels = [PLACE.box(0, 0, 800, 200), PLACE.box(800, 0, 1600, 200), PLACE.box(0, -200, 1600, 0)]
    halves = [PLACE.box(-500, 0, 1900, 900), PLACE.box(-500, -900, 1900, 0)]
    layers = {
        "streams": frame(lines, id=["upper", "lower", "side"]),
        "properties": frame(parcels, parcel=["left-up", "left-down", "right"]),
        "water": frame([PLACE.box(-20, -4, LENGTH_M + 20, 4)]),
        "roads": frame([PLACE.line((400, -300), (400, 300))]),
        "soils": frame(halves, k=[0.3, 0.2], fines=[55.0, 40.0]),
        "done": frame([PLACE.box(1200, 4, 1300, 20)], date=["2019"]),
        "watershed": frame([PLACE.box(-HEAD_M, -HALF_M, LENGTH_M, HALF_M)]),
    }
    world = World(
        PLACE,
        height,
        cover,
        (-605.0, -1005.0, 1805.0, 1005.0),
        layers,
        cover_cell=2.0,
        cover_extent=(-604.0, -1000.0, 1804.0, 1000.0),
        config={"run": 'as_of = "2021-06-30"', "robustness": "draws = 20"},
    )
    return world


def write_plain(folder: Path) -> Path:
    """Write the world; give its config."""
    config = plain_world().write(folder)
    _edit(
        config,
        "[columns]",
        '[columns]\nstreams.id = "id"\nsoils.k = "k"\nsoils.silt_clay = "fines"\ndone.date = "date"',
    )
    _edit(config, 'legend = "legend.csv"', 'legend = "legend.csv"\nyear = 2020')
    return config


# ---------------------------------------------------------------- ways to touch a file


def _edit(config: Path, old: str, new: str) -> None:
    text = config.read_text()
    assert old in text, old
    config.write_text(text.replace(old, new))


def _heights(
    folder: Path, change: Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray], **profile: object
) -> None:
    """Write the DEM again: heights changed at places (u, v)."""
    _again(folder / "dem.tif", change, **profile)


def _again(path: Path, change: Callable[..., np.ndarray], **profile: object) -> None:
    with rasterio.open(path) as file:
        values, old = file.read(1), file.profile
    rows, columns = values.shape
    a = old["transform"]
    x, y = np.meshgrid(a.c + (np.arange(columns) + 0.5) * a.a, a.f + (np.arange(rows) + 0.5) * a.e)
    u, v = PLACE.from_map(x, y)
    values = change(values, u, v)
    path.unlink()
    with rasterio.open(path, "w", **{**old, "dtype": values.dtype, **profile}) as out:
        out.write(values, 1)


def _layer(folder: Path, name: str, change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> None:
    """Write a layer again, changed."""
    path = folder / f"{name}.gpkg"
    table = change(gpd.read_file(path))
    path.unlink()
    table.to_file(path, driver="GPKG")


def _lines(folder: Path, lines: list[shapely.LineString]) -> None:
    _layer(folder, "streams", lambda _: frame(lines, id=[f"line-{n}" for n in range(len(lines))]))


def _add_layer(config: Path, name: str, table: gpd.GeoDataFrame, columns: str = "") -> None:
    table.to_file(config.parent / f"{name}.gpkg", driver="GPKG")
    _edit(config, "[layers]", f'[layers]\n{name} = "{name}.gpkg"')
    _edit(config, "[columns]", f"[columns]\n{columns}")


# ---------------------------------------------------------------- heights


def feet_as_metres(folder: Path, config: Path) -> None:
    _heights(folder, lambda h, u, v: h / FOOT_M)


def feet_in_a_system_in_feet(folder: Path, config: Path) -> None:
    """A tile of a state in feet, by place and by height, that says nothing of its heights."""
    with rasterio.open(folder / "dem.tif") as file:
        values, profile = file.read(1), file.profile
    zone = rasterio.CRS.from_string("+proj=utm +zone=33 +datum=WGS84 +units=us-ft +no_defs")
    a, foot = profile["transform"], 1200 / 3937
    profile |= {"crs": zone, "transform": rasterio.Affine(a.a / foot, 0, a.c / foot, 0, a.e / foot, a.f / foot)}
    (folder / "dem.tif").unlink()
    with rasterio.open(folder / "dem.tif", "w", **profile) as out:
        out.write((values / foot).astype("float32"), 1)


def feet_by_the_band(folder: Path, config: Path) -> None:
    feet_as_metres(folder, config)
    with rasterio.open(folder / "dem.tif", "r+") as file:
        file.units = ("ft",)


def centimetres_as_metres(folder: Path, config: Path) -> None:
    _heights(folder, lambda h, u, v: h * 100)


def metres_called_feet(folder: Path, config: Path) -> None:
    with config.open("a") as file:
        file.write('[dem]\nvertical_unit = "ft"\n')


def missing_read_as_heights(folder: Path, config: Path) -> None:
    """A hole of -32768 across the stream, of which the file says nothing."""
    hole = lambda h, u, v: np.where((np.abs(u - 1100) < 60) & (np.abs(v) < 60), np.float32(-32768), h)  # noqa: E731
    _heights(folder, hole, nodata=None)


def pit_in_the_dem(folder: Path, config: Path) -> None:
    """One cell of -9999 at the stream, where the file calls -32768 missing."""
    pit = lambda h, u, v: np.where((np.abs(u - 1100) < 5) & (np.abs(v) < 6), np.float32(-9999), h)  # noqa: E731
    _heights(folder, pit, nodata=-32768)


def crowns_as_ground(folder: Path, config: Path) -> None:
    """A surface model: trees of 15 m stand on the wooded cells."""
    _heights(folder, lambda h, u, v: (h + 15 * (cover(u, v) == WOODY)).astype("float32"))


def survey_seam(folder: Path, config: Path) -> None:
    """The lower half comes from a second file that lies 2 m higher, 100 m of overlap."""
    with rasterio.open(folder / "dem.tif") as file:
        values, profile = file.read(1), file.profile
    half = values.shape[0] // 2
    a = profile["transform"]
    parts = {"dem.tif": (0, half + 10, 0.0), "south.tif": (half, values.shape[0], 2.0)}
    (folder / "dem.tif").unlink()
    for name, (first, after, lift) in parts.items():
        here = {**profile, "height": after - first, "transform": a @ rasterio.Affine.translation(0, first)}
        with rasterio.open(folder / name, "w", **here) as out:
            out.write(values[first:after] + np.float32(lift), 1)
    _edit(config, "dem = ['dem.tif']", "dem = ['dem.tif', 'south.tif']")


def headwater_cut(folder: Path, config: Path) -> None:
    """The DEM begins 300 m below the head of the stream, and no watershed says that nothing lies beyond."""
    _heights(folder, lambda h, u, v: np.where(u < 300, np.float32(-9999), h))
    _edit(config, 'watershed = "watershed.gpkg"', "")


# ---------------------------------------------------------------- streams


def lines_20_m_off(folder: Path, config: Path) -> None:
    _layer(folder, "streams", lambda t: t.assign(geometry=t.translate(20, 0)))


def axes_swapped(folder: Path, config: Path) -> None:
    swap = lambda t: t.assign(geometry=shapely.transform(t.geometry.to_numpy(), lambda xy: xy[:, ::-1]))  # noqa: E731
    _layer(folder, "streams", swap)


def zone_next_door(folder: Path, config: Path) -> None:
    _layer(folder, "streams", lambda t: t.set_crs("EPSG:32634", allow_override=True))


def streams_of_the_next_basin(folder: Path, config: Path) -> None:
    """They touch the DEM at its rim only."""
    _layer(folder, "streams", lambda t: t.assign(geometry=t.translate(-1550, 0)))


def both_banks_as_lines(folder: Path, config: Path) -> None:
    _lines(folder, [PLACE.line((0, v), (LENGTH_M, v)) for v in (-4, 4)] + [PLACE.line((JOIN_M, SIDE_M), (JOIN_M, 4))])


def outlines_as_lines(folder: Path, config: Path) -> None:
    _lines(folder, [shapely.LineString(PLACE.box(0, -3, LENGTH_M, 3).exterior)])


def copy_a_little_off(folder: Path, config: Path) -> None:
    """The main stream twice, from two maps 8 m apart."""
    lines = [PLACE.line((0, 0), (LENGTH_M, 0)), PLACE.line((5, -8), (LENGTH_M + 5, -8))]
    _lines(folder, [*lines, PLACE.line((JOIN_M, SIDE_M), (JOIN_M, 0))])


def all_drawn_upstream(folder: Path, config: Path) -> None:
    _layer(folder, "streams", lambda t: t.assign(geometry=t.reverse()))


def contours_as_streams(folder: Path, config: Path) -> None:
    """Two lines of one height along the right side of the valley: down it the contour nears the stream."""
    _lines(folder, [PLACE.line((0, v), (LENGTH_M, v + 0.05 * LENGTH_M * np.sign(v))) for v in (-300, -500)])


def roads_as_streams(folder: Path, config: Path) -> None:
    _layer(folder, "roads", lambda t: gpd.read_file(folder / "streams.gpkg")[["geometry"]])


def half_mapped(folder: Path, config: Path) -> None:
    """The side stream is not in the map."""
    _layer(folder, "streams", lambda t: t[t["id"] != "side"])


def areas_in_hectares(folder: Path, config: Path) -> None:
    """By hand at the lower ends: 1,590 m across; the side valley to its place on the whole."""
    _edit(config, "[columns]", '[columns]\nstreams.area_km2 = "area"')
    _layer(folder, "streams", lambda t: t.assign(area=t["id"].map({"upper": 150.0, "lower": 318.0, "side": 52.0})))


def inflow_in_hectares(folder: Path, config: Path) -> None:
    """20 km2 come in at the head, written as 2,000 ha."""
    point = frame([shapely.Point(*PLACE.on_map(0, 0))], area=[2_000_000.0])
    _add_layer(config, "inflows", point, 'inflows.area_km2 = "area"')


# ---------------------------------------------------------------- cover, water, land


def cover_ten_years_older(folder: Path, config: Path) -> None:
    _edit(config, "year = 2020", "year = 2009")


def legend_of_another_map(folder: Path, config: Path) -> None:
    """Its codes are the same four, its classes are others: none is wood, and water is a field."""
    names = "code,name,cover,c_factor\n1,lake,water,\n2,town,developed,\n3,maize,crop,0.38\n4,rock,bare,\n"
    (folder / "legend.csv").write_text("# min_width_m = 2\n" + names)


def cover_100_m_off(folder: Path, config: Path) -> None:
    with rasterio.open(folder / "cover.tif", "r+") as file:
        a = file.transform
        file.transform = rasterio.Affine(a.a, a.b, a.c + 100, a.d, a.e, a.f)


def flood_zone_as_water(folder: Path, config: Path) -> None:
    _layer(folder, "water", lambda t: frame([PLACE.box(-20, -90, LENGTH_M + 20, 90)]))


def water_of_another_place(folder: Path, config: Path) -> None:
    _layer(folder, "water", lambda t: t.assign(geometry=t.translate(900, 0)))


def river_as_parcel(folder: Path, config: Path) -> None:
    river = frame([PLACE.box(0, -5, LENGTH_M, 5)], parcel=["river"])
    _layer(folder, "properties", lambda t: frame([*t.geometry, *river.geometry], parcel=[*t["parcel"], "river"]))


def road_as_parcel(folder: Path, config: Path) -> None:
    road = PLACE.box(394, -300, 406, 300)
    _layer(folder, "properties", lambda t: frame([*t.geometry, road], parcel=[*t["parcel"], "lane"]))


def parcels_stacked(folder: Path, config: Path) -> None:
    _layer(folder, "properties", lambda t: frame([*t.geometry, t.geometry[0]], parcel=[*t["parcel"], "flat 2"]))


def watershed_of_another_basin(folder: Path, config: Path) -> None:
    _layer(folder, "watershed", lambda t: t.assign(geometry=t.translate(1000, 0)))


def k_in_si(folder: Path, config: Path) -> None:
    _layer(folder, "soils", lambda t: t.assign(k=t["k"] * 0.1317))


def fines_as_share(folder: Path, config: Path) -> None:
    _layer(folder, "soils", lambda t: t.assign(fines=t["fines"] / 100))


# ---------------------------------------------------------------- settings


def setback_in_feet(folder: Path, config: Path) -> None:
    with config.open("a") as file:
        file.write('[setback]\nwidth_m = 100\n[report]\nunits = "us"\n')


def curve_of_other_streams(folder: Path, config: Path) -> None:
    """Widths ten times those of the streams here."""
    (folder / "mine.toml").write_text('units = "si"\nwidth = [27.0, 0.352]\ndepth = [0.30, 0.213]\n')
    with config.open("a") as file:
        file.write('[hydraulics]\ncurve = "mine.toml"\n')


assert CRS == "EPSG:32633"
