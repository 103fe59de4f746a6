"""Ways in which layers and configs are broken, each done to a fresh copy of a tiny world."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import rasterio
from shapely import Point

from makers import CRS, frame


def _edit(config: Path, old: str, new: str) -> None:
    text = config.read_text()
    assert old in text, old
    config.write_text(text.replace(old, new))


def _without_crs(path: Path) -> None:
    with rasterio.open(path) as raster:
        values, profile = raster.read(), raster.profile
    del profile["crs"]
    with rasterio.open(path, "w", **profile) as out:
        out.write(values)


def _moved(path: Path, by: float) -> None:
    with rasterio.open(path, "r+") as raster:
        a = raster.transform
        raster.transform = rasterio.Affine(a.a, a.b, a.c + by, a.d, a.e, a.f)


def _cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def dem_without_system(folder: Path, config: Path) -> None:
    _without_crs(folder / "dem.tif")


def cover_without_system(folder: Path, config: Path) -> None:
    _without_crs(folder / "cover.tif")


def dem_elsewhere(folder: Path, config: Path) -> None:
    _moved(folder / "dem.tif", 90_000)


def dem_cut_short(folder: Path, config: Path) -> None:
    _cut_short(folder / "dem.tif")


def streams_missing(folder: Path, config: Path) -> None:
    (folder / "streams.gpkg").unlink()


def streams_not_a_layer(folder: Path, config: Path) -> None:
    (folder / "streams.gpkg").write_text("this is a letter, not a layer")


def streams_are_points(folder: Path, config: Path) -> None:
    (folder / "streams.gpkg").unlink()
    frame([Point(500_000, 5_299_000)]).to_file(folder / "streams.gpkg", driver="GPKG")


def streams_empty(folder: Path, config: Path) -> None:
    (folder / "streams.gpkg").unlink()
    nothing = gpd.GeoDataFrame({"a": []}, geometry=[], crs=CRS)
    nothing.to_file(folder / "streams.gpkg", driver="GPKG", geometry_type="LineString")


def property_column_misspelt(folder: Path, config: Path) -> None:
    _edit(config, 'properties.id = "parcel"', 'properties.id = "parcl"')


def legend_unknown(folder: Path, config: Path) -> None:
    _edit(config, 'legend = "legend.csv"', 'legend = "worldcover"')


def legend_without_cover(folder: Path, config: Path) -> None:
    (folder / "legend.csv").write_text("code,name,c_factor\n1,wood,0.001\n")


def legend_with_unknown_class(folder: Path, config: Path) -> None:
    (folder / "legend.csv").write_text("code,name,cover,c_factor\n1,wood,wooody,0.001\n2,grass,pasture,\n")


def key_misspelt(folder: Path, config: Path) -> None:
    with config.open("a") as file:
        file.write("[setback]\nwith_m = 20\n")


def not_toml(folder: Path, config: Path) -> None:
    _edit(config, 'name = "Tiny"', 'name = "Tiny')


def weight_not_a_number(folder: Path, config: Path) -> None:
    with config.open("a") as file:
        file.write("[priority]\nweights = { erosion = nan, gap = 50 }\n")


def system_in_degrees(folder: Path, config: Path) -> None:
    _edit(config, f'crs = "{CRS}"', 'crs = "EPSG:4326"')


def output_is_a_file(folder: Path, config: Path) -> None:
    (folder / "letter.txt").write_text("dear neighbour")
    _edit(config, 'output = "results"', 'output = "letter.txt"')


def rule_unknown(folder: Path, config: Path) -> None:
    with config.open("a") as file:
        file.write('[setback]\nrule = "fixed_with"\n')


BROKEN: tuple[Callable[[Path, Path], None], ...] = (
    dem_without_system,
    cover_without_system,
    dem_elsewhere,
    dem_cut_short,
    streams_missing,
    streams_not_a_layer,
    streams_are_points,
    streams_empty,
    property_column_misspelt,
    legend_unknown,
    legend_without_cover,
    legend_with_unknown_class,
    key_misspelt,
    not_toml,
    weight_not_a_number,
    system_in_degrees,
    output_is_a_file,
    rule_unknown,
)
