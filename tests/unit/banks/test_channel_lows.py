"""Bank lines that move to both sides of the channel: how far the low lies beside the line, by hand."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.channel_lows import middle_of_low
from gisprio.compute.banks.stations import lay_stations
from gisprio.contracts.grids import Grid, Lattice
from gisprio.contracts.layers import BANK_POINTS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, nearby, network, settings, source
from unit.banks.bank_world import Surveyed, channel

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def _points(height, *lines, cell_m=1.0, coarse_below=None, line_error_m=5.0, **layers):
    """Bank points along the first line, drawn 9 m east of the channel at x = 0 unless given; left is east."""
    core = dict(network(*(lines or [shapely.affinity.translate(SOUTH, 9)]), line_error_m=line_error_m))
    core |= lay_stations(core, {"segments": core["segments"]}, {}, settings())
    x, y = np.meshgrid(np.arange(-60, 60, cell_m) + cell_m / 2, np.arange(1060, -60, -cell_m) - cell_m / 2)
    z = height(x, y).astype(np.float32)
    sources = {
        "dem": source(z, -60.0, 1060.0, cell_m),
        "survey": source(np.zeros(z.shape, np.int16), -60.0, 1060.0, cell_m, -1),
    }
    if coarse_below is not None:
        sources |= _coarse_below(z, coarse_below)
    got = find_bank_lines(core, nearby(segments=core["segments"], **layers), sources, settings())["bank_points"]
    points = check(BANK_POINTS, got)
    return points[points["segment_no"] == 0]


def _coarse_below(z, y):
    """Heights of two surveys: rows below y are measured on cells of 10 m."""
    survey = np.zeros(z.shape, np.int16)
    survey[1060 - y :] = 1

    class Parted(Surveyed):
        def surveyed_window(self, bounds):
            grid = self.window(bounds)
            rows, columns = grid.values.shape
            own = survey[grid.row : grid.row + rows, grid.column : grid.column + columns]
            return grid, Grid(own, grid.lattice, grid.row, grid.column, -1)

    return {"dem": Parted(Grid(z, Lattice(-60.0, 1060.0, 1.0))), "survey": source(survey, -60.0, 1060.0, 1.0, -1)}


def _sides(points):
    return (points[points["side"] == side].reset_index(drop=True) for side in (0, 1))


def test_both_bank_lines_move_to_the_two_sides_of_the_channel():
    points = _points(channel(SOUTH))
    left, right = _sides(points)
    np.testing.assert_allclose(left["x"], 3.0, atol=0.51)
    np.testing.assert_allclose(right["x"], -3.0, atol=0.51)
    np.testing.assert_allclose(points["recentred_m"], -9.0, atol=0.51)
    np.testing.assert_allclose(points["low_offset_m"], -9.0, atol=0.51)
    np.testing.assert_allclose(left["offset_m"] + right["offset_m"], 6.0)
    assert set(points["bank_line_basis"]) == {"half_width"}


def test_a_line_on_its_channel_stays():
    points = _points(channel(SOUTH), SOUTH)
    np.testing.assert_allclose(points["recentred_m"], 0.0, atol=0.26)


def test_bank_lines_that_are_given_or_at_the_water_stay_and_the_offset_is_told():
    given = frame([shapely.LineString([(13, -10), (13, 1010)])], date_y=[np.nan], error_m=[np.nan])  # on the left alone
    water = frame([shapely.box(6, -50, 12, 1050)], kind=["channel"])
    for points in (_points(channel(SOUTH), bank_lines=given), _points(channel(SOUTH), water=water)):
        assert (points["recentred_m"] == 0).all()
        np.testing.assert_allclose(points["low_offset_m"], -9.0, atol=0.51)


def test_heights_over_2_m_move_nothing():
    assert (_points(channel(SOUTH), cell_m=2.0)["recentred_m"] < -8).all()
    coarse = _points(channel(SOUTH), cell_m=2.5)
    assert (coarse["recentred_m"] == 0).all()
    assert coarse["low_offset_m"].isna().all()


def test_the_move_fades_towards_coarse_heights():
    left, _ = _sides(_points(channel(SOUTH), coarse_below=500))
    move = left.set_index("y")["recentred_m"]
    assert (move[move.index < 500] == 0).all()
    np.testing.assert_allclose(move[move.index > 560], -9.0, atol=0.51)
    assert move.diff().abs().max() < 1.0  # 9 m in 50 m


def test_bank_lines_follow_the_bends_that_the_line_leaves_out():
    y = np.arange(1000.0, -1.0, -5)
    bends = shapely.LineString(np.column_stack([8 * np.sin(2 * np.pi * y / 250), y]))
    left, _ = _sides(_points(channel(bends), SOUTH))
    want = 8 * np.sin(2 * np.pi * left["y"] / 250)
    off = left["recentred_m"] - want
    assert off.abs().median() < 1.0
    assert off.abs().max() < 2.5
    assert left["recentred_m"].diff().abs().max() < 2.0  # no steps: the channel itself turns by 1 m a station


def test_ground_without_a_channel_moves_nothing():
    for height in (lambda x, y: 0.1 * x + 0.005 * y, lambda x, y: 0.005 * y, lambda x, y: np.full(x.shape, np.nan)):
        points = _points(height)
        assert (points["recentred_m"] == 0).all()
        assert points["low_offset_m"].isna().all()


@pytest.mark.parametrize("deep", [1.0, 3.0])
def test_the_channel_of_another_line_is_not_taken(deep):
    other = shapely.affinity.translate(SOUTH, 18)

    def two(x, y):
        return np.minimum(
            channel(SOUTH, side=0.0)(x, y), channel(other, bank=1.5, side=0.0)(x, y) - deep * (np.abs(x - 18) < 3)
        )

    near = shapely.affinity.translate(SOUTH, -4)
    assert _points(two, near)["recentred_m"].min() > 15  # were it alone, the deeper one would be its own
    np.testing.assert_allclose(_points(two, near, other)["recentred_m"], 4.0, atol=0.51)


def test_a_gap_beside_a_moved_bank_line_is_clear_and_its_bank_is_measured_there():
    wood = lambda x, y: np.where(np.abs(x) < 18, 1, 2)  # noqa: E731 - 15 m on both sides of the channel
    line = shapely.affinity.translate(SOUTH, 15)
    told = bank_chain(line, wood, height=channel(SOUTH))
    width = told["side_cover"].set_index("side")["buffer_width_m"].groupby("side").median()
    np.testing.assert_allclose(width, 15.0, atol=1.0)
    assert set(told["gap_pieces"]["certainty"]) == {"clear"}
    np.testing.assert_allclose(told["valleys"]["line_offset_m"], -15.0, atol=0.51)
    water = frame([shapely.box(12, -50, 18, 1050)], kind=["channel"])
    kept = bank_chain(line, wood, height=channel(SOUTH), halo={"water": water})
    assert set(kept["gap_pieces"]["certainty"]) == {"uncertain"}


def test_of_two_channels_alike_the_nearer_is_the_lines_own():
    out = np.arange(-20.0, 21.0)
    z = np.where((np.abs(out - 5) <= 2) | (np.abs(out + 15) <= 2), 0.0, 1.0)
    got = middle_of_low(out, np.tile(z, (9, 1)), 0.3, 0.2)
    np.testing.assert_array_equal(got, 5.0)
