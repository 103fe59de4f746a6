"""The facts of a choice, as ``shortlist.json`` holds them, and the notes that a person should read with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from gisprio.compute.works.candidates import LEVELS, WHY_NOT, Candidates
from gisprio.compute.works.effects import UNITS
from gisprio.compute.works.problem import Floats, Problem
from gisprio.compute.works.shortlist import Shortlist
from gisprio.contracts.settings import Shortlist as Asked
from gisprio.contracts.words import CAUTION

FIRM = 0.8
"""A choice is firm when it is made in this share of the draws [own], as a bank stays in the top."""
THIN = 0.5
"""Sites with less than this share of the ground of their length and setback are told [own]: little of it is planted."""


def facts_of_choice(
    found: Shortlist,
    problem: Problem,
    candidates: Candidates,
    asked: Asked,
    shares: Floats,
    *,
    currency: str,
    price_years: tuple[int, int],
    starts: tuple[float, float, float],
    draws: int,
) -> dict[str, Any]:
    """Give what holds of the choice as a whole, ready for JSON.

    Parameters
    ----------
    found, problem, candidates
        The choice, and what it was made from.
    asked
        Settings it went by.
    shares
        (n,) share of draws in which each candidate is chosen.
    currency, price_years
        Of the costs; years of the oldest price and of the newest.
    starts
        Cost of starting on a property: low, mid, high.
    draws
        In how many draws the choice was made again.

    Notes
    -----
    Keys: ``budget``, ``currency``, ``price_year`` and ``price_year_last``, ``cost`` (low, mid or high), ``effect``
    (``name``, ``unit``, ``total``, ``low``, ``high``), ``bound``, ``gap``, ``greedy_effect``, ``spent`` (``sites``,
    ``properties``, ``clusters``, ``total``), ``cost_low``, ``cost_mid``, ``cost_high`` (start-up included),
    ``per_property``, ``per_cluster``, ``sites`` (ids), ``properties``, ``clusters``, ``length_m``, ``gap_length_m`` (of
    known gaps), ``candidates``, ``left_out`` (by reason), ``asked`` (settings), ``stability`` (``draws``, ``of``,
    ``firm``, ``firm_from``), ``caution``.
    """
    own = candidates.table[found.chosen]
    properties = len(np.unique(problem.property_no[found.chosen]))
    firm = int((shares[found.chosen] >= FIRM).sum()) if draws else None
    return {
        "budget": found.budget,
        "currency": currency,
        "price_year": price_years[0],
        "price_year_last": price_years[1],
        "cost": asked.cost,
        "effect": {
            "name": asked.effect,
            "unit": UNITS[asked.effect],
            "total": _short(found.effect),
            "low": _short(own["effect_low"].sum()),
            "high": _short(own["effect_high"].sum()),
        },
        "bound": _short(found.bound),
        "gap": round(found.gap, 8),
        "greedy_effect": _short(found.greedy_effect),
        "spent": {
            "sites": found.spent.sites,
            "properties": found.spent.properties,
            "clusters": found.spent.clusters,
            "total": found.spent.total,
        },
        **{
            level: round(float(own[level].sum()) + properties * start + found.spent.clusters, 2)
            for level, start in zip(LEVELS, starts, strict=True)
        },
        "per_property": problem.per_property / 100,
        "per_cluster": problem.per_cluster / 100,
        "sites": list(found.site_id),
        "properties": properties,
        "clusters": len(np.unique(problem.cluster_no[found.chosen])),
        "length_m": _short(own["length_m"].sum()),
        "gap_length_m": _short(own["gap_length_m"].sum()),
        "candidates": len(candidates.table),
        "left_out": dict(candidates.left_out),
        "asked": asked.model_dump(mode="json"),
        "stability": {
            "draws": draws,
            "of": "published lines" if asked.effect == "sediment" else "rank draws",
            "firm": firm,
            "firm_from": FIRM,
        },
        "caution": CAUTION,
    }


def _short(value: float) -> float:
    """Give a number to three decimals: sums of the same numbers in another order are the same then."""
    return round(float(value), 3)


def notes_of_choice(
    facts: Mapping[str, Any],
    own: pd.DataFrame,
    *,
    earlier: Mapping[str, int] | None,
    lost: Mapping[str, list[str]],
    unknown: int,
    example: str = "",
) -> list[str]:
    """Give what a person should read beside the numbers.

    Parameters
    ----------
    facts
        Of :func:`facts_of_choice`.
    own
        The chosen rows of the candidates.
    earlier
        What became of an earlier list; None where none was given.
    lost
        Ids of ``must`` and ``never`` whose place holds no site now.
    unknown
        Lines of the table of costs that name no site of this run.
    example
        What an example table of prices says of itself.
    """
    return [
        *([f"The costs come from an example table, not from prices of your own: {example}"] if example else []),
        *_on_money(facts, own),
        *_on_effect(facts, own),
        *_on_places(facts, earlier, lost, unknown),
    ]


def _on_money(facts: Mapping[str, Any], own: pd.DataFrame) -> Iterator[str]:
    currency, budget = facts["currency"], facts["budget"]
    yield (
        f"By the range of its costs the list comes to {facts['cost_low']:,.0f} to {facts['cost_high']:,.0f} "
        f"{currency}{', start-up included' if facts['per_property'] or facts['per_cluster'] else ''}."
    )
    for level in ("cost_mid", "cost_high"):
        if facts[level] > budget:
            name = level.removeprefix("cost_")
            yield f"At {name} costs it is {facts[level] - budget:,.0f} {currency} over the budget."
            break
    at_least = int(own["at_least"].sum())
    if at_least:
        yield (
            f"{at_least} of the chosen sites cost at least what is told: something of their works has no price or no "
            "size."
        )
    if not facts["per_property"] and not facts["per_cluster"]:
        yield (
            "No cost of starting was given ([shortlist] per_property, per_cluster): sites far apart cost as if next to "
            "each other."
        )
    if not facts["sites"]:
        yield "Nothing fits: no candidate costs as little as the budget, start-up included, within the limits."


def _on_effect(facts: Mapping[str, Any], own: pd.DataFrame) -> Iterator[str]:
    effect, stability = facts["effect"], facts["stability"]
    if effect["low"] != effect["high"]:
        low, high = f"{effect['low']:,.0f}", f"{effect['high']:,.0f}"
        yield f"The effect lies between {low} and {high}, by published lines that do not agree."
    coarse = int((own["effect_basis"] == "default").sum())
    if coarse:
        yield (
            f"The effect of {coarse} of the chosen sites counts their whole length: the cover is too coarse to show "
            "their metres of gap."
        )
    thin = int((own["area_m2"] < THIN * own["length_m"] * own["setback_m"]).sum())
    if thin and effect["name"] != "sediment":
        yield (
            f"{thin} of the chosen sites hold less than {THIN:.0%} of the ground of a strip so long and wide: a "
            "boundary near the bank, water, roads or a bend take the rest. They look cheap for their metres."
        )
    nobodys = int(own["property_id"].isna().sum())
    if nobodys:
        yield f"{nobodys} of the chosen sites lie on no known property; each counts as a property of its own."
    doubted = int((own["certainty"] == "uncertain").sum())
    if doubted:
        yield f"The gap of {doubted} of the chosen sites is uncertain: look before you spend."
    if stability["draws"]:
        over = (
            f"{stability['draws']} draws of weights and errors of the ranking"
            if stability["of"] == "rank draws"
            else f"{stability['draws']} steps between the two published lines"
        )
        yield (
            f"{stability['firm']} of the {len(facts['sites'])} sites are chosen again in at least {FIRM:.0%} of "
            f"{over}; costs are not drawn."
        )


def _on_places(
    facts: Mapping[str, Any], earlier: Mapping[str, int] | None, lost: Mapping[str, list[str]], unknown: int
) -> Iterator[str]:
    out = [f"{count} {WHY_NOT[reason]}" for reason, count in facts["left_out"].items()]
    if out:
        yield f"Sites left out: {'; '.join(out)}."
    if unknown:
        yield f"{unknown} lines of the table of costs name no site of this run."
    if earlier is not None:
        yield (
            f"Of {earlier['sites']} sites of the earlier list, {earlier['chosen_again']} are chosen again, "
            f"{earlier['not_chosen']} are there and not chosen, and {earlier['not_found']} have no site at their place "
            "now."
        )
    for key, ids in lost.items():
        if ids:
            yield f"{key}: {', '.join(ids)} of the earlier run {'has' if len(ids) == 1 else 'have'} no site now."
