"""Lengths in sentences: written by one list of phrases, told in feet by the same, and by nothing else."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

import gisprio
from gisprio.compute.factors import FACTORS
from gisprio.compute.land.prompts import prompts
from gisprio.contracts.phrases import HIGH, PHRASES
from gisprio.contracts.settings import Sites
from gisprio.products.desk import Run, _facts
from gisprio.products.document import Document
from gisprio.products.map import map_data
from gisprio.products.top_banks import kml_of, top_banks
from gisprio.products.units import sentences_in
from gisprio.products.works import PageSite, _site
from unit.products.product_world import make_results

PACKAGE = Path(gisprio.__file__).parent
SITE = {
    "measure": "bank works and plant", "name": "Fern Brook", "joint_length_m": 412.4, "bank_height_m": 3.42,
    "step": "a step of 0.6 m in the bed lies 35 m upstream (at a crossing: perhaps a culvert)", "outer_bend": 2.14,
    "structure": "a structure of kind wall 2 m high lies 12 m away", "constraint": "fence 3 m long",
}  # fmt: skip


def feet(text: str) -> str:
    return sentences_in(pd.Series([text]), "us")[0]


def test_prompts_of_a_site_in_feet_and_the_words_of_layers_as_they_are():
    told = {key: feet(text) for key, text in prompts(SITE, Sites()).items()}
    assert told["prompt_length"] == (
        "With the sites that go on along this bank it is 1352 ft long, over 492 ft ([sites] length_limit_m): ask "
        "whether a permit has a limit of length."
    )
    assert (
        told["prompt_structure"]
        == "Near a structure: a structure of kind wall 2 m high lies 39 ft away. Ask its owner."
    )
    assert told["prompt_design"] == (
        "A qualified design is needed for any work on the bank: work on the face of a bank; the bank is 11 ft high; a "
        "step of 2.0 ft in the bed lies 115 ft upstream (at a crossing: perhaps a culvert); a bend of 2.1 widths' "
        "radius; a structure of kind wall 2 m high lies 39 ft away; fence 3 m long beside it."
    )


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        (
            "Erodes: retreated by 0.56 m a year, all on its worst stretch.",
            "Erodes: retreated by 1.84 ft a year, all on its worst stretch.",
        ),
        (
            "a step of 1.5 m in the bed lies beside it; planting is lost",
            "a step of 5 ft in the bed lies beside it; planting is lost",
        ),
        ("a bankfull flow of 27.0 W/m2", "a bankfull flow of 27.0 W/m2"),
        (
            "by your table from 15 m of the bank lies 3 m away.5",
            "by your table from 15 m of the bank lies 10 ft away.5",
        ),
        ("relies 3 m away, lies 3 m awayward, lies 3 mm away", "relies 3 m away, lies 3 m awayward, lies 3 mm away"),
    ],
)
def test_a_sentence_in_feet(metric, us):
    assert feet(metric) == us
    assert sentences_in(pd.Series([metric]), "si")[0] == metric


def test_null_stays_null_and_each_row_keeps_its_own():
    given = pd.Series(["lies 3 m away", None, "lies 30 m away", "lies 3 m away"], index=[4, 1, 2, 9], dtype=object)
    told = sentences_in(given, "us")
    assert told.index.tolist() == [4, 1, 2, 9]
    assert told.isna().tolist() == [False, True, False, False]
    assert told.dropna().tolist() == ["lies 10 ft away", "lies 98 ft away", "lies 10 ft away"]


def test_no_other_length_is_written_into_a_sentence_of_banks_or_sites():
    """What the sentences are written by holds a place followed by metres only where it comes from the phrases."""
    for name in ("land/prompts.py", "land/site_places.py", "land/measures.py", "scoring/reasons.py"):
        assert re.findall(r"\} ?m\b", (PACKAGE / "compute" / name).read_text("utf-8")) == [], name
    words = {phrase.words for phrase in PHRASES}
    lengths = [one.card.because for one in FACTORS if re.search(r"\} ?m\b", one.card.because)]
    assert lengths
    assert set(lengths) <= words


def told_on(units: str) -> tuple[str, str, str]:
    """Give what the card of a bank and of a site, and its mark in ``top.kmz`` say; layers stay as they are."""
    results = make_results(24, units=units)
    banks, sites = results.tables["banks"], results.tables["sites"]
    banks["why"], sites["prompt_design"] = "Erodes: retreated by 0.50 m a year.", HIGH.say(height_m=3.0)
    data = map_data(results, None)
    assert banks["why"].unique().tolist() == ["Erodes: retreated by 0.50 m a year."]
    (why,), (design,) = data["banks"]["why"]["w"], data["sites"]["prompt_design"]["w"]
    return why, design, kml_of(top_banks(results), results)


def test_map_and_marks_tell_feet_only_with_us_units():
    why, design, kml = told_on("us")
    assert (why, design) == ("Erodes: retreated by 1.64 ft a year.", "the bank is 10 ft high")
    assert "retreated by 1.64 ft a year" in kml
    assert "0.50 m" not in kml
    why, design, kml = told_on("si")
    assert (why, design) == ("Erodes: retreated by 0.50 m a year.", "the bank is 3.0 m high")
    assert "retreated by 0.50 m a year" in kml


@pytest.mark.parametrize(("units", "says"), [("us", "a step of 5 ft in the bed"), ("si", "a step of 1.5 m in the bed")])
def test_pages_for_the_desk_and_of_works_tell_a_reason_as_the_map_does(units, says):
    why = "Look first: a step of 1.5 m in the bed lies beside it."
    bank = {"why": why, "gap_length_m": None, "buffer_width_m": None, "setback_m": None, "property_id": None}
    (fact,) = _facts(bank, Run("x", "2026-03-04", "0123", "", (), units))
    assert says in fact
    site = PageSite("B-S1", "Left bank", "look first", why, (), pd.DataFrame({"item": []}), "Nothing.", (), (), None)
    document = Document("Works", "")
    _site(document, site, units)
    assert says in document.html()
