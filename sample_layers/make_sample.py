"""Makes the sample layers: an invented watershed of about 29 km2, the Tansy Brook.

Nothing here is a real place. One seed gives one world; run again, the script gives the same layers:

    python sample_layers/make_sample.py            writes beside the script
    python sample_layers/make_sample.py --out DIR  writes elsewhere

How the world is made, in this order:

1. A coarse landscape is worn down until it is in balance; its flow paths are the valleys (`_network.py`).
2. Meandering streams are laid over the valleys, with beds that fall all the way (`_network.py`).
3. Hills are raised between the valleys, channels carved, and a correlated error of 0.3 m added (`_terrain.py`).
4. Lines and water polygons are drawn as a mapper would, faults included (`_streams.py`).
5. Heights at 1 m along 2.5 km of the main stream, with banks as a table says (`_lidar.py`).
6. Roads, holdings, fields and soils follow the ground (`_land.py`), and land cover follows all of them (`_cover.py`).
7. Bare outer bends, wooded ravines and a steep wooded headwater are planted in the cover; works already done, scars
   and constraints are laid beside the streams (`_planted.py`).

What a careful reader of the layers should find: a tenth of the stream lines drawn against the flow, ends that
miss each other by up to 0.2 m, a straight ditch, a piped stretch under the hamlet, a pond on a stream and one off
it, an island, a marsh, a tidal mouth, land without a parcel, thin overlaps and gaps between parcels, a parcel that is
the river and one that is a road.

`planted.csv` says what was planted where, by the geometry of this world and nothing that gisprio found: six sharp outer
bends of streams of order 3 and 4, bare for 140 m with pasture or cereals to the water; six confined stretches of order
1 and 2 with full wood on both sides; the steepest headwater, wooded; and the middle of the pond on a stream, the
ditch, the pipe, the tidal stretch and the marsh. Columns: what, x, y, and side as seen looking downstream (or both).
The tests read it (`tests/end_to_end/test_sample_story.py`); it is no layer of the run.
"""
from __future__ import annotations

import argparse
import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from shapely.geometry import LineString, Point, Polygon

import _cover
import _land
import _lidar
import _network
import _planted
import _streams
import _terrain

SEED = 57
SEA_M = 224.5  # taken off all heights at the end: high water stands in the lowest 650 m of the main stream
FIXED_DATE = "2024-01-01T00:00:00.000Z"


WHOLE = (_network.X0, _network.Y0 + _network.HEIGHT_M)  # upper left corner of the layers


def write_raster(path: Path, values: np.ndarray, cell_m: float, nodata: float, predictor: int,
                 corner: tuple[float, float] = WHOLE) -> None:
    """Writes one band as a compressed GeoTIFF."""
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
               "dtype": values.dtype.name, "crs": _network.CRS, "nodata": nodata,
               "compress": "deflate", "zlevel": 9, "predictor": predictor,
               "tiled": True, "blockxsize": 256, "blockysize": 256,
               "transform": from_origin(*corner, cell_m, cell_m)}
    with rasterio.open(path, "w", **profile) as file:
        file.write(values, 1)


def write_vector(path: Path, layer: gpd.GeoDataFrame) -> None:
    """Writes a GeoPackage with one layer, anew."""
    path.unlink(missing_ok=True)
    layer.to_file(path, layer=path.stem, driver="GPKG", engine="pyogrio")


Raster = tuple[np.ndarray, tuple[float, float]]  # cells, upper left corner


def make_layers(seed: int = SEED) -> tuple[dict[str, Raster], dict[str, gpd.GeoDataFrame], pd.DataFrame]:
    """All layers of the sample: rasters by name, then vectors by name, and the table of what was planted."""
    rng = np.random.default_rng(seed)
    receiver, area_km2, _ = _network.wear_down(rng)
    valleys, outlet = _network.trace_valleys(receiver, area_km2, _network.node_places(rng))
    valleys = _network.mark_streams(valleys, outlet)
    orders = _network.strahler_by_valley(valleys)
    valleys = _network.lay_streams(rng, valleys, orders)
    features = _streams.choose_features(valleys, orders)
    valleys = _network.lay_beds(rng, valleys, features.pond)

    ground = _terrain.build_ground(rng, valleys)
    carved = _terrain.carve_all(ground, valleys, features.pipe)
    inside = _terrain.watershed_above(carved, valleys[0].line[-1])
    watershed = _land.watershed_layer(inside)
    ditch, ditch_bed, ditch_joins = _streams.lay_ditch(ground, valleys, orders, watershed.geometry.iloc[0])
    carved = _terrain.carve(carved, ditch, ditch_bed, np.full(len(ditch), 2.5))
    water = _streams.water_layer(rng, valleys, orders, features)
    tidal = _streams.tidal_part(valleys[0])
    streams = _streams.mark_tidal(_streams.streams_layer(rng, valleys, orders, features, ditch, ditch_joins), tidal)
    measured = carved + _terrain.measuring_error(rng, carved.shape)
    dem = (_terrain.level_ponds(measured, carved, water) - SEA_M).round(2).astype(np.float32)

    pipe = _streams.line_between(valleys[features.pipe[0]], *features.pipe[1:])
    middle = pipe.interpolate(0.5, normalized=True)
    hamlet = hamlet_outline(middle)
    roads = _land.roads_layer(carved, valleys, orders, features, middle)
    holdings = _land.hold_land(rng, valleys, orders, roads, watershed.geometry.iloc[0], hamlet)
    slope = np.hypot(*np.gradient(gaussian_filter(ground, 2.0), _terrain.CELL_M))
    forest = _land.forest_holdings(rng, holdings.farms, slope)
    fields, in_forest = _land.fields_of(rng, holdings.farms, forest)
    strips = _cover.riparian_strips(rng, valleys, orders)
    marsh = _cover.marsh_polygon(rng, valleys[features.marsh[0]], features.marsh)
    power = _planted.power_line(valleys[features.pipe[0]], features.pipe)
    lines = {"lake path": _streams.line_between(valleys[features.pond[0]], *features.pond[1:]),
             "ditch": LineString(ditch[[0, -1]]), "pipe": pipe, "tidal reach": tidal,
             "marsh": _streams.line_between(valleys[features.marsh[0]], *features.marsh[1:])}
    off = _planted.keep_off(roads, water, hamlet, marsh, power, lines)
    bends = _planted.sharp_bends(valleys, orders, off, _planted.BENDS + _planted.SCARS)
    bends, scarred = bends[:_planted.BENDS], bends[_planted.BENDS:]
    places = [*bends, *_planted.headwaters(valleys, orders, ground, off)]
    strips, bare_fields = _planted.plant(strips, valleys, places)
    cover, houses = _cover.land_cover(rng, slope, fields, in_forest, strips, holdings.lots, marsh, roads, water,
                                      bare_fields)
    off = _planted.keep_off(roads, water, hamlet, marsh, power, lines | _planted.bend_lines(valleys, bends + scarred))
    vectors = {
        "streams": streams, "water": water, "roads": roads, "watershed": watershed,
        "properties": _land.properties_layer(rng, holdings, watershed.geometry.iloc[0], forest),
        "soils": _land.soils_layer(rng, carved, valleys, slope),
        "constraints": _planted.constraints_layer(houses, power),
        "done": _planted.done_layer(valleys, orders, strips, off),
        "eroding": _planted.eroding_layer(valleys, scarred),
    }
    lidar, *corner = _lidar.lidar_strip(np.random.default_rng([seed, 1]), ground, valleys, water, roads)
    lidar[lidar > -9000] -= np.float32(SEA_M)
    rasters = {"dem": (dem, WHOLE), "cover": (cover, WHOLE), "lidar": (lidar.round(2), tuple(corner))}
    return rasters, vectors, _planted.planted_table(valleys, places, lines)


def hamlet_outline(middle: Point) -> Polygon:
    """Land of the hamlet: eight corners about the middle of the piped stretch."""
    turn = np.radians(np.arange(0, 360, 45) + 12)
    reach_m = np.array([175, 150, 190, 140, 165, 185, 150, 160])
    return Polygon(np.array([middle.x, middle.y]) + reach_m[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def main() -> None:
    """Command line."""
    options = argparse.ArgumentParser(description="Make the sample layers of the invented Tansy Brook.")
    options.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write to")
    folder = options.parse_args().out
    folder.mkdir(parents=True, exist_ok=True)
    os.environ["OGR_CURRENT_DATE"] = FIXED_DATE
    rasters, vectors, planted = make_layers()
    kinds = {"dem": (_terrain.CELL_M, -9999.0, 3), "cover": (_cover.COVER_M, 0, 1), "lidar": (1.0, -9999.0, 3)}
    for name, (values, corner) in rasters.items():
        write_raster(folder / f"{name}.tif", values, *kinds[name], corner)
    for name, layer in vectors.items():
        write_vector(folder / f"{name}.gpkg", layer)
    planted.to_csv(folder / "planted.csv", index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
