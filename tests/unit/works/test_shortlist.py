"""The shortlist against every choice there is, and what must hold of it."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.works import shortlist
from gisprio.compute.works.curve import draw_curve, next_money
from gisprio.compute.works.greedy import choose_greedily
from gisprio.compute.works.problem import Limits, Problem, share_of
from gisprio.compute.works.shortlist import choose_sites, solve
from gisprio.contracts.errors import SettingsError

CASES = 200


def table_of(draw: np.random.Generator, count: int) -> pd.DataFrame:
    """Give candidates on few properties in fewer clusters; whole costs, so that budgets are met to the hundredth."""
    owner = draw.integers(0, max(count // 2, 1), count)
    return pd.DataFrame(
        {
            "site_id": [f"S{number}" for number in range(count)],
            "effect": draw.integers(0, 40, count).astype(float),
            "cost": draw.integers(1, 60, count) / 4,
            "property": [f"P{number}" for number in owner],
            "cluster": [f"C{number // 2}" for number in owner],
            "sub_watershed": [f"W{number}" for number in draw.integers(0, 3, count)],
            "length_m": draw.integers(20, 200, count).astype(float),
            "must": draw.random(count) < 0.05,
        }
    )


def asked_of(draw: np.random.Generator, table: pd.DataFrame) -> tuple[float, dict]:
    limits = Limits(
        properties=int(draw.integers(1, 5)) if draw.random() < 0.4 else None,
        length_m=float(draw.integers(100, 900)) if draw.random() < 0.4 else None,
        sub_watershed_share=float(draw.choice([0.25, 0.5, 0.7])) if draw.random() < 0.4 else None,
    )
    started = {"per_property": float(draw.integers(0, 12)), "per_cluster": float(draw.integers(0, 20)) / 2}
    return float(np.round(table["cost"].sum() * draw.uniform(0.1, 0.9), 2)), {**started, "limits": limits}


def best_by_trying(
    table: pd.DataFrame, budget: float, per_property: float, per_cluster: float, limits: Limits
) -> float:
    """Give the most that any choice does, by trying all of them; -1 where the must-haves do not fit."""
    tried = np.array(list(product((False, True), repeat=len(table))))
    tried = tried[(tried | ~table["must"].to_numpy()).all(axis=1)]

    def groups(column: str) -> list[np.ndarray]:
        return [tried[:, (table[column] == name).to_numpy()] for name in table[column].unique()]

    started = [sum(group.any(axis=1) for group in groups(column)) for column in ("property", "cluster")]
    cost = table["cost"].to_numpy()
    money = tried @ cost + per_property * started[0] + per_cluster * started[1]
    fits = money <= budget + 1e-6
    if limits.properties is not None:
        fits &= started[0] <= limits.properties
    if limits.length_m is not None:
        fits &= tried @ table["length_m"].to_numpy() <= limits.length_m + 1e-6
    if limits.sub_watershed_share is not None:
        for name in table["sub_watershed"].unique():
            own = cost * (table["sub_watershed"] == name).to_numpy()
            fits &= tried @ own <= limits.sub_watershed_share * budget + 1e-6
    return float((tried @ table["effect"].to_numpy())[fits].max(initial=-1.0))


def test_equals_the_best_of_all_choices_on_small_cases():
    solved = refused = 0
    for seed in range(CASES):
        draw = np.random.default_rng([9, seed])
        table = table_of(draw, int(draw.integers(1, 10)))
        budget, asked = asked_of(draw, table)
        best = best_by_trying(table, budget, **asked)
        if best < 0:
            refused += 1
            with pytest.raises(SettingsError):
                choose_sites(table, budget, **asked)
            continue
        found = choose_sites(table, budget, **asked, relative_gap=0.0)
        solved += 1
        assert found.effect == best, seed
        assert found.spent.total <= budget
        assert found.greedy_effect <= found.effect <= found.bound
        assert found.gap < 1e-6
        assert set(table.loc[table["must"], "site_id"]) <= set(found.site_id)
    assert solved > 150
    assert refused > 10


def test_effect_cost_and_start_up_by_hand():
    table = pd.DataFrame(
        {
            "site_id": ["a", "b", "c"],
            "effect": [10.0, 10.0, 18.0],
            "cost": [40.0, 40.0, 80.0],
            "property": ["P", "P", "Q"],
            "cluster": ["C", "C", "C"],
            "sub_watershed": "W",
            "length_m": 50.0,
            "must": False,
        }
    )
    found = choose_sites(table, 100.0, per_property=15.0, per_cluster=5.0)
    assert found.site_id == ("a", "b")
    assert (found.effect, found.spent.sites, found.spent.properties, found.spent.clusters) == (20.0, 80.0, 15.0, 5.0)
    assert choose_sites(table, 99.99, per_property=15.0, per_cluster=5.0).effect == 10.0  # c costs 100 as well
    assert choose_sites(table, 200.0, per_property=15.0, per_cluster=5.0).site_id == ("a", "b", "c")


def test_the_order_of_rows_does_not_matter():
    draw = np.random.default_rng(5)
    table = table_of(draw, 60).assign(must=False)
    asked = {"per_property": 4.0, "per_cluster": 3.0}
    found = choose_sites(table, 150.0, **asked)
    assert choose_sites(table.iloc[::-1], 150.0, **asked).site_id == found.site_id
    assert list(found.site_id) == sorted(found.site_id)


def test_never_exceeds_its_budget_and_never_does_less_with_more():
    for seed in range(3):
        draw = np.random.default_rng([3, seed])
        table = table_of(draw, 40).assign(must=False)
        problem = Problem.of(table, per_property=5.0, per_cluster=4.0, limits=Limits(12, None, 0.6))
        points = draw_curve(problem, 100.0, relative_gap=0.05, steps=(0.2, 0.5, 0.9, 1.0, 1.1, 1.5))
        effects = [point.effect for point in points]
        assert effects == sorted(effects)
        assert len(points) == 6
        for point in points:
            assert point.spent.total <= point.budget
            assert not problem.over(point.chosen, point.budget)
            assert point.greedy_effect <= point.effect <= point.bound


def test_the_plain_way_counts_what_a_site_adds():
    table = table_of(np.random.default_rng(1), 3).assign(
        effect=[10.0, 9.0, 8.0], cost=10.0, property=["P", "Q", "P"], cluster="C", must=False
    )
    problem = Problem.of(table, per_property=10.0)
    assert choose_greedily(problem, 30.0).tolist() == [True, False, True]  # the third site pays no second start


def test_a_known_choice_is_never_undercut():
    table = table_of(np.random.default_rng(2), 40).assign(must=False)
    problem = Problem.of(table)
    best = solve(problem, 60.0, relative_gap=0.0)
    loose = solve(problem, 60.0, relative_gap=0.5, known=best.chosen)
    assert loose.effect == best.effect


def test_a_larger_budget_does_no_less_where_only_the_plain_way_finds_anything(monkeypatch):
    start = {"site_id": "R", "effect": 21.0, "cost": 12.0, "property": "R"}
    rows = [start, *({"site_id": f"Q{n:02d}", "effect": 9.0, "cost": 1.0, "property": "Q"} for n in range(11))]
    rows[1]["effect"] = 9.5
    table = pd.DataFrame(rows).assign(cluster="C", sub_watershed="W", length_m=50.0, must=False)
    problem = Problem.of(table, per_property=9.0)
    alone = [problem.reached(choose_greedily(problem, budget)) for budget in (20.0, 21.0)]
    assert alone == [99.5, 21.0]  # the plain way spends all on the one site that does a little more for its start
    monkeypatch.setattr(shortlist, "_search", lambda p, budget, gap: (p.must.copy(), float(p.effect.sum())))
    points = draw_curve(problem, 20.0, relative_gap=0.0, steps=(1.0, 1.05))
    assert [point.effect for point in points] == [99.5, 99.5]
    assert points[1].gap == pytest.approx(1 - 99.5 / 120.5)


def test_no_candidates_give_an_empty_list():
    found = choose_sites(table_of(np.random.default_rng(1), 3).iloc[:0], 100.0)
    assert (found.site_id, found.effect, found.gap, found.spent.total) == ((), 0.0, 0.0, 0.0)


def test_next_money_tells_what_enters_and_leaves():
    table = table_of(np.random.default_rng(1), 3).assign(
        effect=[10.0, 12.0, 19.0], cost=[10.0, 11.0, 20.0], property=["P", "Q", "R"], cluster="C", must=False
    )
    problem = Problem.of(table)
    points = draw_curve(problem, 20.0, relative_gap=0.0, steps=(1.0, 1.05, 1.5, 2.05))
    assert [point.site_id for point in points] == [("S2",), ("S0", "S1"), ("S0", "S2"), ("S0", "S1", "S2")]
    more = next_money(points, problem.site_id, 20.0)
    assert more["enter"].tolist() == [["S0", "S1"], ["S0"], ["S0", "S1"]]
    assert more["leave"].tolist() == [["S2"], [], []]
    assert more["more_effect"].tolist() == [3.0, 10.0, 22.0]
    assert more["effect_per_1000"].tolist() == pytest.approx([3000.0, 1000.0, 22000 / 21])


def test_a_share_of_the_budget_is_rounded_down():
    assert share_of(0.25, 100.01) == 2500
    assert share_of(0.1, 0.7) == 7


def test_must_haves_that_do_not_fit_are_told_whole():
    table = table_of(np.random.default_rng(1), 3).assign(
        cost=40.0, property=["P", "Q", "R"], cluster="C", length_m=600.0, sub_watershed="W", must=[True, True, False]
    )
    limits = Limits(properties=1, length_m=1000.0, sub_watershed_share=0.5)
    with pytest.raises(SettingsError) as raised:
        choose_sites(table, 100.0, per_property=10.0, per_cluster=5.0, limits=limits)
    assert str(raised.value) == (
        "[shortlist] must: the 2 must-have sites do not fit: they cost 105.00 of a budget of 100.00; they lie on 2 "
        "properties, of 1 at most; they are 1.200 km long, of 1.000 km at most; they cost 80.00 in one sub-watershed, "
        "of 50.00 at most.\n"
        "  Wanted: must-haves that fit the budget, start-up costs included, and the limits.\n"
        "  Do: raise the budget or the limit, or take sites off the list."
    )
