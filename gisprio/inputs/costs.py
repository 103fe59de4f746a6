"""Reads the user's table of prices: every fault of it at once, with its line."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from gisprio.contracts.costs import (
    INDEX,
    ONE_OF,
    PRICE_COLUMNS,
    PRICEABLE,
    START_UNITS,
    STARTS,
    WHOLES,
    CostTable,
    Price,
    counted_unit,
    unit_size,
)
from gisprio.contracts.errors import InputError
from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.inputs.csv_rows import read_text, unparted
from gisprio.inputs.faults import Fault, nearest, quoted, raise_faults

REQUIRED = tuple(name for name in PRICE_COLUMNS if name != "note")
_HEAD = ",".join(PRICE_COLUMNS)
_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{1,9})?")
_COMMA_NUMBER = re.compile(r"[0-9]{1,9},[0-9]{1,9}")
_YEARS = (1950, 2100)
"""Prices are of a year between these: others are typing errors [own]."""
_BOTH = "each thing priced once."


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The lines of a file: its name, what separates cells, what it says in its comments, and rows with their lines."""

    name: str
    separator: str
    header: Mapping[str, str]
    rows: list[tuple[int, list[str]]]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row without faults: its line, what it prices, the price, and its currency, none for an index."""

    line: int
    item: str
    price: Price
    currency: str


def table_names() -> list[str]:
    """Give the names of the example tables that come with gisprio."""
    return [PurePosixPath(name).stem for name in shipped_names("costs")]


def read_costs(name: str | Path, folder: Path) -> CostTable:
    """Read a table of prices.

    Parameters
    ----------
    name
        Path of a CSV in UTF-8 with the columns of ``PRICE_COLUMNS``, cells parted by commas, semicolons or tabs; or the
        name of an example that comes with gisprio. Lines that begin with ``#`` are comments; ``# example = ...`` says
        that it is an example.
    folder
        Folder that a relative path starts at.

    Raises
    ------
    InputError
        It cannot be read, or every fault of its rows in one message.
    """
    sheet = _sheet(_find(str(name), folder))
    if not sheet.rows:
        raise InputError(f"{sheet.name} is empty.", wanted=f"{_HEAD} and a row a price.", do="fill it in.")
    (first, heads), *lines = sheet.rows
    heads = [head.lower() for head in heads]
    _refuse_heads(f"{sheet.name}, line {first}", heads)
    faults: list[Fault] = []
    rows: list[_Row] = []
    for number, cells in lines:
        read = _row(f"{sheet.name}, line {number}", number, heads, cells, sheet.separator)
        if isinstance(read, _Row):
            rows.append(read)
        else:
            faults += read
    prices = [row for row in rows if row.item != INDEX]
    if not prices and not faults:
        faults.append(Fault(f"{sheet.name} has no prices.", "a row a price below the column names.", "fill it in."))
    faults += _faults_between(sheet.name, rows)
    raise_faults(InputError, faults, f"faults in the table of prices {sheet.name}")
    return CostTable(
        name=sheet.name,
        currency=prices[0].currency,
        prices={row.item: row.price for row in prices},
        index={row.price.year: row.price.low for row in rows if row.item == INDEX},
        example=sheet.header.get("example", ""),
    )


def _find(name: str, folder: Path) -> Path:
    if name in table_names():
        return shipped(f"costs/{name}.csv")
    path = Path(name).expanduser()
    path = path if path.is_absolute() else folder / path
    if path.is_file():
        return path
    raise InputError(
        f"there is no table of prices {path}.",
        wanted=f"a CSV of your own: {_HEAD}. To look at the form: {', '.join(table_names())}.",
        do="check the path.",
    )


def _sheet(path: Path) -> _Sheet:
    """Read the cells; blank lines and comments are no rows."""
    text = read_text(path, "The table of prices ")
    head = next((line for line in text.splitlines() if _is_row(line)), "")
    separator = max(",;\t", key=head.count)
    header: dict[str, str] = {}
    rows: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text), delimiter=separator)
    try:
        for cells in reader:
            if cells and cells[0].lstrip().startswith("#"):
                key, _, value = separator.join(cells).strip(f"# \t{separator}").partition("=")
                header[key.strip().lower()] = value.strip()
            elif any(cell.strip() for cell in cells):
                rows.append((reader.line_num, [cell.strip() for cell in cells]))
    except csv.Error as error:
        raise unparted(path.name, reader.line_num, error) from error
    return _Sheet(path.name, separator, header, rows)


def _is_row(line: str) -> bool:
    return bool(line.strip(" ,;\t")) and not line.lstrip(' "').startswith("#")


def _refuse_heads(where: str, heads: list[str]) -> None:
    missing = [name for name in REQUIRED if name not in heads]
    twice = sorted({name for name in PRICE_COLUMNS if heads.count(name) > 1})
    if not missing and not twice:
        return
    says = f"there is no column {', '.join(missing)}" if missing else f"column {', '.join(twice)} is there twice"
    raise InputError(
        f"{where}: {says}.",
        wanted=f"the columns {_HEAD}; it has {', '.join(heads)}.",
        do="name the columns in the first line that is no comment.",
    )


def _row(where: str, line: int, heads: list[str], cells: list[str], separator: str) -> _Row | list[Fault]:
    """Read a row, or give its faults."""
    if any(cells[len(heads) :]):
        return [
            Fault(
                f"{where} has {len(cells)} cells, the first line {len(heads)}.",
                "a cell a column.",
                "put text and numbers that have a comma in them between quotation marks.",
            )
        ]
    values = dict.fromkeys(heads, "") | dict(zip(heads, cells, strict=False))
    item = values["item"].lower()
    known = (*PRICEABLE, *STARTS, INDEX)
    if item not in known:
        return [_unknown(where, values["item"], known)]
    low, high = (_number(values[end], separator) for end in ("low", "high"))
    year, times = _year(values["year"]), 1.0 if item == INDEX else _times(item, values["unit"])
    faults = [
        *(_price_fault(where, end, values[end], given) for end, given in (("low", low), ("high", high))),
        _year_fault(where, values["year"], year),
        None if times else _unit_fault(where, item, values["unit"]),
        _index_fault(where, low, high) if item == INDEX else _currency_fault(where, values["currency"]),
    ]
    if isinstance(low, float) and isinstance(high, float) and low > high and item != INDEX:
        faults.append(
            Fault(f"{where}: low {low:g} is more than high {high:g}.", "low at most as high.", "swap or correct them.")
        )
    found = [fault for fault in faults if fault is not None]
    if found:
        return found
    assert isinstance(low, float)
    assert isinstance(high, float)
    assert year is not None
    assert times is not None
    price = Price(low * times, high * times, year, values.get("note", ""))
    return _Row(line, item, price, "" if item == INDEX else values["currency"].upper())


def _unknown(where: str, item: str, known: tuple[str, ...]) -> Fault:
    like = nearest(item, known)
    return Fault(
        f"{where}: item {quoted(item)} is not known." if item else f"{where}: item is empty.",
        f"one of {', '.join(known)}.",
        f"write {like} if that is what you meant." if like else "write one of these, or take the line out.",
    )


def _number(text: str, separator: str) -> float | str:
    """Give a number, or what is wrong with it in words."""
    if not text:
        return "is empty"
    if _NUMBER.fullmatch(text):
        return float(text)
    if _COMMA_NUMBER.fullmatch(text):
        if separator != "," and len(text.partition(",")[2]) != 3:
            return float(text.replace(",", "."))
        return f"{quoted(text)} may be a decimal comma or thousands"
    return f"{quoted(text)} is not right"


def _price_fault(where: str, end: str, text: str, given: float | str) -> Fault | None:
    if isinstance(given, float):
        return None
    return Fault(
        f"{where}: {end} {given}.",
        "a number from 0, such as 1500 or 2.80, without sign, currency or thousands.",
        "fill in both low and high; where you know one price only, say how far it may be off."
        if not text
        else "correct it.",
    )


def _year(text: str) -> int | None:
    year = int(text) if re.fullmatch("[0-9]{4}", text) else 0
    return year if _YEARS[0] <= year <= _YEARS[1] else None


def _year_fault(where: str, text: str, year: int | None) -> Fault | None:
    if year:
        return None
    return Fault(
        f"{where}: year {quoted(text)} is no year." if text else f"{where}: year is empty.",
        f"the year of the price, {_YEARS[0]} to {_YEARS[1]}.",
        "write the year; a price without one is not used.",
    )


def _currency_fault(where: str, text: str) -> Fault | None:
    if re.fullmatch("[A-Za-z]{3}", text):
        return None
    return Fault(
        f"{where}: currency {quoted(text)} is not three letters." if text else f"{where}: currency is empty.",
        "three letters, such as USD, CAD or EUR.",
        "write them; a price without a currency is not used.",
    )


def _index_fault(where: str, low: float | str, high: float | str) -> Fault | None:
    if not isinstance(low, float) or not isinstance(high, float) or (low == high and low > 0):
        return None
    return Fault(
        f"{where}: a price index is one number above 0, not {low:g} to {high:g}.",
        "the same number in low and high.",
        "correct it.",
    )


def _times(item: str, text: str) -> float | None:
    """Give what a price for the unit given is to be multiplied by; None where the unit does not fit.

    Notes
    -----
    Price per item's unit = price per given unit x size of the item's unit / size of the given one.
    """
    unit = PRICEABLE.get(item) or START_UNITS[item]
    own, given = unit_size(unit), unit_size(text)
    if own and given:
        return own[1] / given[1] if own[0] == given[0] else None
    count, word = counted_unit(text)
    return 1 / count if own is None and word in (unit, unit.removesuffix("s"), "each") else None


def _unit_fault(where: str, item: str, text: str) -> Fault:
    unit = PRICEABLE.get(item) or START_UNITS[item]
    return Fault(
        f"{where}: unit {quoted(text)} is none of {item}." if text else f"{where}: unit is empty.",
        f"{unit}, {_also(unit)}.",
        "write t or US ton: ton may be either."
        if "ton" in text.lower() and unit == "t"
        else "give the price for that.",
    )


def _also(unit: str) -> str:
    also = {
        "m": "or ft, yd, km",
        "m2": "or ha, acre, ft2, yd2",
        "m3": "or yd3, ft3",
        "t": "or US ton, kg, lb",
        "kg": "or lb, t, US ton",
    }
    return also.get(unit, "or each") + f"; or a number of them, as 100 {unit}"


def _faults_between(name: str, rows: list[_Row]) -> Iterator[Fault]:
    """Give what is wrong between rows: priced twice, parts beside their whole, several currencies."""
    first: dict[tuple[str, int], int] = {}
    for row in rows:
        key = (row.item, row.price.year if row.item == INDEX else 0)
        if key in first:
            what = f"{row.item} of {row.price.year}" if row.item == INDEX else row.item
            says = f"{name}, line {row.line}: {what} was given before, in line {first[key]}."
            yield Fault(says, _BOTH, "take one of the two lines out.")
        first.setdefault(key, row.line)
    lines = {item: line for (item, _), line in first.items()}
    for whole, parts in WHOLES.items():
        inside = [part for part in parts if part in lines]
        if whole in lines and inside:
            says = (
                f"{name}, line {lines[whole]}: {whole} stands for whole works, and {', '.join(inside)} is part of them."
            )
            yield Fault(says, _BOTH, f"take out {whole}, or its parts.")
    for one, other in ONE_OF:
        if one in lines and other in lines:
            says = f"{name}, line {lines[other]}: {other} and {one} (line {lines[one]}) count the same thing."
            yield Fault(says, _BOTH, "take one of the two lines out.")
    known = {year for item, year in first if item == INDEX}
    for row in rows:
        if known and row.item != INDEX and row.price.year not in known:
            says = f"{name}, line {row.line}: the price is of {row.price.year}, and there is no {INDEX} of that year."
            yield Fault(says, f"a row {INDEX} for each year of a price.", "add it, or take the index out.")
    seen: dict[str, int] = {}
    for row in rows:
        if row.currency:
            seen.setdefault(row.currency, row.line)
    if len(seen) > 1:
        told = ", ".join(f"{currency} (line {line})" for currency, line in seen.items())
        yield Fault(
            f"{name} has several currencies: {told}.",
            "one currency in a table.",
            "change the prices to one, or make a table of each.",
        )
