"""Images of the ground: colours at their places, what they are made of, and what is no image."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import rasterio
from rasterio.enums import ColorInterp

from gisprio.contracts.errors import InputError
from gisprio.inputs import images
from gisprio.inputs.checks import check_inputs
from gisprio.inputs.images import Image
from gisprio.inputs.paths import Place
from gisprio.inputs.project import read_inputs
from gisprio.inputs.raster_files import read_head
from unit.inputs.conftest import SIDE, UTM, X0, Y0

TO_MAP = pyproj.Transformer.from_crs(UTM, "EPSG:3857", always_xy=True)
BOUNDS = TO_MAP.transform_bounds(X0, Y0, X0 + SIDE, Y0 + SIDE)
N = 240  # cells along a side: 2.5 m


def image_file(path, bands, colours=None, x0=X0, crs=UTM, **profile):
    bands = np.asarray(bands)
    size = SIDE / bands.shape[2]
    with rasterio.open(
        path, "w", driver="GTiff", count=len(bands), height=bands.shape[1], width=bands.shape[2], dtype=bands.dtype,
        crs=crs, transform=rasterio.Affine(size, 0, x0, 0, -size, Y0 + SIDE), **profile,
    ) as file:  # fmt: skip
        if colours:
            file.colorinterp = colours
        file.write(bands)
    return path


def drawn(*paths, rows=100, columns=100, bounds=BOUNDS):
    return Image([read_head("image", Place(str(path))) for path in paths]).drawn(bounds, rows, columns)


def place_colours():
    """Red tells the way east, green the way south, in 256ths of the side; blue is 9."""
    at = (np.arange(N) + 0.5) / N * 256
    east, south = np.meshgrid(at, at)
    return np.stack([east, south, np.full((N, N), 9.0)]).astype(np.uint8)


def places(rows, columns, bounds=BOUNDS, east_m=0.0):
    """Give the share of the side east and south of each pixel's centre, by pyproj alone."""
    x0, y0, x1, y1 = bounds
    x = x0 + (np.arange(columns) + 0.5) / columns * (x1 - x0)
    y = y1 - (np.arange(rows) + 0.5) / rows * (y1 - y0)
    east, north = TO_MAP.transform(*np.meshgrid(x, y), direction="INVERSE")
    return (east - X0 - east_m) / SIDE, 1 - (north - Y0) / SIDE


@pytest.mark.parametrize(("rows", "columns"), [(100, 90), (400, 400)])
def test_each_colour_lies_at_its_place(tmp_path, rows, columns):
    far = 250_000.0  # from the zone's meridian, where grids are turned by 2 degrees against each other
    path = image_file(tmp_path / "rgb.tif", place_colours(), x0=X0 + far, photometric="RGB")
    bounds = TO_MAP.transform_bounds(X0 + far - 50, Y0 - 50, X0 + far + SIDE + 50, Y0 + SIDE + 50)
    got = drawn(path, rows=rows, columns=columns, bounds=bounds)
    east, south = places(rows, columns, bounds, far)
    inside = (east > 0) & (east < 1) & (south > 0) & (south < 1)
    assert 0.6 < inside.mean() < 0.8
    edge = np.minimum(np.minimum(east, 1 - east), np.minimum(south, 1 - south)) > 0.02
    assert (got[..., 3] == 255)[edge].all()
    assert not got[..., 3][(east < -0.01) | (east > 1.01) | (south < -0.01) | (south > 1.01)].any()
    assert np.abs(got[..., 0].astype(float) - 256 * east)[edge].max() < 3
    assert np.abs(got[..., 1].astype(float) - 256 * south)[edge].max() < 3
    assert (got[..., 2] == 9)[edge].all()


def test_a_part_is_drawn_from_the_window_that_shows(tmp_path, monkeypatch):
    path = image_file(tmp_path / "rgb.tif", place_colours(), photometric="RGB")
    asked = []
    read = images._read
    monkeypatch.setattr(images, "_read", lambda file, *how: asked.append(how) or read(file, *how))
    x0, y0, x1, y1 = BOUNDS
    corner = (x0, y1 - (y1 - y0) / 4, x0 + (x1 - x0) / 4, y1)
    got = drawn(path, rows=20, columns=20, bounds=corner)
    ((window, shape),) = asked
    assert max(window.width, window.height) < N / 4 + 6
    assert max(shape) <= 24
    east, _ = places(20, 20, corner)
    ok = got[..., 3] > 0
    assert ok.mean() > 0.9
    assert np.abs(got[..., 0].astype(float) - 256 * east)[ok].max() < 4
    assert drawn(path, bounds=(x1 + 1e5, y0, x1 + 2e5, y1))[..., 3].max() == 0
    assert len(asked) == 1


def test_grey_opacity_no_data_and_a_palette(tmp_path):
    grey = np.full((1, N, N), 77, np.uint8)
    assert drawn(image_file(tmp_path / "grey.tif", grey))[50, 50].tolist() == [77, 77, 77, 255]
    grey[:, :, : N // 2] = 0
    got = drawn(image_file(tmp_path / "none.tif", grey, nodata=0))
    assert (got[50, 25, 3], got[50, 75].tolist()) == (0, [77, 77, 77, 255])
    clear = np.concatenate([place_colours(), np.where(grey > 0, 255, 0).astype(np.uint8)])
    colours = [ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.alpha]
    got = drawn(image_file(tmp_path / "alpha.tif", clear, colours, photometric="RGB", alpha="unspecified"))
    assert (got[50, 25, 3], got[50, 75, 3]) == (0, 255)
    more = [ColorInterp.gray, ColorInterp.undefined, ColorInterp.alpha]
    bands = np.concatenate([grey, grey // 7, clear[3:]])
    got = drawn(image_file(tmp_path / "more.tif", bands, more, photometric="MINISBLACK"))
    assert (got[50, 25, 3], got[50, 75].tolist()) == (0, [77, 77, 77, 255])
    path = image_file(tmp_path / "palette.tif", (grey > 0).astype(np.uint8), photometric="PALETTE")
    with rasterio.open(path, "r+") as file:
        file.write_colormap(1, {0: (10, 20, 30, 255), 1: (200, 100, 50, 255)})
    got = drawn(path)
    assert got[50, 25].tolist() == [10, 20, 30, 255]
    assert got[50, 75].tolist() == [200, 100, 50, 255]


def test_colours_are_found_by_their_names_and_four_bands_are_no_opacity(tmp_path):
    red, green, blue = place_colours()[0], np.full((N, N), 50, np.uint8), np.full((N, N), 60, np.uint8)
    infrared = np.zeros((N, N), np.uint8)
    named = [ColorInterp.undefined, ColorInterp.blue, ColorInterp.green, ColorInterp.red]
    got = drawn(image_file(tmp_path / "cir.tif", [infrared, blue, green, red], named))
    assert got[50, 75, 1:].tolist() == [50, 60, 255]
    assert int(got[50, 75, 0]) == pytest.approx(192, abs=4)
    plain = [ColorInterp.gray, *[ColorInterp.undefined] * 3]
    got = drawn(image_file(tmp_path / "plain.tif", [red, green, blue, infrared], plain))
    assert got[50, 75, 1:].tolist() == [50, 60, 255]


def test_of_what_files_share_the_first_shows(tmp_path):
    one = image_file(tmp_path / "one.tif", np.full((1, N, N), 10, np.uint8), x0=X0 - SIDE / 2)
    two = image_file(tmp_path / "two.tif", np.full((1, N, N), 20, np.uint8))
    got = drawn(one, two)
    assert (got[50, 25, 0], got[50, 75, 0]) == (10, 20)
    assert drawn(two, one)[50, 25, 0] == 20


def test_an_image_is_read_with_the_layers_and_its_bands_are_no_note(world):
    image_file(world.folder / "photo.tif", place_colours(), photometric="RGB")
    settings = world.settings(layers='image = "photo.tif"')
    inputs = read_inputs(settings)
    assert inputs.image.drawn(BOUNDS, 10, 10)[5, 5, 2] == 9
    assert {"image"} == set(inputs.digests) - {"dem", "land_cover", "streams", "legend"}
    assert not [one for one in inputs.findings if one.layer == "image"]
    assert read_inputs(world.settings()).image is None


def test_what_is_no_image_is_told(world, message):
    image_file(world.folder / "deep.tif", np.full((1, N, N), 900, np.uint16))
    image_file(world.folder / "lost.tif", np.full((1, N, N), 9, np.uint8), crs=None)
    (world.folder / "torn.tif").write_bytes(b"II*\0 no more")
    settings = world.settings(layers='image = ["deep.tif", "lost.tif", "torn.tif"]')
    assert message(InputError, read_inputs, settings) == (
        "InputError: 3 layers cannot be used.\n"
        "  1. [layers] image: deep.tif holds numbers of kind uint16, which are no colours.\n"
        "     Wanted: 8 bits a band: grey, or red, green and blue.\n"
        "     Do: save it from your GIS as a rendered image, with the colours you see there.\n"
        "  2. lost.tif has no coordinate reference system.\n"
        '     Wanted: a projected system in metres, as in [run] crs = "EPSG:...".\n'
        "     Do: assign it in your GIS, or give the path with a .prj beside it.\n"
        "  3. [layers] image: torn.tif cannot be read as a raster.\n"
        "     Wanted: a raster that GDAL reads, such as GeoTIFF.\n"
        "     Do: open it in your GIS to see whether it is whole, and save it as GeoTIFF."
    )


def test_an_image_that_ends_early_is_told_when_it_is_drawn(tmp_path, message):
    path = image_file(tmp_path / "photo.tif", place_colours(), photometric="RGB", compress="deflate")
    head = read_head("image", Place(str(path)))
    path.write_bytes(path.read_bytes()[:600])
    assert message(InputError, Image([head]).drawn, BOUNDS, 20, 20) == (
        "InputError: photo.tif could be opened, but not read to its end.\n"
        "  Wanted: a whole file.\n"
        "  Do: copy or download it again."
    )


def test_an_image_of_another_place_stops_the_run(world):
    image_file(world.folder / "photo.tif", place_colours(), x0=X0 + 90_000, photometric="RGB")
    settings = world.settings(layers='image = "photo.tif"')
    (found,) = [one for one in check_inputs(read_inputs(settings), settings) if one.severity == "error"]
    assert (found.layer, found.check) == ("image", "no_overlap")
