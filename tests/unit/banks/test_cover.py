"""Cover along transects: worked by hand on rows of classes."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.cover import (
    buffer_width,
    cell_chord,
    class_mask,
    commonest,
    edge_error,
    is_coarse,
    measure_cover,
    missing_by_place,
    skipped,
)
from gisprio.compute.banks.overlays import told_finely, with_canopy, with_wetlands
from gisprio.compute.banks.stations import lay_stations
from gisprio.contracts.layers import SIDE_COVER
from gisprio.contracts.schema import check
from gisprio.contracts.words import COVERS
from makers import frame
from tables import all_own, asked, bank_chain, nearby, network, no_works, settings, source

LETTERS = {"w": "woody", "g": "pasture", "~": "water", "b": "bare", "m": "wetland", "?": None,
           "h": "herbaceous", "c": "crop", "d": "developed"}  # fmt: skip
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
    assert buffer_width(COUNTS[row(transect)], nothing, 1.0, 3.0, 30.0).tolist() == [width]


def test_water_at_the_bank_is_neither_cover_nor_opening():
    transect = row("~~~~" + "w" * 12 + "g" * 17)
    skip = skipped(transect[:, :30], 5.0, 1.0)
    assert skip.sum() == 4
    assert buffer_width(COUNTS[transect], skip, 1.0, 3.0, 30.0).tolist() == [12.0]


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
    assert missing_by_place(absent, np.zeros_like(absent), np.array([30]))[0] == pytest.approx(share)


@pytest.mark.parametrize("known", ["...", "..x", ".x.", "x..", ".xx", "x.x", "xx."])
def test_a_strip_that_is_missing_whole_is_missing_by_one_and_no_more(known):
    """Thirds marked x are not known: their weight goes to the others, without a rounding above 1."""
    for third in range(1, 31):
        left_out = np.repeat([[letter == "x" for letter in known]], third, axis=1)
        assert missing_by_place(~left_out, left_out, np.array([3 * third]))[0] == 1.0


def test_missing_needs_something_known():
    absent = np.zeros((1, 30), bool)
    assert np.isnan(missing_by_place(absent, np.ones((1, 30), bool), np.array([30]))[0])


def test_commonest_prefers_what_does_not_count():
    classes = row("w" * 20 + "g" * 6 + "b" * 4)
    assert commonest(classes, classes != COVERS.index("woody")).tolist() == ["pasture"]
    assert commonest(row("w" * 30), np.zeros((1, 30), bool)).tolist() == ["woody"]
    assert commonest(row("?" * 30), np.zeros((1, 30), bool)).tolist() == [None]


def test_coarse_is_over_a_third_of_the_setback():
    assert is_coarse(10.0, np.array([30.0, 29.9, 0.0])).tolist() == [False, True, False]


def _measured(values, cell_m, canopy=None, halo=None, **sections):
    """Cover beside a stream along x = 0 whose banks lie at x = 3 (left) and -3; canopy cells of 1 m, nodata -1."""
    core = network(shapely.LineString([(0, 1000), (0, 0)]))
    made = settings(**sections)
    stations = lay_stations(core, {"segments": core["segments"]}, {}, made)["stations"]
    near = nearby(**(halo or {}))
    points = find_bank_lines({"stations": stations}, near, {}, made)["bank_points"]
    sources = {"land_cover": source(values, -200.0, 1100.0, cell_m, 0)}
    if canopy is not None:
        sources["canopy"] = source(np.asarray(canopy, np.float32), -200.0, 1100.0, 1.0, -1)
    core = {"bank_points": points, "side_ground": all_own(points), "side_works": no_works(points)}
    core["side_setbacks"] = asked(points, made.setback.width_m)
    return measure_cover(core, near, sources, made)


def _sides(*args, **kwargs):
    got = check(SIDE_COVER, _measured(*args, **kwargs)["side_cover"])
    return got[got["side"] == 0].reset_index(drop=True), got[got["side"] == 1].reset_index(drop=True)


X_1M = -200 + np.arange(400) + 0.5
Y_1M = 1100 - np.arange(1200) - 0.5


def _columns(values):
    """The same values in every row of a raster of 1 m cells."""
    return np.tile(values, (1200, 1))


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


def test_a_bar_touches_water_in_its_own_run():
    assert skipped(row("bb~" + "w" * 27), 5.0, 1.0).sum() == 3
    assert skipped(row("bbw~" + "w" * 26), 5.0, 1.0).sum() == 0  # wood parts the bare ground from the water
    assert skipped(row("w~~" + "w" * 27), 5.0, 1.0).sum() == 0  # does not begin at the bank line
    assert skipped(row("bbbbb~" + "w" * 24), 5.0, 1.0).sum() == 0  # water beyond one cell


def test_a_bar_between_the_bank_line_and_the_wood_is_skipped_where_the_water_lies_inward():
    transect, wet = row("bbbb" + "w" * 29), np.array([True])
    assert skipped(transect[:, :30], 4.0, 1.0, wet).sum() == 4
    assert skipped(transect[:, :30], 2.0, 1.0, wet).sum() == 2
    assert skipped(transect[:, :30], 4.0, 1.0, ~wet).sum() == 0
    assert skipped(row("wbbb" + "w" * 26), 4.0, 1.0, wet).sum() == 0


def test_one_cell_is_longer_on_the_diagonal():
    out = pd.DataFrame({"out_x": [1.0, 0.0, -np.sqrt(0.5)], "out_y": [0.0, -1.0, np.sqrt(0.5)]})
    chord = cell_chord(out, 10.0)
    np.testing.assert_allclose(chord, [10, 10, 14.142], atol=0.001)
    wet = np.repeat(row("~" * 14 + "w" * 16), 3, axis=0)
    assert skipped(wet, chord, 1.0).sum(axis=1).tolist() == [10, 10, 14]


def _bar(water_to):
    """Pasture, water from -3 to ``water_to``, a bar of one cell of 1 m outward of the left bank line at 3, wood."""
    bounds = [X_1M < -3, water_to > X_1M, X_1M < 3, X_1M < 4]
    return _columns(np.select(bounds, [2, 3, 2, 5], 1).astype(np.uint8))


@pytest.mark.parametrize(("water_to", "left"), [(3, 30.0), (2, 0.0)])
def test_a_bar_of_one_cell_at_the_edge_of_the_water_opens_no_gap(water_to, left):
    one, other = _sides(_bar(water_to), 1.0, setback={"opening_m": 0.0})
    assert set(one["buffer_width_m"]) == {left}  # bare ground with grass between it and the water is no bar
    assert set(other["buffer_width_m"]) == {0.0}
    assert set(one["near_bank_cover"].round(3)) == {round((0.1 + 0.9 / 19.2), 3)}  # bare soil all the same


def test_ground_outward_of_a_top_of_bank_that_was_given_is_no_bar():
    top = {"bank_lines": frame([shapely.LineString([(3, 1100), (3, -100)])], date_y=[np.nan], error_m=[np.nan])}
    given, _ = _sides(_bar(3), 1.0, halo=top, setback={"opening_m": 0.0})
    assert set(given["buffer_width_m"]) == {0.0}


def test_edge_error_is_that_of_one_edge_and_of_two_behind_water():
    skip = np.array([[False, False], [True, False]])
    np.testing.assert_allclose(edge_error(np.array([10.0, 10.0]), skip), [2.887, 4.082], atol=0.001)


def test_canopy_makes_and_unmakes_wood():
    shown = row("ggwwmm~~dd??hc")
    height = np.array([[9.0, 1.0] * 6 + [3.0, 2.9]])
    expected = row("wgwhwm~~ddw?wc")  # tall over pasture, wood, marsh, unknown; low takes away wood alone
    assert with_canopy(shown, height, 3.0, coarse=np.array([False])).tolist() == expected.tolist()
    assert with_canopy(shown, height, 3.0, coarse=np.array([True])).tolist() == row("wgwhwmw~wdw?wc").tolist()
    assert with_canopy(shown, np.full(shown.shape, np.nan), 3.0, coarse=np.array([False])).tolist() == shown.tolist()


def test_wetlands_take_ground_that_is_not_woody_water_or_built():
    shown = row("gwm~dc?")
    assert with_wetlands(shown, np.ones(shown.shape, bool)).tolist() == row("mwm~dmm").tolist()
    assert with_wetlands(shown, np.zeros(shown.shape, bool)).tolist() == shown.tolist()


def test_what_the_canopy_tells_beside_a_coarse_land_cover():
    shown, nothing = row("wgmc~?"), np.zeros((1, 6), bool)
    low, tall, gone = (np.full((1, 6), height) for height in (0.0, 9.0, np.nan))
    plain = settings().setback
    assert told_finely(shown, low, nothing, plain).tolist() == [[True, True, False, True, False, True]]
    assert told_finely(shown, low, ~nothing, plain).all()  # the edge of a wetland polygon is no edge of a cell
    assert told_finely(shown, tall, nothing, plain).all()
    assert not told_finely(shown, gone, nothing, plain).any()
    grass = settings(setback={"counts": ["woody"], "natural": ["pasture"]}).setback
    assert told_finely(shown, low, nothing, grass).tolist() == [[True, False, True, True, False, True]]


def test_canopy_on_transects():
    """Wood to x 15 on the left. The canopy is tall between x -9 and 9, and unknown south of y 500."""
    values = _columns(np.where((X_1M >= 3) & (X_1M < 15), 1, 2).astype(np.uint8))
    canopy = np.where(Y_1M[:, None] > 500, np.where(np.abs(X_1M) < 9, 12.0, 0.5), -1.0)
    left, right = _sides(values, 1.0, canopy)
    known = left["station_no"] * 5 > 510
    np.testing.assert_allclose(left.loc[known, "buffer_width_m"], 6.0)
    np.testing.assert_allclose(right.loc[known, "buffer_width_m"], 6.0)
    known = left["station_no"] * 5 < 490
    np.testing.assert_allclose(left.loc[known, "buffer_width_m"], 12.0)
    np.testing.assert_allclose(right.loc[known, "buffer_width_m"], 0.0)
    lower, _ = _sides(values, 1.0, canopy, setback={"canopy_m": 0.5})
    np.testing.assert_allclose(lower["buffer_width_m"].tail(90), 30.0)
    assert not left["coarse_use"].any()


def test_heights_that_no_tree_has_leave_the_land_cover_standing():
    values = _columns(np.where((X_1M >= 3) & (X_1M < 15), 1, 2).astype(np.uint8))
    for height in (255.0, 120.5, -9999.0, -2.5):
        left, right = _sides(values, 1.0, np.full((1200, 400), height))
        assert (left["buffer_width_m"].unique().tolist(), right["buffer_width_m"].unique().tolist()) == ([12.0], [0.0])
    left, _ = _sides(values, 1.0, np.full((1200, 400), -0.5))  # noise over bare ground is a height
    assert set(left["buffer_width_m"]) == {0.0}


def test_a_canopy_coarser_than_the_land_cover_is_not_used():
    fine = np.full((2400, 800), 2, np.uint8)
    left, _ = _sides(fine, 0.5, np.full((1200, 400), 20.0))
    assert set(left["buffer_width_m"]) == {0.0}
    same, _ = _sides(fine[::2, ::2], 1.0, np.full((1200, 400), 20.0))
    assert set(same["buffer_width_m"]) == {30.0}


COARSE = np.full((40, 20), 2, np.uint8)
"""Pasture in cells of 30 m."""


def test_a_fine_canopy_makes_a_coarse_land_cover_a_close_look_for_wood():
    left, right = _sides(COARSE, 30.0, _columns(np.where((X_1M >= 3) & (X_1M < 15), 8.0, 0.0)))
    np.testing.assert_allclose(left["buffer_width_m"], 12.0)
    np.testing.assert_allclose(right["buffer_width_m"], 0.0)
    np.testing.assert_allclose(left["woody_share"], 12 / 30)
    np.testing.assert_allclose(left["edge_error_m"], 1 / np.sqrt(12))
    assert left["coarse_use"].all()
    assert set(left["adjacent_cover"]) == {"pasture"}


@pytest.mark.parametrize(("to_m", "close"), [(27, True), (26, False)])
def test_a_close_look_needs_the_canopy_on_four_fifths_of_the_strip(to_m, close):
    left, right = _sides(COARSE, 30.0, _columns(np.where((X_1M >= 3) & (to_m > X_1M), 8.0, -1.0)))
    assert left["buffer_width_m"].notna().all() == close  # 24 and 23 of 30 m
    assert right["buffer_width_m"].isna().all()
    assert (right["missing_strip"] == 1.0).all()  # the coarse look is still there
    if close:
        np.testing.assert_allclose(left["buffer_width_m"], 24.0)


def test_close_and_coarse_looks_stand_in_the_order_of_the_bank_points():
    """The canopy is known on the left alone: left and right sides take turns."""
    canopy = _columns(np.where(X_1M > 0, 0.0, -1.0))
    got = _measured(COARSE, 30.0, canopy)["side_cover"]
    assert got["side"].tolist() == [0, 1] * (len(got) // 2)
    assert got["station_no"].is_monotonic_increasing
    assert got["buffer_width_m"].notna().tolist() == [True, False] * (len(got) // 2)


def test_beside_a_coarse_land_cover_the_canopy_tells_nothing_of_grass_that_counts():
    canopy = _columns(np.where((X_1M >= 3) & (X_1M < 15), 8.0, 0.0))
    left, _ = _sides(COARSE, 30.0, canopy, setback={"counts": ["woody", "pasture"]})
    assert left["buffer_width_m"].isna().all()
    wood = _columns(np.where((X_1M >= 3) & (X_1M < 29), 8.0, 0.0))
    left, _ = _sides(COARSE, 30.0, wood, setback={"counts": ["woody", "pasture"]})
    assert (left["buffer_width_m"] == 30.0).all()  # 26 m of it told, and the coarse pasture counts


def test_an_error_of_ten_metre_cover_shrinks_to_that_of_the_canopy():
    values = np.full((120, 40), 2, np.uint8)
    plain, _ = _sides(values, 10.0)
    finer, _ = _sides(values, 10.0, np.zeros((1200, 400)))
    np.testing.assert_allclose(plain["edge_error_m"], 10 / np.sqrt(12))
    np.testing.assert_allclose(finer["edge_error_m"], 1 / np.sqrt(12))
    assert not finer["coarse_use"].any()


def test_wetland_polygons_on_transects():
    """Wood to 8 m on the left and a wetland from -2 to 20 m, with a hole between y 400 and 600."""
    values = _columns(np.where((X_1M >= 3) & (X_1M < 8), 1, 2).astype(np.uint8))
    wet = shapely.box(-2, -50, 20, 1050) - shapely.box(-50, 400, 50, 600)
    left, right = _sides(values, 1.0, halo={"wetlands": frame([wet])})
    at = left["station_no"] * 5
    outside = (at > 405) & (at < 595)
    np.testing.assert_allclose(left.loc[(at < 395) | (at > 605), "buffer_width_m"], 17.0)
    np.testing.assert_allclose(left.loc[outside, "buffer_width_m"], 5.0)
    np.testing.assert_allclose(left["woody_share"], 5 / 30)
    assert (right["buffer_width_m"] == 0).all()
    woody, _ = _sides(values, 1.0, halo={"wetlands": frame([wet])}, setback={"counts": ["woody"]})
    assert set(woody["buffer_width_m"]) == {5.0}
    twice, _ = _sides(values, 1.0, halo={"wetlands": frame([wet, shapely.box(15, 0, 25, 1000)])})
    np.testing.assert_allclose(twice.loc[(at > 10) & (at < 390), "buffer_width_m"], 22.0)


def test_wetland_polygons_count_in_a_coarse_look():
    left, right = _sides(COARSE, 30.0, halo={"wetlands": frame([shapely.box(0, -50, 100, 1050)])})
    assert (left["missing_strip"] == 0).all()
    assert (right["missing_strip"] == 1).all()


@pytest.mark.parametrize(
    ("transect", "width", "covered", "natural"),
    [
        ("w" * 12 + "h" * 21, 12.0, 30.0, True),  # wood, then natural grass: no gap
        ("h" * 16 + "c" * 17, 0.0, 16.0, False),  # a field behind it is one
        ("c" * 14 + "h" * 19, 0.0, 0.0, False),  # and a field at the bank all the more
        ("w" * 33, 30.0, 30.0, False),  # nothing is missing
    ],
)
def test_natural_ground_is_no_gap_where_it_fills_the_strip(transect, width, covered, natural):
    codes = {"w": 1, "h": 5, "c": 4}
    across = np.array([codes[c] for c in transect])

    def cover(x, y):
        return across[np.clip(np.floor(x - 3).astype(int), 0, len(across) - 1)]

    chain = bank_chain(shapely.LineString([(0, 300), (0, 0)]), cover, setback={"natural": ["bare"]})
    left = chain["side_cover"][chain["side_cover"]["side"] == 0]
    assert set(left["buffer_width_m"]) == {width}
    assert set(left["covered_width_m"]) == {covered}
    assert set(left["natural"]) == {natural}
    gaps = chain["gap_pieces"][chain["gap_pieces"]["side"] == 0]
    assert gaps["area_m2"].sum() == pytest.approx(300 * (30 - covered), rel=0.01)
    assert set(gaps["buffer_width_m"]) <= {width}
