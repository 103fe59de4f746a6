"""Gaps: runs, cuts at reach borders, and ground, by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.gaps import long_runs
from gisprio.compute.banks.strips import bank_line, outward_strip, varying_strip
from tables import bank_chain

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def _left_bare(x, y):
    """Wood everywhere but for pasture on the left (east) between y 300 and 700, beyond 12 m from the bank at x 3."""
    return np.where((y > 300) & (y < 700) & (x > 15), 2, 1)


def test_one_gap_of_400_m_is_cut_at_reach_borders_and_keeps_its_length_and_ground():
    gaps = bank_chain(SOUTH, _left_bare)["gap_pieces"]
    assert gaps["gap_id"].tolist() == ["S0-02-L-1", "S0-03-L-1", "S0-04-L-1"]
    assert gaps["from_m"].tolist() == [100.0, 0.0, 0.0]
    assert gaps["to_m"].tolist() == [200.0, 200.0, 100.0]
    assert (gaps["to_m"] - gaps["from_m"]).sum() == pytest.approx(400)
    assert gaps["area_m2"].sum() == pytest.approx(400 * 18, rel=0.02)
    assert (gaps["side"] == 0).all()
    np.testing.assert_allclose(gaps["buffer_width_m"], 12.0, atol=0.5)
    assert set(gaps["adjacent_cover"]) == {"pasture"}
    assert (gaps.geometry.bounds["minx"] > 14).all()


@pytest.mark.parametrize("step", [50.0, 130.0, 200.0, 999.0])
def test_cutting_reaches_elsewhere_keeps_the_sum(step):
    gaps = bank_chain(SOUTH, _left_bare, step=step)["gap_pieces"]
    assert (gaps["to_m"] - gaps["from_m"]).sum() == pytest.approx(400)
    assert gaps["area_m2"].sum() == pytest.approx(7200, rel=0.02)


def test_gaps_never_shrink_when_the_setback_grows():
    lengths = []
    for width in (10.0, 15.0, 20.0, 30.0, 40.0):
        gaps = bank_chain(SOUTH, _left_bare, setback={"width_m": width})["gap_pieces"]
        lengths.append((gaps["to_m"] - gaps["from_m"]).sum() if len(gaps) else 0.0)
    assert lengths == sorted(lengths)
    assert lengths[0] == 0
    assert lengths[-1] == pytest.approx(400)


def test_a_run_shorter_than_the_shortest_gap_is_no_gap():
    def short(x, y):
        return np.where((y > 300) & (y < 316) & (x > 3), 2, 1)

    assert len(bank_chain(SOUTH, short)["gap_pieces"]) == 0
    assert len(bank_chain(SOUTH, short, setback={"shortest_gap_m": 15.0})["gap_pieces"]) == 1


def test_a_crossing_is_no_gap():
    from makers import frame

    road = frame([shapely.LineString([(-100, 500), (100, 500)])], **{"class": ["primary"]})

    def bare_under_road(x, y):
        return np.where(np.abs(y - 500) < 10, 2, 1)

    assert len(bank_chain(SOUTH, bare_under_road)["gap_pieces"]) == 2
    assert len(bank_chain(SOUTH, bare_under_road, halo={"roads": road})["gap_pieces"]) == 0


def test_pipes_and_standing_water_have_no_gap():
    def bare(x, y):
        return np.full(x.shape, 2)

    assert len(bank_chain(SOUTH, bare, kind="piped")["gap_pieces"]) == 0
    assert len(bank_chain(SOUTH, bare, kind="lake_path")["gap_pieces"]) == 0
    assert len(bank_chain(SOUTH, bare, kind="ditch")["gap_pieces"]) == 10


def test_runs_do_not_go_on_from_one_segment_side_to_the_next():
    sides = pd.DataFrame(
        {
            "segment_no": [0, 0, 0, 0],
            "side": [0, 0, 1, 1],
            "station_no": [0, 1, 0, 1],
            "from_m": [0.0, 5.0, 0.0, 5.0],
            "to_m": [5.0, 10.0, 5.0, 10.0],
        }
    )
    narrow = np.array([False, True, True, False])
    assert not long_runs(sides, narrow, 10.0).any()
    assert long_runs(sides, narrow, 5.0).tolist() == [False, True, True, False]


def test_strips_lie_outward_on_their_own_side():
    line = np.array([[0.0, 100.0], [0.0, 0.0]])  # drawn south: left is east
    assert outward_strip(line, 30.0, 0).bounds == (0.0, 0.0, 30.0, 100.0)
    assert outward_strip(line, 30.0, 1).bounds == (-30.0, 0.0, 0.0, 100.0)


def test_strip_inside_a_bend_is_smaller_than_outside_by_the_circle():
    angle = np.linspace(0, np.pi, 100)
    arc = np.column_stack([100 * np.cos(angle), 100 * np.sin(angle)])  # anticlockwise: left is the inside
    inside, outside = outward_strip(arc, 30.0, 0).area, outward_strip(arc, 30.0, 1).area
    assert inside == pytest.approx(np.pi / 2 * (100**2 - 70**2), rel=0.01)
    assert outside == pytest.approx(np.pi / 2 * (130**2 - 100**2), rel=0.01)


def test_varying_strip_of_a_wedge():
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    wedge = varying_strip(line, np.array([[0.0, 1.0], [0.0, 1.0]]), np.array([0.0, 10.0]))
    assert wedge.area == pytest.approx(500)


def test_bank_line_goes_straight_on_beyond_its_outermost_points():
    points = np.array([[0.0, 2.5], [0.0, 7.5]])
    line = bank_line(points, np.array([2.5, 7.5]), 0.0, 10.0)
    np.testing.assert_allclose(line, [[0, 10], [0, 7.5], [0, 2.5], [0, 0]])
