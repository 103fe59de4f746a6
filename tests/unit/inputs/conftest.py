"""A small world of layers on disk: a straight stream down a V-shaped valley, 600 m square."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from numpy.typing import NDArray

from gisprio.contracts.errors import GisprioError
from gisprio.contracts.settings import Settings
from gisprio.inputs.config import read_settings

UTM = "EPSG:32633"
X0, Y0, SIDE = 500_000.0, 5_000_000.0, 600.0
STREAM_X = X0 + 300.0
LEGEND = "# min_width_m = 5\ncode,name,cover,c_factor\n1,wood,woody,0.001\n2,pasture,pasture,0.09\n"


@dataclass
class World:
    """Writes layers into a folder and a config beside them."""

    folder: Path

    def raster(
        self,
        name: str,
        values: NDArray[Any],
        cell_m: float = 10.0,
        x0: float = X0,
        y1: float = Y0 + SIDE,
        crs: str | None = UTM,
        **profile: Any,
    ) -> Path:
        path = self.folder / name
        with rasterio.open(
            path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1, dtype=values.dtype,
            crs=crs, transform=rasterio.Affine(cell_m, 0, x0, 0, -cell_m, y1), **profile,
        ) as file:  # fmt: skip
            file.write(values, 1)
        return path

    def heights(self, cell_m: float = 10.0, lift: float = 0.0) -> NDArray[np.float32]:
        """A valley 5 % steep to both sides of the stream, 0.2 % steep along it."""
        count = int(SIDE / cell_m)
        at = (np.arange(count) + 0.5) * cell_m
        across = np.abs(at - (STREAM_X - X0))[None, :]
        return (100 + lift + 0.05 * across + 0.002 * (SIDE - at)[:, None]).astype("float32")

    def cover(self, cell_m: float = 5.0) -> NDArray[np.uint8]:
        """Wood within 20 m of the stream, pasture beyond."""
        count = int(SIDE / cell_m)
        x = X0 + (np.arange(count) + 0.5) * cell_m
        return np.broadcast_to(np.where(np.abs(x - STREAM_X) < 20, 1, 2), (count, count)).astype("uint8")

    def vector(self, file: str, shapes: list[Any], crs: str | None = UTM, **columns: list[Any]) -> Path:
        path = self.folder / file
        frame = gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(shapes, crs=crs), crs=crs)
        if file.endswith("parquet"):
            frame.to_parquet(path)
        else:
            frame.to_file(path, engine="pyogrio")
        return path

    def line(self, x: float = STREAM_X) -> Any:
        return shapely.LineString([(x, Y0 + 550), (x, Y0 + 50)])

    def config(self, text: str = "", layers: str = "", columns: str = "", legend: str = "legend.csv") -> Path:
        path = self.folder / "world.toml"
        path.write_text(
            f"""[run]
name = "world"
output = "out"
[layers]
dem = "dem.tif"
land_cover = "cover.tif"
streams = "streams.gpkg"
{layers}
[columns]
{columns}
[land_cover]
legend = "{legend}"
{text}
""",
            encoding="utf-8",
        )
        return path

    def settings(self, *args: Any, **kwargs: Any) -> Settings:
        return read_settings(self.config(*args, **kwargs))


@pytest.fixture
def world(tmp_path: Path) -> World:
    """Give a world whose layers are all sound."""
    made = World(tmp_path)
    (tmp_path / "legend.csv").write_text(LEGEND, encoding="utf-8")
    made.raster("dem.tif", made.heights())
    made.raster("cover.tif", made.cover(), cell_m=5.0)
    made.vector("streams.gpkg", [made.line()], name=["Alder Run"])
    return made


@pytest.fixture
def message() -> Callable[..., str]:
    """Give the whole message a call ends in."""

    def caught(kind: type[GisprioError], call: Callable[..., Any], *args: Any) -> str:
        with pytest.raises(kind) as error:
            call(*args)
        return error.value.report()

    return caught
