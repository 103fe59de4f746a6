"""Valley floor and line offset on heights made by formula."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.banks.valleys import measure_valleys
from tables import nearby, network, settings, source

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def _valleys(height, width_m=6.0, survey=None):
    core = dict(network(SOUTH, width_m=width_m))
    core |= lay_stations(core, {"segments": core["segments"]}, {}, settings())
    x, y = np.meshgrid(-405 + 10.0 * np.arange(82) + 5, 1405 - 10.0 * np.arange(182) - 5)
    z = height(x, y)
    low = np.where(np.isnan(z).all(), np.nan, np.nan_to_num(z, nan=np.inf).min(axis=1, keepdims=True))
    sources = {
        "elevation": source(z.astype(np.float32), -405.0, 1405.0, 10.0),
        "height_above_stream": source((z - low).astype(np.float32), -405.0, 1405.0, 10.0),
    }
    if survey is not None:
        sources["survey"] = source(survey(x, y).astype(np.int16), -405.0, 1405.0, 10.0, -1)
    core |= find_bank_lines(core, nearby(), {}, settings())
    return measure_valleys(core, {}, sources, settings())["valleys"]


def test_v_valley_is_as_wide_as_twice_the_depth_allows():
    # sides of 1 in 10: ground within 2 x 0.5 m of the low reaches 10 m to each side; steps of 2.5 m
    got = _valleys(lambda x, y: np.abs(x) * 0.1 + y * 0.005)
    assert got["valley_width_m"].median() == pytest.approx(20, abs=5)


def test_flat_ground_is_open_to_ten_widths_a_side():
    got = _valleys(lambda x, y: y * 0.005)
    assert got["valley_width_m"].median() == pytest.approx(120)
    assert got["line_offset_m"].isna().all()  # no relief: the low is not told from noise


def test_line_beside_the_low_is_told_with_its_side():
    got = _valleys(lambda x, y: np.abs(x - 20) * 0.1 + y * 0.005)
    inner = got["line_offset_m"].iloc[20:-20]
    np.testing.assert_allclose(inner, 20.0, atol=5.0)  # low to the east of a line going south: left


def test_no_heights_give_nothing():
    got = _valleys(lambda x, y: np.full(x.shape, np.nan))
    assert got["valley_width_m"].isna().all()
    assert got["line_offset_m"].isna().all()


def _ditch(x, y):
    """A V valley; east of x = 15 heights of another survey lie 5 m lower."""
    return np.abs(x) * 0.1 + y * 0.005 - np.where(x > 15, 5.0, 0.0)


def test_the_low_is_not_looked_for_in_another_survey():
    mixed = _valleys(_ditch)["line_offset_m"].iloc[20:-20]
    assert (mixed > 15).all()  # the step is taken for the low
    parted = _valleys(_ditch, survey=lambda x, y: np.where(x > 15, 1, 0))
    assert parted["line_offset_m"].isna().all()  # the section has no whole side: nothing is told
    one = _valleys(_ditch, survey=lambda x, y: np.zeros(x.shape))["line_offset_m"].iloc[20:-20]
    np.testing.assert_array_equal(one, mixed)


def test_sections_along_a_stream_are_told_where_they_meet_one_survey_only():
    got = _valleys(
        lambda x, y: np.abs(x) * 0.1 + np.where(y > 500, 3.0, 0.0), survey=lambda x, y: np.where(y > 500, 0, 1)
    )
    assert got["valley_width_m"].iloc[:90].median() == pytest.approx(20, abs=5)
    np.testing.assert_allclose(got["line_offset_m"].iloc[20:85], 0.0, atol=5.0)
    np.testing.assert_allclose(got["line_offset_m"].iloc[115:180], 0.0, atol=5.0)


def test_a_floor_that_goes_on_into_another_survey_has_no_width():
    flat = _valleys(lambda x, y: y * 0.005, survey=lambda x, y: np.where(x > 30, 1, 0))
    assert flat["valley_width_m"].isna().all()
    narrow = _valleys(lambda x, y: np.abs(x) * 0.1 + y * 0.005, survey=lambda x, y: np.where(x > 30, 1, 0))
    assert narrow["valley_width_m"].median() == pytest.approx(20, abs=5)  # it ends before the seam
