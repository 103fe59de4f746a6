"""Tiny worlds whose answers are known by hand, written as the layers a person would have."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

CRS = "EPSG:32633"
WOODY, PASTURE, WATER, CROP = 1, 2, 3, 4
LEGEND = """# min_width_m = 1
code,name,cover,c_factor
1,wood,woody,0.0013
2,pasture,pasture,0.0903
3,water,water,
4,field,crop,0.233
"""


@dataclass(frozen=True)
class Place:
    """Where a world lies: (u downstream, v to the left) in metres become x, y.

    Parameters
    ----------
    x0, y0
        The head of the stream.
    quarter_turns
        Turns to the left; with none the stream runs south.
    mirrored
        Whether left and right are swapped on the map.
    """

    x0: float = 500_000.0
    y0: float = 5_300_000.0
    quarter_turns: int = 0
    mirrored: bool = False

    def matrix(self) -> NDArray[np.float64]:
        down, left = np.array([0.0, -1.0]), np.array([1.0, 0.0])  # looking south, left is east
        quarter = np.linalg.matrix_power(np.array([[0.0, -1.0], [1.0, 0.0]]), self.quarter_turns % 4)
        if self.mirrored:
            left = -left
        return np.column_stack([quarter @ down, quarter @ left])

    def on_map(self, u: NDArray | float, v: NDArray | float) -> NDArray[np.float64]:
        """Give (..., 2) x, y of places (u, v)."""
        uv = np.stack(np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float)), axis=-1)
        return uv @ self.matrix().T + (self.x0, self.y0)

    def from_map(self, x: NDArray, y: NDArray) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give u, v of map places."""
        uv = (np.stack([x, y], axis=-1) - (self.x0, self.y0)) @ np.linalg.inv(self.matrix()).T
        return uv[..., 0], uv[..., 1]

    def line(self, *uv: tuple[float, float]) -> shapely.LineString:
        return shapely.LineString(self.on_map(*np.array(uv, float).T))

    def box(self, u0: float, v0: float, u1: float, v1: float) -> shapely.Polygon:
        return shapely.Polygon(self.on_map(np.array([u0, u1, u1, u0]), np.array([v0, v0, v1, v1])))


@dataclass
class World:
    """Layers of a tiny world, and what the config says besides."""

    place: Place
    height: Callable[[NDArray, NDArray], NDArray]
    cover: Callable[[NDArray, NDArray], NDArray]
    extent: tuple[float, float, float, float]
    layers: dict[str, gpd.GeoDataFrame]
    dem_cell: float = 10.0
    cover_cell: float = 1.0
    cover_extent: tuple[float, float, float, float] | None = None
    config: dict[str, str] = field(default_factory=dict)
    finer: dict[str, tuple[tuple[float, float, float, float], float, Callable[[NDArray, NDArray], NDArray]]] = field(
        default_factory=dict
    )
    """Files of heights listed before ``dem.tif``: extent (u0, v0, u1, v1), cell, height."""

    def write(self, folder: Path) -> Path:
        """Write layers and config into ``folder``; give the config's path."""
        folder.mkdir(parents=True, exist_ok=True)
        _raster(folder / "dem.tif", self.place, self.extent, self.dem_cell, self.height, "float32", -9999)
        for name, (extent, cell, height) in self.finer.items():
            _raster(folder / name, self.place, extent, cell, height, "float32", -9999)
        inner = self.cover_extent or self.extent
        _raster(folder / "cover.tif", self.place, inner, self.cover_cell, self.cover, "uint8", 0)
        (folder / "legend.csv").write_text(LEGEND)
        lines = []
        for name, frame in self.layers.items():
            frame.to_file(folder / f"{name}.gpkg", driver="GPKG")
            lines.append(f'{name} = "{name}.gpkg"')
        columns = []
        if "properties" in self.layers:
            columns += ['properties.id = "parcel"']
            if "use" in self.layers["properties"]:
                columns += ['properties.class = "use"']
        if "kind" in self.layers.get("streams", []):
            columns += ['streams.kind = "kind"']
        if "inflows" in self.layers:
            columns += ['inflows.area_km2 = "area"']
        if "class" in self.layers.get("roads", []):
            columns += ['roads.class = "class"']
        text = "\n".join(
            [
                "[run]",
                'name = "Tiny"',
                'output = "results"',
                f'crs = "{CRS}"',
                self.config.get("run", ""),
                "[layers]",
                f"dem = {[*self.finer, 'dem.tif']}",
                'land_cover = "cover.tif"',
                *lines,
                "[columns]",
                *columns,
                "[land_cover]",
                'legend = "legend.csv"',
                *(f"[{name}]\n{body}" for name, body in self.config.items() if name != "run"),
            ]
        )
        path = folder / "tiny.toml"
        path.write_text(text + "\n")
        return path


def _raster(
    path: Path,
    place: Place,
    extent: tuple[float, float, float, float],
    cell: float,
    value: Callable[[NDArray, NDArray], NDArray],
    dtype: str,
    nodata: float,
) -> None:
    corners = place.on_map(np.array([extent[0], extent[2]]), np.array([extent[1], extent[3]]))
    (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
    columns, rows = round((x1 - x0) / cell), round((y1 - y0) / cell)
    x = x0 + (np.arange(columns) + 0.5) * cell
    y = y1 - (np.arange(rows) + 0.5) * cell
    u, v = place.from_map(*np.meshgrid(x, y))
    data = value(u, v).astype(dtype)
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": 1,
        "dtype": dtype,
        "crs": CRS,
        "transform": Affine(cell, 0, x0, 0, -cell, y1),
        "nodata": nodata,
        "compress": "deflate",
        "tiled": True,
    }
    with rasterio.open(path, "w", **profile) as out:
        out.write(data, 1)


def frame(geometry: list, **columns: list) -> gpd.GeoDataFrame:
    """Give a layer in the working system."""
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=CRS)


SLOPE = 0.005
SIDE_SLOPE = 0.1
VALLEY_HALF_M = 595.0
HEAD_M = 400.0
LENGTH_M = 3000.0


def straight_height(u: NDArray, v: NDArray) -> NDArray:
    """An even V valley of slope .005 between divides 595 m to each side and 400 m above the head."""
    side = np.abs(v)
    across = SIDE_SLOPE * np.where(side <= VALLEY_HALF_M, side, 2 * VALLEY_HALF_M - side)
    along = np.where(u >= -HEAD_M, -SLOPE * u, SLOPE * HEAD_M + 0.02 * (u + HEAD_M))
    return 100.0 + across + along


def straight_banks(u: NDArray, v: NDArray) -> NDArray:
    """The straight valley with banks of 1.5 m beside 6 m of water."""
    return straight_height(u, np.maximum(np.abs(v) - 3, 0.0)) + np.where(np.abs(v) < 3, 0.0, 1.5)


def straight_banks_with_error(u: NDArray, v: NDArray) -> NDArray:
    """The same with an error of 0.1 m, correlated over some metres."""
    raw = gaussian_filter(np.random.default_rng(57).standard_normal(np.shape(u)), 3.0)
    return straight_banks(u, v) + 0.1 * raw / raw.std()


def straight_cover(u: NDArray, v: NDArray) -> NDArray:
    """Wood 12 m wide on the left, 60 m on the right but for 500 m of pasture; water 6 m wide; else pasture."""
    code = np.full(np.shape(u), PASTURE)
    code[(v >= 3) & (v < 15)] = WOODY
    code[(v <= -3) & (v > -63) & ~((u >= 1200) & (u < 1700))] = WOODY
    code[np.abs(v) < 3] = WATER
    return code


def straight_valley(place: Place | None = None, *, reverse: bool = False, **config: str) -> World:
    """A straight stream, 3 km, with gaps of 3,000 m (left) and 500 m (right) to a setback of 30 m, on four parcels.

    By hand: drainage area 1,190 m x 3,400 m = 4.046 km2; slope .005; gap ground 18 x 3,000 and 30 x 500 m2;
    frontage 1,500 m a parcel.
    """
    place = place or Place()
    line = place.line((0, 0), (LENGTH_M, 0))
    halves = [(0, 1500), (1500, 3000)]
    parcels = [place.box(u0, 0, u1, 200) for u0, u1 in halves] + [place.box(u0, -200, u1, 0) for u0, u1 in halves]
    layers = {
        "streams": frame([line.reverse() if reverse else line]),
        "properties": frame(parcels, parcel=["left-up", "left-down", "right-up", "right-down"]),
        "water": frame([place.box(-20, -3, LENGTH_M + 20, 3)]),
        "watershed": frame([place.box(-HEAD_M, -VALLEY_HALF_M, LENGTH_M, VALLEY_HALF_M)]),
    }
    return World(
        place,
        straight_height,
        straight_cover,
        (-605.0, -805.0, 3305.0, 805.0),
        layers,
        cover_extent=(-100.0, -120.0, 3100.0, 120.0),
        config=config,
    )
