"""Letters to owners: what is private stays in private/, and who wants no letter gets none."""

from __future__ import annotations

import csv
import io
import re
import shutil
import stat
from pathlib import Path

import pypdfium2 as pdfium
import pytest

import gisprio
from gisprio.faces.main import main
from makers import straight_valley
from tagged_pages import heard, tag_faults

SECRETS = ("Quillfeather", "Mill Lane", "555-0101", "quill@tansy.example", "wants a fence first", "a free hedge")
TABLE = (
    "property_id,status,access_ok_until,next_action,offer,log,name,address,email,phone,language,dog\n"
    "left-up,interested,2030-01-01,call in May,We give you a free hedge.,wants a fence first,Ada Quillfeather,"
    "Mill Lane 3 | 1234 Tansy,quill@tansy.example,555-0101,en,=1+1\n"
    "left-down,contacted,,,,,Bo Quillfeather,,,,es,\n"
    "right-up,declined,2030-01-01,,,,Cy Quillfeather,,,,,\n"
    "right-down,do not contact,2030-01-01,,,,Di Quillfeather,,,,,\n"
)


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    """Give a result folder with everything that can be made of it, letters among it."""
    folder = tmp_path_factory.mktemp("letters")
    config = straight_valley().write(folder)
    gisprio.run(gisprio.read_settings(config))
    (folder / "contacts.csv").write_text(TABLE, encoding="utf-8")
    place = folder / "results"
    assert main(["sheets", str(place)]) == 0
    assert main(["letters", str(place), "--contacts", str(folder / "contacts.csv")]) == 0
    gisprio.run(gisprio.read_settings(config))
    return place


def text_of(path: Path) -> list[str]:
    """Give the text of each page."""
    document = pdfium.PdfDocument(path)
    return [page.get_textpage().get_text_bounded().replace("\r\n", "\n").replace(" \n", "\n") for page in document]


def test_letter_sheet_and_form_in_one_file(results):
    letter, sheet, form = text_of(results / "private" / "left-up.pdf")
    assert "Ada Quillfeather\nMill Lane 3\n1234 Tansy" in letter
    assert "Dear Ada Quillfeather," in letter
    assert "We give you a free hedge." in letter
    metres = re.search(r"On maps, about ([0-9,]+) m of its bank there has less than 30 m", " ".join(letter.split()))
    assert abs(float(metres[1].replace(",", "")) - 1500) <= 10
    assert "What this map shows" in sheet
    assert "Quillfeather" not in sheet
    assert "Leave to walk along the stream on property left-up" in form


def test_tagged_letters_can_be_read_aloud_and_plain_ones_cannot(results, tmp_path):
    with pytest.raises(AttributeError, match="StructTreeRoot"):
        tag_faults(results / "private" / "left-up.pdf")
    shutil.copytree(results, tmp_path / "results", ignore=shutil.ignore_patterns("private"))
    contacts = str(results.parent / "contacts.csv")
    assert main(["letters", str(tmp_path / "results"), "--contacts", contacts, "--tagged"]) == 0
    made = sorted((tmp_path / "results" / "private").glob("*.pdf"))
    assert [(path.name, tag_faults(path)) for path in made] == [("left-down.pdf", []), ("left-up.pdf", [])]
    told = [(role, " ".join(text.split())) for role, text in heard(made[1])]
    assert ("P", "Ada Quillfeather Mill Lane 3 1234 Tansy") in told


def test_another_language_and_an_owner_without_an_address(results):
    letter, _, form = text_of(results / "private" / "left-down.pdf")
    assert "Estimado/a Bo Quillfeather:" in letter
    assert "Permiso para caminar" in form


def test_sheets_of_who_declined_are_not_made_and_taken_away(results, capsys):
    contacts = results.parent / "contacts.csv"
    made = {path.name for path in (results / "sheets").glob("*.pdf")}
    assert {"right-up.pdf", "left-up.pdf"} <= made
    assert main(["sheets", str(results), "--contacts", str(contacts)]) == 0
    assert "2 that declined or are not to be contacted" in capsys.readouterr().out
    assert {path.name for path in (results / "sheets").glob("*.pdf")} == made - {"right-up.pdf", "right-down.pdf"}


def test_who_declined_or_wants_no_contact_gets_nothing(results):
    assert {path.name for path in (results / "private").iterdir()} == {
        "left-up.pdf", "left-down.pdf", "mail-merge.csv", ".gitignore"
    }  # fmt: skip
    rows = list(csv.DictReader(io.StringIO((results / "private/mail-merge.csv").read_text(encoding="utf-8-sig"))))
    assert sorted(row["property_id"] for row in rows) == ["left-down", "left-up"]
    assert [row["dog"] for row in rows if row["property_id"] == "left-up"] == ["'=1+1"]


def test_nothing_private_stands_anywhere_else(results):
    searched = 0
    for path in results.rglob("*"):
        if not path.is_file() or path.parent.name == "private":
            continue
        content = path.read_bytes()
        searched += 1
        for secret in SECRETS:
            assert secret.encode() not in content, (path, secret)
            assert secret.encode("utf-16-le") not in content, (path, secret)
        if path.suffix == ".pdf":
            assert not any(secret in page for page in text_of(path) for secret in SECRETS)
    assert searched > 20


def test_the_folder_is_closed_to_others_and_to_version_control(results):
    place = results / "private"
    assert stat.S_IMODE(place.stat().st_mode) == 0o700
    assert (place / ".gitignore").read_text() == "*\n"


def test_what_the_command_says(results, capsys):
    contacts = results.parent / "contacts.csv"
    assert main(["letters", str(results), "--contacts", str(contacts), "--property", "left-down"]) == 0
    told = capsys.readouterr().out
    assert told.startswith("1 letter, with its sheet and access form, and mail-merge.csv are in ")
    assert main(["letters", str(results), "--contacts", str(contacts)]) == 0
    told = capsys.readouterr().out
    assert "2 left out: declined, or not to be contacted." in told
    assert not any(secret in told for secret in SECRETS)


def test_an_offer_that_is_too_long_is_refused_and_nothing_is_lost(results, tmp_path, capsys):
    before = {path.name: path.read_bytes() for path in (results / "private").iterdir()}
    (tmp_path / "long.csv").write_text(f'property_id,offer\nleft-up,"{"a very long offer indeed, " * 300}"\n')
    assert main(["letters", str(results), "--contacts", str(tmp_path / "long.csv")]) == 2
    assert re.search(r"does not fit on one page in letters of 10 points\.\n +Wanted: ", capsys.readouterr().err)
    assert {path.name: path.read_bytes() for path in (results / "private").iterdir()} == before


def test_the_same_table_gives_the_same_bytes(results):
    before = {path.name: path.read_bytes() for path in (results / "private").iterdir()}
    assert main(["letters", str(results), "--contacts", str(results.parent / "contacts.csv")]) == 0
    assert {path.name: path.read_bytes() for path in (results / "private").iterdir()} == before
