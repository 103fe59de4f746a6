"""Tagged sheets: PDF/UA-1 by a checker and by our own reading, the same look, and what is heard in which order."""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pikepdf
import pypdfium2
import pytest

from gisprio.contracts.contacts import Contact
from gisprio.contracts.errors import MissingPart, SettingsError
from gisprio.products.letters import Sender, make_access_form, make_letter
from gisprio.products.sheets.layout import _with_spaces
from gisprio.products.sheets.marks import Page, Part, flat
from gisprio.products.sheets.pdf import text_width, write_pdf
from gisprio.products.sheets.plots import find_plots
from gisprio.products.sheets.sheet import make_sheet
from gisprio.products.sheets.spoken import way_of, where_in
from gisprio.products.sheets.tagging import write_tagged_pdf
from gisprio.products.sheets.texts import texts_in
from tagged_pages import heard, tag_faults, tree_of
from unit.products.sheet_world import gap, make_setting, make_tables

GAPS = [gap(0, "left", 0, 200, 20.0), gap(1, "left", 150, 200), gap(0, "right", 40, 100), gap(1, "right", 0, 60)]
LOOKS = {("a4", "si"): "en", ("letter", "us"): "es", ("letter", "si"): "en", ("a4", "us"): "es"}


@pytest.fixture(scope="module")
def tables():
    return make_tables(GAPS)


@pytest.fixture(scope="module")
def plots(tables):
    return {plot.property_id: plot for plot in find_plots(tables).plots}


@pytest.fixture(scope="module")
def pages(tables, plots):
    """Lay the sheets of both properties on both papers, in both languages and units; one with logo and picture."""
    made = {}
    for (paper, units), language in LOOKS.items():
        texts = texts_in(language, units=units, spoken=True)
        pictures = {
            "logo": np.full((20, 40, 3), 90, np.uint8),
            "backdrop": lambda frame: np.full((30, 40), 200, np.uint8),
        }
        for name in ("EAST", "WEST"):
            setting = make_setting(tables, texts, paper=paper, tagged=True, **(pictures if name == "EAST" else {}))
            made[f"{name}-{paper}-{units}"] = make_sheet(plots[name], setting)
    return made


@pytest.fixture(scope="module")
def packet(pages, plots):
    """Lay a letter in Spanish, a sheet in English and an access form, which go in one file."""
    texts = texts_in("es", folder="letters")
    sender = Sender("Fern Brook watershed", "", "a4", "0123456789ab", text_width)
    contact = Contact("EAST", name="Ada Quillfeather", address="Mill Lane 3")
    letter = make_letter(plots["EAST"], contact, sender, texts)
    return letter, pages["EAST-a4-si"], make_access_form(plots["EAST"], sender, texts)


@pytest.fixture(scope="module")
def written(pages, packet, tmp_path_factory):
    folder = tmp_path_factory.mktemp("tagged")
    for name, page in pages.items():
        write_tagged_pdf(folder / f"{name}.pdf", page)
    write_tagged_pdf(folder / "packet.pdf", *packet)
    return folder


def test_a_checker_of_pdf_ua_finds_nothing(written):
    checker = pytest.importorskip("page", reason="page-validation is not installed")
    for path in written.glob("*.pdf"):
        report = checker.validate_pdf(str(path), profile=checker.ValidationProfile.PDF_UA_1)
        assert [(path.name, one.rule_id, one.message) for one in report.failures] == []
        assert report.is_compliant
        assert report.rules.passed > 100


def test_the_tree_holds_all_that_is_drawn_and_nothing_else(written):
    assert len(list(written.glob("*.pdf"))) == 2 * len(LOOKS) + 1
    assert [(path.name, tag_faults(path)) for path in written.glob("*.pdf") if tag_faults(path)] == []


def test_it_looks_as_the_plain_one(pages, packet, written, tmp_path):
    for name, laid in {**{name: (page,) for name, page in pages.items()}, "packet": packet}.items():
        write_pdf(tmp_path / "plain.pdf", *laid)
        plain, tagged = (
            [np.asarray(page.render(scale=1.5).to_pil()) for page in pypdfium2.PdfDocument(path)]
            for path in (tmp_path / "plain.pdf", written / f"{name}.pdf")
        )
        assert len(plain) == len(tagged)
        assert all(np.array_equal(one, other) and one.std() > 5 for one, other in zip(plain, tagged, strict=True))


def test_the_same_page_gives_the_same_bytes(pages, packet, written, tmp_path):
    write_tagged_pdf(tmp_path / "again.pdf", pages["EAST-a4-si"])
    assert (tmp_path / "again.pdf").read_bytes() == (written / "EAST-a4-si.pdf").read_bytes()
    write_tagged_pdf(tmp_path / "packet.pdf", *packet)
    assert (tmp_path / "packet.pdf").read_bytes() == (written / "packet.pdf").read_bytes()


def test_what_is_heard_in_which_order(written):
    told = heard(written / "WEST-a4-si.pdf")
    assert [text for role, text in told if role in ("H1", "H2")] == [
        "The stream on property WEST", "What this map shows", "The hatched strips", "Where it is", "Legend",
        "What could be done", "Please note", "Talk to us",
    ]  # fmt: skip
    assert told[3] == (
        "P",
        "The hatched strips, lettered A and B, are where maps show woody plants or wetland plants on less than the "
        "setback of 30 m beside the stream. Together they run along about 120 m of its banks on this property.",
    )
    table = [text for role, text in told if role in ("TH", "TD")]
    assert table[5:10] == ["A", "right", "60 m", "30 m", "1,800 m²"]
    assert [text for role, text in told if role == "Figure"] == [
        "Map of property WEST, north at the top, scale 1 : 3,000. Fern Brook: the arrows show that the water flows "
        "towards the south. Hatched strip A: right bank, 60 m along the stream, in the east of the map. "
        "Hatched strip B: right bank, 60 m along the stream, in the southeast of the map. A thin dashed line marks "
        "the setback: 30 m from the top of the bank or the water's edge.",
        "Small map of the streams of Fern Brook watershed. A red frame in the west of it marks the map of this "
        "property.",
        "Black line of dashes and dots", "Orange, hatched", "Blue line with an arrow", "Thin purple dashed line",
        "Red frame", "Scale bar from 0 to 50 m. North is up.",
    ]  # fmt: skip
    assert [role for role, _ in told].count(
        "Lbl"
    ) == 4  # points of what could be done; samples of the legend are figures
    assert told[-1][1].startswith("Worked out on 2026-03-04")


def test_figures_are_told_in_the_language_and_units_of_the_sheet(written):
    figures = [text for role, text in heard(written / "EAST-letter-us.pdf") if role == "Figure"]
    assert figures[0] == "Logotipo"
    assert figures[1] == (
        "Mapa de la finca EAST, con el norte arriba, escala 1 : 4.000. Fern Brook: las flechas muestran que el agua "
        "corre hacia el sur. Franja rayada A: orilla izquierda, 820 ft a lo largo del arroyo, en el oeste "
        "del mapa. Una línea discontinua fina marca la franja de retiro: a 98 ft del borde superior de la orilla o del "
        "borde del agua. Están marcadas las obras ya hechas, con su año si se conoce."
    )
    assert "Verde, rayado" in figures


def test_each_page_of_a_packet_says_its_language(written):
    with pikepdf.open(written / "packet.pdf") as pdf:
        assert [(page.role, page.language) for page in tree_of(pdf).kids] == [
            ("Sect", "es"), ("Sect", "en"), ("Sect", "es")
        ]  # fmt: skip
        assert str(pdf.Root.Lang) == "es"


def test_a_plain_sheet_needs_no_sentences_that_are_read_aloud(tables, plots, tmp_path):
    """A language of the user's own that lacks them serves plain sheets, and is refused for tagged ones."""
    english = texts_in("en").sentences
    lines = [f'"{key}" = {value!r}' for key, value in english.items() if "." not in key]
    rows = [key.split(".") for key in english if "." in key]
    for table in ("rules", "kinds", "covers"):
        lines += [
            f"{table}.{word} = {english[f'{table}.{word}']!r}"
            for name, word in rows
            if name == table and " " not in word
        ]
    lines.append("kinds.\"own target\" = 'goal'")
    own = tmp_path / "own.toml"
    own.write_text("[pl]\n" + "\n".join(lines), encoding="utf-8")
    make_sheet(plots["EAST"], make_setting(tables, texts_in("pl", own)))
    with pytest.raises(SettingsError) as caught:
        texts_in("pl", own, spoken=True)
    assert str(caught.value) == (
        f"{own}: [pl] spoken.map is not there, and 23 more.\n  Wanted: every sentence.\n"
        "  Do: mend the sentence, or take it out."
    )


def test_without_pikepdf_the_part_is_named(pages, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pikepdf", None)
    with pytest.raises(MissingPart) as caught:
        write_tagged_pdf(tmp_path / "none.pdf", pages["EAST-a4-si"])
    assert str(caught.value) == (
        "tagged sheets: pikepdf is not installed.\n"
        "  Wanted: the optional part gisprio[accessible].\n"
        '  Do: pip install "gisprio[accessible]", or leave --tagged and [sheets] tagged out.'
    )
    assert not (tmp_path / "none.pdf").exists()


def test_a_mark_in_no_part_is_decoration(pages, tmp_path):
    page = pages["WEST-a4-si"]
    bare = replace(page, marks=(*page.marks, *flat(page.marks[:1])))
    write_tagged_pdf(tmp_path / "bare.pdf", bare)
    assert tag_faults(tmp_path / "bare.pdf") == []
    assert heard(tmp_path / "bare.pdf").count(("H1", "The stream on property WEST")) == 1


def test_titles_of_any_signs(tmp_path):
    page = Page(100, 100, (Part("H1", ()),), "A & B <c>", "", "en")
    write_tagged_pdf(tmp_path / "signs.pdf", page)
    with pikepdf.open(tmp_path / "signs.pdf") as pdf:
        assert pdf.open_metadata()["dc:title"] == "A & B <c>"


@pytest.mark.parametrize(
    ("text", "lines", "told"),
    [
        ("one two three", ["one", "two three"], ["one ", "two three"]),
        ("one\ntwo", ["one", "two"], ["one ", "two"]),
        ("a-very-long-name at", ["a-very-", "long-name", "at"], ["a-very-", "long-name ", "at"]),
        ("a\n \nb", ["a", "", "b"], ["a ", "", "b"]),
    ],
)
def test_lines_end_with_the_space_they_were_broken_at(text, lines, told):
    assert [
        line.rstrip() + (" " if line.endswith(" ") and line.strip() else "") for line in _with_spaces(text, lines)
    ] == told


@pytest.mark.parametrize(
    ("east", "north", "way"),
    [
        (1, 0, "east"),
        (0, 2, "north"),
        (-1, 0.1, "west"),
        (-1, -1, "southwest"),
        (1, -0.99, "southeast"),
        (1, -0.1, "east"),
    ],
)
def test_eight_ways(east, north, way):
    assert way_of(east, north) == way


@pytest.mark.parametrize(
    ("at", "where"), [((1, 1), "southwest"), ((5, 8.9), "north"), ((4, 6), "middle"), ((9, 4), "east")]
)
def test_ninths_of_a_window(at, where):
    assert where_in((0, 0, 10, 10), at) == where
