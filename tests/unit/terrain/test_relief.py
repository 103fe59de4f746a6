"""The routing grid: exact means of whole blocks, nodata left out, coarse heights as they are."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain import relief
from gisprio.compute.terrain.relief import block_means, lay_routing_grid
from gisprio.contracts.grids import NO_SURVEY, ArraySource, Grid
from tables import settings, source


def grid_of(values, cell_m):
    return lay_routing_grid({}, {"dem": source(np.array(values, np.float32), 1000.0, 2000.0, cell_m)}, settings())[
        "elevation"
    ]


def test_cells_of_5_m_are_averaged_two_by_two_without_those_that_have_no_data():
    grid = grid_of([[1, 3, 10, np.nan], [5, 7, np.nan, np.nan]], 5.0)
    assert grid.values.tolist() == [[4.0, 10.0]]
    assert grid.values.dtype == np.float32
    assert (grid.lattice.x0, grid.lattice.y0, grid.lattice.cell_m) == (1000.0, 2000.0, 10.0)


def test_the_lowest_of_a_block_is_kept_beside_its_mean():
    dem = source(np.array([[1, 3, 10, np.nan], [5, 7, np.nan, np.nan]], np.float32), 0.0, 0.0, 5.0)
    lowest = lay_routing_grid({}, {"dem": dem}, settings())["lowest"]
    assert lowest.values.tolist() == [[1.0, 10.0]]
    assert lowest.values.dtype == np.float32
    coarse = source(np.array([[1, 3]], np.float32), 0.0, 0.0, 10.0)
    assert lay_routing_grid({}, {"dem": coarse}, settings())["lowest"].values.tolist() == [[1.0, 3.0]]


def test_a_block_without_data_stays_without():
    grid = grid_of([[np.nan, np.nan], [np.nan, np.nan]], 5.0)
    assert np.isnan(grid.values).all()
    assert not grid.valid().any()


@pytest.mark.parametrize(
    ("cell_m", "expected"), [(1.0, 10.0), (3.0, 9.0), (4.0, 8.0), (6.0, 6.0), (10.0, 10.0), (30.0, 30.0)]
)
def test_the_routing_cell_is_the_largest_block_of_whole_cells_up_to_10_m(cell_m, expected):
    assert grid_of(np.zeros((40, 40)), cell_m).lattice.cell_m == pytest.approx(expected)


def test_heights_of_30_m_are_kept_as_they_are():
    values = np.arange(12, dtype=np.float32).reshape(3, 4)
    assert grid_of(values, 30.0).values.tolist() == values.tolist()


def test_strips_change_nothing(monkeypatch):
    values = np.random.default_rng(3).normal(100, 5, (37, 23)).astype(np.float32)
    values[5:9, 5:9] = np.nan
    dem = source(values, 0.0, 0.0, 2.5)
    whole = block_means(dem, 4)[0].values
    monkeypatch.setattr(relief, "STRIP_CELLS", 100)
    np.testing.assert_array_equal(block_means(dem, 4)[0].values, whole)
    assert whole.shape == (10, 6)
    assert whole[0, 0] == np.float32(values[:4, :4].astype(float).mean())
    assert whole[9, 5] == np.float32(values[36:, 20:].astype(float).mean())  # blocks at the edge: what is there


def test_another_nodata_value_is_no_height():
    dem = source(np.array([[-9999, 2], [4, 6]], np.float32), 0.0, 0.0, 5.0, nodata=-9999)
    assert block_means(dem, 2)[0].values.tolist() == [[4.0]]


class TwoSurveys(ArraySource):
    """Heights at hand, each of a survey."""

    def __init__(self, heights, surveys):
        super().__init__(source(np.array(heights, np.float32), 0.0, 0.0, 5.0).grid)
        object.__setattr__(self, "surveys", np.array(surveys, np.int16))

    survey_cells_m = (5.0, 10.0, 5.0)

    def surveyed_window(self, bounds):
        grid = self.window(bounds)
        rows, columns = grid.values.shape
        own = self.surveys[grid.row : grid.row + rows, grid.column : grid.column + columns]
        return grid, Grid(own, grid.lattice, grid.row, grid.column, NO_SURVEY)


def test_a_mean_is_of_the_commonest_survey_alone_and_of_the_first_of_equal_ones():
    dem = TwoSurveys(
        [[1, 9, 1, 9, 9, 9], [2, 9, 9, 9, np.nan, 1]],
        [[0, 1, 0, 1, 1, 1], [0, 1, 1, 1, -1, 0]],
    )
    elevation, survey, lowest = block_means(dem, 2)
    assert lowest.values.tolist() == [[1.0, 9.0, 9.0]]  # survey 1 has cells of 10 m: nothing below its mean is seen
    assert elevation.values.tolist() == [[1.5, 9.0, 9.0]]
    assert survey.values.tolist() == [[0, 1, 1]]
    assert survey.values.dtype == np.int16


def test_a_dem_without_surveys_is_one_and_no_data_has_none():
    grids = lay_routing_grid({}, {"dem": source(np.array([[5, np.nan]], np.float32), 0.0, 0.0, 10.0)}, settings())
    assert grids["survey"].values.tolist() == [[0, -1]]
    assert grids["survey"].lattice == grids["elevation"].lattice


def test_strips_change_no_survey(monkeypatch):
    chance = np.random.default_rng(5)
    dem = TwoSurveys(chance.normal(100, 5, (37, 23)), chance.integers(0, 3, (37, 23)))
    whole = block_means(dem, 4)
    monkeypatch.setattr(relief, "STRIP_CELLS", 100)
    for one, other in zip(block_means(dem, 4), whole, strict=True):
        np.testing.assert_array_equal(one.values, other.values)
    assert len(np.unique(whole[1].values)) == 3
