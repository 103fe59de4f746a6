"""The picture at the foot of maps: what lies on top, what is told of it, what comes back from the file."""

from __future__ import annotations

import io

import numpy as np
import pytest
import rasterio
from PIL import Image

from gisprio.contracts.cards import Results
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.products.backdrop import PIXELS, backdrop_of, draw_backdrop, read_backdrop, write_backdrop
from gisprio.products.hillshade import draw_hillshade
from unit.products.product_world import CRS, make_settings

LATTICE = Lattice(500_000.0, 5_200_000.0, 10.0)


class LeftHalf:
    """An image, red over the left half; right of it there is no data."""

    def drawn(self, bounds, rows, columns):
        self.asked = (bounds, rows, columns)
        pixels = np.zeros((rows, columns, 4), np.uint8)
        pixels[:, : columns // 2] = (200, 10, 20, 255)
        return pixels


class Everywhere:
    def drawn(self, bounds, rows, columns):
        return np.full((rows, columns, 4), (1, 2, 3, 255), np.uint8)


class Nowhere:
    def drawn(self, bounds, rows, columns):
        return np.zeros((rows, columns, 4), np.uint8)


@pytest.fixture(scope="module")
def heights():
    row, column = np.mgrid[:30, :40]
    return ArraySource(Grid(100 + 0.3 * column - 0.2 * row, LATTICE))


def of(heights, picture=None):
    return Results({}, heights, make_settings(), {}, CRS, backdrop=None if picture is None else lambda: picture)


def test_without_an_image_it_is_the_hillshade(heights):
    assert backdrop_of(of(heights)) == draw_hillshade(heights, CRS)
    picture = draw_backdrop(heights, CRS)
    assert picture.pixels.shape[2] == 2
    assert not picture.has_image
    assert picture.exaggeration == 8.0


def test_an_image_lies_on_the_hillshade_and_takes_all_pixels(heights):
    image = LeftHalf()
    picture = draw_backdrop(heights, CRS, image)
    bounds, rows, columns = image.asked
    assert max(rows, columns) == PIXELS
    assert picture.bounds == bounds == draw_backdrop(heights, CRS).bounds
    middle = picture.pixels[rows // 2]
    assert middle[columns // 4].tolist() == [200, 10, 20, 255]
    red, green, blue, opacity = middle[3 * columns // 4].tolist()
    assert red == green == blue > 150
    assert opacity == 255
    assert (picture.exaggeration, picture.has_image) == (8.0, True)
    made = backdrop_of(of(heights, picture))
    assert (made.exaggeration, made.has_image) == (8.0, True)
    shown = np.asarray(Image.open(io.BytesIO(made.webp)).convert("RGB"))
    assert shown[rows // 2, columns // 4] == pytest.approx([200, 10, 20], abs=12)


def test_where_an_image_covers_all_heights_no_exaggeration_is_told(heights):
    picture = draw_backdrop(heights, CRS, Everywhere())
    assert (picture.exaggeration, picture.has_image) == (None, True)
    assert (picture.pixels == [1, 2, 3, 255]).all()


def test_an_image_that_lies_elsewhere_leaves_the_hillshade(heights):
    picture = draw_backdrop(heights, CRS, Nowhere())
    assert (picture.exaggeration, picture.has_image) == (8.0, False)
    assert picture.pixels.shape[2] == 2


@pytest.mark.parametrize(
    ("image", "tags", "colours"),
    [
        (None, {"shows": "hillshade", "exaggeration": "8"}, ["gray", "alpha"]),
        (
            LeftHalf(),
            {"shows": "image; hillshade where it has no data", "exaggeration": "8"},
            ["red", "green", "blue", "alpha"],
        ),
        (Everywhere(), {"shows": "image"}, ["red", "green", "blue", "alpha"]),
    ],
)
def test_the_file_opens_in_place_and_comes_back_whole(heights, tmp_path, image, tags, colours):
    picture = draw_backdrop(heights, CRS, image)
    path = tmp_path / "backdrop.tif"
    write_backdrop(path, of(heights, picture))
    with rasterio.open(path) as file:
        assert file.crs.to_epsg() == 3857
        assert tuple(file.bounds) == pytest.approx(picture.bounds, abs=1e-6)
        assert [one.name for one in file.colorinterp] == colours
        assert file.profile["compress"] == "deflate"
        told = file.tags()
    place = told.pop("west_south_east_north_m")
    assert [float(word) for word in place.split()] == list(picture.bounds)
    assert told == tags | {"AREA_OR_POINT": "Area"}
    back = read_backdrop(path)
    assert (back.pixels == picture.pixels).all()
    assert (back.bounds, back.exaggeration, back.has_image) == (
        picture.bounds, picture.exaggeration, picture.has_image,
    )  # fmt: skip
    write_backdrop(tmp_path / "again.tif", of(heights, back))
    assert (tmp_path / "again.tif").read_bytes() == path.read_bytes()


def test_without_heights_there_is_no_picture_and_a_clear_pixel_in_the_file(tmp_path):
    none = ArraySource(Grid(np.full((9, 9), np.nan), LATTICE))
    path = tmp_path / "backdrop.tif"
    write_backdrop(path, of(none))
    with rasterio.open(path) as file:
        assert file.read().tolist() == [[[0]], [[0]]]
    assert read_backdrop(path) is None
    assert backdrop_of(of(none)) is None
