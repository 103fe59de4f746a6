"""Effect against budget, and what the next money would buy."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gisprio.compute.works.problem import Marks, Problem
from gisprio.compute.works.shortlist import Shortlist, solve
from gisprio.contracts.errors import SettingsError

STEPS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.05, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0)
"""Budgets of the curve, as shares of the one asked for [own]."""


def draw_curve(
    problem: Problem, budget: float, *, relative_gap: float, steps: Sequence[float] = STEPS
) -> list[Shortlist]:
    """Choose sites for a row of budgets, from small to large; each does at least what the one before it does.

    Parameters
    ----------
    problem
        The candidates.
    budget
        Money at hand.
    relative_gap
        As for one budget.
    steps
        Budgets as shares of it.

    Returns
    -------
    list
        A shortlist a budget. Budgets that do not pay the must-haves have none; beyond the one that pays all there is
        to do, there are no more.

    Raises
    ------
    SettingsError
        The must-haves do not fit the largest of the budgets up to the one asked for.
    """
    points: list[Shortlist] = []
    known: Marks | None = None
    for share in sorted(steps):
        amount = round(share * budget, 2)
        try:
            point = solve(problem, amount, relative_gap=relative_gap, known=known)
        except SettingsError:
            if share >= 1:
                raise
            continue
        points.append(point)
        known = point.chosen
        if share >= 1 and point.chosen[problem.effect > 0].all():
            break
    return points


def next_money(points: Sequence[Shortlist], site_id: Sequence[str], budget: float) -> pd.DataFrame:
    """Say what more money would buy than the budget asked for.

    Parameters
    ----------
    points
        The curve.
    site_id
        (n,) ids of the candidates in their order.
    budget
        Money at hand.

    Returns
    -------
    DataFrame
        One row a larger budget: ``budget``, ``more_money``, ``more_effect``, ``effect_per_1000`` (of the money added),
        ``enter`` and ``leave`` (lists of ids, against the choice at the budget asked for).
    """
    here = next(point for point in points if point.budget == round(budget, 2))
    ids = np.asarray(site_id, object)
    rows = [
        {
            "budget": point.budget,
            "more_money": point.budget - here.budget,
            "more_effect": point.effect - here.effect,
            "effect_per_1000": 1000 * (point.effect - here.effect) / (point.budget - here.budget),
            "enter": ids[point.chosen & ~here.chosen].tolist(),
            "leave": ids[here.chosen & ~point.chosen].tolist(),
        }
        for point in points
        if point.budget > here.budget
    ]
    names = ["budget", "more_money", "more_effect", "effect_per_1000", "enter", "leave"]
    return pd.DataFrame(rows, columns=names)
