"""What a table of prices is, and how a cost is said: always as a range, with its currency and its year.

gisprio knows no price. What things cost stands in a table of the user's own; tables in ``configs/costs`` are examples.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.works import ITEMS

PRICE_COLUMNS: Mapping[str, str] = {
    "item": "what is priced",
    "unit": "what the price is for",
    "low": "price at least",
    "high": "price at most",
    "currency": "three letters, such as USD",
    "year": "year of the prices",
    "note": "where the price comes from",
}
"""Columns of the table and what stands in them; all but ``note`` must be there, others are the user's own."""

STARTS: Mapping[str, str] = {
    "start_site": "Start-up of a site: machines and people brought there",
    "start_property": "Start-up on a property, once for all its sites",
}
"""Rows for what is paid once, in place of an item, and what they are for."""
START_UNITS: Mapping[str, str] = {"start_site": "site", "start_property": "property"}
INDEX = "price_index"
"""Row that holds a price index in place of a price: one a year, low and high alike, without a currency."""

WHOLES: Mapping[str, tuple[str, ...]] = {
    "works_length": (
        *("earth_cut", "spoil", "face", "lift", "lift_length", "mat", "mat_roll", "wood_stake"),
        *("toe_length", "toe_rock", "key", "key_rock", "live_stake", "seed"),
    ),
    "toe_length": ("toe_rock",),
    "planting_area": ("tree", "shrub", "guard"),
}
"""Lengths and areas by which whole works may be priced, and the items that are then part of them."""
ONE_OF = (("mat", "mat_roll"), ("lift", "lift_length"))
"""Items that count one thing in two ways: one of them is priced."""
_NO_PRICE = ("run_out", "cut_section")
PRICEABLE: Mapping[str, str] = {item.key: item.unit for item in ITEMS if item.key not in _NO_PRICE}
"""Items that a table may price, and the unit of each."""
NEEDS_PRICE = tuple(item.key for item in ITEMS if item.priced)
"""Items that are told as not priced where neither they nor what they are part of has a price."""

COST_KINDS = ("item", "start", "concept", "contingency", "design", "total")
"""What a line of costs is: an item, start-up, the width that concept sizing asks for, what is added, the sum."""

UNITS: Mapping[str, tuple[str, float]] = {
    "m": ("length", 1.0),
    "km": ("length", 1000.0),
    "ft": ("length", FOOT_M.value),
    "yd": ("length", 3 * FOOT_M.value),
    "m2": ("area", 1.0),
    "ha": ("area", 10_000.0),
    "ft2": ("area", FOOT_M.value**2),
    "yd2": ("area", (3 * FOOT_M.value) ** 2),
    "acre": ("area", 43_560 * FOOT_M.value**2),
    "m3": ("volume", 1.0),
    "ft3": ("volume", FOOT_M.value**3),
    "yd3": ("volume", (3 * FOOT_M.value) ** 3),
    "kg": ("mass", 1.0),
    "lb": ("mass", 0.45359237),
    "t": ("mass", 1000.0),
    "US ton": ("mass", 2000 * 0.45359237),
}
"""Units of prices: what they measure, and how many m, m2, m3 or kg are in one, by definition."""
SAME_UNIT: Mapping[str, str] = {
    **dict.fromkeys(("metre", "meter", "lm", "running metre", "running meter"), "m"),
    **dict.fromkeys(("foot", "feet", "lf", "lin ft", "linear foot"), "ft"),
    **dict.fromkeys(("yard",), "yd"),
    **dict.fromkeys(("m²", "sq m", "sqm", "square metre", "square meter"), "m2"),
    **dict.fromkeys(("hectare",), "ha"),
    **dict.fromkeys(("ft²", "sq ft", "sqft", "sf", "square foot", "square feet"), "ft2"),
    **dict.fromkeys(("yd²", "sq yd", "sy", "square yard"), "yd2"),
    **dict.fromkeys(("ac",), "acre"),
    **dict.fromkeys(("m³", "cu m", "cubic metre", "cubic meter"), "m3"),
    **dict.fromkeys(("ft³", "cu ft", "cf", "cubic foot", "cubic feet"), "ft3"),
    **dict.fromkeys(("yd³", "cu yd", "cy", "cubic yard"), "yd3"),
    **dict.fromkeys(("tonne", "metric ton"), "t"),
    **dict.fromkeys(("us ton", "short ton"), "US ton"),
    **dict.fromkeys(("pound", "lbs"), "lb"),
    "kilogram": "kg",
}
"""Other ways to write them."""


@dataclass(frozen=True, slots=True)
class Price:
    """A price, for one unit of its item.

    Parameters
    ----------
    low, high
        At least and at most, in the currency of the table, for one of the item's own unit.
    year
        Year of the price.
    note
        Where it comes from, as the table says.
    """

    low: float
    high: float
    year: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class CostTable:
    """A table of prices as read.

    Parameters
    ----------
    name
        Of the file.
    currency
        Three letters.
    prices
        By key of the item, or of :data:`STARTS`.
    index
        Price index by year; empty where the table gives none.
    example
        What the table says of itself when it is an example; else empty.
    """

    name: str
    currency: str
    prices: Mapping[str, Price]
    index: Mapping[int, float] = field(default_factory=dict)
    example: str = ""

    def years(self) -> tuple[int, int]:
        """Give the years of the oldest price and of the newest."""
        years = [price.year for price in self.prices.values()]
        return min(years), max(years)


def unit_size(text: str) -> tuple[str, float] | None:
    """Give what a unit measures and how much of it is in one; None for a word that is no measure.

    Parameters
    ----------
    text
        As somebody wrote it: ``per ft``, ``/ 100 m``, ``acres``. A whole number in front counts.

    Examples
    --------
    >>> unit_size("per 100 m"), unit_size("places")
    (('length', 100.0), None)
    """
    count, word = counted_unit(text)
    name = SAME_UNIT.get(word, SAME_UNIT.get(word.removesuffix("s"), word))
    what, size = UNITS.get(name, UNITS.get(name.removesuffix("s"), ("", 0.0)))
    return (what, count * size) if what else None


def counted_unit(text: str) -> tuple[int, str]:
    """Part a unit into the number in front of it, 1 where there is none, and the word in small letters.

    Examples
    --------
    >>> counted_unit("per 100 plants"), counted_unit("US ton")
    ((100, 'plants'), (1, 'us ton'))
    """
    plain = " ".join(re.sub(r"^(per\b|/)", "", text.strip().lower()).split())
    number = re.match(r"([1-9][0-9]{0,5}) ?(?=[a-z])", plain)
    return (int(number[1]), plain[number.end() :]) if number else (1, plain)


def range_text(low: float, high: float, currency: str, *, at_least: bool = False) -> str:
    """Say a range of money, never one number: to two digits, the low end down and the high end up.

    Parameters
    ----------
    low, high
        Ends of the range.
    currency
        Three letters.
    at_least
        Something in it has no price.

    Examples
    --------
    >>> range_text(5577, 21982, "USD")
    'USD 5,500 to 22,000'
    >>> range_text(7054, 7054, "USD", at_least=True)
    'at least USD 7,000 to 7,100'
    """
    said = f"{currency} {two_digits_range(low, high)}"
    return f"at least {said}" if at_least else said


def two_digits_range(low: float, high: float) -> str:
    """Say a range to two digits, the low end down and the high end up.

    Examples
    --------
    >>> two_digits_range(1.84, 22.2)
    '1.8 to 23'
    """
    return f"{_two_digits(low, up=False)} to {_two_digits(high, up=True)}"


def _two_digits(value: float, *, up: bool) -> str:
    """Round to two significant digits up or down; what lies off by the ninth digit only is there already."""
    if value == 0:
        return "0"
    power = math.floor(math.log10(abs(value))) - 1
    steps = round(value / 10.0**power, 7)
    whole = math.ceil(steps) if up else math.floor(steps)
    return f"{whole * 10.0**power:,.{max(0, -power)}f}"


def years_text(first: int, last: int) -> str:
    """Say the years of prices.

    Examples
    --------
    >>> years_text(1999, 2005), years_text(2025, 2025)
    ('prices of 1999 to 2005', 'prices of 2025')
    """
    return f"prices of {first}" if first == last else f"prices of {first} to {last}"


@dataclass(frozen=True, slots=True)
class WorksCosts:
    """What works cost: the table of prices and what was made of it.

    Parameters
    ----------
    table
        The prices.
    lines, sites, properties
        Layers ``work_costs``, ``site_costs`` and ``property_costs``.
    start
        Start-up of one property with all that is added: low, mid, high.
    added
        What the lines that are not items add, in words, by kind.
    """

    table: CostTable
    lines: pd.DataFrame
    sites: pd.DataFrame
    properties: pd.DataFrame
    start: tuple[float, float, float]
    added: Mapping[str, str]
