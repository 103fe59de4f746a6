"""Landowner sheets: what is on a property, how it is laid on a page, what can be read back from the PDF."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.words import CAUTION
from gisprio.products.sheets import drawing
from gisprio.products.sheets.backdrop import Backdrop
from gisprio.products.sheets.frame import Frame, frame_for
from gisprio.products.sheets.pdf import drawable, write_pdf
from gisprio.products.sheets.plots import find_plots
from gisprio.products.sheets.sheet import PAPERS, make_sheet
from gisprio.products.sheets.texts import texts_in
from sheet_pages import faults_of, laid, read_sheet, scale_bar_error
from unit.products.sheet_world import SETBACK_M, X, Y, gap, make_setting, make_tables

GAPS = [gap(0, "left", 0, 200, 20.0), gap(1, "left", 150, 200), gap(0, "right", 40, 100), gap(1, "right", 0, 60)]
OTHERS = {"EAST": ["WEST", "FAR"], "WEST": ["EAST", "FAR"]}


@pytest.fixture(scope="module")
def tables():
    return make_tables(GAPS)


@pytest.fixture(scope="module")
def plots(tables):
    return {plot.property_id: plot for plot in find_plots(tables).plots}


@pytest.fixture(scope="module")
def written(tables, plots, tmp_path_factory):
    """Write the sheets of both properties, on both papers, in both languages and systems of units."""
    folder = tmp_path_factory.mktemp("sheets")
    made = {}
    for paper, texts in (("a4", texts_in("en")), ("letter", texts_in("es", units="us"))):
        for name, plot in plots.items():
            path = folder / f"{name}-{paper}.pdf"
            write_pdf(path, make_sheet(plot, make_setting(tables, texts, paper=paper)))
            made[name, paper] = path
    return made


@pytest.fixture(scope="module")
def east(written):
    return read_sheet(written["EAST", "a4"])


def test_strips_by_hand(plots):
    """Gaps cut at the border of reaches are one strip; WEST has two that do not touch."""
    (strip,) = plots["EAST"].strips
    assert (strip.letter, strip.side, strip.covers) == ("A", "left", ("pasture",))
    assert (strip.length_m, strip.area_m2) == pytest.approx((250, 200 * 20 + 50 * 30))
    assert strip.width_m == pytest.approx(5500 / 250)
    upper, lower = plots["WEST"].strips
    assert [upper.letter, lower.letter] == ["A", "B"]
    assert (upper.length_m, upper.area_m2, lower.length_m) == pytest.approx((60, 1800, 60))
    assert plots["EAST"].streams == ("Fern Brook",)
    assert [(work.kind, work.year) for work in plots["EAST"].works] == [("tree planting", 2015)]
    assert plots["WEST"].works == ()


def test_properties_come_by_rank(tables):
    assert [plot.property_id for plot in find_plots(tables).plots] == ["EAST", "WEST"]


def test_the_setback_line_is_a_setback_off_the_bank(plots):
    line = plots["EAST"].setback_line
    beside = line.intersection(shapely.box(X + 10, Y - 380, X + 250, Y - 20))
    assert beside.bounds == pytest.approx((X + 2 + SETBACK_M, Y - 380, X + 2 + SETBACK_M, Y - 20))


def test_a_strip_across_a_border_is_shared_by_length():
    tables = make_tables([gap(0, "left", 0, 200)])
    tables["properties"].geometry = [
        shapely.box(X, Y - 200, X + 200, Y - 150), shapely.box(X, Y - 150, X + 200, Y), shapely.box(0, 0, 1, 1),
    ]  # fmt: skip
    lengths = {plot.property_id: plot.strips[0].length_m for plot in find_plots(tables).plots}
    assert lengths == pytest.approx({"WEST": 50, "EAST": 150})


@pytest.mark.parametrize(
    ("gaps", "kinds", "why"),
    [
        ([gap(0, "left", 0, 100) | {"certainty": "uncertain"}], ("natural", "natural"), {"no_gap": 2, "not_clear": 1}),
        ([gap(0, "left", 0, 100)], ("ditch", "natural"), {"no_gap": 2, "not_natural": 1}),
        ([gap(0, "left", 0, 5)], ("natural", "natural"), {"no_gap": 2, "sliver": 1}),
        ([gap(0, "left", 0, 100, 1.0)], ("natural", "natural"), {"no_gap": 2, "sliver": 1}),
    ],
)
def test_only_clear_gaps_of_natural_streams(gaps, kinds, why):
    found = find_plots(make_tables(gaps, kinds=kinds))
    assert found.plots == ()
    assert found.without == why


def test_gaps_that_are_not_known_are_not_told_as_none():
    tables = make_tables([gap(0, "left", 0, 100)])
    tables["properties"]["gap_length_m"] = [None, 100.0, None]
    assert find_plots(tables).without == {"not_known": 2}


def test_only_the_properties_asked_for_are_looked_at(tables):
    found = find_plots(tables, ["WEST", "FAR"])
    assert [plot.property_id for plot in found.plots] == ["WEST"]
    assert found.without == {"no_gap": 1}


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", ["EAST", "WEST"])
def test_what_is_read_back_is_true(written, plots, tables, name, paper):
    sheet = read_sheet(written[name, paper])
    streams = tables["reaches"].geometry.to_numpy()
    assert faults_of(sheet, plots[name], streams, OTHERS[name], PAPERS[paper]) == []


def test_reading_back_finds_planted_faults(written, plots, tables):
    """The checks of the test above are held to sheets that are wrong."""
    sheet, plot = read_sheet(written["EAST", "a4"]), plots["EAST"]
    streams, paper = tables["reaches"].geometry.to_numpy(), PAPERS["a4"]

    def faults(of=sheet, plot=plot, streams=streams, others=OTHERS["EAST"]):
        return faults_of(of, plot, streams, others, paper)

    assert faults(streams=shapely.reverse(streams)) == ["flow"]
    assert faults(others=["EAST"]) == ["id of a neighbour"]
    assert "outline" in faults(plot=plots["WEST"])
    assert "something beyond the property" in faults(plot=plots["WEST"])
    swapped = read_sheet(written["EAST", "a4"])
    swapped.text = swapped.text.replace("A left", "A right")
    swapped.text += " violation"
    swapped.fonts["Helvetica"] = False
    swapped.words.append({**swapped.words[0], "x0": swapped.words[0]["x0"] + 5, "x1": 700.0})
    assert faults(swapped) == [
        "fonts that are not embedded", "cut off at the edge of the page", "text on text", "left and right",
        "judging words",
    ]  # fmt: skip
    shrunk = read_sheet(written["EAST", "a4"])
    edge = max(shrunk.drawn(stroke=drawing.FRAME), key=lambda at: np.ptp(at[:, 0]))[:, 0].max()
    shrunk.paths = [(s, f, at if at[:, 0].min() < edge else at * (0.98, 1)) for s, f, at in shrunk.paths]
    assert scale_bar_error(shrunk, laid(shrunk, plot)) == pytest.approx(0.02, abs=0.002)


def test_what_the_page_says(east):
    for text in (
        "The stream on property EAST", "Fern Brook. Area: Fern Brook watershed", "about 250\u00a0m",
        "A left 250\u00a0m 22\u00a0m 5,500\u00a0m²", "our own aim, not a law", "Where animals graze",
        "tree planting, 2015",
        "Land cover as of 2021.", "2026-03-04", "Run 0123456789ab", "Bächi-Łoś & Søn", "+00 555 0100", "2015",
    ):  # fmt: skip
        assert text.replace("\u00a0", " ") in east.text.replace("\u00a0", " "), text
    assert "Beside a field" not in east.text  # no strip of it is beside crops
    words = [word["text"] for word in east.words]
    assert all(word in words for word in CAUTION.split())


def test_spanish_and_feet(written):
    text = read_sheet(written["WEST", "letter"]).text.replace("\u00a0", " ")
    assert "El arroyo en la finca WEST" in text
    assert "A derecha 195 ft 98 ft 0,44 acres" in text
    assert "Nivel preliminar" in text


def test_same_sheet_same_bytes(written, tables, plots, tmp_path):
    write_pdf(tmp_path / "again.pdf", make_sheet(plots["EAST"], make_setting(tables)))
    assert (tmp_path / "again.pdf").read_bytes() == written["EAST", "a4"].read_bytes()


def test_a_backdrop_lies_where_its_ground_is():
    """A picture in EPSG:3857 whose southern half is black: the window's lower part is darker, its upper part white."""
    from pyproj import Transformer

    to = Transformer.from_crs("EPSG:32633", "EPSG:3857", always_xy=True)
    west, middle = to.transform(X - 1000, Y)
    east, south = to.transform(X + 1000, Y - 1000)
    pixels = np.full((200, 200, 2), 255, np.uint8)
    pixels[100:, :, 0] = 0
    backdrop = Backdrop(pixels, (west, south, east, 2 * middle - south), "EPSG:32633", strength=0.5)
    shown = backdrop.below(Frame((0, 0, 100, 100), (X, Y), 5000))
    assert shown.shape == (400, 400)
    assert (shown[:180] == 255).all()
    assert (shown[220:] == 128).all()
    assert backdrop.below(Frame((0, 0, 100, 100), (X + 9000, Y), 5000)) is None


def test_picture_and_logo_are_on_the_page(tables, plots, tmp_path):
    grey, logo = np.full((40, 40), 200, np.uint8), np.full((30, 60, 3), 90, np.uint8)
    setting = make_setting(tables, logo=logo, backdrop=lambda frame: grey)
    write_pdf(tmp_path / "one.pdf", make_sheet(plots["EAST"], setting))
    sheet = read_sheet(tmp_path / "one.pdf")
    assert sheet.pictures == 2
    streams = tables["reaches"].geometry.to_numpy()
    assert faults_of(sheet, plots["EAST"], streams, OTHERS["EAST"], PAPERS["a4"]) == []


def test_a_large_property_is_shown_around_its_strips():
    strips = [shapely.box(0, 0, 100, 30)]
    whole = shapely.box(-5000, -200, 5000, 9000)
    frame = frame_for((0, 0, 100, 100), strips, whole)
    assert frame.scale == 5000
    assert shapely.box(*frame.ground).contains(strips[0])
    assert shapely.box(*frame.ground).intersects(whole.boundary)


def test_the_flow_arrow_is_on_the_property_even_where_little_of_a_stream_is(plots):
    frame = Frame((0, 0, 100, 100), (X, Y - 200), 50_000)
    arrows = drawing.flow_arrows([frame.cut(shapely.LineString([(X, Y), (X, Y - 400)]))], frame, plots["EAST"])
    assert len(arrows) == 1
    assert arrows[0][0][1] < arrows[0][2][1]


def test_too_long_texts_are_refused(tables, plots):
    with pytest.raises(InputError) as caught:
        make_sheet(plots["EAST"], make_setting(tables, contact="much to say " * 400))
    assert str(caught.value) == (
        "the sheet of property EAST does not fit on one page: its texts are too long.\n"
        "  Wanted: texts that leave 92 mm for the map in letters of 7 points.\n"
        "  Do: shorten the sentences in [sheets] texts, or [report] contact."
    )


def test_letters_the_font_lacks_and_signs_that_steer():
    assert drawable("Bäche, Łódź, ﬁ, 你好, a\u0301, x\u0007y\u202ez") == "Bäche, Łódź, ﬁ, ??, á, x y z"


def own_texts(folder: Path, content: str) -> Path:
    path = folder / "own.toml"
    path.write_text(content, "utf-8")
    return path


def test_own_sentences_take_the_place_of_shipped_ones(tmp_path):
    own = own_texts(tmp_path, '[en]\ntitle = "Creek on lot {property}"\n[es]\nlegend = "Signos"\n')
    assert texts_in("en", own).say("title", property="7") == "Creek on lot 7"
    assert texts_in("es", own).say("legend") == "Signos"
    assert texts_in("en", own).say("caution") == CAUTION


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (
            'titel = "x"',
            "titel is no sentence of the sheets.\n  Wanted: a key as in configs/sheets/en.toml, such as title.",
        ),
        ('title = ""', "title is no text.\n  Wanted: a sentence."),
        ('title = "{owner}"', "title asks for {owner}.\n  Wanted: {property} in this sentence."),
        ('shows = "A violation."', 'shows says "violat".\n  Wanted: plain words that blame nobody.'),
        ('caution = "All is well."', "caution changes the caution.\n  Wanted: the caution as it comes with gisprio."),
    ],
)  # fmt: skip
def test_own_sentences_that_do_not_fit(tmp_path, content, says):
    own = own_texts(tmp_path, f"[en]\n{content}\n")
    with pytest.raises(SettingsError) as caught:
        texts_in("en", own)
    assert str(caught.value) == f"{own}: [en] {says}\n  Do: mend the sentence, or take it out."


def test_a_language_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError) as caught:
        texts_in("pl")
    assert str(caught.value) == (
        'There are no sheets sentences in "pl".\n'
        "  Wanted: one of en, es, or a language that your own file of sentences holds.\n"
        "  Do: choose one of these, or write the sentences into a file of your own, after configs/sheets/en.toml."
    )
    with pytest.raises(SettingsError, match=r"\[pl\] subtitle is not there, and \d+ more\."):
        texts_in("pl", own_texts(tmp_path, '[pl]\ntitle = "Potok {property}"\n'))


@pytest.mark.parametrize("folder", ["sheets", "letters"])
def test_shipped_languages_hold_the_same_sentences_and_values(folder):
    english, spanish = (texts_in(code, folder=folder).sentences for code in ("en", "es"))
    assert set(english) == set(spanish)
    for key, sentence in english.items():
        assert {*sentence.split("{")[1:]} == set() or sorted(_places(sentence)) == sorted(_places(spanish[key])), key


def _places(sentence: str) -> list[str]:
    return [part.partition("}")[0] for part in sentence.split("{")[1:]]
