"""Draws of scores and ranks: what is drawn, who shares it, and laws of the outcome."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from banks_world import ranked_banks, reaches_of, some_values, three_factors, used_factors
from gisprio.compute.scoring import chance
from gisprio.compute.scoring.draws import (
    BINS,
    EXACT_RANKS,
    RankCounts,
    count_draws,
    drawn_scores,
    rank_bins,
    scores_with,
)
from gisprio.compute.scoring.errors import model_errors
from gisprio.compute.scoring.keys import priority_keys, priority_of, ranks
from gisprio.compute.scoring.robustness import draw_weighing
from gisprio.compute.scoring.values import value_score
from gisprio.contracts.settings import Robustness

POWER, BEND, STRIP = range(3)


def _model(banks, slope_error=0.2):
    return model_errors(banks, used_factors(), reaches_of(banks, slope_error), three_factors())


def _only(model, *causes):
    """Give the model with the errors of some causes alone."""
    keep = np.array([cause in causes for cause in model.cause])
    return replace(model, sd=model.sd * keep[:, None])


def _alike(n, **values):
    """Give the model of banks that are all the same."""
    same = {"unit_stream_power_w_m2": 50.0, "outer_bend": 4.0, "missing_strip": 0.5, "line_offset_m": 6.0, **values}
    return _model(ranked_banks(pd.DataFrame({name: [value] * n for name, value in same.items()})))


def _drawn(model, draws, seed=1):
    """Give (draws, F, n) scores."""
    return np.array([drawn_scores(model, seed, draw) for draw in range(draws)])


def _count(model, draws=400, threads=2, seed=1, spread=0.33):
    n = model.score.shape[1]
    weighing = draw_weighing(used_factors(), three_factors(), Robustness(draws=draws, seed=seed, weight_spread=spread))
    return count_draws(model, weighing, {"banks": (lambda keys: keys, n)}, seed, 20, threads)["banks"]


# ---------------------------------------------------------------- chance


def test_hashed_numbers_are_even_and_normal():
    key = chance.draw_key(1, 7)
    even = np.array([chance.evenly(key, np.uint64(place)) for place in range(20_000)])
    assert np.histogram(even, 10, (0, 1))[0] == pytest.approx([2000] * 10, abs=200)
    normal = chance.normal_deviates(key, np.arange(20_000, dtype=np.uint64))
    assert (normal.mean(), normal.std()) == (pytest.approx(0, abs=0.03), pytest.approx(1, abs=0.03))
    assert (normal > 1.6449).mean() == pytest.approx(0.05, abs=0.006)
    assert abs(np.corrcoef(normal[:-1], normal[1:])[0, 1]) < 0.03


def test_seeds_and_draws_give_other_numbers():
    places = np.arange(2_000, dtype=np.uint64)
    a, b, c = (chance.normal_deviates(chance.draw_key(*of), places) for of in ((1, 1), (1, 2), (2, 1)))
    for one, other in ((a, b), (a, c), (b, c)):
        assert abs(np.corrcoef(one, other)[0, 1]) < 0.08


@pytest.mark.parametrize("logarithmic", [False, True])
def test_kernel_scores_values_as_the_value_function_does(logarithmic):
    nodes = ((2.0, 0.0), (10.0, 0.05), (35.0, 0.5), (300.0, 1.0))
    at, score = np.array(nodes).T.copy()
    values = np.array([0.0, 1.0, 2.0, 5.0, 10.0, 34.9, 35.0, 200.0, 300.0, 1e6, np.inf])
    got = [chance.score_at(value, at, score, logarithmic) for value in values]
    with np.errstate(divide="ignore"):
        assert got == pytest.approx(value_score(values, nodes, logarithmic=logarithmic), abs=1e-12)


def test_kernel_keys_and_ranks_are_those_of_the_run():
    rng = np.random.default_rng(2)
    scores = rng.integers(0, 1001, (3, 500))
    for combine in ("geometric", "weighted_sum"):
        priority = three_factors(combine=combine)
        weighing = draw_weighing(used_factors(), priority, Robustness(draws=3))
        for draw in range(3):
            weights, (a, b) = weighing.erosion_weights[draw], weighing.shares[draw]
            e = (scores[:2].T @ weights + 50) // 100
            expected = priority_keys(e, scores[2] * 10, {"erosion": int(a), "gap": int(b)}, combine)
            keys = weighing.keys(scores, draw)
            assert (keys == expected).all()
            got = np.empty(500, np.int32)
            chance.rank_keys(keys, got)
            assert (got == ranks(keys)).all()


# ---------------------------------------------------------------- who shares which error


def _correlation(drawn, factor, one, other):
    return np.corrcoef(drawn[:, factor, one], drawn[:, factor, other])[0, 1]


def test_the_curve_is_off_for_all_banks_alike():
    drawn = _drawn(_only(_alike(40), "curve"), 200)
    assert (drawn[:, POWER] == drawn[:, POWER, :1]).all()
    assert drawn[:, POWER, 0].std() > 50
    assert np.corrcoef(drawn[:, POWER, 0], drawn[:, BEND, 0])[0, 1] > 0.9  # wider than thought: a tighter bend


def test_heights_are_off_for_a_segment():
    drawn = _drawn(_only(_alike(40), "slope"), 400)
    assert (drawn[:, POWER, :10] == drawn[:, POWER, :1]).all()
    assert abs(_correlation(drawn, POWER, 0, 10)) < 0.15
    assert drawn[:, BEND].std() == 0


def test_a_patch_of_cover_is_off_on_one_side_of_a_segment():
    values = pd.DataFrame({"unit_stream_power_w_m2": 50.0, "outer_bend": 4.0, "missing_strip": 0.5,
                           "adjacent_cover": ["crop", "crop", "crop", "crop", "pasture", "pasture"]})  # fmt: skip
    drawn = _drawn(_only(_model(ranked_banks(values)), "legend"), 400)
    assert _correlation(drawn, STRIP, 0, 2) == pytest.approx(1)
    assert abs(_correlation(drawn, STRIP, 0, 1)) < 0.15  # the other side
    assert abs(_correlation(drawn, STRIP, 0, 4)) < 0.15  # another cover
    assert drawn[:, STRIP, 0].std() == pytest.approx(150, rel=0.1)


def test_a_line_beside_the_channel_moves_the_two_banks_against_each_other():
    drawn = _drawn(_only(_alike(4), "line"), 400)
    assert _correlation(drawn, STRIP, 0, 1) == pytest.approx(-1, abs=1e-3)
    assert abs(_correlation(drawn, STRIP, 0, 2)) < 0.15
    assert drawn[:, STRIP, 0].std() == pytest.approx(200, rel=0.1)  # 6 m of 30 m
    mapped = _drawn(_only(_alike(4, bank_line_basis="water_edge"), "line"), 20)
    assert mapped[:, STRIP].std() == 0


def test_single_errors_are_each_banks_own_by_factor():
    drawn = _drawn(_only(_alike(4), "single"), 400)
    assert abs(_correlation(drawn, POWER, 0, 1)) < 0.15
    assert abs(np.corrcoef(drawn[:, POWER, 0], drawn[:, BEND, 0])[0, 1]) < 0.15


def test_a_missing_value_may_be_anything():
    banks = ranked_banks(some_values(6))
    banks.loc[2, "unit_stream_power_w_m2"] = np.nan
    banks.loc[2, ["unit_stream_power_score", "unit_stream_power_basis"]] = [50.0, "default"]
    drawn = _drawn(_model(banks), 4000)[:, POWER, 2]
    assert (drawn.min(), drawn.max()) == (0, 1000)
    assert np.histogram(drawn, 5, (0, 1001))[0] == pytest.approx([800] * 5, rel=0.12)


def test_a_straight_bank_stays_straight():
    drawn = _drawn(_model(ranked_banks(some_values(40).assign(outer_bend=np.nan))), 50)
    assert not drawn[:, BEND].any()


def test_a_value_beyond_the_last_node_does_not_jump():
    drawn = _drawn(_only(_alike(2, unit_stream_power_w_m2=3000.0), "single"), 300)
    assert (drawn[:, POWER] == 1000).all()


def test_a_factor_without_a_card_errs_by_a_tenth_of_the_score():
    banks = ranked_banks(some_values(4)).assign(shade=1.0, shade_score=50.0, shade_basis="measured")
    row = {"key": "shade", "group": "gap", "value_column": "shade", "basis_column": "shade_basis",
           "score_column": "shade_score", "scaled_by": "", "weight": 500, "used": True}  # fmt: skip
    used = pd.concat([used_factors(), pd.DataFrame([row])], ignore_index=True)
    drawn = _drawn(model_errors(banks, used, reaches_of(banks), three_factors()), 2000)[:, 3]
    assert (drawn.mean(), drawn.std()) == (pytest.approx(500, abs=5), pytest.approx(100, rel=0.05))


# ---------------------------------------------------------------- laws


def test_without_errors_every_draw_is_the_run():
    banks = ranked_banks(some_values(300))
    counts = _count(_model(banks).scaled(0.0), draws=20, spread=0.0)
    for share in (0.05, 0.5, 0.95):
        assert (counts.percentile(share) == banks["rank"].to_numpy(float)).all()
    assert (counts.top_share() == (banks["rank"] <= 20)).all()


def test_a_bank_keeps_its_draws_when_others_are_added():
    values = some_values(60)
    few, many = _model(ranked_banks(values[:36])), _model(ranked_banks(values))
    for draw in range(20):
        assert (drawn_scores(few, 1, draw) == drawn_scores(many, 1, draw)[:, :36]).all()


def test_row_order_does_not_matter():
    banks = ranked_banks(some_values(60))
    order = np.random.default_rng(1).permutation(60)
    a, b = _model(banks), _model(banks.iloc[order].reset_index(drop=True))
    assert (drawn_scores(a, 1, 3)[:, order] == drawn_scores(b, 1, 3)).all()


def test_threads_do_not_matter_and_seeds_do():
    model = _model(ranked_banks(some_values(200)))
    one, two, other = _count(model, threads=1), _count(model, threads=3), _count(model, seed=2)
    assert (one.counts == two.counts).all()
    assert (one.in_top == two.in_top).all()
    assert (one.counts != other.counts).any()


def test_every_draw_is_counted_once():
    counts = _count(_model(ranked_banks(some_values(200))))
    assert (counts.counts.sum(axis=1) == 400).all()
    assert counts.counts[:, 0].sum() >= 400  # ties share rank 1


def test_more_draws_do_not_move_percentiles_beyond_chance():
    model = _model(ranked_banks(some_values(200)))
    few, many = _count(model, draws=1500), _count(model, draws=6000, seed=9)
    for share in (0.05, 0.5, 0.95):
        # the true share of draws at or below the percentile is within 4 standard errors of the one asked for
        at = few.percentile(share).astype(int)
        reached = np.cumsum(many.counts, axis=1)[np.arange(200), at - 1] / 6000
        before = np.cumsum(many.counts, axis=1)[np.arange(200), np.maximum(at - 2, 0)] / 6000 * (at > 1)
        slack = 4 * np.sqrt(share * (1 - share) * (1 / 1500 + 1 / 6000))
        assert (reached >= share - slack).all()
        assert (before <= share + slack).all()


def test_larger_errors_widen_the_interval():
    model = _model(ranked_banks(some_values(200)))
    width = [
        (counts.percentile(0.95) - counts.percentile(0.05)).mean()
        for counts in (_count(model.scaled(by), spread=0.0) for by in (0.25, 0.5, 1.0))
    ]
    assert width[0] < width[1] < width[2]


# ---------------------------------------------------------------- counts of ranks


def test_percentiles_of_counts_by_hand():
    counts = RankCounts(np.array([[1, 18, 1], [10, 0, 10]], np.uint16), np.array([1, 2, 3]), np.array([1, 10]), 20)
    assert counts.percentile(0.05).tolist() == [1.0, 1.0]
    assert counts.percentile(0.5).tolist() == [2.0, 1.0]
    assert counts.percentile(0.95).tolist() == [2.0, 3.0]
    assert counts.top_share().tolist() == [0.05, 0.5]


@pytest.mark.parametrize("n", [1, 7, BINS, BINS + 1, 20_000, 300_000])
def test_bins_are_exact_at_the_top_and_within_one_percent_beyond(n):
    bin_of, rank_of = rank_bins(n)
    rank = np.arange(1, n + 1)
    stands = rank_of[bin_of[1:]]
    assert len(rank_of) <= BINS
    exact = n if n <= BINS else EXACT_RANKS
    assert (stands[:exact] == rank[:exact]).all()
    assert (np.abs(stands - rank) <= 0.01 * rank).all()


@pytest.mark.parametrize("combine", ["geometric", "weighted_sum"])
def test_printed_priorities_are_those_of_the_run(combine):
    rng = np.random.default_rng(5)
    e, g = rng.integers(0, 10_001, (2, 5000))
    keys = priority_keys(e, g, {"erosion": 35, "gap": 65}, combine)
    assert (chance.whole_priorities(keys, combine == "geometric") / 100 == priority_of(keys, combine)).all()


def test_means_and_gaps_are_rounded_half_up():
    means = chance.frontage_means(
        np.array([1001, 1000, 7000]), np.array([0, 0, 1]), np.arange(3), np.array([5, 5, 9]), 2
    )
    assert means.tolist() == [1001, 7000]
    assert chance.gap_keys(means, np.array([5, 15_005])).tolist() == [1, 10_504]  # .5005 and 10503.5


def test_what_is_unknown_stays_when_inputs_are_moved():
    banks = ranked_banks(some_values(4)).assign(
        shade=np.nan, shade_score=50.0, shade_basis=["default", *["measured"] * 3]
    )
    row = {"key": "shade", "group": "gap", "value_column": "shade", "basis_column": "shade_basis",
           "score_column": "shade_score", "scaled_by": "", "weight": 500, "used": True}  # fmt: skip
    model = model_errors(banks, pd.DataFrame([row]), reaches_of(banks), three_factors())
    assert scores_with(model, [1.0]).tolist() == [[500, 600, 600, 600]]
