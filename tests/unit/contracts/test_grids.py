"""Windows of grids: a point falls in the same cell through every window."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gisprio.contracts.grids import ArraySource, Grid, Lattice, window_cells

VALUES = np.arange(60.0).reshape(6, 10)
SOURCE = ArraySource(Grid(VALUES, Lattice(100.0, 200.0, 10.0)))  # x 100..200, y 140..200


@given(st.floats(95, 205), st.floats(135, 205), st.floats(0, 60), st.floats(0, 60))
def test_a_point_has_the_same_value_through_any_window_that_holds_it(x, y, left, below):
    whole = SOURCE.window((0, 0, 500, 500))
    window = SOURCE.window((x - left, y - below, x + 1, y + 1))
    point = np.array([x]), np.array([y])
    got, want = window.nearest(*point, np.nan), whole.nearest(*point, np.nan)
    np.testing.assert_array_equal(got, want)


def test_nearest_by_hand_and_nan_lies_nowhere():
    x = np.array([105.0, 195.0, 99.0, np.nan, 105.0])
    y = np.array([195.0, 145.0, 195.0, 195.0, np.nan])
    got = SOURCE.window((0, 0, 500, 500)).nearest(x, y, -1.0)
    assert got.tolist() == [0.0, 59.0, -1.0, -1.0, -1.0]


def test_bilinear_is_exact_on_a_plane_and_missing_beyond_the_outer_centres():
    whole = SOURCE.window((0, 0, 500, 500))
    got = whole.bilinear(np.array([110.0, 117.5, 101.0, np.nan]), np.array([190.0, 170.0, 190.0, 190.0]))
    # value = 10 row + column at centres: row = (195 - y) / 10, column = (x - 105) / 10
    assert got[:2].tolist() == pytest.approx([10 * 0.5 + 0.5, 10 * 2.5 + 1.25])
    assert np.isnan(got[2:]).all()


def test_nodata_and_nan_are_no_data():
    values = np.array([[1.0, np.nan], [-9.0, 2.0]])
    grid = Grid(values, Lattice(0, 20, 10), nodata=-9.0)
    assert grid.valid().tolist() == [[True, False], [False, True]]
    assert grid.nearest(np.array([15.0]), np.array([15.0]), -1.0).tolist() == [-1.0]
    assert np.isnan(grid.bilinear(np.array([10.0]), np.array([10.0])))[0]


def test_windows_are_cut_to_the_source_and_may_be_empty():
    assert window_cells(SOURCE.lattice, SOURCE.shape, (115, 155, 125, 165)) == (3, 5, 1, 3)
    assert SOURCE.window((900, 900, 950, 950)).values.size == 0
    assert SOURCE.window((900, 900, 950, 950)).nearest(np.array([910.0]), np.array([910.0]), -1.0).tolist() == [-1.0]


def test_centres_give_their_own_cell_back():
    rows, columns = np.meshgrid(np.arange(6), np.arange(10), indexing="ij")
    x, y = SOURCE.lattice.centres(rows, columns)
    got = SOURCE.lattice.rows_columns(x, y)
    np.testing.assert_array_equal(got[0], rows)
    np.testing.assert_array_equal(got[1], columns)
