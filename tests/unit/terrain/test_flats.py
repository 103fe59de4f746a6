"""Ground of whole metres: wide flats between steps lose none of their area on the way to the stream."""

from __future__ import annotations

import numpy as np
import pytest

from makers import HEAD_M, LENGTH_M, VALLEY_HALF_M, Place, straight_height
from network_world import heights, streams, whole_chain


def test_heights_of_whole_metres_give_the_area_of_the_valley():
    """Steps of 1 m are flats of many cells; 1,190 m x 3,400 m drain to the outlet.

    The divides are flats too, of a cell or two on either side that may fall either way: 40 of 1,190 m.
    """
    dem = heights(lambda u, v: np.floor(straight_height(u, v)))
    made = whole_chain(streams([Place().line((0, 0), (LENGTH_M, 0))]), dem)
    area = 2 * VALLEY_HALF_M * (LENGTH_M + HEAD_M) / 1e6
    assert made["reach_measures"]["drainage_area_km2"].max() == pytest.approx(area, rel=40 / 1190)
