"""Chooses the sites of a result folder that do most within a budget, and writes the list.

The table of contacts is read for one thing: sites on properties whose owners are to be left alone are left out. Only
how many sites that concerns is told.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from pydantic import ValidationError

from gisprio.compute.works.candidates import find_candidates
from gisprio.compute.works.chosen import candidates_layer, chosen_layer, curve_table
from gisprio.compute.works.curve import draw_curve, next_money
from gisprio.compute.works.earlier import Earlier, find_named
from gisprio.compute.works.effects import site_effects
from gisprio.compute.works.facts import facts_of_choice, notes_of_choice
from gisprio.compute.works.matching import site_lines
from gisprio.compute.works.problem import Floats, Limits, Problem
from gisprio.compute.works.stability import DRAW_GAP, between, choice_shares, drawn_priorities, with_their_banks
from gisprio.contracts.cards import Results, Tables
from gisprio.contracts.costs import years_text
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Settings
from gisprio.contracts.settings import Shortlist as Asked
from gisprio.contracts.shortlist import Choice
from gisprio.contracts.words import CAUTION
from gisprio.inputs.contacts import read_contacts
from gisprio.inputs.earlier import read_earlier
from gisprio.inputs.site_costs import SiteCosts, read_property_start, read_site_costs
from gisprio.products.shortlist import gap_text, write_geopackage, write_list, write_page
from gisprio.products.works_costs import PROPERTIES as PROPERTY_COSTS
from gisprio.products.works_costs import SITES as SITE_COSTS
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.quiet import quiet
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.store import STORE, read_json, write_json

PAGE, TABLE, LAYERS, FACTS = "shortlist.html", "shortlist.csv", "shortlist.gpkg", "shortlist.json"
WORKS = "works.json"
"""Where ``gisprio works`` keeps of which run its tables are."""


@dataclass(frozen=True, slots=True)
class Listed:
    """What was written: the folder, and the facts of the choice."""

    folder: Path
    facts: Mapping[str, Any]

    def told(self) -> str:
        """Say it in a few lines."""
        facts, effect = self.facts, self.facts["effect"]
        share = f", {facts['greedy_effect'] / effect['total']:.1%} of that" if effect["total"] else ""
        lines = [
            f"{len(facts['sites'])} of {facts['candidates']} candidate sites, on {facts['properties']} properties, "
            f"{facts['length_m'] / 1000:.2f} km of bank, for {facts['spent']['total']:,.0f} of {facts['budget']:,.0f} "
            f"{facts['currency']} ({facts['cost']} costs, "
            f"{years_text(facts['price_year'], facts['price_year_last'])}).",
            f"Effect {effect['total']:,.0f} ({effect['unit']}). No choice can do more than {facts['bound']:,.0f}: "
            f"optimality gap {gap_text(facts['gap'])}.",
            f"Taking always the site with most effect per money does {facts['greedy_effect']:,.0f}{share}.",
            *facts["notes"],
            f"{PAGE}, {TABLE}, {LAYERS} and {FACTS} are in {self.folder}.",
        ]
        return "\n".join([*lines, CAUTION])


def write_shortlist(
    folder: str | Path,
    budget: float,
    *,
    costs: Path | None = None,
    contacts: Path | None = None,
    earlier: Path | None = None,
    config: Settings | None = None,
    asked: Mapping[str, Any] | None = None,
) -> Listed:
    """Choose sites of a result folder and write the list there.

    Parameters
    ----------
    folder
        A result folder.
    budget
        Money at hand, in the currency of the costs.
    costs
        Table of what each site would cost.
    contacts
        The private table of contacts: sites of owners who declined or want no contact are left out.
    earlier
        ``shortlist.gpkg`` of another run, or the folder that holds it: its sites are found again by place.
    config
        Settings whose ``[shortlist]`` holds in place of that of the run.
    asked
        Keys of ``[shortlist]`` that hold before both; None of them is as if it were not there.

    Raises
    ------
    InputError
        It is no result folder, or a table is missing or wrong.
    SettingsError
        The budget or a key of ``[shortlist]`` is wrong, or the must-haves do not fit.
    RunError
        The disk is full.
    """
    if not (math.isfinite(budget) and budget > 0):
        raise SettingsError(
            f"--budget is {budget:g}.", wanted="an amount of money above 0.", do="give the money at hand."
        )
    results = results_of(folder)
    wanted = _wanted(config or results.settings, asked or {})
    home = Path(folder).expanduser().resolve()
    priced = _costs(home, costs, results)
    closed = read_contacts(contacts).closed() if contacts is not None else frozenset()
    before = read_earlier(earlier, results.crs) if earlier is not None else None
    with quiet():
        choice = make_choice(results, round(budget, 2), wanted, priced, closed, before)
    with locked(home, []), machine_faults(home), tempfile.TemporaryDirectory(dir=home / STORE) as place:
        made = {name: Path(place) / name for name in (LAYERS, TABLE, PAGE, FACTS)}
        write_geopackage(made[LAYERS], choice, results.crs)
        write_list(made[TABLE], choice)
        write_page(made[PAGE], choice)
        write_json(made[FACTS], choice.facts)
        for name, path in made.items():
            os.replace(path, home / name)
    return Listed(home, choice.facts)


def make_choice(
    results: Results,
    budget: float,
    asked: Asked,
    priced: SiteCosts,
    closed: frozenset[str],
    before: gpd.GeoDataFrame | None,
) -> Choice:
    """Choose, choose again for other budgets and in other draws, and put together what is told of it."""
    sites, lines = _sites(results.tables)
    earlier = Earlier.of(before, lines) if before is not None else None
    must, lost_must = find_named(asked.must, "must", sites["site_id"], earlier)
    never, lost_never = find_named(asked.never, "never", sites["site_id"], earlier)
    candidates = find_candidates(
        sites,
        priced.table,
        site_effects(sites, results.tables["banks"], asked.effect),
        cost=asked.cost,
        measures=asked.measures,
        must=must,
        never=never,
        closed=closed,
    )
    table = candidates.table
    starts = priced.start if asked.per_property is None else (asked.per_property,) * 3
    problem = Problem.of(
        table,
        per_property=starts[("low", "mid", "high").index(asked.cost)],
        per_cluster=asked.per_cluster,
        limits=Limits(
            asked.max_properties,
            None if asked.max_km is None else asked.max_km * 1000,
            asked.max_share_per_sub_watershed,
        ),
    )
    points = draw_curve(problem, budget, relative_gap=asked.relative_gap)
    found = next(point for point in points if point.budget == budget)
    draws = asked.draws if asked.effect == "sediment" else min(asked.draws, results.settings.robustness.draws)
    effects = _drawn_effects(table, results, asked.effect, draws)
    shares = choice_shares(problem, budget, effects, relative_gap=max(DRAW_GAP, asked.relative_gap))
    told = facts_of_choice(
        found,
        problem,
        candidates,
        asked,
        shares,
        currency=priced.currency,
        price_years=(priced.year, priced.year_last),
        starts=starts,
        draws=draws,
    )
    unknown = int((~priced.table["site_id"].isin(sites["site_id"])).sum())
    of_earlier = earlier.told(found.site_id) if earlier is not None else None
    lost = {"must": lost_must, "never": lost_never}
    notes = notes_of_choice(
        told, table[found.chosen], earlier=of_earlier, lost=lost, unknown=unknown, example=priced.example
    )
    curve, more = curve_table(points, problem), next_money(points, list(problem.site_id), budget)
    facts = {
        "format": 1,
        "name": results.settings.run.name,
        "run": digest_of_run(results.record)[:12],
        "units": results.settings.report.units,
        **told,
        "example": priced.example,
        "earlier": of_earlier,
        "notes": notes,
        "curve": curve.round(8).to_dict("records"),
        "next": more.round(8).to_dict("records"),
    }
    beside = lines.set_index("site_id").geometry.reindex(table["site_id"]).to_numpy()
    shown = chosen_layer(table, found, shares, earlier.among(table["site_id"]) if earlier is not None else None)
    return Choice(shown, candidates_layer(table, beside, points, found, shares), curve, more, facts)


def _wanted(settings: Settings, asked: Mapping[str, Any]) -> Asked:
    """Give ``[shortlist]`` with what was asked for on the command line.

    Raises
    ------
    SettingsError
        A value is out of range.
    """
    given = {key: value for key, value in asked.items() if value not in (None, ())}
    try:
        return Asked.model_validate({**settings.shortlist.model_dump(), **given})
    except ValidationError as error:
        faults = "; ".join(f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in error.errors())
        raise SettingsError(
            f"[shortlist] cannot be as asked for: {faults}.",
            wanted="values as the template of the config tells them.",
            do="mend the options of the command.",
        ) from None


def _costs(home: Path, given: Path | None, results: Results) -> SiteCosts:
    """Read the costs: the user's table, else what ``gisprio works`` left in the folder.

    Raises
    ------
    InputError
        There is neither, for no cost is made up; or what is there was made from another run.
    """
    if given is not None:
        return read_site_costs(given)
    if not (home / SITE_COSTS).is_file():
        raise InputError(
            "There are no costs of the sites, and none are made up.",
            wanted="a CSV with site_id, cost_low, cost_mid, cost_high, currency and year; one line a site of "
            "sites.csv.",
            do="add --costs FILE, or price the works first: gisprio works FOLDER --costs TABLE.",
        )
    if (read_json(home / WORKS) or {}).get("run") != digest_of_run(results.record):
        raise InputError(
            f"{SITE_COSTS} was made from another run than the one that lies here.",
            wanted="costs of the sites of this run.",
            do="run gisprio works again, or add --costs FILE.",
        )
    priced = read_site_costs(home / SITE_COSTS)
    start = read_property_start(home / PROPERTY_COSTS) if (home / PROPERTY_COSTS).is_file() else priced.start
    return replace(priced, start=start)


def _sites(tables: Tables) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Give the sites with their sub-watershed, and the stretch of stream beside each."""
    sites, reaches = tables["sites"], tables["reaches"]
    assert isinstance(sites, gpd.GeoDataFrame)
    assert isinstance(reaches, gpd.GeoDataFrame)
    part = reaches.set_index("reach_id")["sub_watershed_id"].reindex(sites["reach_id"]).to_numpy(object)
    beside = gpd.GeoDataFrame(
        {"site_id": sites["site_id"].to_numpy(object), "side": sites["side"].to_numpy(object)},
        geometry=site_lines(sites, reaches),
        crs=reaches.crs,
    )
    return sites.assign(sub_watershed_id=part), beside


def _drawn_effects(table: pd.DataFrame, results: Results, effect: str, draws: int) -> Iterator[Floats]:
    """Give the effects of the candidates in each draw."""
    if effect == "sediment":
        yield from between(table["effect_low"].to_numpy(float), table["effect_high"].to_numpy(float), draws)
        return
    geometric = results.settings.priority.combine == "geometric"
    metres = table["effect_m"].to_numpy(float)
    for drawn in drawn_priorities(results.tables, results.settings, draws):
        moved = with_their_banks(table, results.tables["banks"], drawn, geometric=geometric)
        yield np.nan_to_num(moved * metres)
