"""Agreement of scores and visits: other libraries, a case by hand, and a known truth that the interval covers."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from scipy.stats import mannwhitneyu, spearmanr

from gisprio.compute.visits.agreement import agreement, area, rank_correlation

BANKS, TOP, DRAWN = 600, 40, 20


def even(count):
    """Give weights and kinds of rows that were all drawn at random."""
    return np.ones(count), np.ones(count, bool)


def visits(count=40, at_random=10, **columns):
    """Make usable visits whose scores are in the order of what was seen: the upper half erodes."""
    score = np.linspace(0, 100, count)
    drawn = np.arange(count) % max(count // max(at_random, 1), 1) == 0
    drawn &= np.cumsum(drawn) <= at_random
    table = pd.DataFrame(
        {"erosion_score": score, "priority": 100 - score, "erodes": (score > 50).astype(float),
         "field_hazard_index": 5 + 0.45 * score, "at_random": drawn, "weight": np.where(drawn, 10.0, 1.0),
         "right_score": score, "wrong_score": 100 - score}
    )  # fmt: skip
    return table.assign(**columns)


def test_a_case_by_hand():
    """Eroding at 3, 5, 5; others at 1, 4, 5: of 9 pairs 3 > 1; 5 > 1, 4 twice and equals 5 twice: 5 + 2 x 0.5."""
    got = area(np.array([3, 5, 5, 1, 4, 5.0]), np.array([1, 1, 1, 0, 0, 0.0]), *even(6))
    assert got.value == pytest.approx(6 / 9)
    assert got.low < 6 / 9 < got.high


def test_weights_count_a_visit_for_the_banks_it_stands_for():
    """The eroding bank at 1 stands for 3: above 1 of 4 others, as often as three rows of it would be."""
    score, erodes = np.array([1, 5, 6, 0, 2, 3, 4.0]), np.array([1, 1, 1, 0, 0, 0, 0.0])
    weighed = area(score, erodes, np.array([3, 1, 1, 1, 1, 1, 1.0]), np.ones(7, bool))
    assert weighed.value == pytest.approx((3 * 0.25 + 1 + 1) / 5)


@pytest.mark.parametrize("seed", range(3))
def test_unweighted_the_area_is_that_of_the_rank_sum_and_its_error_that_of_delong(seed):
    rng = np.random.default_rng(seed)
    score = np.round(rng.normal(size=300), 1)
    erodes = (rng.random(300) < expit(score)).astype(float)
    bad, good = score[erodes > 0], score[erodes == 0]
    got = area(score, erodes, *even(300))
    assert got.value == pytest.approx(mannwhitneyu(bad, good).statistic / (len(bad) * len(good)))
    right = (bad[:, None] > good) + 0.5 * (bad[:, None] == good)
    error = np.sqrt(right.mean(1).var(ddof=1) / len(bad) + right.mean(0).var(ddof=1) / len(good))
    assert got.high - got.low == pytest.approx(2 * 1.98 * error, rel=0.03)


def test_rank_correlation_is_that_of_scipy_and_takes_weights_as_repeated_rows():
    rng = np.random.default_rng(7)
    a = np.round(rng.normal(size=50), 1)
    b = np.round(a + rng.normal(size=50), 1)
    assert rank_correlation(a, b, np.ones(50)) == pytest.approx(spearmanr(a, b).statistic)
    times = rng.integers(1, 5, 50)
    repeated = spearmanr(np.repeat(a, times), np.repeat(b, times)).statistic
    assert rank_correlation(a, b, times.astype(float)) == pytest.approx(repeated)
    assert np.isnan(rank_correlation(a, np.full(50, 3.0), np.ones(50)))
    assert np.isnan(rank_correlation(a[:9], b[:9], np.ones(9)))


def simulated(rng, score, chance, order):
    """Bring back forms of the top and of some at random, as a crew would who saw what is true."""
    erodes = (rng.random(len(score)) < chance).astype(float)
    picked = np.r_[order[:TOP], rng.choice(order[TOP:], DRAWN, replace=False)]
    drawn = np.arange(TOP + DRAWN) >= TOP
    return area(score[picked], erodes[picked], np.where(drawn, (len(score) - TOP) / DRAWN, 1.0), drawn)


@pytest.mark.parametrize("slope", [0.0, 0.03, 0.08])
def test_the_interval_covers_a_known_truth_in_at_least_90_of_100(slope):
    """Truth: how often a bank that erodes scores above one that does not, over all pairs of the watershed."""
    score = np.random.default_rng(1).beta(2, 3, BANKS) * 100
    chance = expit(-1 + slope * (score - 40))
    pair = chance[:, None] * (1 - chance)
    np.fill_diagonal(pair, 0)
    truth = float((pair * (np.sign(score[:, None] - score) / 2 + 0.5)).sum() / pair.sum())
    order = np.argsort(-score)
    areas = [simulated(np.random.default_rng(seed), score, chance, order) for seed in range(130)]
    known = [one for one in areas if one.known][:100]
    assert len(known) == 100
    assert sum(one.low <= truth <= one.high for one in known) >= 90
    assert np.mean([one.high - one.low for one in known]) < 0.65


def test_what_agrees_is_told_with_its_table_and_the_factor_that_misleads():
    got = agreement(visits(), ("right_score", "wrong_score"), 50.0)
    assert (got.visits, got.at_random, got.cannot, got.indexed) == (40, 10, "", 40)
    assert (got.area.value, got.rank_correlation, got.priority_correlation) == pytest.approx((1.0, 1.0, -1.0))
    assert 0.5 < got.area.low < 1.0
    assert got.table == (20, 0, 0, 20)
    assert got.misleading == ("wrong_score",)
    assert agreement(visits(), (), 75.0).table == (10, 0, 10, 20)


def test_with_few_or_only_top_visits_nothing_can_be_judged():
    few = agreement(visits(29), (), 50.0)
    assert few.cannot == ("How well the scores agree with the visits cannot be judged: 29 usable visits, of 30 wanted.")
    assert not few.area.known
    top = agreement(visits().assign(at_random=False), (), 50.0)
    assert top.cannot == (
        "How well the scores agree with the visits cannot be judged: 0 of 40 usable visits were drawn at random, of 8 "
        "wanted; banks that were chosen for their rank cannot say what the others are like."
    )


def test_visits_without_a_verdict_on_erosion_or_without_a_score_do_not_count():
    table = visits()
    table.loc[:5, "erodes"] = np.nan
    table.loc[35:, "erosion_score"] = np.nan
    assert agreement(table, (), 50.0).visits == 29


def test_without_eroding_banks_among_the_random_ones_there_is_no_area():
    table = visits()
    table["erodes"] = np.where(table["at_random"], 0.0, table["erodes"])
    got = agreement(table, ("right_score",), 50.0)
    assert got.cannot == ""
    assert not got.area.known
    assert got.misleading == ()
