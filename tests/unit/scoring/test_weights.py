"""Weights: from judgements in pairs, equal, and drawn around those given."""

import numpy as np
import pytest

from gisprio.compute.scoring.weights import draw_weights, judge_pairs, pairwise_findings, with_judged_weights
from gisprio.contracts.errors import SettingsError
from tables import settings

CIRCLE = [["unit_stream_power", "outer_bend", 9.0], ["outer_bend", "near_bank_cover", 9.0],
          ["near_bank_cover", "unit_stream_power", 9.0]]  # fmt: skip


def _pairs(*rows):
    return [(first, second, float(times)) for first, second, times in rows]


def _message(call, *given):
    with pytest.raises(SettingsError) as caught:
        call(*given)
    return caught.value.report()


def test_judgements_become_the_weights_of_their_group():
    given = settings(priority={"pairwise": {"erosion": [("unit_stream_power", "outer_bend", 3.0)]}})
    made = with_judged_weights(given)
    assert made.priority.erosion == pytest.approx({"unit_stream_power": 0.75, "outer_bend": 0.25})
    assert made.priority.gap == given.priority.gap
    assert given.priority.erosion == settings().priority.erosion
    assert with_judged_weights(settings()) == settings()


def test_a_finding_tells_weights_and_ratio():
    pairs = _pairs(("a", "b", 3), ("a", "c", 5), ("b", "c", 3))
    (found,) = pairwise_findings(settings(priority={"pairwise": {"erosion": pairs}}).priority)
    assert (found.severity, found.check, found.feature_id) == ("note", "pairwise", "erosion")
    assert found.says == (
        "Weights of erosion from judgements in pairs: a 63.7 %, b 25.8 %, c 10.5 %; consistency ratio 0.033, "
        "within 0.10."
    )


def test_contradicting_judgements_are_refused_and_the_worst_is_named():
    pairs = _pairs(("a", "b", 2), ("a", "c", 4), ("b", "c", 2), ("a", "d", 8), ("b", "d", 4), ("c", "d", 1 / 9))
    assert _message(with_judged_weights, settings(priority={"pairwise": {"erosion": pairs}})) == (
        "SettingsError: [priority.pairwise] erosion: the judgements contradict each other, consistency ratio 0.441.\n"
        "  Wanted: a ratio of at most 0.10.\n"
        "  Do: look first at c against d: 0.111 is given, all judgements together say 0.38; or set "
        "accept_inconsistent = true."
    )


def test_contradictions_may_be_accepted_and_are_told():
    pairwise = {"erosion": [tuple(row) for row in CIRCLE], "accept_inconsistent": True}
    made = with_judged_weights(settings(priority={"pairwise": pairwise}))
    assert list(made.priority.erosion.values()) == pytest.approx([1 / 3] * 3)
    (found,) = pairwise_findings(made.priority)
    assert found.severity == "warning"
    assert found.says.endswith("consistency ratio 6.130, above 0.10, accepted by the config.")


def test_each_pair_is_wanted_once():
    pairs = _pairs(("a", "b", 2), ("b", "a", 2), ("a", "c", 1))
    assert _message(judge_pairs, pairs) == (
        "SettingsError: [priority.pairwise]: not judged: b and c; judged twice, or with itself: a and b.\n"
        "  Wanted: each pair of the factors of a group once.\n"
        "  Do: complete the list of [first, second, times], or take it out and give weights."
    )


def test_equal_weights():
    made = settings(priority={"weights": "equal", "erosion": {"unit_stream_power": 70.0, "outer_bend": 0.0, "x": 5.0}})
    assert (made.priority.weights.erosion, made.priority.weights.gap) == (50, 50)
    assert made.priority.erosion == {"unit_stream_power": 1.0, "outer_bend": 0.0, "x": 1.0}
    assert made.priority.gap == {"missing_strip": 1.0, "adjacent_use": 1.0, "delivery": 1.0}


@pytest.mark.parametrize("count", [2, 3, 6])
def test_equal_weights_spread_by_the_share_asked_for(count):
    drawn = draw_weights(dict.fromkeys("abcdef"[:count], 1.0), 20_000, np.random.default_rng(3), 1 / 3, 1000)
    assert (drawn.sum(axis=1) == 1000).all()
    assert drawn.mean(axis=0) == pytest.approx([1000 / count] * count, rel=0.02)
    assert drawn.std(axis=0) / drawn.mean(axis=0) == pytest.approx([1 / 3] * count, rel=0.03)


def test_unequal_weights_spread_by_it_on_the_mean():
    weights = {"a": 6.0, "b": 3.0, "c": 0.0, "d": 1.0}
    drawn = draw_weights(weights, 40_000, np.random.default_rng(4), 0.25, 1000)
    assert drawn.mean(axis=0) == pytest.approx([600, 300, 0, 100], rel=0.02, abs=1e-9)
    relative = drawn.std(axis=0)[[0, 1, 3]] / drawn.mean(axis=0)[[0, 1, 3]]
    assert np.average(relative**2, weights=[0.6, 0.3, 0.1]) == pytest.approx(0.25**2, rel=0.03)
    assert not drawn[:, 2].any()


def test_one_weight_or_no_spread_stays_as_given():
    assert draw_weights({"a": 7.0}, 3, np.random.default_rng(1), 0.3, 1000).tolist() == [[1000]] * 3
    assert draw_weights({"a": 2.0, "b": 1.0}, 2, np.random.default_rng(1), 0.0, 100).tolist() == [[67, 33]] * 2


def test_more_draws_begin_with_the_same():
    few, many = (draw_weights({"a": 2.0, "b": 1.0}, n, np.random.default_rng(1), 0.3, 100) for n in (50, 500))
    assert (few == many[:50]).all()
