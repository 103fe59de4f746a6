"""The data of the map: what goes in comes out, within the digits promised."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from gisprio.products.payload import decode, encode, pack_numbers, pack_shapes, pack_words
from unit.products.product_world import CRS, EVIL

SHAPES = gpd.GeoSeries(
    [
        shapely.LineString([(500_000, 5_200_000), (500_100, 5_200_050), (500_130, 5_200_200)]),
        shapely.MultiLineString([[(1e5, 5e6), (1.001e5, 5e6)], [(2e5, 5e6), (2e5, 5.0001e6), (2.1e5, 5.1e6)]]),
    ]
)
LAND = gpd.GeoSeries(
    [
        shapely.Polygon([(0, 0), (90, 0), (90, 90), (0, 90)], [[(30, 30), (60, 30), (60, 60)]]),
        shapely.MultiPolygon([shapely.box(200, 0, 300, 100), shapely.box(400, 0, 500, 100)]),
    ]
).translate(500_000, 5_200_000)


def places(packed):
    """Decode as the page does: sums of differences, cut into runs."""
    xy = np.cumsum(np.column_stack([packed["x"], packed["y"]]), axis=0) / 10 ** packed["digits"]
    return np.split(xy, np.cumsum(packed["points"])[:-1])


def test_text_comes_back_whatever_it_holds():
    data = {"names": list(EVIL), "n": [1, None, -3]}
    text = encode(data)
    assert decode(text) == data
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")
    assert encode(data) == text


def test_numbers_come_back_within_half_a_digit():
    given = pd.Series([0.0, 12.3456, None, -7.05])
    packed = pack_numbers(given, 2)
    assert packed == {"d": 2, "v": [0, 1235, None, -705]}
    assert pack_numbers(pd.Series([3, None], dtype="Int64"), 0) == {"d": 0, "v": [3, None]}


def test_words_are_sent_once_each():
    assert pack_words(pd.Series(["crop", "bare", None, "crop"])) == {"w": ["bare", "crop"], "v": [1, 0, -1, 1]}


@pytest.mark.parametrize("shapes", [SHAPES, LAND], ids=["lines", "polygons"])
def test_places_come_back_within_a_decimetre(shapes):
    packed = pack_shapes(shapes, CRS, 0.0)
    back = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    got = np.vstack([np.column_stack(back.transform(run[:, 0], run[:, 1])) for run in places(packed)])
    want = shapely.get_coordinates(np.asarray(shapes.values))
    assert got == pytest.approx(want, abs=0.1)


def test_parts_and_rings_are_runs_of_their_own():
    assert pack_shapes(SHAPES, CRS, 0.0)["parts"] == [1, 2]
    assert pack_shapes(SHAPES, CRS, 0.0)["points"] == [3, 2, 3]
    assert pack_shapes(LAND, CRS, 0.0)["parts"] == [2, 2]
    assert pack_shapes(LAND, CRS, 0.0)["points"] == [5, 4, 5, 5]


def test_lines_are_simplified_within_the_tolerance():
    wiggle = shapely.LineString([(500_000 + i, 5_200_000 + (i % 2)) for i in range(101)])
    packed = pack_shapes(gpd.GeoSeries([wiggle]), CRS, 1.5)
    assert packed["points"] == [2]


def test_no_shape_at_all():
    packed = pack_shapes(gpd.GeoSeries([], crs=CRS), CRS, 1.0)
    assert packed == {"digits": 6, "parts": [], "points": [], "x": [], "y": []}
