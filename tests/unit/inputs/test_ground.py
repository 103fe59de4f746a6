"""The ground looked at again: what is there is opened, what is gone is told, and what changed since the run."""

import numpy as np
import pyproj
import pytest

from gisprio.inputs.ground import open_ground
from gisprio.inputs.project import read_inputs

REGION = (500_000.0, 5_000_000.0, 500_600.0, 5_000_600.0)


def opened(settings, digests, *, named=True):
    crs = pyproj.CRS.from_epsg(32633)
    return open_ground(settings, crs, None, digests, REGION, named=named)


def test_the_layers_of_the_run_are_opened_and_known_again(world):
    settings = world.settings()
    inputs = read_inputs(settings)
    ground = opened(settings, inputs.digests)
    assert (ground.lacking, ground.doubts) == ({"image": "[layers] image is not given."}, {})
    for name, source in (("dem", ground.dem), ("land_cover", ground.land_cover)):
        own, read = (one.window(REGION).values for one in (source, inputs.rasters[name]))
        np.testing.assert_array_equal(own, read)
    assert ground.legend["name"].tolist() == ["wood", "pasture"]
    ground.close()


def test_polygons_are_drawn_as_in_the_run(world):
    import shapely

    x0, y0, x1, y1 = REGION
    shapes = [shapely.box(x0, y0, x0 + 300, y1), shapely.box(x0 + 300, y0, x1, y1)]
    world.vector("cover.gpkg", shapes, code=[1, 2])
    config = world.config(columns='land_cover.code = "code"')
    config.write_text(config.read_text().replace("cover.tif", "cover.gpkg"))
    from gisprio.inputs.config import read_settings

    settings = read_settings(config)
    inputs = read_inputs(settings)
    ground = opened(settings, inputs.digests)
    assert ground.doubts == {}
    np.testing.assert_array_equal(
        ground.land_cover.window(REGION).values, inputs.rasters["land_cover"].window(REGION).values
    )


def test_what_is_gone_or_changed_is_told_and_no_error(world):
    settings = world.settings(layers='image = "photo.tif"')
    (world.folder / "dem.tif").unlink()
    world.raster("cover.tif", np.full((120, 120), 2, np.uint8), cell_m=5.0)
    ground = opened(settings, {"dem": "a", "land_cover": "b"})
    assert ground.dem is None
    assert ground.image is None
    assert ground.lacking == {
        "dem": '[layers] dem: there is no file "dem.tif".',
        "image": '[layers] image: there is no file "photo.tif".',
    }
    assert ground.doubts == {"land_cover": "is not the one that the run read."}
    assert opened(settings, {}).doubts == {"land_cover": "was no layer of the run."}
    (world.folder / "legend.csv").unlink()
    assert opened(settings, {}).lacking["land_cover"].startswith('[land_cover] legend: "legend.csv" is no')


@pytest.mark.parametrize("name", ["dem", "land_cover"])
def test_a_relative_path_without_its_config_asks_for_it(world, name):
    file = {"dem": "dem.tif", "land_cover": "cover.tif"}[name]
    assert opened(world.settings(), {}, named=False).lacking[name] == (
        f"[layers] {name}: {file} is relative to the config; add --config CONFIG to say where that is."
    )
