"""Valley floor and line offset on heights made by formula."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.banks.valleys import measure_valleys
from tables import network, settings, source

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def _valleys(height, width_m=6.0):
    core = dict(network(SOUTH, width_m=width_m))
    core |= lay_stations(core, {"segments": core["segments"]}, {}, settings())
    x, y = np.meshgrid(-405 + 10.0 * np.arange(82) + 5, 1405 - 10.0 * np.arange(182) - 5)
    sources = {"elevation": source(height(x, y).astype(np.float32), -405.0, 1405.0, 10.0)}
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
