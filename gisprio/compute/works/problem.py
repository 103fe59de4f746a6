"""The question behind a shortlist, as arrays: effects, costs, start-up costs, limits; what a choice costs and keeps to.

Money is held in whole hundredths and length in whole millimetres, so that "within the budget" is exact.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Marks = NDArray[np.bool_]
COLUMNS = ("site_id", "effect", "cost", "property", "cluster", "sub_watershed", "length_m", "must")
"""What a table of candidates has."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a choice must keep to besides the budget; None where there is no limit.

    Parameters
    ----------
    properties
        Number of properties worked on.
    length_m
        Metres of bank.
    sub_watershed_share
        Share of the budget, 0 to 1, that the sites of one sub-watershed may cost; start-up costs are not counted there.
    """

    properties: int | None = None
    length_m: float | None = None
    sub_watershed_share: float | None = None


@dataclass(frozen=True, slots=True)
class Spent:
    """What a choice costs: its sites, starting on their properties, starting in their clusters."""

    sites: float
    properties: float
    clusters: float

    @property
    def total(self) -> float:
        """All three together."""
        return self.sites + self.properties + self.clusters


@dataclass(frozen=True, slots=True)
class Problem:
    """Candidates in the order of their places, and what holds for all of them.

    Parameters
    ----------
    site_id
        (n,) ids, in order.
    effect
        (n,) of each site, 0 or more.
    cost
        (n,) of each site [hundredths].
    length
        (n,) of each site [mm].
    property_no, cluster_no, sub_watershed_no
        (n,) numbers from 0.
    must
        (n,) sites that are chosen whatever they do.
    per_property, per_cluster
        Cost of starting there [hundredths].
    limits
        What a choice must keep to.
    """

    site_id: NDArray[np.object_]
    effect: Floats
    cost: Whole
    length: Whole
    property_no: Whole
    cluster_no: Whole
    sub_watershed_no: Whole
    must: Marks
    per_property: int
    per_cluster: int
    limits: Limits

    @classmethod
    def of(
        cls, table: pd.DataFrame, *, per_property: float = 0.0, per_cluster: float = 0.0, limits: Limits | None = None
    ) -> Problem:
        """Make it of a table with the columns of :data:`COLUMNS`; the order of its rows does not matter."""
        rows = table.sort_values("site_id", kind="stable", ignore_index=True)
        return cls(
            site_id=rows["site_id"].to_numpy(object),
            effect=rows["effect"].to_numpy(float),
            cost=whole_money(rows["cost"].to_numpy(float)),
            length=np.rint(rows["length_m"].to_numpy(float) * 1000).astype(np.int64),
            property_no=_numbers(rows["property"]),
            cluster_no=_numbers(rows["cluster"]),
            sub_watershed_no=_numbers(rows["sub_watershed"]),
            must=rows["must"].to_numpy(bool),
            per_property=int(whole_money(per_property)),
            per_cluster=int(whole_money(per_cluster)),
            limits=limits or Limits(),
        )

    def with_effect(self, effect: Floats) -> Problem:
        """Give the same question with other effects (n,)."""
        return replace(self, effect=np.asarray(effect, float))

    def reached(self, chosen: Marks) -> float:
        """Give the effect of a choice (n,)."""
        return float(self.effect[chosen].sum())

    def spent(self, chosen: Marks) -> Spent:
        """Give the cost of a choice (n,)."""
        properties = len(np.unique(self.property_no[chosen])) * self.per_property
        clusters = len(np.unique(self.cluster_no[chosen])) * self.per_cluster
        return Spent(int(self.cost[chosen].sum()) / 100, properties / 100, clusters / 100)

    def over(self, chosen: Marks, budget: float) -> list[str]:
        """Say in words what of budget and limits a choice (n,) does not keep to; empty where it keeps to all."""
        limits, spent = self.limits, self.spent(chosen).total
        found = [f"cost {spent:,.2f} of a budget of {budget:,.2f}"] if whole_money(spent) > whole_money(budget) else []
        properties = len(np.unique(self.property_no[chosen]))
        if limits.properties is not None and properties > limits.properties:
            found.append(f"lie on {properties} properties, of {limits.properties} at most")
        length = int(self.length[chosen].sum())
        if limits.length_m is not None and length > np.rint(limits.length_m * 1000):
            found.append(f"are {length / 1e6:.3f} km long, of {limits.length_m / 1000:.3f} km at most")
        if limits.sub_watershed_share is not None and chosen.any():
            most = int(np.bincount(self.sub_watershed_no[chosen], self.cost[chosen]).max())
            cap = share_of(limits.sub_watershed_share, budget)
            if most > cap:
                found.append(f"cost {most / 100:,.2f} in one sub-watershed, of {cap / 100:,.2f} at most")
        return found


def whole_money(amount: float | Floats) -> Whole:
    """Give an amount in whole hundredths, rounded to the nearest."""
    return np.asarray(np.rint(np.asarray(amount, float) * 100), np.int64)


def share_of(share: float, budget: float) -> int:
    """Give a share of a budget in whole hundredths, rounded down."""
    return int(np.floor(share * float(whole_money(budget)) + 1e-6))


def _numbers(names: pd.Series) -> Whole:
    """Number names by their order in the alphabet."""
    return np.asarray(pd.factorize(names.astype(str), sort=True)[0], np.int64)
