"""Routing in worlds so small that every answer is known by hand."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain.cells import NODATA, OUTLET, UNSET
from gisprio.compute.terrain.routing import route


def ground(rows):
    return np.array(rows, np.float32)


def filled(rows, taken=None):
    return route(ground(rows), taken).filled


# ---------------------------------------------------------------- filling


def test_a_pond_is_filled_to_its_notch_and_no_higher():
    bowl = np.full((5, 5), 10.0)
    bowl[1:-1, 1:-1] = 5.0
    bowl[0, 2] = 7.0
    expected = bowl.copy()
    expected[1:-1, 1:-1] = 7.0
    np.testing.assert_array_equal(filled(bowl), expected)


def test_nested_depressions_are_filled_each_to_its_own_pass():
    """Pits of 1 and 2 with a sill of 4 between them, in a bowl that spills at 6 into a pit that leaves at 5."""
    got = filled([[9] * 8, [9, 1, 4, 2, 6, 3, 3, 9], [9, 9, 9, 9, 9, 9, 5, 9]])
    np.testing.assert_array_equal(got[1], [9, 6, 6, 6, 6, 5, 5, 9])


def test_a_pass_lies_between_the_two_higher_cells_of_a_corner():
    """Diagonal neighbours touch: water leaves the pit over the corner of height 3."""
    got = filled([[9, 9, 9, 9], [9, 1, 9, 9], [9, 9, 3, 9], [9, 9, 9, 2]])
    assert got[1, 1] == 3


def test_taken_cells_take_the_water_up_and_are_never_raised():
    bowl = np.full((5, 7), 9.0)
    bowl[1:-1, 1:-1] = 5.0
    bowl[2, 3] = 1.0
    taken = np.zeros(bowl.shape, bool)
    taken[2, 3] = True
    routed = route(ground(bowl), taken)
    np.testing.assert_array_equal(routed.filled, ground(bowl))
    assert np.argwhere(routed.direction == OUTLET).tolist() == [[2, 3]]
    assert routed.counts()[2, 3] == 35


def test_a_taken_cell_on_a_hilltop_takes_only_what_lies_on_it():
    hill = ground([[1, 1, 1], [1, 5, 1], [1, 1, 1]])
    taken = np.zeros((3, 3), bool)
    taken[1, 1] = True
    routed = route(hill, taken)
    assert routed.direction[1, 1] == OUTLET
    assert routed.counts()[1, 1] == 1


def test_heights_are_not_edited_and_may_be_double():
    heights = np.array([[9.0, 9, 9], [9, 1, 9], [9, 9, 5]])
    before = heights.copy()
    routed = route(heights)
    np.testing.assert_array_equal(heights, before)
    assert routed.filled.dtype == np.float32
    assert routed.filled[1, 1] == 5


# ---------------------------------------------------------------- directions


def test_a_diagonal_drop_counts_by_its_distance():
    assert route(ground([[9, 9, 9], [9, 8, 7], [9, 9, 6.7]])).direction[1, 1] == 1  # 1 over 1 against 1.3 over 1.41
    assert route(ground([[9, 9, 9], [9, 8, 7], [9, 9, 6.5]])).direction[1, 1] == 2  # 1 against 1.5 over 1.41


@pytest.mark.parametrize(
    ("row", "column", "code"),
    [(1, 2, 1), (2, 2, 2), (2, 1, 3), (2, 0, 4), (1, 0, 5), (0, 0, 6), (0, 1, 7), (0, 2, 8)],
)
def test_directions_go_clockwise_from_east(row, column, code):
    heights = np.full((3, 3), 5.0)
    heights[row, column] = 1.0
    assert route(ground(heights)).direction[1, 1] == code


def test_of_equal_drops_the_first_straight_one_is_taken():
    cross = ground([[9, 4, 9], [4, 5, 4], [9, 4, 9]])
    assert route(cross).direction[1, 1] == 1
    corners = ground([[4, 9, 4], [9, 5, 9], [4, 9, 4]])
    assert route(corners).direction[1, 1] == 2


def test_on_a_plane_all_cells_point_down_its_dip():
    """A plane that dips 35 degrees off the rows: the steepest of eight is the diagonal."""
    row, column = np.mgrid[0:40, 0:40]
    dip = np.radians(35)
    plane = 100 - column * np.cos(dip) - row * np.sin(dip)
    assert (route(plane).direction[1:-1, 1:-1] == 2).all()


def test_a_flat_drains_by_direction_to_its_nearest_way_out_without_any_change_of_height():
    flat = np.full((5, 9), 5.0)
    flat[[0, -1]], flat[:, 0] = 9.0, 9.0
    flat[2, 8] = 4.0
    routed = route(flat)
    np.testing.assert_array_equal(routed.filled, flat)
    assert routed.direction[2, 8] == OUTLET
    assert np.isin(routed.direction[1:4, 1:8], (1, 2, 8)).all()  # each step brings every cell one column nearer


def test_a_flat_with_two_outlets_of_one_level_is_shared_by_distance():
    """A corridor of 9 cells at one level that falls off at both ends: the middle one may go either way."""
    corridor = ground([[9] * 11, [4, *[5] * 9, 4], [9] * 11])
    routed = route(corridor)
    assert routed.direction[1, 1:5].tolist() == [5] * 4
    assert routed.direction[1, 6:10].tolist() == [1] * 4
    assert sorted(routed.counts()[1, [0, 10]]) == [15, 18]


def test_a_flat_without_a_lower_end_leaves_over_its_rim():
    routed = route(np.full((4, 4), 3.0))
    assert (routed.direction == OUTLET).sum() == 12
    assert (routed.direction != UNSET).all()
    assert routed.counts()[routed.direction == OUTLET].sum() == 16


# ---------------------------------------------------------------- rim, holes, small grids


def test_a_rim_cell_drains_inwards_where_a_neighbour_is_lower_and_else_it_is_an_outlet():
    """A valley that ends at the rim, walled on three sides: one outlet, and all ground leaves by it."""
    row, column = np.mgrid[0:20, 0:11]
    routed = route(100.0 + np.abs(column - 5) - 0.1 * row)
    assert np.argwhere(routed.direction == OUTLET).tolist() == [[19, 5]]
    assert routed.counts()[19, 5] == 20 * 11


def test_a_hole_without_data_swallows_what_flows_in():
    """A bowl with a hole at its bottom: nothing is filled, the cells around the hole are outlets."""
    row, column = np.mgrid[0:15, 0:15]
    bowl = np.hypot(row - 7, column - 7)
    bowl[7, 7] = np.nan
    routed = route(bowl)
    np.testing.assert_array_equal(routed.filled, bowl.astype(np.float32))
    assert routed.direction[7, 7] == NODATA
    assert set(map(tuple, np.argwhere(routed.direction == OUTLET))) == {(6, 7), (7, 6), (7, 8), (8, 7)}
    assert routed.counts()[7, 7] == 0


def test_a_collar_without_data_is_the_rim():
    inner = np.full((5, 5), 10.0)
    inner[1:-1, 1:-1] = 5.0
    inner[0, 2] = 7.0
    collared = np.pad(inner, 3, constant_values=np.nan)
    routed = route(collared)
    np.testing.assert_array_equal(routed.filled[3:-3, 3:-3], filled(inner))
    np.testing.assert_array_equal(routed.direction[3:-3, 3:-3], route(inner).direction)
    assert np.isnan(routed.filled[:3]).all()
    assert (routed.direction[:3] == NODATA).all()


@pytest.mark.parametrize("shape", [(1, 1), (1, 6), (6, 1), (2, 2)])
def test_on_a_grid_of_rim_alone_nothing_is_raised_and_all_is_counted(shape):
    heights = np.random.default_rng(2).permutation(np.arange(float(np.prod(shape)))).reshape(shape)
    routed = route(heights)
    np.testing.assert_array_equal(routed.filled, heights)
    assert routed.counts()[routed.direction == OUTLET].sum() == heights.size


def test_a_row_flows_to_its_lowest_cells():
    routed = route([[5.0, 4, 3, 8, 2, 1]] * np.ones((1, 1)))
    assert routed.direction.tolist() == [[1, 1, OUTLET, 1, 1, OUTLET]]
    assert routed.counts().tolist() == [[1, 2, 3, 1, 2, 3]]


def test_nothing_is_routed_on_a_grid_without_ground():
    routed = route(np.full((3, 4), np.nan))
    assert (routed.direction == NODATA).all()
    assert routed.counts().sum() == 0
    assert (routed.met(np.zeros((3, 4), np.int32)) == -1).all()
    everywhere = np.ones((3, 4), bool)
    assert routed.strahler(everywhere).sum() == 0
    assert np.isnan(routed.height_above(everywhere, np.zeros((3, 4)))).all()


# ---------------------------------------------------------------- along the flow

CHAIN = [[5.0, 4.0, 3.0, 2.0, 1.0]]


def test_the_first_label_downstream_is_met_and_none_behind_the_last():
    assert route(np.array(CHAIN)).met(np.array([[-1, 7, -1, 8, -1]])).tolist() == [[7, 7, 8, 8, -1]]


def test_height_above_the_stream_is_that_over_the_first_stream_cell_and_nan_where_none_is_met():
    stream = np.array([[False, True, False, True, False]])
    above = route(np.array(CHAIN)).height_above(stream, np.array(CHAIN))
    np.testing.assert_array_equal(above, [[1, 0, 1, 0, np.nan]])


def test_height_above_the_stream_reads_the_raw_heights():
    """The pit of 1 is filled to 3 for routing, and lies 1 below the stream cell at 2."""
    raw = np.array([[9.0, 9, 9, 9], [9, 1, 3, 2], [9, 9, 9, 9]])
    stream = np.zeros(raw.shape, bool)
    stream[1, 3] = True
    routed = route(raw)
    assert routed.filled[1, 1] == 3
    np.testing.assert_array_equal(routed.height_above(stream, raw)[1], [7, -1, 1, 0])


def test_order_rises_only_where_two_of_the_largest_meet():
    """A stem: in column 3 side streams from north and south make it 2; one more in column 6 leaves it at 2."""
    heights = np.full((5, 9), 50.0)
    heights[2] = np.linspace(9, 1, 9)  # the stem
    heights[[1, 3], 3] = 20.0
    heights[1, 6] = 20.0
    stream = np.zeros(heights.shape, bool)
    stream[2] = True
    stream[[1, 3], 3] = True
    stream[1, 6] = True
    order = route(heights).strahler(stream)
    assert order[2].tolist() == [1, 1, 1, 2, 2, 2, 2, 2, 2]
    assert order[1, 3] == order[3, 3] == order[1, 6] == 1
    assert (order[~stream] == 0).all()


def test_two_streams_of_order_2_make_order_3_and_a_gap_in_the_stream_ends_it():
    heights = np.full((7, 6), 99.0)
    for height, cells in ((90, [(0, 0), (2, 0), (4, 0), (6, 0)]), (80, [(1, 1), (5, 1)]), (70, [(2, 2), (4, 2)])):
        heights[tuple(np.transpose(cells))] = height
    heights[3, 3:] = 60, 50, 40
    stream = heights < 99
    order = route(heights).strahler(stream)
    assert [order[0, 0], order[1, 1], order[2, 2], order[3, 3], order[3, 5]] == [1, 2, 2, 3, 3]
    stream[4, 2] = False
    order = route(heights).strahler(stream)
    assert [order[5, 1], order[4, 2], order[3, 3], order[3, 5]] == [2, 0, 2, 2]
