"""Neighbours whose gaps meet, by hand: along a bank, across the stream, over unowned ground, not over a crossing."""

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.land.frontages import share_properties
from gisprio.compute.land.neighbours import joint_gaps
from gisprio.contracts.layers import FRONTAGES, JOINT_GAPS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, settings

A, B, C, NOBODY = 0, 1, 2, -1


def _sides(*stations, segment_no=0):
    """Station sides of 10 m from (owner left, gap left, owner right, gap right) going upstream, and their owners."""
    at = np.repeat(np.arange(len(stations)), 2)
    rows = {"segment_no": segment_no, "station_no": at, "side": np.tile([0, 1], len(stations))}
    owner, gap = np.array(stations).reshape(-1, 2).T
    sides = pd.DataFrame(rows | {"from_m": at * 10.0, "to_m": at * 10.0 + 10, "gap": gap.astype(bool)})
    return sides, owner.astype(np.int64)


def _left(*owner_gap):
    return _sides(*((owner, gap, NOBODY, 0) for owner, gap in owner_gap))


def _joint(sides, owner):
    pairs, joint = joint_gaps(sides, owner)
    return [tuple(row) for row in pairs[["owner", "neighbour"]].to_numpy()], joint


def test_one_gap_over_a_border_makes_two_neighbours_of_their_stretches_in_it():
    pairs, joint = _joint(*_left((A, 1), (A, 0), (A, 1), (A, 1), (B, 1), (B, 0)))
    assert pairs == [(A, B), (B, A)]
    assert joint[::2].tolist() == [False, False, True, True, True, False]
    assert not joint[1::2].any()


def test_a_border_without_a_gap_on_one_side_of_it_makes_none():
    for second in (0, 1):
        pairs, joint = _joint(*_left((A, 1), (A, 1 - second), (B, 0), (B, second)))
        assert pairs == []
        assert not joint.any()


def test_three_along_one_gap_meet_in_pairs_and_the_middle_meets_both():
    pairs, joint = _joint(*_left((A, 1), (B, 1), (B, 1), (C, 1)))
    assert pairs == [(A, B), (B, A), (B, C), (C, B)]
    assert joint[::2].all()


def test_unowned_ground_up_to_20_m_within_a_gap_parts_nobody():
    for metres, met in ((2, True), (3, False)):
        pairs, _ = _joint(*_left((A, 1), *[(NOBODY, 1)] * metres, (B, 1)))
        assert (pairs == [(A, B), (B, A)]) is met


def test_ground_that_is_no_gap_parts_two_however_short():
    assert _joint(*_left((A, 1), (NOBODY, 0), (B, 1)))[0] == []
    sides, owner = _left((A, 1), (A, 0), (B, 1))
    keep = sides["station_no"].to_numpy() != 1  # a crossing has no side at all
    assert _joint(sides[keep], owner[keep])[0] == []


def test_gaps_opposite_each_other_meet_only_where_both_banks_have_one():
    pairs, joint = _joint(*_sides((A, 1, B, 1), (A, 1, B, 0), (A, 0, C, 1), (A, 0, A, 0), (A, 1, A, 1)))
    assert pairs == [(A, B), (B, A)]
    assert joint.tolist() == [True, True] + [False] * 8


def test_nothing_is_told_across_a_confluence():
    (one, a), (other, b) = _left((A, 1)), _sides((B, 1, NOBODY, 0), segment_no=1)
    assert _joint(pd.concat([one, other]), np.concatenate([a, b]))[0] == []


def test_frontages_carry_the_joint_metres_and_the_pairs_by_id():
    line = shapely.LineString([(0, 400), (0, 0)])
    bare = lambda x, y: np.where((y > 100) & (y < 300) & (x > 0), 4, 1)  # noqa: E731 - a gap of 200 m on the left
    parcels = frame([shapely.box(0, 0, 90, 250), shapely.box(0, 250, 90, 400)], property_id=["P-2", "P-10"])
    parcels["class"], parcels["passed_over"] = None, None
    got = share_properties(bank_chain(line, bare), {"parcels": parcels}, {}, settings())
    pairs = check(JOINT_GAPS, got["joint_gaps"])
    assert pairs.to_numpy().tolist() == [[0, "P-10", "P-2"], [0, "P-2", "P-10"]]
    metres = check(FRONTAGES, got["frontages"]).groupby("property_id")[["gap_length_m", "joint_gap_m"]].sum()
    assert metres.to_dict("index") == {
        "P-10": {"gap_length_m": 50.0, "joint_gap_m": 50.0},
        "P-2": {"gap_length_m": 150.0, "joint_gap_m": 150.0},
    }
    none = share_properties(bank_chain(line, bare), {"parcels": parcels.iloc[:1]}, {}, settings())
    assert len(check(JOINT_GAPS, none["joint_gaps"])) == 0
    assert none["frontages"]["joint_gap_m"].sum() == 0.0
