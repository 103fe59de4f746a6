"""The private table of contacts: what it holds, and what a status allows. Nothing of it is ever part of a run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

STATUSES = ("not contacted", "contacted", "interested", "agreed", "declined", "do not contact")
"""How far a conversation is; ``declined`` leaves the lists, ``do not contact`` gets nothing at all."""

COLUMNS: Mapping[str, str] = {
    "property_id": "as in the layer of properties",
    "status": f"one of: {', '.join(STATUSES)}; not contacted where empty",
    "access_ok_until": "last day on which the owner lets people in, 2027-05-31",
    "next_action": "what comes next, and when",
    "offer": "what was offered",
    "log": "what was said, newest first",
    "name": "whom to write to",
    "address": "postal address; lines parted by a bar: |",
    "email": "",
    "phone": "",
    "language": "of letters and sheets, such as en",
}
"""Columns and what stands in them; only ``property_id`` must be there. Others go to the mail merge as they are."""


@dataclass(frozen=True, slots=True)
class Contact:
    """One row: a property and the conversation about it."""

    property_id: str
    status: str = "not contacted"
    access_ok_until: dt.date | None = None
    next_action: str = ""
    offer: str = ""
    log: str = ""
    name: str = ""
    address: str = ""
    email: str = ""
    phone: str = ""
    language: str = ""
    more: Mapping[str, str] = field(default_factory=dict)

    def may_be_written_to(self) -> bool:
        """Whether a letter or a sheet may go out: nobody declined or asked to be left alone."""
        return self.status not in ("declined", "do not contact")

    def may_be_visited(self, day: dt.date) -> bool:
        """Whether people may go there on a day: access is in date and nobody asked to be left alone."""
        return self.may_be_written_to() and self.access_ok_until is not None and day <= self.access_ok_until


@dataclass(frozen=True, slots=True)
class Contacts:
    """All rows by property id."""

    rows: Mapping[str, Contact]

    def __iter__(self) -> Iterator[Contact]:
        return iter(self.rows.values())

    def of(self, property_id: str) -> Contact:
        """Give the row of a property; one that says nothing where it has none."""
        return self.rows.get(property_id) or Contact(property_id)

    def closed(self) -> frozenset[str]:
        """Give the properties that leave every list: declined, or do not contact."""
        return frozenset(contact.property_id for contact in self if not contact.may_be_written_to())

    def open_on(self, day: dt.date) -> frozenset[str]:
        """Give the properties where people may go on a day."""
        return frozenset(contact.property_id for contact in self if contact.may_be_visited(day))
