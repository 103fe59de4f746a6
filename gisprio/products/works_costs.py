"""Costs of works for people: tables, a part of the page, a few lines; every amount is a range."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pandas as pd

from gisprio.contracts.costs import (
    PRICE_COLUMNS,
    PRICEABLE,
    START_UNITS,
    STARTS,
    WorksCosts,
    range_text,
    two_digits_range,
    years_text,
)
from gisprio.contracts.findings import listed
from gisprio.contracts.labour import SOURCE
from gisprio.contracts.references import references
from gisprio.contracts.works import ITEMS
from gisprio.products.document import Column, Document
from gisprio.products.tables import write_table

LINES = "works_costs.csv"
SITES = "works_site_costs.csv"
PROPERTIES = "works_property_costs.csv"
COST_FILES = (LINES, SITES, PROPERTIES)
HOURS = "works_hours.csv"
MOST_ROWS = 50
"""Sites and properties on the page; the tables hold all [own]."""
NO_TABLE = (
    "No costs: gisprio knows no price. Give a table of your own with --costs TABLE, or as [sizing.costs] table: a CSV "
    f"with the columns {', '.join(PRICE_COLUMNS)}."
)
_TITLES = {item.key: item.title for item in ITEMS} | {
    "works_length": "Bank works as a whole, by length",
    "toe_length": "Rock toe as a whole, by length",
    "planting_area": "Planting as a whole, by area",
    **STARTS,
}
"""Names of lines: a length or an area with a price stands for whole works."""
_ADDED = {
    "concept": "Concept range",
    "contingency": "Contingency",
    "design": "Design and permits",
    "total": "All sites",
}
_ENDS = ("cost_low", "cost_high")


def cost_tables(costs: WorksCosts) -> dict[str, pd.DataFrame]:
    """Give the tables by file name, amounts in whole units of the currency."""
    tables = {LINES: costs.lines, SITES: costs.sites, PROPERTIES: costs.properties}
    amounts = [f"{what}_{end}" for what in ("cost", "start") for end in ("low", "mid", "high")]
    return {name: table.round(dict.fromkeys(amounts, 0)) for name, table in tables.items()}


def write_cost_table(path: Path, costs: WorksCosts, name: str) -> None:
    """Write one of the tables."""
    write_table(path, cost_tables(costs)[name])


def told_costs(costs: WorksCosts | None) -> list[str]:
    """Say the costs in a few lines, for the terminal."""
    if costs is None:
        return [NO_TABLE]
    priced = costs.sites[costs.sites["cost_low"].notna()]
    if priced.empty:
        return [*_example(costs), f"No site has a cost: {costs.table.name} prices none of the items that were sized."]
    return [
        *_example(costs),
        f"{len(priced)} of {len(costs.sites)} sites cost {_whole(costs)}, {_years(costs)}, "
        f"with {'start-up, ' if set(STARTS) & set(costs.table.prices) else ''}contingency, design and permits.",
        *_missing(costs),
    ]


def add_costs(page: Document, costs: WorksCosts | None) -> None:
    """Write the costs into a page.

    Parameters
    ----------
    page
        Stands where the costs belong.
    costs
        None where nobody gave a table of prices: the page says how to give one.
    """
    page.heading("Costs", place="costs")
    if costs is None:
        page.paragraph(NO_TABLE)
        return
    said = told_costs(costs)
    for text in _example(costs):
        page.paragraph(text, "warning")
    page.paragraph(" ".join(said[len(_example(costs)) :]), "answer")
    page.items(_meaning(costs))
    if costs.sites["cost_low"].isna().all():
        return
    _add_lines(page, costs)
    _add_properties(page, costs)
    _add_sites(page, costs)
    _add_prices(page, costs)


def add_hours(page: Document, hours: pd.DataFrame) -> None:
    """Write the hours of volunteers into a page; nothing where there is no handwork.

    Parameters
    ----------
    page
        Stands where they belong.
    hours
        Layer ``work_hours``.
    """
    if hours.empty:
        return
    sums = hours.groupby("task", sort=False).agg(
        sites=("site_id", "nunique"), low=("hours_low", "sum"), high=("hours_high", "sum"), rate=("rate", "first")
    )
    rows = sums.reset_index()
    rows["hours"] = [two_digits_range(low, high) for low, high in zip(rows["low"], rows["high"], strict=True)]
    columns: list[Column] = [
        ("task", "Work by hand", "text"),
        ("sites", "Sites", 0),
        ("hours", "Hours of one person", "text"),
        ("rate", "Rate", "text"),
    ]
    whole = two_digits_range(float(rows["low"].sum()), float(rows["high"].sum()))
    source = references()[SOURCE]
    page.heading("Hours of volunteers", place="hours")
    page.paragraph(f"Work by hand on all sites takes {whole} hours of one person.", "answer")
    page.table(rows, columns, f"Hours by task; {HOURS} has each site")
    page.paragraph(
        f"Rates of {source.short}, unverified: {source.seen}. Ways, breaks, training, watering and machine work are "
        "not in it; earth, mat, rock and fences have no rate here.",
        "quiet",
    )


def _example(costs: WorksCosts) -> list[str]:
    return [f"{costs.table.example} ({costs.table.name})"] if costs.table.example else []


def _years(costs: WorksCosts) -> str:
    priced = [table[table["cost_low"].notna()] for table in (costs.sites, costs.properties)]
    return years_text(
        int(min(table["price_year"].min() for table in priced if len(table))),
        int(max(table["price_year_last"].max() for table in priced if len(table))),
    )


def _whole(costs: WorksCosts) -> str:
    """Say what all sites cost, start-up once on each property."""
    starts = costs.properties[["start_low", "start_high"]].sum().tolist()
    low, high = (sum_ + start for sum_, start in zip(costs.sites[[*_ENDS]].sum().tolist(), starts, strict=True))
    return _range(costs, low, high, at_least=_something_missing(costs))


def _something_missing(costs: WorksCosts) -> bool:
    """Tell whether a site that has a cost lacks some of it; sites without one are counted in words."""
    return bool(costs.sites.loc[costs.sites["cost_low"].notna(), "at_least"].any())


def _range(costs: WorksCosts, low: float, high: float, *, at_least: bool = False) -> str:
    return range_text(low, high, costs.table.currency, at_least=at_least)


def _missing(costs: WorksCosts) -> Iterator[str]:
    """Say what the amounts do not hold."""
    bare = costs.lines[(costs.lines["kind"] == "item") & costs.lines["cost_low"].isna()]
    if len(bare):
        titles = [_TITLES[line].lower() for line in bare["line"].unique()]
        yield f"Not priced, so that costs are at least that: {listed(titles, 20)}."
    sites = costs.sites
    half = int((sites["cost_low"].notna() & sites["at_least"] & sites["not_priced"].isna()).sum())
    if half:
        yield f"Not all works are sized on {half} of the sites that have a cost: they cost at least that."
    none = int(sites["cost_low"].isna().sum())
    if none:
        yield f"{none} {'site has' if none == 1 else 'sites have'} no cost; {SITES} says why."


def _meaning(costs: WorksCosts) -> Iterator[str]:
    """Say how amounts came about, where they come from, and what they are not."""
    table = costs.table
    first, last = table.years()
    yield (
        f"Given: the prices of {table.name}, {table.currency}, {years_text(first, last)}. Modelled: the quantities. "
        "Assumed: the shares below."
    )
    if table.index:
        told = ", ".join(f"{year}: {value:g}" for year, value in sorted(table.index.items()))
        yield f"Prices are multiplied by the table's index of the year told over that of their own year ({told})."
    elif first != last:
        yield "Prices of several years stay as they are: rows price_index in the table would bring them to one year."
    yield "A line is its lowest quantity at the lowest price to its highest quantity at the highest price."
    yield "Sums take all lines as off the same way. Amounts have two digits, the low end down and the high end up."
    for kind in ("concept", "contingency", "design"):
        yield f"{_ADDED[kind]}: {costs.added[kind]}."
    if costs.start[2] > 0:
        start = _range(costs, costs.start[0], costs.start[2])
        yield f"Start-up on a property counts once for all its sites: {start} with what is added."
    water = costs.lines[costs.lines["line"] == "off_stream_water"]
    if water["cost_high"].notna().sum() > 1:
        yield (
            "Water off the stream is in the middle and the high end of each site; where one place serves a property, "
            "sums of its sites hold it too often."
        )
    yield "This is a concept for choosing and asking, no offer and no estimate of a designer."


def _add_lines(page: Document, costs: WorksCosts) -> None:
    """Write what the works of all sites cost by item, and what is added."""
    sums = costs.lines.groupby("line", sort=False).agg(
        kind=("kind", "first"),
        cost_low=("cost_low", partial(pd.Series.sum, min_count=1)),
        cost_high=("cost_high", partial(pd.Series.sum, min_count=1)),
        first=("price_year", "min"),
        last=("price_year_last", "max"),
        sites=("site_id", "nunique"),
    )
    order = [*_TITLES, "concept_range", "contingency", "design_and_permits", "total"]
    sums = sums.reindex([line for line in order if line in sums.index]).reset_index()
    rows = pd.DataFrame(
        {
            "line": [_TITLES.get(line) or _ADDED[kind] for line, kind in zip(sums["line"], sums["kind"], strict=True)],
            "sites": sums["sites"],
            "cost": _costs(costs, sums),
            "years": [
                _year_cell(a, b) if a == a else None
                for a, b in zip(sums["first"].astype(float), sums["last"].astype(float), strict=True)
            ],
        }
    )
    columns: list[Column] = [
        ("line", "Line", "text"),
        ("sites", "Sites", 0),
        ("cost", "Cost", "text"),
        ("years", "Prices of", "text"),
    ]
    page.table(rows, columns, "What the works of all sites cost, without the start-up of properties")


def _costs(costs: WorksCosts, frame: pd.DataFrame) -> list[str]:
    at_least = frame["at_least"] if "at_least" in frame else [False] * len(frame)
    return [
        _range(costs, low, high, at_least=least) if low == low else "not priced"
        for low, high, least in zip(frame["cost_low"], frame["cost_high"], at_least, strict=True)
    ]


def _add_properties(page: Document, costs: WorksCosts) -> None:
    found = costs.properties[costs.properties["cost_low"].notna()].head(MOST_ROWS)
    if found.empty:
        return
    rows = pd.DataFrame(
        {
            "property": found["property_id"],
            "sites": [f"{a} of {b}" for a, b in zip(found["priced_count"], found["site_count"], strict=True)],
            "cost": _costs(costs, found),
            "years": _year_cells(found),
        }
    )
    columns = [
        ("property", "Property", "text"),
        ("sites", "Sites with a cost", "text"),
        ("cost", "Cost", "text"),
        ("years", "Prices of", "text"),
    ]
    page.heading("By property", 3)
    page.table(rows, columns, _caption("Properties with a cost, start-up once each", costs.properties, PROPERTIES))


def _add_sites(page: Document, costs: WorksCosts) -> None:
    found = costs.sites[costs.sites["cost_low"].notna()].head(MOST_ROWS)
    rows = pd.DataFrame(
        {
            "site": found["site_id"],
            "cost": _costs(costs, found),
            "years": _year_cells(found),
            "bare": [
                ", ".join(_TITLES[key].lower() for key in keys.split(", ")) if isinstance(keys, str) else None
                for keys in found["not_priced"]
            ],
        }
    )
    columns = [
        ("site", "Site", "text"),
        ("cost", "Cost", "text"),
        ("years", "Prices of", "text"),
        ("bare", "Not priced", "text"),
    ]
    page.heading("By site", 3)
    page.table(rows, columns, _caption("Sites with a cost, without the start-up of their property", costs.sites, SITES))


def _add_prices(page: Document, costs: WorksCosts) -> None:
    """Write the prices as they were taken, for one unit, and where they come from."""
    table = costs.table
    prices = [(key, table.prices[key]) for key in _TITLES if key in table.prices]
    rows = pd.DataFrame(
        {
            "what": [_TITLES[key] for key, _ in prices],
            "price": [f"{table.currency} {_price(price.low)} to {_price(price.high)}" for _, price in prices],
            "unit": [PRICEABLE.get(key) or START_UNITS[key] for key, _ in prices],
            "year": [str(price.year) for _, price in prices],
            "note": [price.note for _, price in prices],
        }
    )
    columns: list[Column] = [
        ("what", "For", "text"),
        ("price", "Price", "text"),
        ("unit", "Unit", "text"),
        ("year", "Prices of", "text"),
        ("note", "Where it comes from", "text"),
    ]
    page.heading("Prices", 3)
    page.table(rows, columns, f"Prices as {table.name} gives them, brought to the units of the items")


def _price(value: float) -> str:
    """Write a price with two decimals, a small one with three digits."""
    return f"{value:,.2f}" if value >= 0.1 or value == 0 else f"{value:.3g}"


def _year_cells(found: pd.DataFrame) -> list[str]:
    return [_year_cell(first, last) for first, last in zip(found["price_year"], found["price_year_last"], strict=True)]


def _year_cell(first: float, last: float) -> str:
    return f"{first:.0f}" if first == last else f"{first:.0f} to {last:.0f}"


def _caption(text: str, table: pd.DataFrame, name: str) -> str:
    count = int(table["cost_low"].notna().sum())
    return text if count <= MOST_ROWS else f"{text}: the first {MOST_ROWS} of {count}; {name} has all"
