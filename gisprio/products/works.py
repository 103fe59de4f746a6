"""The page of works: what each site would take, as ranges, with a sketch, formulas, warnings and open questions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor, log10
from pathlib import Path
from typing import Literal

import pandas as pd

from gisprio.contracts.costs import WorksCosts
from gisprio.contracts.works import ITEM_KEYS, item_of
from gisprio.products import svg
from gisprio.products.document import Document
from gisprio.products.units import sentence_in
from gisprio.products.works_costs import add_costs, add_hours
from gisprio.products.works_words import shown_unit, told_in

_COUNTED = 20.0
"""Counts up to this are told whole."""
_NOT_SUMMED = ("run_out", "cut_section", "lift")
"""Items of one place of a bank: their sums over sites mean nothing."""
_SHARED = "off_stream_water"
"""An item that all sites of a property may share."""
_STYLE = (
    ".wk-earth{fill:#d9c8a9;stroke:none}.wk-cut{fill:#f2a65a;fill-opacity:.55;stroke:none}"
    ".wk-now{fill:none;stroke:#4a3b22;stroke-width:2;stroke-dasharray:7 4}"
    ".wk-new{fill:none;stroke:#1d2733;stroke-width:3}"
    ".wk-range{fill:none;stroke:#6b7680;stroke-width:1;stroke-dasharray:2 3}.wk-water{fill:#bcdcea;stroke:none}"
    ".wk-rock{fill:#8b8f94;stroke:#1d2733;stroke-width:1}.wk-size{stroke:#1d2733;stroke-width:1}"
    "text{font:14px 'Source Sans 3',system-ui,Arial,sans-serif;fill:#1d2733}"
)
_WIDE, _HIGH = 640.0, 270.0


@dataclass(frozen=True, slots=True)
class Bank:
    """A bank to be sketched: mean heights, slope now in the middle of its range, slope afterwards, rock at its toe."""

    low_m: float
    mid_m: float
    high_m: float
    start: float
    finished: float
    rock: bool


@dataclass(frozen=True, slots=True, eq=False)
class PageSite:
    """A site as the page has it.

    Parameters
    ----------
    site_id, where, measure, why
        Its id, its place in words, what it asks for, and why.
    facts
        What it was sized from, a sentence each.
    items
        Its rows of ``work_items``.
    not_sized
        What is not sized and why.
    warnings
        In words.
    questions
        What calls for a designer, each with its reason, an empty text for no, or None where maps do not tell.
    bank
        To be sketched; None where no earth is moved.
    """

    site_id: str
    where: str
    measure: str
    why: str
    facts: Sequence[str]
    items: pd.DataFrame
    not_sized: str | None
    warnings: Sequence[str]
    questions: Sequence[tuple[str, str | None]]
    bank: Bank | None


@dataclass(frozen=True, slots=True, eq=False)
class WorksPage:
    """What the page is made from.

    Parameters
    ----------
    place, date, digest
        Name and date of the run, and its digest.
    units
        As people read them; tables stay SI.
    scopes
        What each measure is sized for.
    all_sites, items
        ``work_sites`` and ``work_items``.
    common
        Warnings that hold for all.
    sites
        Those that are told in full, in order.
    hours
        ``work_hours``.
    costs
        None where nobody gave prices.
    """

    place: str
    date: str
    digest: str
    units: Literal["si", "us"]
    scopes: Mapping[str, str]
    all_sites: pd.DataFrame
    items: pd.DataFrame
    common: Sequence[str]
    sites: Sequence[PageSite]
    hours: pd.DataFrame
    costs: WorksCosts | None


def write_works_page(path: Path, page: WorksPage) -> None:
    """Write the page."""
    path.write_text(works_page(page), "utf-8")


def works_page(page: WorksPage) -> str:
    """Lay the page out."""
    document = Document("Works at concept level", f"{page.place}, results of {page.date}")
    _summary(document, page)
    add_costs(document, page.costs)
    add_hours(document, page.hours)
    for site in page.sites:
        _site(document, site, page.units)
    document.caution()
    document.footer(f"Made by gisprio works from the run {page.digest}. Quantities in SI units stand in works.csv.")
    return document.html()


def _summary(document: Document, page: WorksPage) -> None:
    sites = page.all_sites
    sized = int(sites["sized"].sum())
    document.paragraph(
        f"{sized} of {len(sites)} sites are sized. Quantities are ranges, save lengths along the line and what "
        "was given: the middle is no better than its ends, and nothing here is a design. What was measured, modelled, "
        "given and assumed stands with each site.",
        "answer",
    )
    for text in page.common:
        document.paragraph(told_in(text, page.units), "warning")
    document.heading("What sites are sized for")
    counts = sites["measure"].value_counts()
    rows = [
        {"measure": measure, "says": says, "sites": int(counts.get(measure, 0))}
        for measure, says in page.scopes.items()
        if counts.get(measure, 0)
    ]
    columns = (("measure", "Measure", "text"), ("sites", "Sites", 0), ("says", "What is counted", "text"))
    document.table(pd.DataFrame(rows), columns, "Sites by measure")
    if len(page.items):
        document.heading("All sites together")
        document.paragraph(
            "Sums of the ends of the ranges: all sites would have to be at their least, or at their most, together. "
            "What is not known of a site, as earth where nobody measured the bank, is in no sum: see how many sites "
            "each is of.",
            "quiet",
        )
        summed = (_COLUMNS[0], ("sites", "Sites", 0), *_COLUMNS[1:])
        document.table(_shown(_together(page.items, sites), page.units), summed, "Quantities of all sites")
    document.heading("How to read a site")
    document.items(
        (
            "measured: seen on heights or cover fine enough to show it; given: told by somebody who measured there; "
            "modelled: read off coarser maps; assumed: taken for want of better. Each quantity has the least certain "
            "fact of the place behind it. Spacings, survival, weights of rock and rates of seed are choices or "
            "published ranges, however well the place is known.",
            "Formulas are in metres and tonnes; they give the middle. x multiplies, ^ is a power, ceil rounds up.",
            "Slopes are horizontal to vertical: 2:1 is two metres back for each metre up.",
        )
    )


def _together(items: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Sum items over sites, with the sites that have each; one place to drink, in the middle, serves a property."""
    groups = items.groupby("item", sort=False)
    found = groups[[f"quantity_{end}" for end in ("low", "mid", "high")]].sum().assign(sites=groups.size())
    if _SHARED in found.index:
        owned = items[items["item"] == _SHARED].merge(sites[["site_id", "property_id"]], on="site_id")
        owners = owned["property_id"].astype(object).fillna(owned["site_id"])
        found.loc[_SHARED, "quantity_mid"] = owned.groupby(owners)["quantity_mid"].max().sum()
    order = [key for key in ITEM_KEYS if key in found.index and key not in _NOT_SUMMED]
    return found.loc[order].reset_index()


_COLUMNS = (
    ("title", "What", "text"),
    ("least", "At least", "text"),
    ("about", "Middle", "text"),
    ("most", "At most", "text"),
    ("unit_shown", "Unit", "text"),
)


def _site(document: Document, site: PageSite, units: Literal["si", "us"]) -> None:
    document.page_break()
    document.heading(f"{site.site_id}: {site.measure}", place=f"site-{site.site_id}")
    document.paragraph(f"{told_in(site.where, units)}.", "quiet")
    document.paragraph(sentence_in(site.why, units))
    if site.not_sized:
        document.paragraph(told_in(site.not_sized, units), "warning")
    for text in site.warnings:
        document.paragraph(told_in(text, units), "warning")
    if site.bank is not None:
        low, high = _range_words(site.items, "run_out", units)
        document.figure(
            sketch(site.bank, units),
            f"Cross-section of the bank before and after: its top moves back {low} to {high}.",
            "Cross-section at mean height, drawn to one scale. Dashed: the bank now, as far as is known. Solid: "
            "afterwards.",
        )
    if len(site.facts):
        document.heading("What it was sized from", 3)
        document.items(told_in(text, units) for text in site.facts)
    if len(site.items):
        shown = _shown(site.items, units)
        columns = (*_COLUMNS, ("basis", "Got", "text"))
        document.table(shown, columns, f"Quantities at {site.site_id}")
        document.heading("How the middle of each came about, in metres and tonnes", 3)
        document.items(f"{title}: {way}." for title, way in zip(shown["title"], shown["formula"], strict=True))
    if site.questions:
        document.heading("When to call a qualified designer", 3)
        document.paragraph("If any one of these is so, have a qualified professional design the work:")
        document.items(told_in(f"{question} {_answer(reason)}", units) for question, reason in site.questions)


def _answer(reason: str | None) -> str:
    if reason is None:
        return "Maps do not tell: look on site."
    return f"Yes: {reason}." if reason else "No, as far as is known."


def _shown(items: pd.DataFrame, units: Literal["si", "us"]) -> pd.DataFrame:
    """Give items with titles and with quantities as people read them."""
    found = [item_of(key) for key in items["item"]]
    scales = [shown_unit(item.unit, units, item.key) for item in found]
    ends = {"least": "quantity_low", "about": "quantity_mid", "most": "quantity_high"}
    exact = items["quantity_low"] == items["quantity_high"]
    texts = {
        name: [
            rounded(value * factor, 3 if one else 2)
            for value, (factor, _), one in zip(items[column], scales, exact, strict=True)
        ]
        for name, column in ends.items()
    }
    return items.assign(title=[item.title for item in found], unit_shown=[unit for _, unit in scales], **texts)


def rounded(value: float, figures: int = 2) -> str:
    """Write a quantity as roughly as a concept knows it, with two figures [own]; small whole counts stay.

    >>> rounded(248.39), rounded(5.175), rounded(7.0), rounded(14.0), rounded(12345.0), rounded(0.0)
    ('250', '5.2', '7', '14', '12,000', '0')
    """
    if value == 0:
        return "0"
    if value == round(value) and value <= _COUNTED:
        return f"{value:.0f}"
    digits = figures - 1 - floor(log10(abs(value)))
    text = f"{round(value, digits):,.{max(digits, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _range_words(items: pd.DataFrame, item: str, units: Literal["si", "us"]) -> tuple[str, str]:
    row = items[items["item"] == item].iloc[0]
    factor, unit = shown_unit(str(row["unit"]), units)
    return rounded(row["quantity_low"] * factor), f"{rounded(row['quantity_high'] * factor)} {unit}"


def sketch(bank: Bank, units: Literal["si", "us"]) -> str:
    """Draw a bank before and after regrading, as SVG.

    Parameters
    ----------
    bank
        The bank.
    units
        Of the measures on it.
    """
    high, wide = max(bank.high_m, 0.1), max(bank.finished, bank.start) * bank.high_m
    scale = min(_HIGH - 110, (_WIDE - 330) * high / wide) / high
    foot = (170.0, _HIGH - 50)

    def at(x: float, y: float) -> svg.Place:
        return foot[0] + x * scale, foot[1] - y * scale

    now, new = bank.start * bank.mid_m, bank.finished * bank.mid_m
    right, ground = (_WIDE - foot[0]) / scale, bank.mid_m
    old_top, new_top = at(now, ground), at(new, ground)
    surface = foot[1] - 14
    bed = [(0.0, foot[1]), (0.0, foot[1] + 34), (_WIDE, foot[1] + 34)]
    marks = [
        svg.shape([(0.0, surface), (foot[0] + 14 * bank.finished, surface), at(0, 0), (0.0, foot[1])], "wk-water"),
        svg.shape([*bed, at(right, ground), new_top, at(0, 0)], "wk-earth"),
    ]
    if new > now:
        marks.append(svg.shape([at(0, 0), old_top, new_top], "wk-cut"))
    marks += [
        svg.path([at(0, 0), at(bank.finished * height, height), at(right, height)], "wk-range")
        for height in (bank.low_m, bank.high_m)
    ]
    marks += [
        svg.path([at(0, 0), old_top, new_top], "wk-now"),
        svg.path([at(-foot[0] / scale, 0), at(0, 0), new_top, at(right, ground)], "wk-new"),
    ]
    if bank.rock:
        x, y = foot
        marks.append(svg.shape([(x, y), (x - 30, y), (x - 8, y - 15), (x + 8, y - 4)], "wk-rock"))
    marks += _measures(bank, units, old_top, new_top, foot)
    return svg.page(_WIDE, _HIGH, _STYLE, "Cross-section of the bank before and after", marks)


def _measures(
    bank: Bank, units: Literal["si", "us"], old_top: svg.Place, new_top: svg.Place, foot: svg.Place
) -> list[str]:
    """Write height, run-out and slope beside the sketch."""
    factor, unit = shown_unit("m", units)
    back = f"{rounded(max(bank.finished - bank.start, 0) * bank.mid_m * factor)} {unit}"
    above = min(old_top[1], new_top[1]) - 26
    level = foot[0] - 46
    marks = [
        svg.line((level, foot[1]), (level, new_top[1]), "wk-size"),
        svg.line((level - 5, foot[1]), (level + 5, foot[1]), "wk-size"),
        svg.line((level - 5, new_top[1]), (level + 5, new_top[1]), "wk-size"),
        svg.words((level - 8, (foot[1] + new_top[1]) / 2), f"{rounded(bank.mid_m * factor)} {unit}", anchor="end"),
        svg.words((10, foot[1] - 18), "stream"),
        svg.words((new_top[0] + 16, foot[1] - 12), f"new face {bank.finished:g}:1"),
    ]
    if new_top[0] > old_top[0] + 1:
        marks += [
            svg.line((old_top[0], above), (new_top[0], above), "wk-size"),
            svg.line((old_top[0], above - 5), (old_top[0], above + 5), "wk-size"),
            svg.line((new_top[0], above - 5), (new_top[0], above + 5), "wk-size"),
            svg.words(((old_top[0] + new_top[0]) / 2, above - 8), f"top moves back about {back}", anchor="middle"),
        ]
    return marks
