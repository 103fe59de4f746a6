"""Hillshade: slopes of planes, light by hand, place on the globe."""

from __future__ import annotations

import io
import math

import numpy as np
import pyproj
import pytest
from PIL import Image

from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.products.hillshade import choose_exaggeration, coarse_heights, draw_hillshade, shade, slopes
from unit.products.product_world import CRS

LATTICE = Lattice(500_000.0, 5_200_000.0, 10.0)


def plane(rows=40, columns=60, east=0.0, north=0.0):
    row, column = np.mgrid[:rows, :columns]
    return Grid(100 + 10.0 * (east * column - north * row), LATTICE)


def picture(made):
    return np.asarray(Image.open(io.BytesIO(made.webp)).convert("RGBA"))


def test_slopes_of_a_plane_are_its_own():
    east, north = slopes(plane(east=0.2, north=-0.1))
    assert east[1:-1, 1:-1] == pytest.approx(0.2)
    assert north[1:-1, 1:-1] == pytest.approx(-0.1)


def test_flat_ground_gets_the_sine_of_the_lights_height():
    assert shade(plane(), 1.0).values == pytest.approx(math.sin(math.radians(45)))


def test_a_slope_to_the_north_west_is_lit_and_one_to_the_south_east_is_dark():
    # Ground that falls to the north-west rises to the east and falls to the north.
    lit = shade(plane(east=0.3, north=-0.3), 1.0).values[20, 30]
    dark = shade(plane(east=-0.3, north=0.3), 1.0).values[20, 30]
    assert lit > math.sin(math.radians(45)) > dark


def test_one_light_by_hand():
    # Rising 1 in 1 to the east: the light from the west meets it square (1), those from south-west and
    # north-west at 45 degrees round (0.5 + 0.5/sqrt 2), that from the north at 60 degrees (0.5).
    round_corner = 0.5 + 0.5 / math.sqrt(2)
    want = 0.55 * round_corner + 0.15 * 1.0 + 0.15 * 0.5 + 0.15 * round_corner
    assert shade(plane(east=1.0), 1.0).values[20, 30] == pytest.approx(want)


def test_blocks_are_means_of_what_is_known():
    values = np.arange(24.0).reshape(4, 6)
    values[0, 0] = np.nan
    got = coarse_heights(ArraySource(Grid(values, LATTICE)), 3)
    assert got.lattice == Lattice(500_000.0, 5_200_000.0, 20.0)
    assert got.values.tolist() == [[(1 + 6 + 7) / 3, 5.5, 7.5], [15.5, 17.5, 19.5]]


def test_a_rest_of_rows_and_columns_makes_blocks_of_its_own():
    got = coarse_heights(ArraySource(Grid(np.arange(15.0).reshape(3, 5), LATTICE)), 3)
    assert got.values.tolist() == [[3.0, 5.0, 6.5], [10.5, 12.5, 14.0]]


def test_a_value_of_no_data_is_no_height():
    values = np.full((4, 4), 50.0)
    values[:2, :2] = -9999
    got = coarse_heights(ArraySource(Grid(values, LATTICE, nodata=-9999)), 2)
    assert np.isnan(got.values[0, 0])
    assert got.values[1, 1] == 50


@pytest.mark.parametrize(("slope", "want"), [(0.5, 1.0), (0.09, 4.0), (0.001, 8.0), (0.0, 1.0)])
def test_flat_land_is_exaggerated_at_most_eight_times(slope, want):
    assert choose_exaggeration(plane(east=slope)) == want


def test_the_picture_lies_where_the_grid_lies():
    made = draw_hillshade(ArraySource(plane(400, 600)), CRS, pixels=300)
    to_degrees = pyproj.Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    west, south, east, north = to_degrees.transform_bounds(500_000, 5_196_000, 506_000, 5_200_000)
    assert (made.west, made.south) == pytest.approx((west, south), abs=1e-6)
    assert (made.east, made.north) == pytest.approx((east, north), abs=1e-6)
    assert max(picture(made).shape) == 300


def test_ridge_is_drawn_at_its_own_place():
    values = np.full((400, 400), 100.0)
    values[:, 300:] = np.nan
    made = draw_hillshade(ArraySource(Grid(values, LATTICE)), CRS, pixels=400)
    alpha = picture(made)[..., 3] > 127
    to_map = pyproj.Transformer.from_crs(CRS, "EPSG:3857", always_xy=True)
    x0, _, x1, _ = to_map.transform_bounds(500_000, 5_196_000, 504_000, 5_200_000, densify_pts=21)
    edge = to_map.transform(503_000.0, 5_198_000.0)[0]
    middle = alpha[alpha.shape[0] // 2]
    assert middle.sum() == pytest.approx((edge - x0) / (x1 - x0) * len(middle), abs=2)


def test_no_height_gives_no_picture():
    assert draw_hillshade(ArraySource(Grid(np.full((9, 9), np.nan), LATTICE)), CRS) is None


def test_equal_heights_give_equal_bytes():
    source = ArraySource(plane(80, 80, east=0.1))
    assert draw_hillshade(source, CRS).webp == draw_hillshade(source, CRS).webp
