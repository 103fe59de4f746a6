"""Steps in the long profile: found where they are, not found in noise, never crossed by a slope window."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.compute.network import knickpoints as rule
from gisprio.compute.network.knickpoints import faces_of, find_knickpoints, knickpoint_findings, main_paths
from gisprio.compute.network.profile import Profile, flow_path, reach_slope
from gisprio.contracts.layers import KNICKPOINTS
from gisprio.contracts.schema import check
from tables import network, segments

CELL = 10.0
AT = (np.arange(300) + 0.5) * CELL


def profile(height, barrier=None, crossings=(), at=AT):
    blocked = np.zeros(len(height), bool) if barrier is None else barrier
    out = blocked.copy()
    for place in crossings:
        out |= np.abs(at - place) <= 15
    return Profile(at, np.where(out, np.nan, height), blocked, crossings=tuple(crossings))


def line(length=3000.0, above=0.0):
    return shapely.LineString([(0, above + length), (0, above)])


def found(height, width_m=5.0, error_m=None, **more):
    one = {0: profile(height, **more)}
    return check(KNICKPOINTS, find_knickpoints(segments(line()), one, np.array([width_m]), error_m))


def noise(seed, sigma=0.3, together=0.0):
    """Heights that err by sigma, each going with the one below it by ``together``."""
    draw = np.random.default_rng(seed).normal(0, sigma * np.sqrt(1 - together**2), len(AT))
    draw[0] /= np.sqrt(1 - together**2)
    for n in range(1, len(AT)):
        draw[n] += together * draw[n - 1]
    return draw


def stepped(drop=2.0, at=1500.0, slope=0.002):
    return slope * AT + np.where(at < AT, drop, 0.0)


def slopes(height):
    table, one = segments(line()), {0: profile(height)}
    steps = find_knickpoints(table, one, np.array([5.0]), None)
    path = flow_path(0, table, one, np.array([1.0]), np.array([0.0]), faces_of(table, steps))
    return [reach_slope(path, low, low + 200.0, 5.0, None) for low in (1200.0, 1600.0)]


def test_a_step_of_2_m_between_even_slopes():
    """Slope .002, a step of 2 m at 1,500 m, slope .002."""
    steps = found(stepped())
    assert steps["at_m"].tolist() == [1500.0]
    assert steps["drop_m"].tolist() == pytest.approx([2.0])
    assert (steps["face_from_m"].item(), steps["face_to_m"].item()) == (1495.0, 1505.0)
    assert not steps["near_crossing"].item()


def test_slopes_on_both_sides_of_a_step_are_those_of_the_stream():
    made = [one for seed in range(40) for one in slopes(stepped() + noise(seed, 0.05))]
    off = np.array([(one.slope - 0.002) / one.error for one in made])
    assert np.mean(np.abs(off) <= 2) >= 0.9
    assert np.mean([one.slope for one in made]) == pytest.approx(0.002, rel=0.05)
    assert max(one.error for one in made) < 0.0005
    table, one = segments(line()), {0: profile(stepped())}
    uncut = flow_path(0, table, one, np.array([1.0]), np.array([0.0]))  # what the rule is for
    assert reach_slope(uncut, 1400.0, 1600.0, 5.0, None).slope > 0.005


def test_a_reach_that_a_step_parts_is_measured_on_one_side():
    table, one = segments(line()), {0: profile(stepped())}
    faces = faces_of(table, find_knickpoints(table, one, np.array([5.0]), None))
    path = flow_path(0, table, one, np.array([1.0]), np.array([0.0]), faces)
    assert reach_slope(path, 1400.0, 1600.0, 5.0, None).slope == pytest.approx(0.002)


@pytest.mark.parametrize("place", [1203.0, 1500.0, 1777.0])
def test_a_step_in_noise_is_found_within_a_cell(place):
    """3 m where heights err by .3 m: 50 profiles of 3 km, each found, a cell from where it lies between heights."""
    for seed in range(50):
        steps = found(stepped(3.0, place) + noise(seed))
        assert len(steps) == 1, seed
        assert abs(steps["at_m"].item() - round(place, -1)) <= CELL, seed
        assert steps["drop_m"].item() == pytest.approx(3.0, abs=1.2)


@pytest.mark.parametrize("together", [0.0, 0.7, 0.9])
@pytest.mark.parametrize("slope", [0.002, 0.02])
def test_noise_alone_is_no_step(slope, together):
    """Measured over 900 km of each of these: no false step. Here 180 km."""
    assert sum(len(found(slope * AT + noise(seed, together=together))) for seed in range(60)) == 0


def test_the_rule_without_its_scatter_would_see_steps_in_noise(monkeypatch):
    monkeypatch.setattr(rule, "SCATTERS", 0.0)
    monkeypatch.setattr(rule, "HEIGHT_ERRORS", 0.0)
    assert sum(len(found(0.002 * AT + noise(seed))) for seed in range(20)) > 20


def test_steep_streams_changes_of_slope_and_bumps_are_no_steps():
    assert len(found(0.1 * AT)) == 0
    assert len(found(np.where(AT > 1500, 0.002 * 1500 + 0.05 * (AT - 1500), 0.002 * AT))) == 0
    assert len(found(1e-6 * AT**2)) == 0
    bump = np.where(np.abs(AT - 1500) <= 15, 5.0, 0.0)  # a road fill that no layer of roads holds
    assert len(found(0.002 * AT + bump + noise(1, 0.1))) == 0
    assert len(found(stepped(0.4))) == 0  # under half a metre
    assert len(found(stepped(2.0, slope=0.05))) == 0  # 2 m over 30 m of a stream that falls 1.5 m there anyway
    assert len(found(stepped(2.0), error_m=1.0)) == 0  # under three errors of a height


def test_two_steps_are_two():
    steps = found(stepped() + np.where(AT > 2000, 1.5, 0.0))
    assert steps["at_m"].tolist() == [1500.0, 2000.0]
    assert steps["drop_m"].tolist() == pytest.approx([2.0, 1.5])


def test_a_step_at_a_crossing_is_said_to_be_one():
    steps = found(stepped(), crossings=(1500.0,))
    assert steps["near_crossing"].tolist() == [True]
    assert steps["at_m"].item() == pytest.approx(1500.0, abs=CELL)
    assert steps["face_to_m"].item() - steps["face_from_m"].item() >= 30  # heights at the road are left out
    assert found(stepped(), crossings=(1000.0,))["near_crossing"].tolist() == [False]


def test_a_dam_with_its_pond_is_a_barrier_not_a_step():
    pond = (AT > 1500) & (AT < 1800)
    assert len(found(stepped(5.0), barrier=pond)) == 0


def test_a_step_at_a_confluence_parts_both_segments():
    table = segments(line(), line(3000.0, 3000.0), downstream=(-1, 0))
    height = stepped(2.0, 3000.0)
    both = {0: profile(height), 1: profile(0.002 * (AT + 3000.0) + 2.0)}
    steps = check(KNICKPOINTS, find_knickpoints(table, both, np.array([5.0, 5.0]), None))
    assert steps[["segment_no", "at_m"]].to_numpy().tolist() == [[1, 0.0]]
    assert faces_of(table, steps) == {1: [(-5.0, 5.0)], 0: [(2995.0, 3005.0)]}
    for number, place in ((0, (2600.0, 2800.0)), (1, (200.0, 400.0))):
        path = flow_path(number, table, both, np.array([3.0, 2.9]), np.array([2.9, 0.0]), faces_of(table, steps))
        assert reach_slope(path, *place, 40.0, None).slope == pytest.approx(0.002)


def rapid(length_m, drop_m):
    return 0.002 * AT + np.clip((AT - 1500) / length_m, 0, 1) * drop_m


def test_a_long_rapid_is_a_steep_stretch_and_a_short_one_a_step_of_a_wide_river():
    assert len(found(rapid(250, 5))) == 0
    steps = found(rapid(80, 2), width_m=50.0)
    assert steps["at_m"].item() == pytest.approx(1540, abs=CELL)
    assert steps["drop_m"].item() == pytest.approx(2.0, abs=0.1)


def test_every_segment_is_in_one_main_path():
    lines = [line(100.0)] * 5
    table = segments(*lines, downstream=(-1, 0, 0, 1, 1))
    assert main_paths(table) == [[0, 1, 3], [2], [4]]


def test_the_finding_tells_the_largest_first_and_the_crossings():
    tables = network(line())
    steps = found(stepped(2.0) + np.where(AT > 2300, 3.0, 0.0), crossings=(1500.0,))
    (told,) = knickpoint_findings(steps, tables["reach_measures"])
    assert told.says == (
        "The long profile has 2 steps too steep for the stream above and below: 3.0 m in S0-12, 2.0 m in S0-08 at a "
        "crossing. Slopes are not measured across them."
    )
    assert told.do == "Look there: a dam, a hanging culvert, a bedrock step or a headcut; or a fault of the DEM."
    assert knickpoint_findings(steps.iloc[:0], tables["reach_measures"]) == []
