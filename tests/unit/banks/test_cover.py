"""Cover along transects: worked by hand on rows of classes."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.cover import (
    buffer_width,
    class_mask,
    commonest,
    is_coarse,
    measure_cover,
    missing_by_place,
    skipped,
)
from gisprio.compute.banks.stations import lay_stations
from gisprio.contracts.layers import SIDE_COVER
from gisprio.contracts.schema import check
from gisprio.contracts.words import COVERS
from tables import nearby, network, no_works, settings, source

LETTERS = {"w": "woody", "g": "pasture", "~": "water", "b": "bare", "m": "wetland", "?": None}
COUNTS = class_mask(("woody", "wetland"))


def row(text: str) -> np.ndarray:
    """One transect of 1 m samples, a letter each."""
    return np.array([[COVERS.index(LETTERS[c]) if LETTERS[c] else -1 for c in text]], np.int8)


@pytest.mark.parametrize(
    ("transect", "width"),
    [
        ("w" * 12 + "g" * 21, 12.0),
        ("w" * 33, 30.0),
        ("g" * 33, 0.0),
        ("w" * 5 + "g" * 3 + "w" * 25, 30.0),  # an opening of 3 m is passed over
        ("w" * 5 + "g" * 4 + "w" * 24, 5.0),  # one of 4 m ends the buffer
        ("w" * 5 + "g" * 3 + "w" * 2 + "g" * 23, 10.0),  # the opening counts as width when cover follows
        ("ggg" + "w" * 30, 30.0),
        ("gggg" + "w" * 29, 0.0),
        ("w" * 28 + "ggg" + "ww", 30.0),  # an opening across the setback line, cover follows
        ("w" * 28 + "g" * 5, 28.0),
        ("m" * 10 + "w" * 10 + "g" * 13, 20.0),
    ],
)
def test_buffer_width(transect, width):
    nothing = np.zeros((1, 30), bool)
    assert buffer_width(row(transect), COUNTS, nothing, 1.0, 3.0, 30.0).tolist() == [width]


def test_water_at_the_bank_is_neither_cover_nor_opening():
    transect = row("~~~~" + "w" * 12 + "g" * 17)
    skip = skipped(transect[:, :30], 5.0, 1.0)
    assert skip.sum() == 4
    assert buffer_width(transect, COUNTS, skip, 1.0, 3.0, 30.0).tolist() == [12.0]


def test_water_is_skipped_for_one_cell_only_and_bare_ground_only_with_water():
    assert skipped(row("~" * 9 + "w" * 21), 5.0, 1.0).sum() == 5
    assert skipped(row("bb~" + "w" * 27), 5.0, 1.0).sum() == 3
    assert skipped(row("bbb" + "w" * 27), 5.0, 1.0).sum() == 0  # a bare bank is no bar


@pytest.mark.parametrize(
    ("transect", "share"),
    [
        ("w" * 30, 0.0),
        ("g" * 30, 1.0),
        ("g" * 10 + "w" * 20, 0.5),
        ("w" * 10 + "g" * 10 + "w" * 10, 0.3),
        ("w" * 20 + "g" * 10, 0.2),
        ("g" * 5 + "w" * 25, 0.25),
    ],
)
def test_missing_metres_count_by_place(transect, share):
    absent = row(transect) == COVERS.index("pasture")
    assert missing_by_place(absent, np.zeros_like(absent))[0] == pytest.approx(share)


def test_missing_needs_something_known():
    absent = np.zeros((1, 30), bool)
    assert np.isnan(missing_by_place(absent, np.ones((1, 30), bool))[0])


def test_commonest_prefers_what_does_not_count():
    classes = row("w" * 20 + "g" * 6 + "b" * 4)
    assert commonest(classes, classes != COVERS.index("woody")).tolist() == ["pasture"]
    assert commonest(row("w" * 30), np.zeros((1, 30), bool)).tolist() == ["woody"]
    assert commonest(row("?" * 30), np.zeros((1, 30), bool)).tolist() == [None]


def test_coarse_is_over_a_third_of_the_setback():
    assert not is_coarse(10.0, 30.0)
    assert is_coarse(10.1, 30.0)


def _measured(values, cell_m, **sections):
    core = network(shapely.LineString([(0, 1000), (0, 0)]))
    made = settings(**sections)
    stations = lay_stations(core, {"segments": core["segments"]}, {}, made)["stations"]
    points = find_bank_lines({"stations": stations}, nearby(), {}, made)["bank_points"]
    sources = {"land_cover": source(values, -200.0, 1100.0, cell_m, 0)}
    core = {"bank_points": points, "side_works": no_works(points)}
    return measure_cover(core, nearby(), sources, made)


def test_strip_on_a_raster_of_one_metre():
    x = -200 + np.arange(400) + 0.5
    values = np.tile(np.where((x >= 3) & (x < 15), 1, 2).astype(np.uint8), (1200, 1))
    got = check(SIDE_COVER, _measured(values, 1.0)["side_cover"])
    left, right = got[got["side"] == 0], got[got["side"] == 1]
    np.testing.assert_allclose(left["buffer_width_m"], 12.0, atol=0.5)
    np.testing.assert_allclose(right["buffer_width_m"], 0.0)
    assert (right["missing_strip"] == 1.0).all()
    np.testing.assert_allclose(left["woody_share"], 12 / 30, atol=0.02)
    assert set(left["adjacent_cover"]) == {"pasture"}


def test_codes_the_legend_does_not_know_leave_the_width_missing():
    values = np.full((1200, 400), 77, np.uint8)
    got = check(SIDE_COVER, _measured(values, 1.0)["side_cover"])
    assert got["buffer_width_m"].isna().all()
    assert got["missing_strip"].isna().all()


def test_natural_ground_without_trees_is_no_missing_strip():
    values = np.full((1200, 400), 5, np.uint8)
    got = _measured(values, 1.0, setback={"natural": ["bare"]})["side_cover"]
    assert got["natural"].all()
    assert (got["missing_strip"] == 0).all()


def test_thirty_metre_cover_gives_a_coarse_look():
    values = np.full((40, 20), 1, np.uint8)
    got = _measured(values, 30.0)
    side = check(SIDE_COVER, got["side_cover"])
    assert side["buffer_width_m"].isna().all()
    assert (side["woody_share"] == 1.0).all()


def test_water_in_a_coarse_look_is_neither_cover_nor_opening():
    x = -200 + np.arange(20) * 30  # left edges of the cells; the left strip holds 10 to 40 and 40 to 70 m
    half_wet = np.tile(np.select([x < 10, x < 40], [2, 3], 1).astype(np.uint8), (40, 1))
    side = _measured(half_wet, 30.0)["side_cover"]
    left = side[side["side"] == 0]
    assert set(left["missing_strip"]) == {0.0}
    assert set(left["woody_share"]) == {1.0}
    all_wet = _measured(np.full((40, 20), 3, np.uint8), 30.0)["side_cover"]
    assert all_wet["missing_strip"].isna().all()
