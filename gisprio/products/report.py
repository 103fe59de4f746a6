"""The report of a run: one page for reading and print, from the question to what could not be measured."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from gisprio.contracts.cards import Results
from gisprio.products import report_words as words
from gisprio.products.document import Column, Document
from gisprio.products.origin import told_origin
from gisprio.products.report_facts import (
    NO_NAME,
    Facts,
    properties_of,
    reached_by_banks,
    reached_by_properties,
    totals_by,
)
from gisprio.products.report_map import report_map
from gisprio.products.report_plots import gap_by_order, rank_intervals, reached_curve, shortlist_curve
from gisprio.products.rules import rules_side_by_side
from gisprio.products.units import sentences_in

MOST_ROWS = 40
"""Rows of a table of sub-watersheds, findings or layers [own]; what is left out is counted."""
FIRST_PROPERTIES = 10
_STAGE = re.compile(r"(\d+)\. (.+)")

Shortlist = Mapping[str, Any]
"""Content of ``shortlist.json``."""


def write_report(path: Path, results: Results, shortlist: Shortlist | None = None) -> None:
    """Write ``report.html``.

    Parameters
    ----------
    path
        File to write.
    results
        Result layers, settings, record, methods, and the picture at the foot of maps.
    shortlist
        What ``gisprio shortlist`` wrote of this very run, where it did.

    Notes
    -----
    The same results give the same bytes, whether they come from the run or were read back.
    """
    path.write_text(report_page(results, shortlist), "utf-8")


def report_page(results: Results, shortlist: Shortlist | None = None) -> str:
    """Give the page as text."""
    facts = Facts(results)
    day = str(results.record.get("started", ""))[:10]
    page = Document(f"{results.settings.run.name}: where stream banks need work first", f"Report of the run of {day}")
    page.paragraph(words.FOR_THE_TEAM, "quiet")
    if results.settings.report.contact:
        page.paragraph(f"Contact: {results.settings.report.contact}", "quiet")
    _question_and_answer(page, facts)
    _map(page, results)
    _lacking(page, facts)
    _first(page, facts)
    _top(page, facts)
    _rules(page, facts)
    _shortlist(page, facts, shortlist)
    _agreement(page, facts)
    _data(page, facts)
    _methods(page, results)
    return page.caution().footer(f"{told_origin(results.record)}.").html()


def _question_and_answer(page: Document, facts: Facts) -> None:
    page.heading("What was asked")
    for sentence in words.question(facts):
        page.paragraph(sentence)
    page.heading("The answer")
    for sentence in words.answer(facts):
        page.paragraph(sentence, "answer")


def _map(page: Document, results: Results) -> None:
    drawn = report_map(results)
    if drawn is None:
        return
    below = "Banks by urgency; the numbers are the ranks of the first. map.html shows them closer, with reasons."
    page.page_break().heading("Where they are").figure(*drawn, below)


def _lacking(page: Document, facts: Facts) -> None:
    """Tell streams, banks, setback and gap by order, cover and sub-watershed."""
    page.page_break().heading("Streams, banks, setback and gap")
    if facts.ranked.empty:
        page.paragraph("No bank has a rank: there is nothing to add up.")
        return
    gaps = (
        " Shares are of the bank whose cover is known. A gap is uncertain where its bank line may be off, where less "
        "is lacking than the error of the width, or where the shortfall is water."
    )
    page.paragraph(f"Ranked banks only.{gaps if facts.measured else ' No gap could be measured.'}")
    orders = totals_by(facts.ranked, "strahler_order")
    if facts.measured and orders["strahler_order"].notna().any():
        page.figure(*gap_by_order(orders, facts.units))
    _totals(page, facts, orders, "Stream order", "Banks by stream order")
    beside = "Banks by the commonest cover of the strip that does not count, else of the strip"
    _totals(page, facts, totals_by(facts.ranked, "adjacent_cover"), "Cover", beside)
    parts = totals_by(facts.ranked, "sub_watershed_id")
    if parts["sub_watershed_id"].nunique() > 1:
        rows = parts.sort_values(["gap_m", "length_m"], ascending=False, kind="stable", na_position="last")
        most = "gap" if facts.measured else "bank"
        _totals(page, facts, rows.head(MOST_ROWS), "Sub-watershed", f"Banks by sub-watershed, the most {most} first")
        _left_out(page, len(rows), "sub-watersheds", "ranked.xlsx")


def _totals(page: Document, facts: Facts, totals: pd.DataFrame, head: str, caption: str) -> None:
    """Write totals by their first column, in the units that people read."""
    units, key = facts.units, str(totals.columns[0])
    shown = pd.DataFrame(
        {
            "key": totals[key].astype(object).fillna("not known"),
            "banks": totals["banks"],
            "stream": units.far(totals["stream_m"]),
            "bank": units.far(totals["length_m"]),
            "setback": units.near(totals["setback_m"]),
            "gap": units.far(totals["gap_m"]),
            "unsure": units.far(totals["uncertain_m"]),
            "share": 100 * totals["gap_share"],
            "ground": units.ground(totals["gap_m2"]),
            "priority": totals["priority"],
        }
    )
    columns: list[Column] = [("key", head, "text"), ("banks", "Banks", 0)]
    columns += [("stream", f"Stream ({units.km})", 1)] if key != "adjacent_cover" else []  # both banks share a stream
    columns += [("bank", f"Bank ({units.km})", 1), ("setback", f"Setback, median ({units.m})", 0)]
    if facts.measured:
        columns += [
            ("gap", f"Gap ({units.km})", 1),
            ("unsure", f"of it uncertain ({units.km})", 1),
            ("share", "Gap (%)", 0),
            ("ground", f"Gap ({units.ha})", 1),
        ]
    page.table(shown, [*columns, ("priority", "Mean priority", 0)], caption)


def _first(page: Document, facts: Facts) -> None:
    """Tell how much the first kilometres and properties reach."""
    page.heading("How far the first ones reach")
    banks = reached_by_banks(facts.ranked)
    if banks is None:
        page.paragraph("No gap was measured: what the first banks or properties hold of it cannot be said.")
        return
    for sentence in words.reached(facts, banks):
        page.paragraph(sentence)
    page.figure(*reached_curve(banks, reached_by_properties(facts.properties)))
    rows = words.reached_rows(facts)
    if len(rows):
        columns: list[Column] = [("taken", "Taken by rank", "text"), ("percent", "Reached (%)", 0)]
        page.table(rows.assign(percent=100 * rows["share"]), columns, "Priority-weighted gap that the first reach")


def _top(page: Document, facts: Facts) -> None:
    """Tell the most urgent banks with reasons and certainty, and the most urgent properties."""
    units, top = facts.units, facts.top
    page.page_break().heading(f"The first {facts.top_n} banks, why, and how sure")
    page.paragraph(
        "Ranks move when the weights are others and when the layers are off by their errors: beside each rank stands "
        f"where it lies in 90 % of the draws, and in what share of them the bank is among the first {facts.top_n}."
    )
    shown = top.assign(
        place=[_place_of(row) for row in top.itertuples()],
        why=sentences_in(top["why"], facts.results.settings.report.units),
        gap=[_gap_of(row, facts) for row in top.itertuples()],
        ranks=[_sure(row) for row in top.itertuples()],
        owners=properties_of(top["bank_id"], facts.results.tables["frontages"]),
    )
    columns: list[Column] = [
        ("rank", "Rank", 0),
        ("place", "Bank", "text"),
        ("why", "Why", "text"),
        ("priority", "Priority", 0),
        ("gap", f"Gap of length ({units.m})" if facts.measured else f"Length ({units.m})", "text"),
        ("ranks", f"Ranks in draws (in the first {facts.top_n})", "text"),
        ("owners", "Properties", "text"),
    ]
    page.table(shown, columns, f"Banks of rank 1 to {facts.top_n}")
    drawn = rank_intervals(facts)
    if drawn is not None:
        page.heading("How far ranks move", 3).figure(*drawn)
    _properties(page, facts)


def _place_of(row: Any) -> str:
    return f"{row.bank_id}, {row.side} bank of {row.name if isinstance(row.name, str) else NO_NAME}"


def _gap_of(row: Any, facts: Facts) -> str:
    length = f"{facts.units.near(row.length_m):.0f}"
    if not facts.measured:
        return length
    return f"{facts.units.near(row.gap_length_m):.0f} of {length}" if pd.notna(row.gap_length_m) else f"? of {length}"


def _sure(row: Any) -> str:
    if pd.isna(row.rank_p05):
        return "not drawn"
    return f"{_interval(row)} ({100 * row.top_share:.0f} %)"


def _interval(row: Any) -> str:
    return f"{row.rank_p05:.0f} to {row.rank_p95:.0f}" if pd.notna(row.rank_p05) else "not drawn"


def _properties(page: Document, facts: Facts) -> None:
    units, first = facts.units, facts.properties.head(FIRST_PROPERTIES)
    page.heading("The first properties", 3)
    if first.empty:
        page.paragraph("No property is ranked: no property layer was given, or no gap could be measured.")
        return
    shown = first.assign(
        ranks=[_interval(row) for row in first.itertuples()],
        frontage=units.near(first["frontage_m"]),
        gap=units.near(first["gap_length_m"]),
    )
    columns: list[Column] = [
        ("rank", "Rank", 0),
        ("property_id", "Property", "text"),
        ("frontage", f"Frontage ({units.m})", 0),
        ("gap", f"Gap ({units.m})", 0),
        ("priority", "Priority", 0),
        ("site_count", "Sites", 0),
        ("ranks", "Ranks in 90 % of draws", "text"),
        ("joint_neighbours", "Gap goes on at", "text"),
    ]
    page.table(shown, columns, "By priority times length of gap; properties.csv has all")


def _rules(page: Document, facts: Facts) -> None:
    table = facts.results.tables["bank_setbacks"]
    rules = rules_side_by_side(table, facts.results.settings.setback.name)
    if len(rules) < 2:
        return
    units = facts.units
    page.heading("Setback rules side by side")
    page.paragraph(
        "The first rule ranks. All are judged on the same banks; the local authority can say which one holds."
    )
    least, most = units.near(rules["setback_least_m"]), units.near(rules["setback_most_m"])
    shown = rules.assign(
        setback=[_range(low, high) for low, high in zip(least, most, strict=True)],
        gap=units.far(1000 * rules["gap_km"]),
        ground=units.ground(10_000 * rules["gap_ha"]),
    )
    columns: list[Column] = [
        ("rule", "Rule", "text"),
        ("setback", f"Setback ({units.m})", "text"),
        ("banks", "Banks asked", 0),
        ("banks_with_gap", "Banks with a gap", 0),
        ("gap", f"Gap ({units.km})", 1),
        ("ground", f"Gap ({units.ha})", 1),
        ("not_known", "Banks not measured", 0),
    ]
    page.table(shown, columns, "What each rule asks and what is lacking under it")


def _range(low: float, high: float) -> str:
    return f"{low:.0f} to {high:.0f}" if low < high else f"{low:.0f}"


def _shortlist(page: Document, facts: Facts, made: Shortlist | None) -> None:
    """Tell the shortlist that was made of this run."""
    if made is None:
        return
    page.heading("Shortlist")
    for sentence in words.shortlisted(facts, made):
        page.paragraph(sentence)
    page.items(made.get("notes", ()))
    curve = pd.DataFrame(made.get("curve", ()))
    if len(curve):
        below = f"Effect ({made['effect']['unit']}) against budget; the dashed line is the budget asked for."
        page.figure(*shortlist_curve(curve, made), below)


def _agreement(page: Document, facts: Facts) -> None:
    page.heading("What was seen in the field")
    none = "No visit was brought back: nothing was checked on the ground yet. gisprio visits draws places to go to."
    for sentence in words.agreement(facts) or [none]:
        page.paragraph(sentence)


def _data(page: Document, facts: Facts) -> None:
    """Tell how good the data are: layers, what could be measured, what was noticed."""
    page.page_break().heading("How good the data are")
    _layers(page, facts)
    known = words.measured_rows(facts)
    columns: list[Column] = [("what", "Measure", "text"), ("percent", "Known on (%)", 0), ("why", "Remark", "text")]
    caption = "What could be measured: share of the length of ranked bank; of factors, share of the ranked banks"
    page.table(known.assign(percent=100 * known["share"]), columns, caption)
    findings = facts.results.tables["findings"]
    for severity, head in (("warning", "Warnings"), ("note", "Notes")):
        own = findings[findings["severity"] == severity]
        page.heading(f"{head}: {len(own)}", 3)
        if own.empty:
            page.paragraph("None.")
            continue
        told: list[Column] = [("layer", "Layer", "text"), ("says", "What is so", "text"), ("do", "What to do", "text")]
        page.table(own.head(MOST_ROWS), told, f"{head} of the run")
        _left_out(page, len(own), head.lower(), "run.log")


def _layers(page: Document, facts: Facts) -> None:
    layers = pd.DataFrame(facts.results.record.get("layers") or ())
    if layers.empty:
        return
    cells = facts.results.record.get("cells_m") or {}
    layers["cell_m"] = [cells.get(layer.replace("factor.", "own_")) for layer in layers["layer"]]
    shown = layers.assign(
        names=[_files(row.files) for row in layers.itertuples()],
        size=[_size(row, facts) for row in layers.itertuples()],
        dated=[_dated(row) for row in layers.itertuples()],
    )
    columns: list[Column] = [
        ("layer", "Layer", "text"),
        ("names", "Files", "text"),
        ("size", "Cell or rows", "text"),
        ("dated", "Date", "text"),
    ]
    page.table(shown, columns, "Layers that were given; a date is told where the data or the settings hold one")


def _files(files: Iterable[str]) -> str:
    names = list(files)
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _size(row: Any, facts: Facts) -> str:
    if pd.notna(row.cell_m):
        return f"cells of {facts.units.near(row.cell_m):.3g} {facts.units.m}"
    return f"{int(row.rows):,} rows" if pd.notna(row.rows) else "not told"


def _dated(row: Any) -> str:
    if pd.isna(row.from_year):
        return "not stated"
    low, high = int(row.from_year), int(row.to_year)
    return f"{low}" if low == high else f"{low} to {high}"


def _methods(page: Document, results: Results) -> None:
    """Tell the steps that ran in a line each, and the sources."""
    items = list(results.methods())
    if not items:
        return
    steps, sources = _in_short(items)
    page.heading("How it was done")
    page.paragraph(
        f"{items[0]}. The steps in short; methods.html has formulae, numbers, and how far each source was checked."
    )
    page.items(steps, numbered=True)
    page.heading("Sources", 3).items(sources)


def _in_short(items: list[str]) -> tuple[list[str], list[str]]:
    """Give the first line of each step, and the sources, out of the items of the methods."""
    steps, sources = [], []
    at_sources = False
    for item, after in pairwise([*items, ""]):
        at_sources = at_sources or item == "Sources"
        depth = len(item) - len(item.lstrip())
        if (step := _STAGE.match(item)) and not at_sources:
            steps.append(f"{step[2]}: {after.strip()}")
        elif at_sources and depth == 3:
            sources.append(item.strip())
    return steps, sources


def _left_out(page: Document, rows: int, what: str, where: str) -> None:
    if rows > MOST_ROWS:
        page.paragraph(f"{rows - MOST_ROWS:,} more {what} are in {where}.", "quiet")
