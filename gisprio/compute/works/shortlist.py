"""Chooses the sites that do most within a budget: a mixed-integer program, solved to a gap that is told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp
from scipy.sparse import coo_array, csr_array

from gisprio.compute.works.greedy import choose_greedily
from gisprio.compute.works.problem import Floats, Limits, Marks, Problem, Spent, Whole, share_of, whole_money
from gisprio.contracts.errors import SettingsError

NODES = 5000
"""The search ends after so many parts of the tree [own], whatever gap is left then; a clock would not end it alike."""
RELATIVE_GAP = 1e-4


@dataclass(frozen=True, slots=True)
class Shortlist:
    """A choice.

    Parameters
    ----------
    site_id
        Ids of the sites chosen, in order.
    chosen
        (n,) the same as marks, in the order of the candidates by id.
    budget
        Money at hand.
    effect
        What the choice does.
    bound
        More than this no choice can do: proven by the solver.
    spent
        What it costs.
    greedy_effect
        What the plain way does with the same money.
    """

    site_id: tuple[str, ...]
    chosen: Marks
    budget: float
    effect: float
    bound: float
    spent: Spent
    greedy_effect: float

    @property
    def gap(self) -> float:
        """Share of the bound that the choice may be short of the best one."""
        return max(0.0, 1 - self.effect / self.bound) if self.bound > 0 else 0.0


def choose_sites(
    table: pd.DataFrame,
    budget: float,
    *,
    per_property: float = 0.0,
    per_cluster: float = 0.0,
    limits: Limits | None = None,
    relative_gap: float = RELATIVE_GAP,
) -> Shortlist:
    """Choose the sites that do most within a budget.

    Parameters
    ----------
    table
        Candidates: ``site_id``, ``effect`` (0 or more), ``cost``, ``property``, ``cluster``, ``sub_watershed`` (names),
        ``length_m``, ``must``.
    budget
        Money at hand, in the currency of ``cost``.
    per_property, per_cluster
        Cost of starting on a property, and in a cluster of joining properties.
    limits
        What the choice must keep to besides.
    relative_gap
        The search ends when the choice is proven to be within this share of the best one.

    Raises
    ------
    SettingsError
        The must-haves alone do not fit.

    Notes
    -----
    Greatest sum of e x with x, y, z of 0 or 1, subject to sum c x + s sum y + t sum z <= budget, x <= y of its
    property, y <= z of its cluster; and where asked for, sum y <= properties, sum of lengths <= metres, sum c x of one
    sub-watershed <= its share of the budget. x is a site, y a property, z a cluster.
    """
    problem = Problem.of(table, per_property=per_property, per_cluster=per_cluster, limits=limits)
    return solve(problem, budget, relative_gap=relative_gap)


def solve(problem: Problem, budget: float, *, relative_gap: float, known: Marks | None = None) -> Shortlist:
    """Choose the sites of a question; see :func:`choose_sites`.

    Parameters
    ----------
    problem
        The candidates.
    budget, relative_gap
        As there.
    known
        (n,) a choice that is known to fit, such as that of a smaller budget: the result does at least as much.
    """
    refuse_must(problem, budget)
    plain = choose_greedily(problem, budget)
    found, bound = _search(problem, budget, relative_gap)
    choices = [found, plain, *([] if known is None else [known])]
    best = max(choices, key=problem.reached)
    effect = problem.reached(best)
    return Shortlist(
        tuple(problem.site_id[best]),
        best,
        budget,
        effect,
        max(bound, effect),
        problem.spent(best),
        problem.reached(plain),
    )


def refuse_must(problem: Problem, budget: float) -> None:
    """Refuse must-haves that do not fit by themselves.

    Raises
    ------
    SettingsError
        Saying what is over.
    """
    over = problem.over(problem.must, budget)
    if over:
        count = int(problem.must.sum())
        raise SettingsError(
            f"[shortlist] must: the {count} must-have {'site does' if count == 1 else 'sites do'} not fit: they "
            f"{'; they '.join(over)}.",
            wanted="must-haves that fit the budget, start-up costs included, and the limits.",
            do="raise the budget or the limit, or take sites off the list.",
        )


def _search(problem: Problem, budget: float, relative_gap: float) -> tuple[Marks, float]:
    """Give the choice (n,) that the solver finds, and its bound on the effect."""
    n = len(problem.effect)
    if not n or not (problem.effect > 0).any():
        return problem.must.copy(), problem.reached(problem.must)
    scale = float(problem.effect.max())
    low, high = _bounds(problem)
    rest = len(low) - n
    outcome = milp(
        np.concatenate([-problem.effect / scale, np.zeros(rest)]),
        integrality=np.ones(n + rest),
        bounds=Bounds(low, high),
        constraints=_rows(problem, budget),
        options={"mip_rel_gap": relative_gap, "node_limit": NODES},
    )
    chosen = problem.must.copy() if outcome.x is None else np.asarray(outcome.x[:n] > 0.5)
    return _kept(problem, chosen, budget), _bound(outcome, problem) * scale


def _bound(outcome: OptimizeResult, problem: Problem) -> float:
    """Give what no choice can exceed, in the solver's scale; a search cut short at once knows only the sum."""
    most = float(problem.effect.sum() / problem.effect.max())
    told = outcome.mip_dual_bound
    return most if told is None or not np.isfinite(told) else min(most, -float(told))


def _bounds(problem: Problem) -> tuple[Floats, Floats]:
    """Give the least and the most of each variable: sites, properties, clusters."""
    rest = _count(problem.property_no) + _count(problem.cluster_no)
    low = np.concatenate([problem.must.astype(float), np.zeros(rest)])
    high = np.concatenate([(problem.must | (problem.effect > 0)).astype(float), np.ones(rest)])
    return low, high


def _rows(problem: Problem, budget: float) -> list[LinearConstraint]:
    """Give the rows of the program."""
    p, limits = problem, problem.limits
    n, properties, clusters = len(p.effect), _count(p.property_no), _count(p.cluster_no)
    width, site = n + properties + clusters, np.arange(n)
    started = np.repeat([p.per_property, p.per_cluster], [properties, clusters])
    rows = [
        _at_most(_row(np.concatenate([p.cost, started]) / 100, 0, width), int(whole_money(budget)) / 100),
        _only_with(site, n + p.property_no, width),
        _only_with(site, n + properties + p.cluster_no, width),
    ]
    if limits.properties is not None:
        rows.append(_at_most(_row(np.ones(properties), n, width), limits.properties))
    if limits.length_m is not None:
        rows.append(_at_most(_row(p.length / 1000, 0, width), limits.length_m))
    if limits.sub_watershed_share is not None:
        parts = coo_array((p.cost / 100, (p.sub_watershed_no, site)), shape=(_count(p.sub_watershed_no), width))
        rows.append(_at_most(parts, share_of(limits.sub_watershed_share, budget) / 100))
    return rows


def _count(numbers: Whole) -> int:
    return int(numbers.max()) + 1


def _row(values: Floats, start: int, width: int) -> coo_array:
    """Give one row with these values from a column on."""
    at = np.arange(start, start + len(values))
    return coo_array((values, (np.zeros(len(at), np.int64), at)), shape=(1, width))


def _at_most(rows: coo_array, most: float) -> LinearConstraint:
    """Hold rows to a sum, in units of their mean: so the solver's tolerance is small beside any one number."""
    unit = float(np.abs(rows.data).mean()) or 1.0
    return LinearConstraint(csr_array(rows / unit), -np.inf, most / unit)


def _only_with(first: Whole, second: Whole, width: int) -> LinearConstraint:
    """Let the first variables be chosen only where the second are (k,)."""
    row = np.arange(len(first))
    values = np.repeat([1.0, -1.0], len(first))
    rows = coo_array((values, (np.tile(row, 2), np.concatenate([first, second]))), shape=(len(first), width))
    return _at_most(rows, 0.0)


def _kept(problem: Problem, chosen: Marks, budget: float) -> Marks:
    """Give a choice that keeps to budget and limits to the last hundredth, which a solver does only nearly.

    The least site by effect per cost goes, until all is kept.
    """
    kept = chosen.copy()
    while problem.over(kept, budget):
        free = np.flatnonzero(kept & ~problem.must)
        kept[free[np.argmin(problem.effect[free] / np.maximum(problem.cost[free], 1))]] = False
    return kept
