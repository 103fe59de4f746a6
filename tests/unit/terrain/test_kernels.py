"""Kernels one by one: steepest by distance, flats by direction, the rule at the rim, compiled as written."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain.flow import bordered
from gisprio.compute.terrain.kernels import (
    NODATA,
    OUTLET,
    UNSET,
    accumulate,
    drain_flats,
    fill,
    neighbour_offsets,
    steepest,
    walk_to_label,
)


def ground(heights):
    heights = np.asarray(heights, float)
    z, direction, marks = bordered(heights, np.full(heights.shape, -1, np.int32))
    return z, direction, marks, neighbour_offsets(heights.shape[1] + 2)


def directions(heights):
    z, direction, _, offset = ground(heights)
    fill(z, direction, offset)
    steepest(z, direction, offset)
    drain_flats(z, direction, offset)
    return direction.reshape(np.asarray(heights).shape[0] + 2, -1)[1:-1, 1:-1]


def test_a_diagonal_drop_counts_by_its_distance():
    z, direction, _, offset = ground([[9, 9, 9], [9, 8, 7], [9, 9, 6.7]])
    steepest(z, direction, offset)
    assert direction.reshape(5, 5)[2, 2] == 1  # east: 1 over 1 against 1.3 over 1.41
    z, direction, _, offset = ground([[9, 9, 9], [9, 8, 7], [9, 9, 6.5]])
    steepest(z, direction, offset)
    assert direction.reshape(5, 5)[2, 2] == 2  # southeast: 1.5 over 1.41


def test_on_a_plane_nearly_all_cells_point_down_its_dip():
    """A plane that dips 30 degrees off the rows: the steepest of eight is the diagonal (27 to 63 degrees off)."""
    row, column = np.mgrid[0:40, 0:40]
    dip = np.radians(35)
    plane = 100 - column * np.cos(dip) - row * np.sin(dip)
    assert (directions(plane)[1:-1, 1:-1] == 2).all()


def test_a_flat_drains_by_direction_to_its_nearest_way_out_without_any_change_of_height():
    flat = np.full((5, 9), 5.0)
    flat[[0, -1]], flat[:, 0] = 9.0, 9.0
    flat[2, 8] = 4.0
    z, direction, _, offset = ground(flat)
    fill(z, direction, offset)
    np.testing.assert_array_equal(z.reshape(7, 11)[1:-1, 1:-1], flat)
    got = directions(flat)
    assert got[2, 8] == OUTLET
    assert (got[1:4, 1:8] <= 8).all()
    east = np.isin(got[1:4, 1:8], (1, 2, 8))
    assert east.all()  # each step brings every cell one column nearer
    assert (got != UNSET).all()


def test_a_flat_without_a_way_out_drains_over_its_rim():
    assert (directions(np.full((4, 4), 3.0)) != UNSET).all()


def test_a_rim_cell_drains_inwards_where_a_neighbour_is_lower_and_else_it_is_an_outlet():
    """A valley that ends at the rim, walled on three sides: one outlet, and all ground leaves by it."""
    row, column = np.mgrid[0:20, 0:11]
    valley = 100.0 + np.abs(column - 5) - 0.1 * row
    z, direction, _, offset = ground(valley)
    fill(z, direction, offset)
    steepest(z, direction, offset)
    drain_flats(z, direction, offset)
    count = accumulate(direction, offset).reshape(22, 13)[1:-1, 1:-1]
    assert np.argwhere(direction.reshape(22, 13)[1:-1, 1:-1] == OUTLET).tolist() == [[19, 5]]
    assert count[19, 5] == 20 * 11


def test_a_bay_without_data_is_an_edge_like_any_other():
    """A ring of ground around a hole: nothing is filled where it can fall into the hole."""
    row, column = np.mgrid[0:15, 0:15]
    bowl = np.hypot(row - 7, column - 7)
    bowl[7, 7] = np.nan
    z, direction, _, offset = ground(bowl)
    fill(z, direction, offset)
    np.testing.assert_array_equal(z.reshape(17, 17)[1:-1, 1:-1], np.nan_to_num(bowl))


def test_walking_stops_at_the_first_label_and_says_where_none_is_met():
    chain = np.array([[5.0, 4.0, 3.0, 2.0, 1.0]])
    _, direction, marks, offset = ground(chain)
    z = ground(chain)[0]
    steepest(z, direction, offset)
    marks[offset[3] + 2] = 7  # the second cell
    marks[offset[3] + 4] = 8  # the fourth
    met = walk_to_label(direction, marks, offset).reshape(3, 7)[1, 1:-1]
    assert met.tolist() == [7, 7, 8, 8, -1]


def test_nothing_is_routed_on_a_grid_without_ground():
    z, direction, marks, offset = ground(np.full((3, 3), np.nan))
    fill(z, direction, offset)
    steepest(z, direction, offset)
    drain_flats(z, direction, offset)
    assert (direction == NODATA).all()
    assert accumulate(direction, offset).sum() == 0
    assert (walk_to_label(direction, marks, offset) == -1).all()


@pytest.mark.parametrize("rounded", [False, True])
def test_compiled_kernels_do_what_is_written(rounded):
    heights = np.random.default_rng(11).normal(0, 4, (14, 17))
    heights[3:6, 3:5] = np.nan
    heights = np.round(heights) if rounded else heights
    z, direction, marks, offset = ground(heights)
    marks[(np.arange(z.size) % 23 == 0) & (direction != NODATA)] = 4
    z_slow, direction_slow = z.copy(), direction.copy()
    for kernel in (fill, steepest, drain_flats):
        kernel(z, direction, offset)
        kernel.py_func(z_slow, direction_slow, offset)
        np.testing.assert_array_equal(z, z_slow)
        np.testing.assert_array_equal(direction, direction_slow)
    np.testing.assert_array_equal(accumulate(direction, offset), accumulate.py_func(direction, offset))
    np.testing.assert_array_equal(
        walk_to_label(direction, marks, offset), walk_to_label.py_func(direction, marks, offset)
    )
