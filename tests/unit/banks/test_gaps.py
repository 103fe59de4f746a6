"""Gaps: runs, cuts at reach borders, and ground, by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.gaps import doubt, find_gaps, long_runs, uncertain_findings, width_error
from gisprio.compute.banks.strips import bank_line, outward_strip, varying_strip
from makers import frame
from tables import bank_chain, settings

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


@pytest.mark.parametrize(
    ("lacking", "error", "off", "cover", "because"),
    [
        (18.0, 5.0, 0.0, "pasture", None),
        (18.0, 5.0, np.nan, "pasture", None),  # the relief does not tell: the line's error is in the width's
        (18.0, 5.0, 10.0, "pasture", None),  # a third of the setback is not over it
        (18.0, 5.0, 10.1, "pasture", "line_off"),
        (1.0, 2.9, 0.0, "crop", "within_error"),  # 1 m of gap on cells of 10 m
        (2.9, 2.9, 0.0, "crop", None),
        (1.0, 2.9, 20.0, "crop", "line_off"),
        (30.0, 2.9, 0.0, "water", "in_water"),
        (30.0, 2.9, 0.0, None, None),
    ],
)
def test_what_makes_a_gap_of_30_m_uncertain(lacking, error, off, cover, because):
    assert doubt(30.0, lacking, error, off, cover) == because


def test_error_of_the_width_by_kind_of_bank_line():
    sides = pd.DataFrame(
        {
            "segment_no": 0,
            "station_no": range(8),
            "side": 0,
            "offset_m": 3.0,
            "bank_line_basis": ["given", "lidar_top", "water_edge"] + ["half_width"] * 5,
            "line_offset_m": [20.0, 20.0, 20.0, -12.0, 1.0, np.nan, -12.0, -12.0],
            "low_offset_m": [np.nan] * 6 + [-12.0, -12.0],
            "recentred_m": [0.0] * 6 + [-12.0, -9.0],
            "line_error_m": 5.0,
            "edge_error_m": [0.0, 0.0, 1.5, 5.0, 12.0, 0.0, 0.0, 4.0],
        }
    )
    np.testing.assert_allclose(width_error(sides, settings().streams), [1.0, 1.0, 2.5, 13.0, 13.0, 5.0, 1.0, 5.0])
    other = settings(streams={"bank_line_error_m": 3.0, "water_edge_error_m": 2.0**0.5}).streams
    np.testing.assert_allclose(width_error(sides, other)[:3], [3.0, 3.0, 4.25**0.5])


def _lacking(metres, chain, **valleys):
    """The gaps of a chain whose strips of 30 m all lack some metres."""
    width = dict.fromkeys(("buffer_width_m", "covered_width_m"), 30.0 - metres)
    core = chain | {
        "side_cover": chain["side_cover"].assign(**width),
        "valleys": chain["valleys"].assign(**valleys),
    }
    return find_gaps(core, core, {}, settings())["gap_pieces"]


def _chain(**layers):
    """Pasture on 1 m cells beside a stream 6 m wide."""
    return bank_chain(shapely.LineString([(0, 200), (0, 0)]), lambda x, y: np.full(x.shape, 2), halo=layers)


def _given(*x):
    """Bank lines along some x."""
    lines, unknown = [shapely.LineString([(at, -50), (at, 1050)]) for at in x], [np.nan] * len(x)
    return frame(lines, date_y=unknown, error_m=unknown)


def test_a_gap_under_the_error_of_its_width_is_uncertain():
    cell = 1 / np.sqrt(12)
    banks = {"bank_lines": _given(-3, 3)}
    water = {"water": frame([shapely.box(-3, -50, 3, 1050)], kind=["river"])}
    for layers, line_error in (({}, 5.0), (water, 2.0), (banks, 1.0)):
        chain, error = _chain(**layers), np.hypot(line_error, cell)
        for lacking in (30.0, 4.0, 1.5, 1.0):
            gaps = _lacking(lacking, chain)
            np.testing.assert_allclose(gaps["buffer_width_se_m"], error)
            assert set(gaps["certainty"]) == {"uncertain" if lacking < error else "clear"}
            assert set(gaps["uncertain_because"].dropna()) == ({"within_error"} if lacking < error else set())


def _because(x, offset):
    """Why gaps are uncertain, left and right, with bank lines along some x and the low of the channel elsewhere."""
    gaps = _lacking(30.0, _chain(bank_lines=_given(*x)), line_offset_m=offset)
    return [set(gaps.loc[gaps["side"] == side, "uncertain_because"].dropna()) for side in (0, 1)]


def test_a_line_off_the_channel_matters_only_where_the_bank_line_was_laid_from_it():
    assert _because([], -11.0) == [{"line_off"}, {"line_off"}]
    assert _because([-14], -11.0) == [{"line_off"}, set()]  # the left bank is laid from the line
    assert _because([-14, 9], -11.0) == [set(), set()]


def test_bank_lines_that_were_given_beside_the_channel_are_off_too():
    assert _because([-3, 3], -14.0) == [{"line_off"}, {"line_off"}]  # the low lies 11 m outside
    assert _because([-3, 3], 14.0) == [{"line_off"}, {"line_off"}]
    assert _because([-3, 3], 12.0) == [set(), set()]  # 9 m


def test_a_gap_in_open_water_is_uncertain():
    gaps = bank_chain(SOUTH, lambda x, y: np.where(x > 3, 3, 1))["gap_pieces"]
    assert set(gaps["uncertain_because"]) == {"in_water"}


def test_findings_say_how_many_gaps_are_uncertain_and_why():
    because = ["line_off", "within_error", "within_error", "in_water", None]
    table = pd.DataFrame({"from_m": 0.0, "to_m": [1000.0, 200.0, 100.0, 400.0, 300.0], "uncertain_because": because})
    assert [(one.severity, one.check, one.says, one.do) for one in uncertain_findings(table)] == [
        (
            "note", "line_off",
            "1 of 5 gaps (1.0 of 2.0 km) are uncertain: their bank lines lie over a third of the setback off the "
            "channel that the heights show.",
            "give stream lines, water polygons or bank lines that fit this DEM; look at these gaps on an air photo.",
        ),
        (
            "note", "within_error",
            "2 of 5 gaps (0.3 of 2.0 km) are uncertain: their strip lacks less than the standard error of its width "
            "(buffer_width_se_m).",
            "look at them on an air photo before you plan; finer land cover or mapped bank lines narrow the error.",
        ),
        (
            "note", "in_water",
            "1 of 5 gaps (0.4 of 2.0 km) are uncertain: most of what their strip lacks is water, so that the bank line "
            "may lie in the channel.",
            "give water polygons or bank lines there, or a wider curve of bankfull width.",
        ),
    ]  # fmt: skip
    assert list(uncertain_findings(table.assign(uncertain_because=None))) == []
