"""Sites by hand: where they are cut, what they are drawn on, and the laws they keep in any world."""

from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.factors import layer_with_factors
from gisprio.compute.land.site_ranks import rank_sites
from gisprio.compute.land.site_runs import bridged, cut_runs, site_runs
from gisprio.compute.land.sites import cut_sites, free_share
from gisprio.compute.scoring.ranks import rank_banks
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import CROSSINGS, KNICKPOINTS, SITE_PIECES, SITES
from gisprio.contracts.schema import check, empty
from makers import CRS, frame
from tables import bank_chain, nearby, settings

WOOD, PASTURE = 1, 2
SOUTH = shapely.LineString([(0, 400), (0, 0)])
"""Two reaches of 200 m; bank points at x 3 on the left, -3 on the right; y is metres upstream."""


def parcels(*rows):
    made = frame([shape for _, shape in rows], property_id=[name for name, _ in rows])
    return made.assign(**{"class": None, "passed_over": None})


def bare_between(low, high):
    """Pasture beside the left bank between two places, wood all around."""
    return lambda x, y: np.where((x > 0) & (y >= low) & (y < high), PASTURE, WOOD)


@cache
def bare_bank(low, high):
    """Give the tables of a piece with its scores, with pasture beside the left bank between two places."""
    return scored(bare_between(low, high))


def scored(cover, line=SOUTH, halo=None):
    core = bank_chain(line, cover, halo=halo)
    return core | score_sides(core, {}, {}, settings())


def cut(core, halo=None, **sections):
    near = nearby(**(halo or {})) | {name: core[name] for name in ("segments", "reach_measures", "stretches")}
    got = cut_sites(core, near, {}, settings(**sections))["site_pieces"]
    return check(layer_with_factors(SITE_PIECES), got)


def places(sites):
    return [
        (row.reach_no, row.side, round(row.from_m, 6), round(row.to_m, 6), row.property_id)
        for row in sites.itertuples()
    ]


def line_of(*lengths, side=0):
    """Give station sides of one bank from their lengths."""
    to = np.cumsum(lengths)
    numbers = {"segment_no": 0, "side": side, "station_no": range(len(to)), "reach_no": 0}
    return pd.DataFrame({**numbers, "from_m": to - lengths, "to_m": to})


def test_short_interruptions_between_two_runs_are_bridged_and_nothing_else():
    sides = line_of(*[10.0] * 8)
    marked = np.array([False, True, False, True, False, False, True, False])
    free = np.ones(8, bool)
    assert bridged(sides, marked, free, 10.0).tolist() == [False, True, True, True, False, False, True, False]
    assert bridged(sides, marked, free, 20.0).tolist() == [False, True, True, True, True, True, True, False]
    free[2] = False  # a crossing
    assert bridged(sides, marked, free, 20.0).tolist() == [False, True, False, True, True, True, True, False]
    sides["side"] = [0] * 5 + [1] * 3  # the run goes on on the other bank
    assert bridged(sides, marked, np.ones(8, bool), 20.0).tolist() == [False, True, True, True] + [False] * 2 + [
        True,
        False,
    ]


def test_a_later_pass_takes_what_an_earlier_one_left():
    sides, there = line_of(*[10.0] * 6), np.ones(6, bool)
    first, second = np.array([1, 1, 0, 0, 0, 0], bool), np.array([0, 1, 1, 1, 0, 1], bool)
    assert site_runs(sides, there, [(first, 20.0), (second, 20.0)], 0.0).tolist() == [0, 0, 1, 1, -1, -1]
    assert site_runs(sides, there, [(first, 30.0), (second, 20.0)], 0.0).tolist() == [-1, 1, 1, 1, -1, -1]


def test_runs_are_cut_at_the_border_of_reaches_not_of_stations():
    sides = line_of(10.0, 10.0, 10.0, 10.0).assign(reach_no=[0, 0, 1, 1])
    reaches = pd.DataFrame({"reach_no": [0, 1], "from_m": [0.0, 18.0], "to_m": [18.0, 40.0]})
    got = cut_runs(sides, np.zeros(4, np.int64), np.zeros(4, np.int64), reaches, 5.0, 15.0)
    assert got[["reach_no", "low_m", "high_m"]].values.tolist() == [[0, 0, 9], [0, 9, 18], [1, 18, 29], [1, 29, 40]]
    got = cut_runs(sides, np.zeros(4, np.int64), np.array([7, 7, 7, -1]), reaches, 12.0, 100.0)
    assert got[["owner", "low_m", "high_m"]].values.tolist() == [[7, 0, 18], [7, 18, 30]]  # 10 m is too short


def test_a_gap_is_cut_at_properties_and_reaches_and_lies_on_them():
    land = parcels(("low", shapely.box(-50, 0, 50, 150)), ("high", shapely.box(-50, 150, 50, 400)))
    sites = cut(bare_bank(100, 260), halo={"parcels": land})
    assert places(sites) == [(0, 0, 100, 150, "low"), (0, 0, 150, 200, "high"), (1, 0, 0, 60, "high")]
    assert sites["gap_length_m"].tolist() == [50.0, 50.0, 60.0] == (sites["to_m"] - sites["from_m"]).tolist()
    assert sites["area_m2"].tolist() == pytest.approx([1500, 1500, 1800])  # 30 m wide
    assert sites["plantable_area_m2"].tolist() == pytest.approx([1500, 1500, 1800])
    assert set(sites["site_kind"]) == {"gap"}
    assert set(sites["adjacent_cover"]) == {"pasture"}
    strip = dict(zip(land["property_id"], land.geometry, strict=True))
    assert all(shapely.covers(strip[row.property_id].buffer(1e-6), row.geometry) for row in sites.itertuples())


def test_a_site_takes_no_ground_of_the_property_behind():
    land = parcels(("near", shapely.box(-50, 0, 23, 400)), ("behind", shapely.box(23, 0, 90, 400)))
    sites = cut(bare_bank(100, 200), halo={"parcels": land})
    assert places(sites) == [(0, 0, 100, 200, "near")]
    assert sites["area_m2"].tolist() == pytest.approx([2000])  # 20 of 30 m


def test_without_properties_sites_have_none():
    sites = cut(bare_bank(100, 180))
    assert [place[:4] for place in places(sites)] == [(0, 0, 100, 180)]
    assert sites["property_id"].isna().all()


def test_long_sites_are_split_in_equal_parts_and_short_ones_dropped():
    asked = {"sites": {"site_max_length_m": 70.0, "site_min_length_m": 30.0}}
    sites = cut(bare_bank(50, 200), **asked)
    assert [place[2:4] for place in places(sites)] == [(50, 100), (100, 150), (150, 200)]
    assert len(cut(bare_bank(50, 75), **asked)) == 0


def test_ground_that_is_taken_parts_a_site_or_is_left_out_of_it():
    house = frame([shapely.box(3, 120, 33, 150)], kind=["building"])
    sites = cut(bare_bank(60, 200), halo={"constraints": house})
    assert [place[2:4] for place in places(sites)] == [(60, 120), (150, 200)]
    shed = frame([shapely.box(23, 120, 33, 150)], kind=["building"])  # a third of the strip
    sites = cut(bare_bank(60, 200), halo={"constraints": shed})
    assert [place[2:4] for place in places(sites)] == [(60, 200)]
    assert sites["area_m2"].tolist() == pytest.approx([30 * 140 - 300]) == sites["plantable_area_m2"].tolist()


def test_the_free_share_counts_ground_taken_twice_once():
    sides = pd.DataFrame({"x": [0.0, 50.0], "y": 0.0, "out_x": 0.0, "out_y": 1.0, "from_m": 0.0, "to_m": 10.02})
    sides["depth_m"] = 20.0  # cells are 0.02 m shorter than stations
    taken = np.array([shapely.box(-5, 0, 5, 5), shapely.box(-5, 3, 5, 10), shapely.box(0, 0, 5, 20)])
    assert free_share(sides, taken).tolist() == pytest.approx([0.25, 1.0])


def test_an_eroding_bank_with_its_strip_is_a_site_of_its_own_kind():
    scar = frame([shapely.LineString([(4, 101), (4, 159)])], year=pd.array([2023], dtype="Int64"), height_m=[np.nan])
    sites = cut(scored(bare_between(150, 200), halo={"eroding": scar}))
    assert [place[2:4] for place in places(sites)] == [(100, 150), (150, 200)]
    assert sites["site_kind"].tolist() == ["erosion", "gap"]
    assert sites["plantable_area_m2"].tolist() == pytest.approx([0, 1500])


def test_strips_to_protect_are_told_where_they_are_asked_for():
    assert len(cut(bare_bank(0, 0))) == 0
    sites = cut(bare_bank(100, 200), sites={"protect_from_m": 150.0})
    kinds = {place[:4]: kind for place, kind in zip(places(sites), sites["site_kind"], strict=True)}
    assert kinds == {  # 100 m of the left bank are too short
        (0, 0, 100, 200): "gap",
        **dict.fromkeys([(1, 0, 0, 200), (0, 1, 0, 200), (1, 1, 0, 200)], "strip"),
    }


def test_a_ditch_has_no_sites():
    core = bare_bank(100, 200)
    ditch = core["stations"].assign(kind="ditch")
    assert len(cut(core)) == 1
    assert len(cut(core | {"stations": ditch})) == 0


def winding(seed):
    at, draw = np.linspace(0, 400, 161), np.random.default_rng(seed)
    return shapely.LineString(np.column_stack([draw.uniform(4, 14) * np.sin(at / draw.uniform(25, 60)), 400 - at]))


def patches(seed):
    codes = np.random.default_rng(seed).choice([WOOD, PASTURE, 4], (41, 41))
    return lambda x, y: codes[(y // 20).astype(int) % 41, (x // 20).astype(int) % 41]


@pytest.mark.parametrize("seed", range(3))
def test_laws_hold_in_any_world(seed):
    edges = [-500, *np.sort(np.random.default_rng(seed).uniform(0, 400, 3)), 900]
    land = parcels(*((f"p{n}", shapely.box(-200, a, 200, b)) for n, (a, b) in enumerate(pairwise(edges))))
    core = scored(patches(seed), winding(seed))
    sites = cut(core, {"parcels": land}, sites={"site_max_length_m": 80.0})
    assert len(sites) >= 3
    length = sites["to_m"] - sites["from_m"]
    assert length.min() >= 20 - 1e-6
    assert length.max() <= 80 + 1e-6
    banks = core["bank_measures"].set_index(["reach_no", "side"])["length_m"]
    sums = length.groupby([sites["reach_no"], sites["side"]]).sum()
    assert (sums <= banks.reindex(sums.index) + 1e-6).all()
    before = sites.groupby(["reach_no", "side"])["to_m"].shift()
    assert not (sites["from_m"] < before - 1e-6).any()
    own = dict(zip(land["property_id"], land.geometry, strict=True))
    assert all(row.geometry.difference(own[row.property_id]).area < 1e-6 for row in sites.itertuples())
    twice = shapely.area(sites.geometry.to_numpy()).sum() - shapely.union_all(sites.geometry.to_numpy()).area
    assert twice < 2.0  # strips are cut no finer than 0.25 m: as with gaps
    assert (sites["gap_length_m"] <= length + 1e-6).all()
    assert (sites["plantable_area_m2"] <= sites["area_m2"] + 1).all()


def ranked(core, halo=None, knickpoints=(), **sections):
    """Give layer sites of one piece."""
    made, near = settings(**sections), nearby(**(halo or {}))
    tables = core | {"site_pieces": cut(core, halo, **sections)} | near | rank_banks(core | near, {}, made)
    tables |= {"judged_gaps": tables["gaps"], "crossings": empty(CROSSINGS, CRS), "knickpoints": empty(KNICKPOINTS)}
    tables |= {name: core[name] for name in ("segments", "reach_measures", "stretches")}
    if knickpoints:
        rows = [(0, at, at - 1, at + 1, drop, False) for at, drop in knickpoints]
        tables["knickpoints"] = pd.DataFrame(rows, columns=KNICKPOINTS.names())
    return check(SITES, rank_sites(tables, {}, made)["sites"])


def test_sites_are_ranked_named_and_joined():
    land = parcels(("low", shapely.box(-50, 0, 50, 150)), ("high", shapely.box(-50, 150, 50, 400)))
    sites = ranked(bare_bank(100, 260), {"parcels": land})
    assert sites["site_id"].tolist() == ["S0-01-L-S1", "S0-01-L-S2", "S0-02-L-S1"]
    assert sites["bank_id"].tolist() == ["S0-01-L", "S0-01-L", "S0-02-L"]
    assert sites["joint_sites"].tolist() == ["S0-01-L-S2", "S0-01-L-S1, S0-02-L-S1", "S0-01-L-S2"]
    assert sites["joint_properties"].fillna("").tolist() == ["high", "low", ""]
    assert sites["joint_length_m"].tolist() == [160.0] * 3
    assert sites["rank"].min() == 1
    assert sites["priority"].notna().all()
    order = sites.sort_values("rank")["priority"].tolist()
    assert order == sorted(order, reverse=True)
    assert set(sites["measure"]) == {"fence and plant"}
    assert set(sites["certainty"]) == {"clear"}
    assert sites["prompt_locate"].notna().all()
    assert sites["prompt_in_water"].isna().all()


def test_a_bank_that_is_not_ranked_has_no_sites():
    core = bare_bank(100, 260)
    reaches = core["reach_measures"].assign(outside=[False, True])
    assert ranked(core)["bank_id"].tolist() == ["S0-01-L", "S0-02-L"]
    assert ranked(core | {"reach_measures": reaches})["bank_id"].tolist() == ["S0-01-L"]


def test_a_step_above_asks_for_a_look_before_all_else():
    sites = ranked(bare_bank(100, 200), knickpoints=[(230.0, 1.5)])  # 20 widths of 6 m: 120 m down
    assert sites["measure"].tolist() == ["look first"]
    assert sites["why_measure"].tolist() == [
        "Look first: bed may be cutting, for a step of 1.5 m in the bed lies 30 m upstream; planting is lost where the "
        "bed cuts."
    ]
    assert "a step of 1.5 m" in sites["prompt_design"].item()
    for far in (330.0, 90.0):  # 130 m above, or below
        assert ranked(bare_bank(100, 200), knickpoints=[(far, 1.5)])["measure"].tolist() == ["fence and plant"]


def test_nothing_to_cut_gives_an_empty_layer():
    assert len(ranked(bare_bank(0, 0))) == 0
    assert ranked(bare_bank(0, 0)).crs == CRS
