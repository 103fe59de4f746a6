"""Whose the ground is: a confluence, a hairpin and a tight bend by hand, and what is left of cover and gaps there."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import gisprio.compute.banks.stretches as stretches_module
from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.cover import measure_cover
from gisprio.compute.banks.gaps import find_gaps
from gisprio.compute.banks.ownership import Stems, lay_sites, share_ground
from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.banks.valleys import measure_valleys
from gisprio.contracts.layers import GAP_PIECES, SIDE_COVER, SIDE_GROUND
from gisprio.contracts.schema import check
from tables import all_own, asked, nearby, network, no_works, settings, source

WOOD, PASTURE = 1, 2
HALF = 3.0
SETBACK, REACH = 30.0, 33.0  # the setback; with one opening more
LEFT, RIGHT = 0, 1


def world(*lines, cover=PASTURE, core=None, kinds=None, shared=True, **network_of):
    """Measure banks 6 m apart along lines, as far as the gaps; ``core`` names the segments of the piece."""
    made = settings()
    whole = network(*lines, width_m=2 * HALF, **network_of)
    if kinds:
        whole["stretches"] = whole["stretches"].assign(kind=kinds)
    mine = range(len(lines)) if core is None else core
    own = {name: table[table["segment_no"].isin(mine)].reset_index(drop=True) for name, table in whole.items()}
    near = nearby() | whole
    own |= lay_stations(own, whole, {}, made)
    own |= find_bank_lines(own, near, {}, made)
    own |= share_ground(own, near, {}, made) if shared else {"side_ground": all_own(own["bank_points"], np.nan)}
    own["side_works"], own["side_setbacks"] = no_works(own["bank_points"]), asked(own["bank_points"])
    x0, y0, x1, y1 = np.round(shapely.union_all(lines).buffer(80).bounds)
    x, y = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y1, y0, -1) - 0.5)
    classes = np.broadcast_to(cover(x, y) if callable(cover) else cover, x.shape).astype(np.uint8)
    flat = source(np.zeros((40, 40), np.float32), x0 - 100, y1 + 100, 50.0)
    sources = {"land_cover": source(classes, x0, y1, 1.0, 0)}
    sources |= dict.fromkeys(("elevation", "height_above_stream"), flat)
    sources["survey"] = source(np.zeros((40, 40), np.int16), x0 - 100, y1 + 100, 50.0)
    own |= measure_cover(own, near, sources, made)
    own |= measure_valleys(own, {}, sources, made)
    own |= find_gaps(own, near, {}, made)
    check(SIDE_GROUND, own["side_ground"])
    check(SIDE_COVER, own["side_cover"])
    check(GAP_PIECES, own["gap_pieces"])
    return own


def at_sides(made, segment_no, side, table="side_ground"):
    """Give the rows of one side of one segment with their places, upstream."""
    rows = made[table].merge(made["stations"][["segment_no", "station_no", "at_m"]])
    return rows[(rows["segment_no"] == segment_no) & (rows["side"] == side)]


def overlap(pieces):
    """Give the ground that is counted twice, and all that is drawn."""
    ground = pieces.geometry.to_numpy()
    return pieces["area_m2"].sum() - shapely.union_all(ground).area, pieces["area_m2"].sum()


MAIN_ABOVE, MAIN_BELOW = shapely.LineString([(0, 300), (0, 0)]), shapely.LineString([(0, 0), (0, -300)])
TRIBUTARY = shapely.LineString([(220, 220), (0, 0)])  # from the north-east, 45 degrees to the main stem above


@pytest.fixture(scope="module")
def confluence():
    return world(MAIN_ABOVE, TRIBUTARY, MAIN_BELOW, downstream=(2, 2, -1))


SHARP, BLUNT = np.pi / 4, 3 * np.pi / 4


@pytest.mark.parametrize(
    ("segment_no", "side", "angle"),
    [(0, LEFT, SHARP), (1, RIGHT, SHARP), (1, LEFT, BLUNT), (2, LEFT, BLUNT)],
    ids=["main above", "tributary above", "tributary below", "main below"],
)
def test_at_a_confluence_the_ground_is_owned_out_to_the_bisector(confluence, segment_no, side, angle):
    own = at_sides(confluence, segment_no, side)
    along = own["at_m"] if segment_no < 2 else 300 - own["at_m"]  # from the confluence
    corner = HALF / np.tan(angle / 2)  # where the two bank lines meet, seen along either stream
    expected = np.minimum((along - corner) * np.tan(angle / 2), REACH)
    clear = (along - corner > 5) & (along < 200)
    assert clear.sum() > 30
    assert expected[clear].min() < 20
    np.testing.assert_allclose(own["owned_m"][clear], expected[clear], atol=0.5)


def test_the_far_side_of_the_main_stem_loses_nothing(confluence):
    for segment_no in (0, 2):
        assert (at_sides(confluence, segment_no, RIGHT)["owned_m"] == REACH).all()


def test_gaps_meet_at_the_bisector_and_never_overlap(confluence):
    pieces = confluence["gap_pieces"]
    twice, drawn = overlap(pieces)
    assert abs(twice) < 1e-3 * drawn
    corner = np.array([HALF, HALF / np.tan(SHARP / 2)])
    for turn, owner in ((-1.5, 1), (1.5, 0)):  # 1.5 degrees to either side of the bisector, 40 m out
        angle = np.radians(90 - 22.5 + turn)
        place = shapely.Point(corner + 40 * np.array([np.cos(angle), np.sin(angle)]))
        assert set(pieces.loc[pieces.covers(place), "segment_no"]) == {owner}


def test_a_piece_that_holds_one_stream_alone_says_the_same(confluence):
    alone = world(MAIN_ABOVE, TRIBUTARY, MAIN_BELOW, downstream=(2, 2, -1), core=[1])
    whole = confluence["side_ground"].query("segment_no == 1").reset_index(drop=True)
    pd.testing.assert_frame_equal(alone["side_ground"], whole)
    theirs = confluence["gap_pieces"].query("segment_no == 1")
    assert alone["gap_pieces"].geometry.to_wkb().tolist() == theirs.geometry.to_wkb().tolist()


def hairpin():
    """Down at x 0, round a half circle of 20 m, and up at x 40: the neck is 40 m wide."""
    angle = np.linspace(np.pi, 2 * np.pi, 40)
    arc = np.column_stack([20 + 20 * np.cos(angle), 20 * np.sin(angle)])
    return shapely.LineString([(0, 300), *arc, (40, 300)])


@pytest.fixture(scope="module")
def neck():
    """Wood on the western half of the neck, pasture on the eastern."""
    return world(hairpin(), cover=lambda x, y: np.where((x > -60) & (x < 20), WOOD, PASTURE))


def test_each_limb_of_a_hairpin_owns_half_the_neck(neck):
    inner, outer = at_sides(neck, 0, LEFT), at_sides(neck, 0, RIGHT)
    limbs = (inner["at_m"] < 260) | (inner["at_m"] > 300 + np.pi * 20 + 40)
    np.testing.assert_allclose(inner["owned_m"][limbs], 20 - HALF, atol=0.2)
    assert (outer["owned_m"] == REACH).all()


def test_cover_as_far_as_the_ground_goes_is_a_whole_buffer(neck):
    cover = at_sides(neck, 0, LEFT, "side_cover")
    west = cover[cover["at_m"] > 300 + np.pi * 20 + 40]
    assert (west["buffer_width_m"] == SETBACK).all()
    assert (west["missing_strip"] == 0).all()
    assert (west["woody_share"] == 1).all()


def test_the_gap_of_the_other_limb_ends_in_the_middle_of_the_neck(neck):
    pieces = neck["gap_pieces"].query("side == 0")
    east = pieces.clip(shapely.box(0, 60, 60, 240))
    assert east.area.sum() == pytest.approx(180 * (20 - HALF), rel=0.01)
    assert east.bounds["minx"].min() > 19.5


def test_inside_a_tight_bend_the_strip_is_the_disc_and_not_the_fan(monkeypatch):
    angle = np.radians(np.arange(0, 351))
    bend = shapely.LineString(25 * np.column_stack([np.cos(angle), np.sin(angle)]))  # anticlockwise: left is inside
    inside = world(bend, step=20.0)["gap_pieces"].query("side == 0")
    twice, drawn = overlap(inside)
    assert abs(twice) < 5e-3 * drawn
    assert drawn == pytest.approx(np.pi * (25 - HALF) ** 2 * 350 / 360, rel=0.02)
    monkeypatch.setattr(stretches_module, "keep_own", lambda ground, *_: ground)
    assert world(bend, step=20.0)["gap_pieces"].query("side == 0")["area_m2"].sum() > 1.3 * drawn


def test_along_a_straight_stream_nothing_changes(monkeypatch):
    south = shapely.LineString([(0, 1000), (0, 0)])
    made = world(south, step=130.0)
    assert (made["side_ground"]["owned_m"] == REACH).all()
    monkeypatch.setattr(stretches_module, "keep_own", lambda ground, *_: ground)
    plain = world(south, step=130.0, shared=False)
    pd.testing.assert_frame_equal(made["side_cover"], plain["side_cover"], check_exact=True)
    assert made["gap_pieces"].geometry.to_wkb().tolist() == plain["gap_pieces"].geometry.to_wkb().tolist()


@pytest.mark.parametrize(
    ("kind", "owned"), [("natural", 17.0), ("ditch", 17.0), ("piped", REACH), ("lake_path", REACH)]
)
def test_a_ditch_owns_the_ground_beside_it_and_a_pipe_none(kind, owned):
    brook, other = (shapely.LineString([(x, 300), (x, 0)]) for x in (0, 40))
    made = world(brook, other, kinds=["natural", kind])
    np.testing.assert_allclose(at_sides(made, 0, LEFT)["owned_m"], owned, atol=0.01)
    assert (at_sides(made, 0, RIGHT)["owned_m"] == REACH).all()
    theirs = made["side_ground"].query("segment_no == 1")["owned_m"]
    assert theirs.isna().all() if kind in ("piped", "lake_path") else theirs.notna().all()


def test_a_stream_cut_into_segments_owns_as_if_it_were_one():
    angle = np.linspace(0, np.pi / 2, 60)
    bend = 30 * np.column_stack([np.cos(angle), np.sin(angle)])
    parts = [shapely.LineString(bend[:30]), shapely.LineString(bend[29:])]
    assert (world(*parts, downstream=(1, -1))["side_ground"]["owned_m"] == REACH).all()


def test_stems_go_on_through_confluences_and_tributaries_begin_one():
    table = network(MAIN_ABOVE, TRIBUTARY, MAIN_BELOW, downstream=(2, 2, -1))["segments"]
    stem, place = Stems.of(table).places(np.array([0, 1, 2]), np.array([5.0, 5.0, 5.0]))
    assert stem.tolist() == [2, 1, 2]
    assert place.tolist() == [305.0, 5.0, 5.0]


def test_sites_lie_half_the_bankfull_width_from_the_line():
    sites = lay_sites(network(MAIN_ABOVE, width_m=2 * HALF))
    assert len(sites) == 2 * 60
    np.testing.assert_allclose(sites.xy[:4], [[3, 2.5], [-3, 2.5], [3, 7.5], [-3, 7.5]], atol=0.05)


def covered(owned_m, wood_to):
    """Give the cover of one transect that is wood out to a distance, with its own ground out to another."""
    points = pd.DataFrame(
        {
            "segment_no": 0,
            "station_no": [0],
            "side": 0,
            "x": 0.0,
            "y": 50.0,
            "out_x": 1.0,
            "out_y": 0.0,
            "bank_line_basis": "half_width",
        }
    )
    core = {"bank_points": points, "side_ground": all_own(points, owned_m), "side_works": no_works(points)}
    core["side_setbacks"] = asked(points)
    classes = np.tile(np.where(np.arange(100) < wood_to, WOOD, PASTURE).astype(np.uint8), (100, 1))
    made = measure_cover(core, nearby(), {"land_cover": source(classes, 0.0, 100.0, 1.0, 0)}, settings())["side_cover"]
    return check(SIDE_COVER, made).iloc[0]


@pytest.mark.parametrize(
    ("owned", "wood", "buffer", "missing"),
    [
        (33.0, 12, 12.0, 0.5 * 0 + 0.3 * 0.8 + 0.2),  # the middle third lacks 8 of 10 m, the outer all
        (12.0, 12, 30.0, 0.0),
        (12.0, 9, 9.0, (0.5 * 0.1 + 0.3 * 1.0) / 0.8),  # the first third lacks 1 of 10 m, of the second both own metres
        (12.0, 60, 30.0, 0.0),
        (8.0, 0, 0.0, 1.0),
        (31.0, 30, 30.0, 0.0),
    ],
)
def test_ground_of_others_is_neither_cover_nor_opening_nor_missing(owned, wood, buffer, missing):
    got = covered(owned, wood)
    assert got["buffer_width_m"] == buffer
    assert got["missing_strip"] == pytest.approx(missing)


def test_without_own_ground_nothing_is_told():
    got = covered(0.0, 60)
    assert np.isnan(got["buffer_width_m"])
    assert np.isnan(got["missing_strip"])
    assert np.isnan(got["woody_share"])


def test_a_spring_inside_a_strip_keeps_its_ground():
    brook, spring = shapely.LineString([(0, 300), (0, 0)]), shapely.LineString([(22, 156), (22, 144)])
    made = world(brook, spring)
    assert isinstance(made["gap_pieces"], gpd.GeoDataFrame)
    own = made["gap_pieces"].query("segment_no == 0")
    assert not own.intersects(shapely.box(20, 146, 24, 154)).any()
