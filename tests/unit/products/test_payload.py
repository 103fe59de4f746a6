"""The data of the map: what goes in comes out, within the digits promised."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely

from gisprio.products.packing import LETTERS, MARK, join_ids, join_texts, read_text, split_ids, split_texts, write_text
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
    """Decode as the page does: sums of differences, cut into runs; a ring's first point is also its last."""
    xy = np.cumsum(np.column_stack([packed["x"], packed["y"]]), axis=0) / 10 ** packed["digits"]
    runs = np.split(xy, np.cumsum(packed["points"])[:-1])
    return [np.vstack([run, run[:1]]) for run in runs] if packed["closed"] else runs


def test_text_comes_back_whatever_it_holds():
    data = {"names": list(EVIL), "n": [1, None, -3]}
    text = encode(data)
    assert decode(text) == data
    assert set(text) <= {*LETTERS, " "}
    assert encode(data) == text


@pytest.mark.parametrize("count", [0, 1, 2, 12, 13, 14, 1000])
def test_bytes_come_back_from_letters_that_begin_no_tag(count):
    data = np.random.default_rng(count).integers(0, 256, count, dtype=np.uint8).tobytes()
    text = write_text(data)
    assert read_text(text) == data
    assert set(text) <= {*LETTERS, " "}
    assert len(LETTERS) == 91
    assert not set("<&{ ") & set(LETTERS)


def test_numbers_come_back_within_half_a_digit():
    given = pd.Series([0.0, 12.3456, None, -7.05])
    packed = pack_numbers(given, 2)
    assert (packed["d"], packed["v"].tolist()) == (2, [0, 1235, None, -705])
    assert pack_numbers(pd.Series([3, None], dtype="Int64"), 0)["v"].tolist() == [3, None]


def test_words_are_sent_once_each():
    packed = pack_words(pd.Series(["crop", "bare", None, "crop"]))
    assert (packed["w"], packed["v"].tolist()) == (["bare", "crop"], [1, 0, -1, 1])
    assert pack_words(pd.Series([None, None], dtype=object))["v"].tolist() == [-1, -1]


@pytest.mark.parametrize(
    "values",
    [
        [],
        [0],
        [-1, 1, -128, 127, 128, 255, 256, -32768, 65535],
        list(range(5000, 9000)),  # smaller as differences
        [None, 7, None, None, 9, 8, None],
        [None, *range(300_000, 309_000), None, *range(300_000), None],
        [2**40, -(2**45), None],
        [None, -3_000, 7_000, 12_000],
        [None, None],
    ],
    ids=["none", "zero", "signs", "steps", "nulls", "steps and nulls", "large", "times", "all null"],
)
def test_arrays_come_back_exactly(values):
    numbers = pd.Series(values, dtype="Float64")
    data = {"column": pack_numbers(numbers, 0), "list": [{"own": np.arange(3)}]}
    assert decode(encode(data)) == {"column": {"d": 0, "v": values}, "list": [{"own": [0, 1, 2]}]}


def test_equal_arrays_lie_there_once():
    column = pack_numbers(pd.Series(np.random.default_rng(1).integers(0, 1000, 5000)), 0)
    twice = {"a": column, "b": {"c": column["v"].copy()}, "d": pack_numbers(pd.Series([4, 9]), 0)}
    assert len(encode(twice)) < 1.1 * len(encode({"a": column}))
    assert decode(encode(twice)) == {"a": plain(column), "b": {"c": column["v"].tolist()}, "d": {"d": 0, "v": [4, 9]}}


def plain(packed):
    return {**packed, "v": packed["v"].tolist()}


def test_a_rank_lies_in_the_order_of_its_score_and_comes_back_in_the_order_of_rows():
    draw = np.random.default_rng(5)
    score = pd.Series(draw.integers(0, 900, 4000) / 10).mask(draw.random(4000) < 0.1)
    rank = pack_numbers(score.rank(method="min", ascending=False), 0)
    table = {"erosion_score": pack_numbers(score, 1), "erosion_rank": rank}
    assert len(encode(table)) < 0.7 * len(encode({"erosion_score": table["erosion_score"], "other": rank}))
    assert decode(encode(table)) == {name: plain(column) for name, column in table.items()}


def test_columns_may_follow_a_column_that_follows():
    value = pd.Series(np.random.default_rng(5).random(3000)).mask(np.arange(3000) % 7 == 3)
    columns = {"value": pack_numbers(value, 3), "score": pack_numbers(value.fillna(0.5) * 100, 1)}
    columns["worst"] = pack_numbers(value.fillna(0.5) * 90, 1)
    assert decode(encode(columns)) == {name: plain(column) for name, column in columns.items()}


@pytest.mark.parametrize("values", [[3, None, -1], [3] * 300 + [None], [True] * 300, [0.5] * 300, ["1"] * 300])
def test_plain_lists_come_back_as_they_were(values):
    assert decode(encode({"list": values})) == {"list": values}


SENTENCES = [
    f"A flow of {k / 10:.1f} W/m2, {k % 100} % of the strip, "
    f"rule {k % 3:04d}, 1.23456 and 1.2.{k % 3}, no. {10**12 + k % 3}, 0.{k % 90:02d}"
    for k in range(500)
]


def test_sentences_that_differ_by_numbers_are_sent_as_one_text_and_numbers():
    texts = sorted([*SENTENCES, "No number.", *(f"{text} and 7" for text in SENTENCES), *EVIL])
    forms, codes, numbers = split_texts(texts)
    assert len(forms) < 50
    assert join_texts(forms, codes.tolist(), numbers.tolist()) == texts
    words = pack_words(pd.Series([*texts[::-1], None], dtype=object))
    assert decode(encode({"why": words})) == {"why": plain(words)}
    assert len(encode({"why": words})) < 0.5 * len(encode({"why": words["w"]}))


def test_ids_that_begin_alike_are_sent_by_their_ends():
    ids = [f"{seed}K7QX-{k:02d}-{side}" for seed in ("A1", "A1B", "Z") for k in range(90) for side in "LR"]
    ends, codes, same = split_ids(ids)
    assert len(ends) < 120
    assert join_ids(ends, codes.tolist(), same.tolist()) == ids
    assert decode(encode({"table": {"id": ids}})) == {"table": {"id": ids}}
    assert split_ids(ids[:50]) is None
    assert split_ids([*ids, "x" * 300]) is None
    assert split_ids([f"{k:x}" * 5 for k in range(300)]) is None
    assert split_ids([*ids, "Bäche"]) is None


def test_few_or_unlike_texts_and_those_with_a_mark_are_left():
    assert split_texts(SENTENCES[:50]) is None
    assert split_texts([chr(97 + k % 26) * k for k in range(300)]) is None
    assert split_texts([f"{MARK}{k}" for k in range(300)]) is None


@pytest.mark.parametrize("shapes", [SHAPES, LAND], ids=["lines", "polygons"])
def test_places_come_back_within_a_metre(shapes):
    packed = pack_shapes(shapes, CRS, 0.0)
    back = pyproj.Transformer.from_crs("EPSG:4326", CRS, always_xy=True)
    got = np.vstack([np.column_stack(back.transform(run[:, 0], run[:, 1])) for run in places(packed)])
    want = shapely.get_coordinates(np.asarray(shapes.values))
    assert np.hypot(*(got - want).T).max() < 0.7


def test_parts_and_rings_are_runs_of_their_own():
    lines, land = pack_shapes(SHAPES, CRS, 0.0), pack_shapes(LAND, CRS, 0.0)
    assert (lines["closed"], lines["parts"].tolist(), lines["points"].tolist()) == (False, [1, 2], [3, 2, 3])
    assert (land["closed"], land["parts"].tolist(), land["points"].tolist()) == (True, [2, 2], [4, 3, 4, 4])


def test_lines_are_simplified_within_the_tolerance():
    wiggle = shapely.LineString([(500_000 + i, 5_200_000 + (i % 2)) for i in range(101)])
    packed = pack_shapes(gpd.GeoSeries([wiggle]), CRS, 1.5)
    assert packed["points"].tolist() == [2]


def test_slivers_are_left_out_but_never_a_whole_shape():
    sliver = shapely.box(0, 0, 1, 0.5)
    hole = shapely.box(30, 30, 31.5, 31.5)
    shapes = [shapely.MultiPolygon([shapely.box(10, 10, 50, 50) - hole, sliver]), sliver]
    packed = pack_shapes(gpd.GeoSeries(shapes).translate(500_000, 5_200_000), CRS, 2.0)
    assert packed["parts"].tolist() == [1, 1]
    assert pack_shapes(gpd.GeoSeries(shapes), CRS, 0.5)["parts"].tolist() == [3, 1]


def test_too_many_points_are_simplified_further_and_it_is_said():
    wave = shapely.LineString([(500_000 + 5 * i, 5_200_000 + 3 * np.sin(i / 3)) for i in range(400)])
    free, held = (pack_shapes(gpd.GeoSeries([wave] * 5), CRS, 0.5, most=most) for most in (10_000, 200))
    assert (free["tolerance_m"], held["tolerance_m"]) == (0.5, 8.0)
    assert free["points"].sum() > 200 >= held["points"].sum()
    assert pack_shapes(gpd.GeoSeries([wave] * 5), CRS, 0.5, most=2)["tolerance_m"] == 32.0


def test_no_shape_at_all():
    packed = pack_shapes(gpd.GeoSeries([], crs=CRS), CRS, 1.0)
    assert decode(encode(packed)) == {
        "digits": 5, "closed": False, "tolerance_m": 1.0, "parts": [], "points": [], "x": [], "y": []
    }  # fmt: skip
