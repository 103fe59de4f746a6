"""Memory of reading heights by the size of the raster.

Measured: `block_means` over the whole of a raster, then a row of tile windows across it, in a fresh process for each
size; 25e6 and 100e6 cells of 1 m in two rows of files, packed in blocks of 512 cells. Anchor: the smaller raster. Goal:
at most 1.1 times its highest memory, of which what is given back (10 bytes a routing cell of 10 m) is a part.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from tests.benchmarks.fresh import Measured, in_own_process, timed
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

SIDES = (5_000, 10_000)
GOAL = 1.1
_BLOCK = 512
_FILES = 2


def rows(session: Session) -> Sequence[Row]:
    """Compare the two sizes."""
    less, more = (in_own_process("raster_memory:read_heights", side=side) for side in SIDES)
    return [
        Row(
            f"memory of reading heights, {SIDES[0] ** 2 / 1e6:.0f}e6 to {SIDES[1] ** 2 / 1e6:.0f}e6 cells",
            more["peak_mb"] / less["peak_mb"],
            f"VmHWM of fresh processes: {less['peak_mb']:.0f} and {more['peak_mb']:.0f} MiB; {more['seconds']:.1f} s",
            GOAL,
        )
    ]


def read_heights(side: int) -> Measured:
    """Write a raster of ``side`` x ``side`` cells, average it and read a row of windows across it."""
    from gisprio.compute.terrain.relief import block_means

    with TemporaryDirectory() as folder:
        source = heights_over(write_tiles(Path(folder), side))
        seconds, (means, _, _) = timed(lambda: block_means(source, 10))
        windows, cells = timed(lambda: sum(source.window(bounds).values.size for bounds in row_of_tiles(source, side)))
        source.close()
    return {"seconds": seconds + windows, "mean": float(means.values.mean()), "cells": cells}


def write_tiles(folder: Path, side: int) -> list[Path]:
    """Write a raster as 2 x 2 files, block by block."""
    import numpy as np
    import rasterio
    from rasterio.windows import Window

    block = np.random.default_rng(1).integers(10_000, 11_000, (_BLOCK, _BLOCK)).astype("float32") / 100
    part, paths = side // _FILES, []
    for number in range(_FILES**2):
        row, column = divmod(number, _FILES)
        paths.append(folder / f"tile_{number}.tif")
        with rasterio.open(
            paths[-1], "w", driver="GTiff", width=part, height=part, count=1, dtype="float32", crs="EPSG:32617",
            transform=rasterio.Affine(1, 0, 5e5 + column * part, 0, -1, 5e6 - row * part),
            tiled=True, blockxsize=_BLOCK, blockysize=_BLOCK, compress="deflate", zlevel=1,
        ) as file:  # fmt: skip
            for top in range(0, part, _BLOCK):
                for left in range(0, part, _BLOCK):
                    down, right = min(_BLOCK, part - top), min(_BLOCK, part - left)
                    file.write(block[:down, :right], 1, window=Window(left, top, right, down))
    return paths


def heights_over(paths: Sequence[Path]):
    """Give the heights of some files."""
    from pyproj import CRS

    from gisprio.inputs.paths import Place
    from gisprio.inputs.rasters import RasterSource
    from gisprio.inputs.tile_index import TileIndex

    index = TileIndex()
    heads = [index.head("dem", Place(str(path))) for path in paths]
    return RasterSource(heads, CRS.from_epsg(32617), "heights")


def row_of_tiles(source, side: int) -> list[tuple[float, float, float, float]]:
    """Give windows of 1000 cells side by side, across the middle of a raster."""
    x, y = source.lattice.x0, source.lattice.y0 - side / 2
    return [(x + left, y - 500, x + left + 1000, y + 500) for left in range(0, side, 1000)]


PART = Part("raster_memory", rows)
