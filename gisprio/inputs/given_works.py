"""Reads the table of what somebody measured at sites before works were sized: heights, slopes, lengths."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from gisprio.contracts.errors import InputError
from gisprio.contracts.words import MEASURES
from gisprio.contracts.works import GIVEN_NUMBERS, Given
from gisprio.inputs.csv_rows import read_lines
from gisprio.inputs.faults import Fault, raise_faults

_NAMES = ("site_id", "measure", *(field.name for field in GIVEN_NUMBERS))
_HEIGHTS = ("height_low_m", "height_high_m")


def read_given(path: Path, known: Collection[str]) -> dict[str, Given]:
    """Read the table.

    Parameters
    ----------
    path
        A CSV in UTF-8, with commas or semicolons between its columns.
    known
        Ids of the sites there are.

    Raises
    ------
    InputError
        It cannot be read, a column is not known, or a line holds what cannot be: all faults are told together.
    """
    heads, lines = read_lines(path)
    strange = [name for name in heads if name not in _NAMES]
    if "site_id" not in heads or strange:
        what = f"columns that are not known: {', '.join(strange)}" if strange else "no column site_id"
        raise InputError(
            f"{path} has {what}.",
            wanted=f"a head line with site_id, and of these what was measured: {', '.join(_NAMES[1:])}.",
            do="name the columns so, and take others out.",
        )
    given: dict[str, Given] = {}
    faults: list[Fault] = []
    for number, cells in lines:
        wrong = list(_faults(number, cells, given, known))
        faults += wrong
        if not wrong:
            given[cells["site_id"]] = _given(cells)
    raise_faults(InputError, faults, f"faults in {path}")
    return given


def _faults(line: int, cells: Mapping[str, str], given: Mapping[str, Given], known: Collection[str]) -> Iterator[Fault]:
    site = cells["site_id"]
    if site not in known:
        says = f"there is no site {site!r}" if site else "site_id is empty"
        yield Fault(f"Line {line}: {says}.", "a site_id as in sites.csv.", "look it up there.")
    elif site in given:
        yield Fault(f"Line {line}: {site} stands in the table already.", "one line a site.", "put the two together.")
    measure = cells.get("measure", "")
    if measure and measure not in MEASURES:
        yield Fault(
            f"Line {line}: {measure!r} is no measure.", f"one of: {', '.join(MEASURES)}.", "choose one of these."
        )
    wrong = False
    for field in GIVEN_NUMBERS:
        cell = cells.get(field.name, "")
        value = _number(cell)
        if cell and (value is None or value < field.low or (field.high is not None and value > field.high)):
            wrong = True
            bounds = f"{field.low:g} to {field.high:g}" if field.high is not None else f"{field.low:g} or more"
            says = f"Line {line}: {field.name} {cell!r} is no number from {bounds}."
            yield Fault(says, f"{field.says} A point before decimals, no unit.", "correct it, or leave it empty.")
    if not wrong:
        yield from _height_faults(line, [_number(cells.get(name, "")) for name in _HEIGHTS])


def _height_faults(line: int, heights: list[float | None]) -> Iterator[Fault]:
    low, high = heights
    if (low is None) != (high is None):
        yield Fault(
            f"Line {line}: only one of height_low_m and height_high_m is given.",
            "both: the lowest and the highest along the site.",
            "write the same number into both where only one place was measured.",
        )
    elif low is not None and high is not None and low > high:
        yield Fault(
            f"Line {line}: height_low_m {low:g} is above height_high_m {high:g}.",
            "the lowest height not above the highest.",
            "turn them round.",
        )


def _number(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _given(cells: Mapping[str, str]) -> Given:
    numbers = {field.name: _number(cells.get(field.name, "")) for field in GIVEN_NUMBERS}
    return Given(measure=cells.get("measure") or None, **numbers)
