"""Value functions and the worst stretch."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.values import Windows, value_score, whole, worst

CARDS = {registered.card.key: registered.card for registered in FACTORS}
PUBLISHED_POWER = ((10.0, 0.0), (35.0, 0.5), (300.0, 1.0))


@pytest.mark.reference
@pytest.mark.parametrize(
    ("power", "score"),
    [(5, 0), (10, 0), (20, 0.2766), (35, 0.5), (100, 0.7443), (130.8, 0.8068), (300, 1), (1000, 1)],
)
def test_power_function_between_published_breaks(power, score):
    """35 W/m2 Brookes 1987; 10 and 300 Nanson and Croke 1992 (numbers from memory); values worked by hand."""
    got = value_score(np.array([float(power)]), PUBLISHED_POWER, logarithmic=True)
    assert got[0] == pytest.approx(score, abs=1e-4)


def test_default_power_function_keeps_a_tail_below_ten():
    card = CARDS["unit_stream_power"]
    got = value_score(np.array([2.0, 5.0, 10.0, 35.0, 300.0]), card.nodes, logarithmic=True)
    assert got[0] == 0
    assert 0 < got[1] < got[2] == pytest.approx(0.05)
    assert got[3:].tolist() == [0.5, 1.0]


@pytest.mark.reference
@pytest.mark.parametrize(
    ("x", "score"),
    [
        (1, 1),
        (2, 1),
        (2.5, 0.9059),
        (3, 0.8186),
        (4, 0.6556),
        (5, 0.5079),
        (6, 0.3756),
        (8, 0.1571),
        (10, 0),
        (np.inf, 0),
    ],
)
def test_bend_function_is_the_rescaled_shear_factor(x, score):
    """FHWA HEC-15, third edition: K_b, rescaled (K_b - 1.05) / 0.95."""
    got = value_score(np.array([float(x)]), CARDS["outer_bend"].nodes)
    assert got[0] == pytest.approx(score, abs=2e-3)


@given(st.sampled_from(sorted(CARDS)), st.lists(st.floats(0, 1e4), min_size=2, max_size=20))
def test_scores_stay_between_nought_and_one_and_are_monotone(key, values):
    card = CARDS[key]
    got = value_score(np.sort(np.array(values)), card.nodes, logarithmic=card.logarithmic)
    assert ((got >= 0) & (got <= 1)).all()
    step = np.diff(got)
    assert (step >= -1e-12).all() or (step <= 1e-12).all()


def test_missing_stays_missing():
    got = value_score(np.array([np.nan, 35.0]), PUBLISHED_POWER, logarithmic=True)
    assert np.isnan(got[0])
    assert got[1] == 0.5
    assert np.isnan(whole(got)[0])
    assert whole(np.array([0.0005, 0.00049])).tolist() == [1.0, 0.0]


def worst_stretch(length, score, stretch_m, new_run=None):
    """Give mean, start and end of the worst stretch."""
    windows = Windows.along_bank(np.asarray(length, float), stretch_m, new_run)
    means = windows.means(np.asarray(score, float))
    one = worst(means)
    return float(means[one]), float(windows.start[one]), float(windows.end[one])


def test_worst_stretch_finds_a_scar_that_a_mean_would_dilute():
    score = np.zeros(40)
    score[10:22] = 1000.0  # 60 m of 200 m
    assert worst_stretch(np.full(40, 5.0), score, 50.0) == (1000.0, 50.0, 100.0)


def test_worst_stretch_starts_between_stations_when_that_is_worse():
    assert worst_stretch([30.0, 30.0], [0.0, 1000.0], 50.0) == (600.0, 10.0, 60.0)


def test_a_bank_shorter_than_the_stretch_is_taken_whole():
    assert worst_stretch([10.0, 30.0], [0.0, 1000.0], 50.0) == (750.0, 0.0, 40.0)


def test_no_stretch_goes_across_a_crossing():
    score = np.array([0.0] * 8 + [1000.0] * 4 + [1000.0] * 4 + [0.0] * 8)  # 20 m on either side of a road
    new_run = np.arange(24) == 12
    assert worst_stretch(np.full(24, 5.0), score, 40.0)[0] == 1000.0
    assert worst_stretch(np.full(24, 5.0), score, 40.0, new_run) == (500.0, 20.0, 60.0)


def test_a_short_rest_behind_a_crossing_counts_only_where_nothing_longer_is_left():
    score = np.array([0.0] * 20 + [1000.0] * 4)  # 20 m behind the crossing, of 50 m wanted
    assert worst_stretch(np.full(24, 5.0), score, 50.0, np.arange(24) == 20)[0] == 0.0
    assert worst_stretch(np.full(24, 5.0), score, 40.0, np.arange(24) == 20) == (1000.0, 100.0, 120.0)
    assert worst_stretch([20.0, 15.0], [0.0, 1000.0], 50.0, np.array([False, True]))[0] == 0.0


def test_what_is_not_known_weighs_nothing_in_a_stretch():
    windows = Windows.along_bank(np.full(4, 25.0), 50.0)
    assert windows.means(np.array([np.nan, 10.0, np.nan, np.nan])).tolist()[:2] == [10.0, 10.0]
    assert np.isnan(windows.means(np.array([np.nan, 10.0, np.nan, np.nan]))[2])


@given(st.lists(st.tuples(st.integers(1, 20), st.integers(0, 1000)), min_size=1, max_size=30))
def test_no_stretch_is_worse_than_the_worst(stations):
    """Metre by metre: every window of 50 whole metres has at most the mean that was found."""
    metres = np.repeat([float(s[1]) for s in stations], [s[0] for s in stations])
    mean, start, end = worst_stretch([s[0] for s in stations], [s[1] for s in stations], 50.0)
    window = min(50, len(metres))
    every = [metres[i : i + window].mean() for i in range(len(metres) - window + 1)]
    assert mean == pytest.approx(max(every), abs=1e-6)
    assert metres[round(start) : round(end)].mean() == pytest.approx(mean, abs=1e-6)
