"""Reads what each site would cost, from a table of the user's own or of concept sizing."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from gisprio.contracts.errors import InputError
from gisprio.inputs.csv_rows import read_lines
from gisprio.inputs.faults import Fault, raise_faults

LEVELS = ("cost_low", "cost_mid", "cost_high")
_YEARS = ("year", "price_year")
_LAST_YEAR = "price_year_last"
"""Only the table of concept sizing has it: there prices of several years stand side by side."""
_WANTED = "a head line with site_id, cost_low, cost_mid, cost_high, currency and year; one line a site."


@dataclass(frozen=True, slots=True)
class SiteCosts:
    """Costs of sites.

    Parameters
    ----------
    table
        ``site_id``, ``cost_low``, ``cost_mid``, ``cost_high``, ``at_least``: of sites that have a cost; whether
        something of it has no price.
    unpriced
        Sites that stand in the table without one.
    currency
        Of all costs.
    year, year_last
        Of the prices, the oldest and the newest.
    example
        What an example table says of itself; empty for a table of the user's own.
    start
        Cost of starting on a property, low, mid and high, where concept sizing tells it.
    """

    table: pd.DataFrame
    unpriced: tuple[str, ...]
    currency: str
    year: int
    year_last: int
    example: str = ""
    start: tuple[float, float, float] = (0.0, 0.0, 0.0)


def read_site_costs(path: Path) -> SiteCosts:
    """Read the table.

    Parameters
    ----------
    path
        A CSV in UTF-8, with commas or semicolons between its columns: the user's own, or that of ``gisprio works``. A
        line without any cost is of a site that cannot be priced.

    Raises
    ------
    InputError
        It cannot be read, lacks columns, holds no cost, or lines hold what is no cost, a site twice, or another
        currency or year than the first. All faults are told together.
    """
    heads, lines = read_lines(path, "The table of costs ")
    year = next((name for name in _YEARS if name in heads), None)
    lacking = [name for name in ("site_id", *LEVELS, "currency") if name not in heads]
    lacking += [] if year else ["year"]
    if lacking:
        raise InputError(
            f"{path} has no column {', '.join(lacking)}.", wanted=_WANTED, do="name its columns so, or add them."
        )
    faults: list[Fault] = []
    rows: dict[str, list[object]] = {}
    unpriced: list[str] = []
    years: set[int] = set()
    first: dict[str, str] = {}
    for number, cells in lines:
        wrong = list(_faults(number, cells, str(year), {*rows, *unpriced}, first))
        faults += wrong
        if wrong:
            continue
        if any(cells[name] for name in LEVELS):
            rows[cells["site_id"]] = [*(float(cells[name]) for name in LEVELS), cells.get("at_least") == "true"]
            years |= {int(cells[str(year)]), int(cells.get(_LAST_YEAR) or cells[str(year)])}
            first.setdefault("example", cells.get("example", ""))
        else:
            unpriced.append(cells["site_id"])
    raise_faults(InputError, faults, f"faults in the table of costs {path}")
    if not rows:
        raise InputError(f"{path} holds no cost of any site.", wanted=_WANTED, do="fill in what the sites would cost.")
    table = pd.DataFrame([[site, *costs] for site, costs in rows.items()], columns=["site_id", *LEVELS, "at_least"])
    return SiteCosts(table, tuple(unpriced), first["currency"], min(years), max(years), first["example"])


def read_property_start(path: Path) -> tuple[float, float, float]:
    """Read what starting on a property costs from the table of properties of ``gisprio works``.

    Parameters
    ----------
    path
        The table.

    Returns
    -------
    tuple
        Low, mid, high: the same for each property; zeros where the table tells none.

    Raises
    ------
    InputError
        It cannot be read.
    """
    heads, lines = read_lines(path, "The table of costs ")
    names = ("start_low", "start_mid", "start_high")
    for _, cells in lines:
        costs = [_number(cells.get(name, "")) for name in names if name in heads]
        if len(costs) == len(names) and not any(math.isnan(cost) for cost in costs):
            return costs[0], costs[1], costs[2]
    return 0.0, 0.0, 0.0


def _faults(number: int, cells: dict[str, str], year: str, known: set[str], first: dict[str, str]) -> Iterator[Fault]:
    """Tell the faults of a line; ``first`` keeps currency and year of the first line."""
    if not cells["site_id"]:
        yield Fault(f"Line {number}: site_id is empty.", "the id of a site.", "fill it in, or take the line out.")
    elif cells["site_id"] in known:
        yield Fault(f"Line {number}: site {cells['site_id']} stands there twice.", "one line a site.", "keep one.")
    given = [cells[name] for name in LEVELS if cells[name]]
    costs = [_number(text) for text in given]
    if any(math.isnan(cost) or cost < 0 for cost in costs) or len(given) not in (0, len(LEVELS)):
        told = ", ".join(f"{name} {cells[name] or 'nothing'}" for name in LEVELS)
        yield Fault(
            f"Line {number}: {told}.",
            "three plain numbers of 0 or more, as in 1250.50; or none, where a site cannot be priced.",
            "mend them; thousands are not parted.",
        )
    elif costs != sorted(costs):
        yield Fault(
            f"Line {number}: the costs {', '.join(given)} do not rise.", "low, mid and high in order.", "mend them."
        )
    if not given and _LAST_YEAR in cells:
        return  # of a site that could not be priced, concept sizing tells no more
    if not re.fullmatch(r"[12][0-9]{3}", cells[year]):
        yield Fault(f"Line {number}: {year} is {cells[year] or 'empty'}.", "the year of the prices, as in 2026.",
                    "fill it in.")  # fmt: skip
    elif cells[year] != first.setdefault("year", cells[year]) and _LAST_YEAR not in cells:
        yield Fault(
            f"Line {number}: prices of {cells[year]} among those of {first['year']}.",
            "prices of one year.",
            "bring them to one year.",
        )
    if not cells["currency"]:
        yield Fault(f"Line {number}: currency is empty.", "a currency, as in EUR.", "fill it in.")
    elif cells["currency"] != first.setdefault("currency", cells["currency"]):
        yield Fault(
            f"Line {number}: {cells['currency']} among costs in {first['currency']}.",
            "costs in one currency.",
            "change them into one.",
        )


def _number(text: str) -> float:
    """Give a plain number; NaN of anything else."""
    return float(text) if re.fullmatch(r"-?[0-9]+(\.[0-9]*)?", text) else math.nan
