"""Which sites may be chosen, and how many may not and why."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import pandas as pd

from gisprio.compute.works.clusters import shared_starts
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.findings import listed

LEVELS = ("cost_low", "cost_mid", "cost_high")
WHY_NOT = {
    "closed": "on properties whose owners are to be left alone",
    "never": "on the list of those never to be chosen",
    "no_work": "that are to be looked at first, or protected ([shortlist] measures)",
    "no_cost": "without a cost",
    "no_effect": "whose effect is zero or not known",
}
"""Why a site is no candidate, in the order in which it is asked; each counts once."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Sites that may be chosen, ordered by id, with all that a choice needs; and how many may not, by reason."""

    table: pd.DataFrame
    left_out: Mapping[str, int]


def find_candidates(
    sites: pd.DataFrame,
    costs: pd.DataFrame,
    effects: pd.DataFrame,
    *,
    cost: str,
    measures: Collection[str],
    must: Collection[str] = (),
    never: Collection[str] = (),
    closed: Collection[str] = (),
) -> Candidates:
    """Find the sites that may be chosen.

    Parameters
    ----------
    sites
        Layer ``sites`` with ``sub_watershed_id``.
    costs
        ``site_id``, the three of :data:`LEVELS`, and whether each is ``at_least``.
    effects
        In the rows of ``sites``, of :func:`~gisprio.compute.works.effects.site_effects`.
    cost
        low, mid or high.
    measures
        Measures that count as work.
    must, never
        Ids of sites; a must-have may have any measure, and an effect of nothing.
    closed
        Ids of properties to be left alone. They are told as a number only.

    Raises
    ------
    SettingsError
        A must-have is never to be chosen as well.
    InputError
        A must-have has no cost, or lies on a property to be left alone.
    """
    table = sites.assign(**{name: effects[name] for name in effects.columns}).merge(costs, on="site_id", how="left")
    table = table.sort_values("site_id", ignore_index=True)
    table["must"] = table["site_id"].isin(must)
    no_effect = ~(table["effect"] > 0)
    why_not = {
        "closed": table["property_id"].isin(closed),
        "never": table["site_id"].isin(never),
        "no_work": ~table["measure"].isin(measures) & ~table["must"],
        "no_cost": table["cost_mid"].isna(),
        "no_effect": no_effect & ~table["must"],
    }
    _refuse(table, why_not)
    out = pd.Series(False, index=table.index)
    left_out = {}
    for reason, marks in why_not.items():
        left_out[reason] = int((marks & ~out).sum())
        out |= marks
    names = ["effect", "effect_low", "effect_high"]
    kept = table[~out].reset_index(drop=True)
    kept[names] = kept[names].fillna(0.0)
    kept["at_least"] = kept["at_least"].astype(bool)
    kept["cost"] = kept[f"cost_{cost}"]
    kept["sub_watershed"] = kept["sub_watershed_id"].astype(object).fillna("")
    starts = shared_starts(kept)
    kept = kept.assign(property=starts["property"], cluster=starts["cluster"])
    return Candidates(kept, {reason: count for reason, count in left_out.items() if count})


def _refuse(table: pd.DataFrame, why_not: Mapping[str, pd.Series]) -> None:
    """Refuse must-haves that may not be chosen; of closed properties only the number is told."""
    both = table.loc[table["must"] & why_not["never"], "site_id"]
    if len(both):
        raise SettingsError(
            f"[shortlist] must and never both hold {listed(both)}.",
            wanted="a site in one of the two.",
            do="take it out of the other.",
        )
    closed = int((table["must"] & why_not["closed"]).sum())
    if closed:
        raise InputError(
            f"{closed} of the must-have sites {'lies' if closed == 1 else 'lie'} on properties whose owners are to be "
            "left alone.",
            wanted="must-haves where the owner has not declined.",
            do="compare [shortlist] must with your table of contacts.",
        )
    unpriced = table.loc[table["must"] & why_not["no_cost"], "site_id"]
    if len(unpriced):
        raise InputError(
            f"Must-have sites have no cost: {listed(unpriced)}.",
            wanted="a cost of each in the table of costs.",
            do="add a line for it, or take it out of [shortlist] must.",
        )
