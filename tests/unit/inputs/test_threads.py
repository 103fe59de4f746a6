"""GDAL datasets are not shared by threads: each thread opens its own, and all read the same."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import rasterio
from pyproj import CRS

from gisprio.inputs.paths import Place
from gisprio.inputs.raster_files import read_head
from gisprio.inputs.rasters import RasterSource

BOX = (-1e9, -1e9, 1e9, 1e9)


def test_two_threads_read_one_source_by_datasets_of_their_own_and_alike(world, monkeypatch):
    path = world.raster("a.tif", world.heights())
    source = RasterSource([read_head("dem", Place(str(path)))], CRS.from_epsg(32633), "heights")
    openers = []
    both = threading.Barrier(2, timeout=20)
    plain_open = rasterio.open

    def noted_open(*arguments, **options):
        openers.append(threading.get_ident())
        return plain_open(*arguments, **options)

    def read(_):
        both.wait()
        return [source.window(BOX).values for _ in range(3)]

    monkeypatch.setattr(rasterio, "open", noted_open)
    with ThreadPoolExecutor(2) as pool:
        got = [values for some in pool.map(read, range(2)) for values in some]
    assert len(openers) == len(set(openers)) == 2
    for values in got:
        np.testing.assert_array_equal(values, got[0])
    assert np.isfinite(got[0]).any()
    source.close()
