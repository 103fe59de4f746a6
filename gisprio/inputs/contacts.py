"""Reads the private table of contacts. A run never does; its errors name lines and columns, never what stands there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

from gisprio.contracts.contacts import COLUMNS, STATUSES, Contact, Contacts
from gisprio.contracts.errors import InputError
from gisprio.inputs.csv_rows import read_lines
from gisprio.inputs.faults import Fault, raise_faults

_HEADING = "faults in the table of contacts"


def read_contacts(path: Path) -> Contacts:
    """Read the table.

    Parameters
    ----------
    path
        A CSV in UTF-8, with commas or semicolons between its columns.

    Raises
    ------
    InputError
        It cannot be read, has no column ``property_id``, or lines hold what is no status or no date, or a property
        twice. All faults are told together; what people wrote is not repeated.
    """
    heads, lines = read_lines(path, "The table of contacts ")
    if "property_id" not in heads:
        raise InputError(
            f"{path} has no column property_id.",
            wanted=f"a head line with property_id, and of these what you keep: {', '.join(list(COLUMNS)[1:])}.",
            do="name the column that holds the ids of your layer of properties so.",
        )
    rows: dict[str, Contact] = {}
    faults: list[Fault] = []
    for number, cells in lines:
        wrong = list(_faults(number, cells, rows))
        faults += wrong
        if not wrong:
            rows[cells["property_id"]] = _contact(cells)
    raise_faults(InputError, faults, f"{_HEADING} {path}")
    return Contacts(rows)


def _faults(number: int, cells: dict[str, str], rows: dict[str, Contact]) -> Iterator[Fault]:
    id_, status, until = cells["property_id"], cells.get("status", ""), cells.get("access_ok_until", "")
    if not id_:
        yield Fault(
            f"Line {number}: property_id is empty.", "the id of a property.", "fill it in, or take the line out."
        )
    elif id_ in rows:
        yield Fault(
            f"Line {number}: this property stands in the table already.",
            "one line a property.",
            "put the two together.",
        )
    if status and status.lower() not in STATUSES:
        yield Fault(
            f"Line {number}: status is none that is known.", f"one of: {', '.join(STATUSES)}.", "choose one of these."
        )
    if until and _day(until) is None:
        yield Fault(f"Line {number}: access_ok_until is no date.", "a day such as 2027-05-31.", "write it so.")


def _contact(cells: dict[str, str]) -> Contact:
    own = {name: cells[name] for name in COLUMNS if name in cells and name not in ("status", "access_ok_until")}
    until = cells.get("access_ok_until", "")
    return Contact(
        **own,
        status=cells.get("status", "").lower() or "not contacted",
        access_ok_until=_day(until) if until else None,
        more={name: cell for name, cell in cells.items() if name and name not in COLUMNS},
    )


def _day(text: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        return None
