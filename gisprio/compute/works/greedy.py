"""The plain way to fill a budget, to compare with: always the site that does most for what it adds to the cost."""

from __future__ import annotations

import numpy as np

from gisprio.compute.works.problem import Marks, Problem, Whole, share_of, whole_money


def choose_greedily(problem: Problem, budget: float) -> Marks:
    """Choose site by site by effect per money, start-up costs that it adds included, until nothing more fits.

    Parameters
    ----------
    problem
        The candidates. Its must-haves are taken first and have to fit.
    budget
        Money at hand.

    Returns
    -------
    ndarray
        (n,) whether each site is chosen. Of equal ones the first by place is taken.
    """
    chosen, left = problem.must.copy(), _Left(problem, budget)
    for site in np.flatnonzero(chosen):
        left.take(int(site))
    worth = (problem.effect > 0) & ~chosen
    while True:
        adds = left.adds()
        may = worth & left.fits(adds)
        if not may.any():
            return chosen
        with np.errstate(divide="ignore"):
            best = int(np.argmax(np.where(may, problem.effect / adds, -1.0)))
        left.take(best)
        chosen[best], worth[best] = True, False


class _Left:
    """What is left of budget and limits, and where work has started."""

    def __init__(self, problem: Problem, budget: float) -> None:
        self.problem, self.money = problem, int(whole_money(budget))
        self.there = np.zeros(int(problem.property_no.max(initial=-1)) + 1, bool)
        self.near = np.zeros(int(problem.cluster_no.max(initial=-1)) + 1, bool)
        limits = problem.limits
        self.properties = np.inf if limits.properties is None else limits.properties
        self.length = np.inf if limits.length_m is None else np.rint(limits.length_m * 1000)
        share = limits.sub_watershed_share
        cap = np.inf if share is None else share_of(share, budget)
        self.shares = np.full(int(problem.sub_watershed_no.max(initial=-1)) + 1, cap)

    def adds(self) -> Whole:
        """Give what each site would add to the cost (n,)."""
        p = self.problem
        return p.cost + p.per_property * ~self.there[p.property_no] + p.per_cluster * ~self.near[p.cluster_no]

    def fits(self, adds: Whole) -> Marks:
        """Say which sites still fit (n,)."""
        p = self.problem
        may = (adds <= self.money) & (p.length <= self.length) & (p.cost <= self.shares[p.sub_watershed_no])
        return np.asarray(may & (self.there[p.property_no] | (self.properties >= 1)), bool)

    def take(self, site: int) -> None:
        """Take a site."""
        p = self.problem
        self.money -= int(self.adds()[site])
        self.properties -= not self.there[p.property_no[site]]
        self.there[p.property_no[site]] = self.near[p.cluster_no[site]] = True
        self.length -= p.length[site]
        self.shares[p.sub_watershed_no[site]] -= p.cost[site]
