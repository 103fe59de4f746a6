"""Heights of banks as ranges, against sums by hand."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.works.heights import even, given_heights, seen_heights
from gisprio.contracts.settings import Sizing

SIZING = Sizing()


def seen(heights, codes, error=0.3):
    length = np.full(len(heights), 5.0)
    return seen_heights(length, np.array(heights, float), np.array(codes, object), error, SIZING)


def test_a_height_from_a_flight_ends_at_the_water_and_one_by_a_visit_at_the_toe():
    found = seen([1.0, 1.5], ["top", "visit"])
    assert found is not None
    assert found.low.first == pytest.approx([0.7, 1.4])
    assert found.mid.first == pytest.approx([1.15, 1.5])
    assert found.high.first == pytest.approx([1.6, 1.6])
    assert found.basis == "measured"
    assert found.says == (
        "1 to 1.5 m, seen on visits along 5 m and on heights from flights, above the water along 5 m of 10 m"
    )


def test_stations_without_a_height_take_the_ends_of_the_others():
    found = seen([2.0, 1.0, np.nan], ["top", "top", "no_break"])
    assert found is not None
    assert found.low.first == pytest.approx([1.7, 0.7, 0.7])
    assert found.mid.first == pytest.approx([2.15, 1.15, 1.65])
    assert found.high.first == pytest.approx([2.6, 1.6, 2.6])


def test_heights_of_less_than_half_a_site_are_none():
    assert seen([1.0, np.nan, np.nan], ["top", "coarse", "coarse"]) is None
    assert seen([np.nan], ["coarse"]) is None
    assert seen([], []) is None


def test_a_bank_lower_than_its_error_may_be_none_at_all():
    found = seen([0.1], ["low"])
    assert found is not None
    assert (found.low.lowest, found.high.highest) == pytest.approx((0.0, 0.7))


def test_lowest_and_highest_given_bracket_a_taper_and_one_height_is_off_by_its_error():
    two = given_heights(55.0, 1.4, 2.05, SIZING)
    assert (two.low.mean, two.mid.mean, two.high.mean) == pytest.approx((1.4, 1.725, 2.05))
    assert (two.mid.tapers, two.says) == (True, "measured on site: 1.4 to 2.05 m")
    one = given_heights(55.0, 1.4, 1.4, SIZING)
    assert (one.low.mean, one.mid.mean, one.high.mean) == pytest.approx((1.3, 1.4, 1.5))


def test_length_above_a_level_is_by_straight_lines():
    assert even(100.0, 1.0, 2.0).higher_than(np.array([0.0, 1.0, 1.25, 2.0, 3.0])) == pytest.approx(
        [100, 100, 75, 0, 0]
    )
    assert even(100.0, 1.0).higher_than(np.array([0.9, 1.0])) == pytest.approx([100, 0])


def test_the_mean_of_squares_is_that_of_many_small_steps():
    bank = even(55.0, 1.4, 2.05)
    steps = np.linspace(1.4, 2.05, 100_001)
    assert bank.mean_square == pytest.approx(np.mean(steps**2), rel=1e-5)
