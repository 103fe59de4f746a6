"""Streams that part: main and minor ways, nested ones that rejoin, braids, arms to other outlets; areas by hand."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from drawn_world import P, joined, judged

NESTED = {
    "A": [(0, 0), (1000, 0)],
    "M": [(1000, 0), (2000, 0)],
    "B": [(1000, 0), (1200, 200), (1400, 200)],
    "C": [(1400, 200), (1800, 200)],
    "E": [(1400, 200), (1400, 400), (1800, 400), (1800, 200)],
    "F": [(1800, 200), (2000, 0)],
    "G": [(2000, 0), (3000, 0)],
}
"""A parts into M and B, B into C and E; C and E meet in F, F and M in G."""
OWN = {"A": 10.0, "M": 2.0, "B": 1.0, "C": 0.5, "E": 0.25, "F": 0.125, "G": 3.0}


def minor_of(found):
    return sorted(found.index[found["minor"]])


def turned(lines):
    return {name: points[::-1] for name, points in lines.items()}


@pytest.mark.parametrize("drawn", [NESTED, turned(NESTED)])
def test_nested_divergences_that_rejoin_double_no_area_and_raise_no_order(drawn):
    found = judged(drawn, OWN)
    assert found["km2"].to_dict() == pytest.approx(
        {"A": 10, "M": 12, "B": 1, "C": 1.5, "E": 0.25, "F": 1.875, "G": 16.875}
    )
    assert set(found["order"]) == {1}
    assert minor_of(found) == sorted("BCEF")
    assert found["into"].to_dict() == {"A": "M", "M": "G", "B": "C", "C": "F", "E": "F", "F": "G", "G": None}


def test_a_stream_that_joins_a_minor_path_counts_where_that_rejoins():
    """T joins C and E: F carries it, is no minor path any more, and raises the order below."""
    found = judged({**NESTED, "T": [(1500, 600), (1500, 500), (1900, 400), (1800, 200)]}, {**OWN, "T": 4.0})
    assert found["km2"][["T", "F", "G"]].tolist() == pytest.approx([4.0, 5.875, 20.875])
    assert found["order"][["T", "F", "M", "G"]].tolist() == [1, 1, 1, 2]
    assert minor_of(found) == sorted("BCE")


def test_the_column_of_the_data_says_which_way_is_minor():
    found = judged(NESTED, OWN, divergence={"M": 2, "B": 1, "C": 2})
    assert minor_of(found) == ["C", "M"]
    assert found["km2"].to_dict() == pytest.approx(
        {"A": 10, "M": 2, "B": 11, "C": 0.5, "E": 11.25, "F": 11.875, "G": 16.875}
    )
    assert set(found["order"]) == {1}


def test_else_the_way_of_smaller_given_area_is_minor():
    found = judged(NESTED, OWN, area_km2={"A": 10.0, "M": 0.0, "B": 11.0, "C": 11.5, "E": np.nan})
    assert minor_of(found) == ["E", "M"]  # C and E: not both are given


def test_the_data_s_column_goes_before_given_areas():
    found = judged(NESTED, OWN, area_km2={"M": 1.0, "B": 11.0}, divergence={"B": 2, "M": 0})
    assert found["minor"]["B"]
    assert not found["minor"]["M"]


def test_by_what_main_ways_were_told_is_said():
    *_, said = joined(NESTED, divergence={"M": 2, "B": 1}, area_km2={"C": 1.0, "E": 2.0})
    places = [P.on_map(1400, 200), P.on_map(1000, 0)]
    listed = ", ".join(f"{x:.0f}, {y:.0f}" for x, y in sorted(map(tuple, places)))
    assert list(said) == ["divided"]
    assert said["divided"].severity == "note"
    assert said["divided"].says == (
        f"The stream parts at 2 places: {listed}. Which way is the main one was told by [columns] "
        "streams.divergence at 1, by the larger given drainage area at 1, by the shorter way at 0. The others are "
        "minor: they carry their own ground alone and raise no order."
    )
    assert said["divided"].do == (
        "Name the column that tells main from minor under [columns] streams.divergence where these are wrong."
    )


BRAID = {
    "A": [(0, 0), (1000, 0)],
    "N1": [(1000, 0), (1100, 150), (1500, 150)],
    "N2": [(1500, 150), (1900, 150), (2000, 0)],
    "M1": [(1000, 0), (1300, 0)],
    "M2": [(1300, 0), (2000, 0)],
    "S": [(1000, 0), (1100, -150), (1900, -150), (2000, 0)],
    "X": [(1300, 0), (1500, 150)],
    "G": [(2000, 0), (3000, 0)],
}
"""Three threads from 1,000 to 2,000 m, and a link X from the middle one to the northern one."""
BRAID_OWN = {"A": 8.0, "N1": 0.1, "N2": 0.2, "M1": 0.3, "M2": 0.4, "S": 0.5, "X": 0.6, "G": 1.0}


@pytest.mark.parametrize("drawn", [BRAID, turned(BRAID)])
def test_a_braid_of_three_threads_and_a_link(drawn):
    found = judged(drawn, BRAID_OWN)
    assert found["km2"].to_dict() == pytest.approx(
        {"A": 8, "N1": 0.1, "N2": 0.9, "M1": 8.3, "M2": 8.7, "S": 0.5, "X": 0.6, "G": 11.1}
    )
    assert set(found["order"]) == {1}
    assert minor_of(found) == ["N1", "N2", "S", "X"]
    segments, parts, _ = joined(drawn)
    name = parts.groupby("segment_no")["name"].last()
    stem = segments[name.to_numpy() == "G"].iloc[0]
    assert name[stem["main_upstream_no"]] == "M2"


CUT_OFF = {
    "A": [(0, 0), (1000, 0)],
    "L1": [(1000, 0), (1200, 100)],
    "L2": [(1200, 100), (1300, 800), (1600, 800), (1700, 0)],
    "T": [(800, 400), (1200, 100)],
    "S": [(1000, 0), (1700, 0)],
    "G": [(1700, 0), (3000, 0)],
}
"""A long bend L1, L2 with a tributary T near its upper end, and its cut-off S, by which T's way out is shorter."""


@pytest.mark.parametrize("drawn", [CUT_OFF, turned(CUT_OFF)])
@pytest.mark.parametrize("flag", [None, 2])
def test_water_does_not_flow_back_up_a_bend_to_its_cut_off(drawn, flag):
    own = dict.fromkeys(CUT_OFF, 1.0)
    found = judged(drawn, own, divergence={"S": flag})
    assert found["into"].to_dict() == {
        "A": "L1" if flag else "S", "L1": "L2", "L2": "G", "T": "L2", "S": "G", "G": None,
    }  # fmt: skip
    expected = {"A": 1, "L1": 2, "L2": 4, "T": 1, "S": 1, "G": 6} if flag else {"L1": 1, "L2": 3, "S": 2, "G": 6}
    assert found["km2"][list(expected)].to_dict() == pytest.approx(expected)
    assert found["order"]["G"] == 2


ARM = {"A": [(0, 0), (1000, 0)], "M": [(1000, 0), (3000, 0)], "X": [(1000, 0), (1900, -600)]}
"""X leaves A's stream and ends 18 m lower, beside it."""


@pytest.mark.parametrize("drawn", [ARM, turned(ARM)])
def test_an_arm_that_falls_away_has_an_outlet_of_its_own(drawn):
    found = judged(drawn, {"A": 5.0, "M": 1.0, "X": 0.5}, divergence={"X": 2})
    assert found["into"].to_dict() == {"A": "M", "M": None, "X": None}
    assert found["km2"].to_dict() == pytest.approx({"A": 5.0, "M": 6.0, "X": 0.5})
    assert found["minor"].to_dict() == {"A": False, "M": False, "X": True}
    *_, said = joined(drawn, divergence={"X": 2})
    x, y = P.on_map(1900, -600)
    assert said["further_outlet"].says == (
        f"1 lines leave their stream for an outlet of their own: {x:.0f}, {y:.0f}. "
        "Where it parts from water of the stream, such an arm is minor."
    )
    assert "uphill" not in said


def test_an_arm_with_a_shorter_way_and_no_word_of_the_data_takes_the_water():
    found = judged(ARM, {"A": 5.0, "M": 1.0, "X": 0.5})
    assert found["km2"].to_dict() == pytest.approx({"A": 5.0, "M": 1.0, "X": 5.5})


def test_a_level_arm_is_a_tributary_unless_the_data_call_it_minor():
    level = {**ARM, "X": [(1000, 0), (1100, -600)]}
    assert judged(level, {"A": 5.0, "M": 1.0, "X": 0.5})["into"]["X"] == "M"
    assert judged(level, {"A": 5.0, "M": 1.0, "X": 0.5}, divergence={"X": 2})["into"]["X"] is None


def test_two_streams_that_begin_at_one_place_on_the_divide_part_there():
    """Fall to both sides of 1,500 m; a tributary on each. Neither way is minor."""
    lines = {
        "W2": [(800, 0), (0, 0)], "W1": [(1500, 0), (800, 0)], "WT": [(900, 500), (800, 0)],
        "E1": [(1500, 0), (2300, 0)], "E2": [(2300, 0), (3000, 0)], "ET": [(2200, 500), (2300, 0)],
    }  # fmt: skip
    found = judged(lines, dict.fromkeys(lines, 1.0), lambda u, v: 100 - 0.02 * np.abs(u - 1500) + 0.01 * np.abs(v))
    assert found["into"].to_dict() == {"W2": None, "W1": "W2", "WT": "W2", "E1": "E2", "E2": None, "ET": "E2"}
    assert not found["minor"].any()
    assert found["order"][["W2", "E2"]].tolist() == [2, 2]


def test_three_of_one_order_that_meet_raise_it_once_and_the_longest_is_the_main_one():
    heads = {"P": [(0, 0), (1000, 0)], "Q": [(300, 500), (1000, 0)], "R": [(300, -400), (1000, 0)]}
    lines = {**heads, "G": [(1000, 0), (2000, 0)]}
    found = judged(lines, dict.fromkeys(lines, 1.0))
    assert found["order"]["G"] == 2
    assert found["km2"]["G"] == pytest.approx(4.0)
    segments, parts, _ = joined(lines)
    name = parts.groupby("segment_no")["name"].last()
    assert name[segments[name.to_numpy() == "G"].iloc[0]["main_upstream_no"]] == "P"


def test_lines_drawn_going_round_are_said_and_led_out():
    """The lower half of a ring is drawn upstream, so that the drawing goes round."""
    lines = {
        "A": [(0, 0), (1000, 0)], "N": [(1000, 0), (1100, 150), (1400, 150), (1500, 0)],
        "S": [(1500, 0), (1400, -150), (1100, -150), (1000, 0)], "G": [(1500, 0), (3000, 0)],
    }  # fmt: skip
    found = judged(lines, dict.fromkeys(lines, 1.0))
    assert found["into"].to_dict() == {"A": min("NS", key=lambda n: found["minor"][n]), "N": "G", "S": "G", "G": None}
    assert sorted(found["km2"]) == pytest.approx([1.0, 1.0, 2.0, 4.0])
    *_, said = joined(lines)
    x, y = P.on_map(1500, 0)
    assert said["cycle"].severity == "warning"
    assert said["cycle"].says == (
        f"Lines are drawn going round at 1 places: {x:.0f}, {y:.0f}. "
        "The water is led to the outlet by heights, or by the shorter way, instead."
    )
    assert said["cycle"].do == "Turn or delete one of the lines there; nothing where the stream really divides."


def test_a_tiny_loop_is_said():
    lines = {
        "A": [(0, 0), (1000, 0)], "N": [(1000, 0), (1005, 5), (1010, 0)],
        "S": [(1000, 0), (1005, -6), (1010, 0)], "G": [(1010, 0), (3000, 0)],
    }  # fmt: skip
    segments, _, said = joined(lines)
    assert segments["minor"].sum() == 1
    assert sorted(said) == ["divided", "tiny_loop"]
    x, y = P.on_map(1010, 0)
    assert said["tiny_loop"].says == (
        f"1 loops are under 50 m round: {x:.0f}, {y:.0f}. One side of each is taken as a minor path."
    )


def test_lines_that_cross_without_a_shared_end_are_said_and_not_joined():
    lines = {"A": [(0, 0), (3000, 0)], "Pipe": [(1000, 500), (1500, -500)], "B": [(900, -500), (3000, -500)]}
    segments, _, said = joined(lines)
    assert len(segments) == 4  # the pipe ends on B and splits it
    x, y = P.on_map(1250, 0)
    assert said["crossing_lines"].severity == "warning"
    assert said["crossing_lines"].says == (
        f"1 places where lines cross without a shared end: A and Pipe at {x:.0f}, {y:.0f}. "
        "They were not joined there: no water goes from one to the other."
    )
    assert said["crossing_lines"].do == (
        "Nothing where one passes under or over the other, as pipes and canals do; else split both lines there."
    )


def test_lines_that_share_a_stretch_without_a_shared_end_are_said():
    lines = {
        "A": [(0, 100), (1000, 0), (2000, 0), (3000, 100)],
        "B": [(0, -100), (1000, 0), (2000, 0), (3000, -100)],
    }
    *_, said = joined(lines)
    assert said["crossing_lines"].says.startswith("1 places where lines cross without a shared end: A and B at ")


@pytest.mark.parametrize("off", [0.0, 0.6])
def test_lines_that_overlap_in_part_are_taken_once_there(off):
    lines = {"A": [(0, 0), (2000, 0)], "B": [(1500, off), (2000, off), (3000, 0)], "T": [(1400, 500), (1500, 0)]}
    segments, _, said = joined(lines)
    assert segments["length_m"].sum() == pytest.approx(3000 + np.hypot(100, 500), abs=2.0)
    assert not segments["minor"].any()
    assert sorted(segments["strahler_order"]) == [1, 1, 2]
    assert sorted(said) == ["overlapping_lines"]
    assert said["overlapping_lines"].severity == "warning"
    assert said["overlapping_lines"].says == "0.500 km of stream lie over another line: B. Taken once there."
    assert said["overlapping_lines"].do == "Delete the doubled stretches in the layer."
    assert segments.geometry.apply(shapely.is_valid).all()
