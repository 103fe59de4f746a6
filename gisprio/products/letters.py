"""Letters to owners and forms of access, each laid on one page as marks; and the table for a mail merge."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from gisprio.contracts.contacts import Contact
from gisprio.contracts.errors import InputError
from gisprio.products.sheets.layout import Blank, Block, Column, Text, set_blocks
from gisprio.products.sheets.marks import Mark, Measure, Page
from gisprio.products.sheets.plots import Plot
from gisprio.products.sheets.sheet import PAPERS
from gisprio.products.sheets.texts import Texts
from gisprio.products.tables import guard

MARGIN = 25.0
LETTER_PT, SMALL_PT = 12.0, 10.0
"""Letters are set in 12 points; where the text is long in less, but never below 10 [own]."""


@dataclass(frozen=True, slots=True)
class Sender:
    """What all letters share: place, contact block, paper, digest of the run, and how wide texts are."""

    place: str
    contact: str
    paper: str
    digest: str
    measure: Measure


def make_letter(plot: Plot, contact: Contact, sender: Sender, texts: Texts) -> Page:
    """Lay the letter about a property on a page.

    Parameters
    ----------
    plot
        The property and its strips.
    contact
        Whom to write to, and what was offered.
    sender, texts
        Who writes, and in which sentences.

    Raises
    ------
    InputError
        The texts are too long for a page.
    """
    stream = texts.listed(list(plot.streams))
    length = texts.metres(sum(strip.length_m for strip in plot.strips))
    named = {"stream": stream, "property": plot.property_id} if stream else {"property": plot.property_id}
    unnamed = "" if stream else "_unnamed"
    greeting = texts.say("greeting", name=contact.name) if contact.name else ""
    blocks: list[Block] = [
        Text("paragraph", "\n".join([*_address(contact), " ", " "])),
        Text("title", texts.say(f"subject{unnamed}", **named)),
        Text("paragraph", greeting or texts.say("greeting_unnamed", property=plot.property_id)),
        Text("paragraph", texts.say("who", place=sender.place)),
        Text("paragraph", texts.say(f"why{unnamed}", **named)),
        Text("paragraph", texts.say("saw", length=length, setback=texts.metres(plot.setbacks_m[1]))),
        Text("paragraph", contact.offer or texts.say("offer")),
        *(Text("paragraph", texts.say(key)) for key in ("ask", "choice")),
        *_reply(sender, texts),
        Text("paragraph", texts.say("privacy")),
        Text("paragraph", texts.say("regards")),
    ]
    return _page(blocks, sender, texts, texts.say(f"subject{unnamed}", **named))


def _address(contact: Contact) -> list[str]:
    return [line.strip() for line in (contact.name, *contact.address.split("|")) if line.strip()]


def make_access_form(plot: Plot, sender: Sender, texts: Texts) -> Page:
    """Lay the form by which an owner lets people walk along the bank on a page."""
    title = texts.say("form_title", property=plot.property_id)
    blocks: list[Block] = [
        Text("title", title),
        Text("paragraph", texts.say("form_what")),
        *(Blank(texts.say(key), 1) for key in ("form_from", "form_to", "form_people")),
        *(Text("point", texts.say(key)) for key in ("form_photos", "form_data", "form_map")),
        Blank(texts.say("form_mind"), 2),
        Blank(texts.say("form_call"), 1),
        Text("paragraph", texts.say("form_back")),
        Blank(texts.say("form_sign"), 1),
        *_reply(sender, texts),
        Text("note", texts.say("form_note")),
    ]
    return _page(blocks, sender, texts, title)


def _reply(sender: Sender, texts: Texts) -> list[Block]:
    if not sender.contact:
        return [Blank(texts.say("next_none"), 2)]
    return [Text("paragraph", f"{texts.say('next')}\n{sender.contact}")]


def _page(blocks: Sequence[Block], sender: Sender, texts: Texts, title: str) -> Page:
    """Set blocks in the largest letters in which they fit on one page."""
    width, height = PAPERS[sender.paper]
    size = LETTER_PT
    while size >= SMALL_PT:
        marks, low = _set(blocks, Column(MARGIN, width - 2 * MARGIN, size, sender.measure), height - MARGIN)
        if low >= MARGIN:
            return Page(width, height, tuple(marks), title, f"run {sender.digest}", texts.language)
        size -= 0.5
    raise InputError(
        f"The letter about a property does not fit on one page in letters of {SMALL_PT:g} points.",
        wanted="sentences, an offer and a contact block that leave room for each other.",
        do="shorten the offer in the table of contacts, the sentences, or [report] contact.",
    )


def _set(blocks: Sequence[Block], column: Column, top: float) -> tuple[list[Mark], float]:
    """Set blocks with half a line between them."""
    marks: list[Mark] = []
    low = top
    for block in blocks:
        made, low = set_blocks([block], column, low)
        marks += made
        low -= 0.25 * column.line
    return marks, low


def write_mail_merge(path: Path, rows: Sequence[tuple[Plot, Contact, str]], texts: Texts) -> None:
    """Write the table for a mail merge: a line for each letter, texts that a spreadsheet would compute guarded.

    Parameters
    ----------
    path
        File to write.
    rows
        Property, contact and name of the file with its letter, sheet and form.
    texts
        How numbers are written.
    """
    more = sorted({name for _, contact, _ in rows for name in contact.more})
    heads = ["property_id", "name", "address", "email", "phone", "language", "status", "next_action", "offer",
             "streams", "gap_length", "setback", "file", *more]  # fmt: skip
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        table = csv.writer(file)
        table.writerow([guard(head) for head in heads])
        for plot, contact, name in rows:
            length = texts.metres(sum(strip.length_m for strip in plot.strips))
            cells = [
                plot.property_id, contact.name, contact.address, contact.email, contact.phone, contact.language,
                contact.status, contact.next_action, contact.offer, texts.listed(list(plot.streams)), length,
                texts.metres(plot.setbacks_m[1]), name, *(contact.more.get(column, "") for column in more),
            ]  # fmt: skip
            table.writerow([guard(cell) for cell in cells])
