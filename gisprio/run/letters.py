"""Writes what goes to owners, below ``private/``: letter, sheet and access form in one file each, and a mail merge.

The table of contacts is read here and by nothing that a run does, so that nothing of it gets anywhere else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from gisprio.contracts.contacts import Contact, Contacts
from gisprio.contracts.settings import Settings
from gisprio.inputs.contacts import read_contacts
from gisprio.products.letters import Sender, make_access_form, make_letter, write_mail_merge
from gisprio.products.sheets.marks import Page
from gisprio.products.sheets.pdf import text_width
from gisprio.products.sheets.plots import Plot
from gisprio.products.sheets.sheet import Setting, make_sheet
from gisprio.products.sheets.texts import Texts, texts_in
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.sheets import Ready, file_names, prepare_sheets
from gisprio.run.store import write_whole

PRIVATE = "private"
MAIL_MERGE = "mail-merge.csv"
LETTERS = "letters"


@dataclass(frozen=True, slots=True)
class Posted:
    """What was written: the folder, its files, properties left out because of their status, letters without a name."""

    folder: Path
    files: tuple[str, ...]
    closed: int
    unnamed: int

    def told(self) -> str:
        """Say it in a few lines; no name is told."""
        count = len(self.files)
        made = "1 letter, with its" if count == 1 else f"{count} letters, each with its"
        lines = [f"{made} sheet and access form, and {MAIL_MERGE} are in {self.folder}."]
        if self.closed:
            lines.append(f"{self.closed} left out: declined, or not to be contacted.")
        if self.unnamed:
            lines.append(f"{self.unnamed} without a name in the table: they greet the owner of the property.")
        return "\n".join([*lines, "This folder holds what is private: keep it out of whatever you share."])


def write_letters(
    folder: str | Path,
    contacts: Path,
    *,
    top: int | None = None,
    properties: Sequence[str] = (),
    paper: str | None = None,
    config: Settings | None = None,
    texts: Path | None = None,
    tagged: bool = False,
) -> Posted:
    """Write the letters of a result folder.

    Parameters
    ----------
    folder
        A result folder.
    contacts
        The private table of contacts.
    top, properties, paper, config, tagged
        As for the sheets: :func:`gisprio.run.sheets.write_sheets`.
    texts
        The user's own sentences of letters.

    Raises
    ------
    MissingPart
        Tagged letters are wanted, and pikepdf is not installed.
    InputError
        The folder or the table is wrong, or a letter does not fit on its page.
    SettingsError
        There are no sentences in a language.
    RunError
        The disk is full.
    """
    table = read_contacts(contacts)
    ready = prepare_sheets(folder, properties=properties, paper=paper, config=config, tagged=tagged)
    open_ones = [plot for plot in ready.found.plots if table.of(plot.property_id).may_be_written_to()]
    first = ready.pages[0]
    sender = Sender(first.place, first.contact, first.paper, first.digest, text_width)
    packets = list(_packets(open_ones[:top], table, ready, texts))
    laid = [_pages(packet, sender) for packet in packets]  # before the first file: all fit, or none is written
    place = ready.home / PRIVATE
    with locked(ready.home, []), machine_faults(ready.home):
        _make_private(place)
        for packet, pages in zip(packets, laid, strict=True):
            write_whole(place / packet.file, partial(_write_packet, ready, pages))
        merged = [(packet.plot, packet.contact, packet.file) for packet in packets]
        write_whole(place / MAIL_MERGE, partial(write_mail_merge, rows=merged, texts=first.texts))
    unnamed = sum(not packet.contact.name for packet in packets)
    closed = len(ready.found.plots) - len(open_ones)
    return Posted(place, tuple(packet.file for packet in packets), closed, unnamed)


@dataclass(frozen=True, slots=True)
class _Packet:
    """What goes to one owner: file, property, contact, sentences, and what the sheet is set in."""

    file: str
    plot: Plot
    contact: Contact
    texts: Texts
    setting: Setting


def _packets(plots: Sequence[Plot], table: Contacts, ready: Ready, own: Path | None) -> Iterator[_Packet]:
    """Give the packet of each property; the sentences of a language are read once."""
    first, pages = ready.pages[0], {page.texts.language: page for page in ready.pages}
    sentences: dict[str, Texts] = {}
    for plot, name in zip(plots, file_names([plot.property_id for plot in plots]), strict=True):
        contact = table.of(plot.property_id)
        language = contact.language or first.texts.language
        if language not in sentences:
            sentences[language] = texts_in(language, own, ready.settings.report.units, folder=LETTERS)
        yield _Packet(f"{name}.pdf", plot, contact, sentences[language], pages.get(language, first))


def _pages(packet: _Packet, sender: Sender) -> tuple[Page, Page, Page]:
    """Lay letter, sheet and access form."""
    letter = make_letter(packet.plot, packet.contact, sender, packet.texts)
    return letter, make_sheet(packet.plot, packet.setting), make_access_form(packet.plot, sender, packet.texts)


def _write_packet(ready: Ready, pages: tuple[Page, Page, Page], path: Path) -> None:
    ready.write(path, *pages)


def _make_private(place: Path) -> None:
    """Make the folder, which its owner alone may open and no version control takes in."""
    place.mkdir(exist_ok=True)
    place.chmod(0o700)
    (place / ".gitignore").write_text("*\n", encoding="utf-8")
