"""A shortlist as files: layers, table, and a page with the curve of budgets."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from gisprio.contracts.shortlist import CANDIDATES, SHORTLIST, Choice
from gisprio.products.budget_curve import curve_words, draw_budget_curve, price_years
from gisprio.products.charts import SERIES, chart_svg
from gisprio.products.document import Document
from gisprio.products.layer_file import write_layers
from gisprio.products.styles import candidates_qml, shortlist_qml
from gisprio.products.tables import write_table
from gisprio.products.units import shown_units

_TOLD_IDS = 12
"""So many ids stand in a cell [own]; the rest is counted."""


def write_geopackage(path: Path, choice: Choice, crs: str) -> None:
    """Write the layers ``shortlist`` and ``candidates``, in the working system given as WKT."""
    layers = [(SHORTLIST, choice.chosen), (CANDIDATES, choice.candidates)]
    write_layers(path, layers, crs, {"shortlist": shortlist_qml(), "candidates": candidates_qml()})


def write_list(path: Path, choice: Choice) -> None:
    """Write the layer ``shortlist`` as CSV."""
    write_table(path, choice.chosen)


def write_page(path: Path, choice: Choice) -> None:
    """Write the page."""
    path.write_text(shortlist_page(choice), "utf-8")


def shortlist_page(choice: Choice) -> str:
    """Lay out the page: answer, curve, sites with reasons, next money, costs, and what was assumed.

    Parameters
    ----------
    choice
        All that is told.
    """
    facts = choice.facts
    page = Document(f"Shortlist for {_money(facts, facts['budget'])}", facts["name"])
    for sentence in _answer(facts):
        page.paragraph(sentence, "answer")
    warned = facts["notes"][:1] if facts["example"] else []
    for note in warned:
        page.paragraph(note, "warning")
    page.items(facts["notes"][len(warned) :])
    page.heading("Budget and effect")
    page.paragraph(
        "Each point is the best choice for its budget, made anew: sites may leave when more money makes a better set "
        "possible. Where the curve bends over, more money does less."
    )
    alt = curve_words(choice.curve, facts)
    drawn = chart_svg(partial(_draw_curve, choice), width_mm=165, height_mm=85, alt=alt)
    page.figure(drawn, alt, "Effect against budget; the dashed line is the budget asked for.")
    _sites(page, choice)
    _more(page, choice)
    _spent(page, facts)
    page.heading("How it was chosen").items(_assumed(facts))
    return page.footer(f"Made from run {facts['run']}.").html()


def _answer(facts: Mapping[str, Any]) -> list[str]:
    effect = facts["effect"]
    sites, many = len(facts["sites"]), facts["properties"]
    times, unit = shown_units(facts["units"])["km"]
    first = (
        f"{sites} of {facts['candidates']} candidate sites, {facts['length_m'] / 1000 * times:.2f} {unit} of bank on "
        f"{many} "
        f"{'property' if many == 1 else 'properties'}, cost {_money(facts, facts['spent']['total'])} at "
        f"{facts['cost']} costs ({price_years(facts)})."
    )
    second = (
        f"Their effect is {effect['total']:,.0f} ({effect['unit']}). The best choice there is can do "
        f"{facts['bound']:,.0f} at most: an optimality gap of {gap_text(facts['gap'])}."
    )
    return [first, second]


def gap_text(gap: float) -> str:
    """Give an optimality gap in percent; one that is hardly there is told so.

    Examples
    --------
    >>> gap_text(0.00009), gap_text(0.0), gap_text(2e-7)
    ('0.009%', 'nothing', 'less than 0.001%')
    """
    if gap <= 0:
        return "nothing"
    return f"{gap:.3%}" if gap >= 1e-5 else "less than 0.001%"


def _money(facts: Mapping[str, Any], amount: float) -> str:
    return f"{amount:,.0f} {facts['currency']}"


def _draw_curve(choice: Choice, axes: Axes) -> None:
    axes.plot(choice.curve["budget"], choice.curve["greedy_effect"], color=SERIES[3], linestyle=":", marker="s",
              markersize=3, label="Always the site with most effect per money")  # fmt: skip
    draw_budget_curve(axes, choice.curve, choice.facts)
    axes.legend(loc="lower right")


def _sites(page: Document, choice: Choice) -> None:
    facts, chosen = choice.facts, choice.chosen
    page.page_break().heading("Sites chosen")
    if not len(chosen):
        page.paragraph("None.")
        return
    times, unit = shown_units(facts["units"])["m"]
    shown = pd.DataFrame(chosen.drop(columns="geometry")).assign(
        place=_places(chosen), range=_ranges(chosen), long=chosen["length_m"] * times
    )
    columns: list[tuple[str, str, Any]] = [
        ("site_id", "Site", "text"),
        ("place", "Where", "text"),
        ("property_id", "Property", "text"),
        ("measure", "Asks for", "text"),
        ("long", f"Length [{unit}]", 0),
        ("priority", "Priority", 0),
        ("effect", "Effect", 0),
        (f"cost_{facts['cost']}", f"Cost [{facts['currency']}]", 0),
        ("range", "Low to high", "text"),
        ("effect_per_1000", "Effect per 1,000", 0),
    ]
    if facts["stability"]["draws"]:
        columns.append(("chosen_share", "Chosen again", _percent))
    if facts["earlier"] is not None:
        columns.append(("earlier", "Before", lambda value: "yes" if value else "new"))
    if shown["must"].any():
        columns.append(("must", "Must", lambda value: "yes" if value else ""))
    page.table(shown, columns, "Sites, most effect for their own cost first.")
    page.paragraph(
        f"Chosen again: share of the {_draws(facts)} in which the choice, made again, holds the site.", "quiet"
    )
    _properties(page, shown, facts)


def _places(chosen: pd.DataFrame) -> list[str]:
    return [
        f"{name if isinstance(name, str) else 'unnamed stream'}, {side} bank"
        for name, side in zip(chosen["name"], chosen["side"], strict=True)
    ]


def _ranges(chosen: pd.DataFrame) -> list[str]:
    both = zip(chosen["cost_low"], chosen["cost_high"], strict=True)
    return [f"{low:,.0f}\u00a0to\u00a0{high:,.0f}" for low, high in both]


def _draws(facts: Mapping[str, Any]) -> str:
    of = "rank draws" if facts["stability"]["of"] == "rank draws" else "steps between the two published lines"
    return f"{facts['stability']['draws']} {of}"


def _properties(page: Document, shown: pd.DataFrame, facts: Mapping[str, Any]) -> None:
    """Sum the sites up by property."""
    cost, unit = f"cost_{facts['cost']}", shown_units(facts["units"])["m"][1]
    table = shown.assign(property_id=shown["property_id"].astype(object).fillna("not known"))
    rows = table.groupby("property_id", as_index=False).agg(
        sites=("site_id", "count"),
        long=("long", "sum"),
        effect=("effect", "sum"),
        cost=(cost, "sum"),
        cluster=("cluster", "first"),
    )
    columns: list[tuple[str, str, Any]] = [
        ("property_id", "Property", "text"),
        ("sites", "Sites", 0),
        ("long", f"Length [{unit}]", 0),
        ("effect", "Effect", 0),
        ("cost", f"Cost of sites [{facts['currency']}]", 0),
        ("cluster", "Cluster of", "text"),
    ]
    rows = rows.sort_values(["effect", "property_id"], ascending=[False, True])
    page.heading("By property", 3)
    page.table(rows, columns, "Properties with the same first site in the last column join.")


def _percent(value: Any) -> str:
    return f"{value:.0%}"


def _more(page: Document, choice: Choice) -> None:
    facts = choice.facts
    page.heading("What the next money would buy")
    if not len(choice.more):
        page.paragraph("Nothing: all that the candidates can do is within the budget, or the limits let no more in.")
        return
    shown = choice.more.assign(**{name: choice.more[name].map(_ids) for name in ("enter", "leave")})
    columns: list[tuple[str, str, Any]] = [
        ("budget", f"Budget [{facts['currency']}]", 0),
        ("more_money", "More money", 0),
        ("more_effect", "More effect", 0),
        ("effect_per_1000", "for each 1,000", 1),
        ("enter", "Sites that enter", "text"),
        ("leave", "Sites that leave", "text"),
    ]
    page.table(shown, columns, "Best choices for larger budgets, against the one above.")


def _ids(ids: list[str]) -> str:
    more = len(ids) - _TOLD_IDS
    return (", ".join(ids[:_TOLD_IDS]) + (f" and {more} more" if more > 0 else "")) or "none"


def _spent(page: Document, facts: Mapping[str, Any]) -> None:
    spent = facts["spent"]
    rows = [
        ("Sites", spent["sites"]),
        (f"Starting on {facts['properties']} properties", spent["properties"]),
        (f"Starting in {facts['clusters']} clusters of joining properties", spent["clusters"]),
        ("Together", spent["total"]),
        ("Left of the budget", facts["budget"] - spent["total"]),
        ("Together at low costs", facts["cost_low"]),
        ("Together at middle costs", facts["cost_mid"]),
        ("Together at high costs", facts["cost_high"]),
    ]
    page.heading("What it costs")
    frame = pd.DataFrame(rows, columns=["what", "amount"])
    page.table(frame, [("what", "", "text"), ("amount", facts["currency"], 0)], "Costs of the list.")


def _assumed(facts: Mapping[str, Any]) -> list[str]:
    asked, greedy = facts["asked"], facts["greedy_effect"]
    limits = {
        "max_properties": "properties at most",
        "max_km": "km of bank at most",
        "max_share_per_sub_watershed": "of the budget at most for the sites of one sub-watershed",
    }
    told = [f"{asked[key]:g} {words}" for key, words in limits.items() if asked[key] is not None]
    return [
        "Given: costs of the sites, from a table; limits and must-haves, from the settings or the command.",
        _EFFECTS[asked["effect"]],
        f"Limits: {'; '.join(told) or 'none but the budget'}. Must-haves: {len(asked['must'])}. Never: "
        f"{len(asked['never'])}.",
        f"Starting costs {facts['per_property']:,.0f} for each property and {facts['per_cluster']:,.0f} for each "
        "cluster of properties whose sites go on into each other or lie opposite, whichever of them are chosen.",
        "The choice was made by a mixed-integer program, not site by site. Taking always the site with most effect per "
        f"money would do {greedy:,.0f}.",
        "Effects add up: what one site does is taken not to depend on what is done at others.",
        "Measured from maps: lengths, gaps and cover. Modelled: priorities. Missing: owners' wishes, access, soil, "
        "utilities, permits, and whatever only a visit shows.",
    ]


_EFFECTS = {
    "priority_gap_m": "Effect: priority of the site, 0 to 100, times its metres of gap, as properties are ranked.",
    "priority_length_m": "Effect: priority of the site, 0 to 100, times its length.",
    "sediment": "Effect, modelled: sediment of sheet flow that the strip would hold back beyond what it does now, by "
    "two published lines that do not agree (their middle is taken), times the relative supply of the hillslope and "
    "metres. It ranks choices; it is no mass.",
}
