"""The report: its numbers by hand, its sentences as a whole, text of data as text, the same bytes each time."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from gisprio.contracts.pictures import Picture
from gisprio.contracts.words import CAUTION
from gisprio.products import report_words as words
from gisprio.products.report import report_page, write_report
from gisprio.products.report_facts import Facts, Reached, Units, properties_of, reached_by_banks, totals_by
from gisprio.products.report_map import Frame, report_map
from gisprio.products.report_plots import thinned
from unit.products.product_world import EVIL, make_results

ROBUST = {"draws": 2000, "top_banks": 20, "top_staying": 4, "told_apart_to_rank": 92, "ranked_banks": 518}
LAYERS = [
    {"layer": "dem", "files": ["a.tif", "b.tif"], "rows": None, "from_year": None, "to_year": None},
    {"layer": "done", "files": ["done.gpkg"], "rows": 3, "from_year": 2015, "to_year": 2021},
]
METHODS = [
    "Methods of Tansy Brook", "Started today.", "1. Routing grid", "   Lays one grid.", "   - A decision.",
    "2. Network", "   Joins lines.", "Sources", "   Strahler AN (1957). Analysis.", "     Taken: order.", CAUTION,
]  # fmt: skip
SHORTLIST = {
    "budget": 50000.0, "currency": "USD", "price_year": 2024, "price_year_last": 2024,
    "cost": "mid", "sites": ["a", "b"], "candidates": 9,
    "properties": 2, "length_m": 310.0, "spent": {"total": 48000.0}, "cost_low": 30000.0, "cost_high": 90000.0,
    "effect": {"total": 12345.0, "unit": "priority x m"}, "notes": ["Prices are examples."],
    "curve": [{"budget": 25000.0, "effect": 8000.0}, {"budget": 50000.0, "effect": 12345.0}],
}  # fmt: skip


def world(reaches=24, *, coarse=False, record=None, **more):
    """Make a world whose cover is known where it is not coarse, with drawn ranks and a second rule."""
    results = make_results(reaches, coarse=coarse, **more)
    banks, setbacks = results.tables["banks"], results.tables["bank_setbacks"]
    rank = banks["rank"].astype(float)
    banks = banks.assign(
        width_known_share=0.0 if coarse else 1.0, rank_p05=(rank - 5).clip(lower=1), rank_p50=rank, rank_p95=rank + 30,
        top_share=0.5,
    )  # fmt: skip
    wider = setbacks.assign(rule="wider", setback_m=60.0, gap_length_m=2 * setbacks["gap_length_m"])
    tables = {**results.tables, "banks": banks, "bank_setbacks": pd.concat([setbacks, wider], ignore_index=True)}
    told = {
        **results.record,
        "gisprio": "0.1",
        "robustness": ROBUST,
        "layers": LAYERS,
        "cells_m": {"dem": 1.0},
        **(record or {}),
    }
    picture = Picture(np.full((40, 40, 2), 255, np.uint8), tuple(banks.to_crs(3857).total_bounds), 1.0)
    return dataclasses.replace(results, tables=tables, record=told, methods=lambda: METHODS, backdrop=lambda: picture)


@pytest.fixture(scope="module")
def results():
    return world()


@pytest.fixture(scope="module")
def page(results):
    return report_page(results, SHORTLIST)


def banks(**columns):
    frame = pd.DataFrame(columns)
    defaults = {"known_m": frame["length_m"], "clear_m": frame["gap_length_m"], "uncertain_m": 0.0, "reach_m": 100.0}
    frame = frame.assign(**{name: value for name, value in defaults.items() if name not in frame})
    return frame.assign(
        setback_m=30.0, gap_area_m2=10 * frame["gap_length_m"], reach_id=[f"r{n // 2}" for n in range(len(frame))]
    )


# ---------------------------------------------------------------- numbers


def test_totals_are_sums_and_shares_are_of_what_is_known():
    table = banks(
        cover=["crop", "crop", None], length_m=[100.0, 300.0, 50.0], gap_length_m=[40.0, 60.0, np.nan],
        known_m=[100.0, 100.0, 0.0], uncertain_m=[0.0, 10.0, 0.0], clear_m=[40.0, 50.0, 0.0],
        priority=[80.0, 40.0, 7.0],
    )  # fmt: skip
    crop, other = totals_by(table, "cover").to_dict("records")
    sums = [crop[name] for name in ("banks", "length_m", "gap_m", "clear_m", "uncertain_m")]
    assert sums == [2, 400, 100, 90, 10]
    assert (crop["gap_share"], crop["priority"], crop["gap_m2"], crop["stream_m"]) == (0.5, 50.0, 1000.0, 100.0)
    assert pd.isna(other["cover"])
    assert np.isnan([other["gap_m"], other["gap_share"], other["clear_m"]]).all()


def test_the_first_reach_their_share_of_priority_times_gap():
    curve = reached_by_banks(
        pd.DataFrame(
            {"priority": [90.0, 50.0, 10.0], "gap_length_m": [100.0, 20.0, np.nan], "length_m": [200.0, 200.0, 100.0]}
        )
    )
    assert curve.taken.tolist() == [0, 200, 400, 500]
    assert curve.share.tolist() == [0, 0.9, 1, 1]
    assert (curve.at(100.0), curve.needed(0.45)) == pytest.approx((0.45, 100.0))
    none = pd.DataFrame({"priority": [9.0], "gap_length_m": [np.nan], "length_m": [5.0]})
    assert reached_by_banks(none) is None
    long = Reached(np.arange(5001.0), np.linspace(0, 1, 5001))
    taken, share = thinned(long)
    assert (len(taken), taken[0], taken[-1], share[-1]) == (400, 0, 5000, 1)


def test_the_banks_of_the_report_hold_what_the_layers_hold(results):
    facts, gaps = Facts(results), results.tables["gaps"]
    sums = gaps.groupby("certainty")["length_m"].sum()
    assert facts.banks["clear_m"].sum() == pytest.approx(sums["clear"])
    assert facts.banks["uncertain_m"].sum() == pytest.approx(sums["uncertain"])
    assert facts.ranked["rank"].is_monotonic_increasing
    assert len(facts.ranked) == results.tables["banks"]["rank"].notna().sum()


def test_properties_are_named_the_longest_frontage_first():
    frontages = pd.DataFrame(
        {"bank_id": list("aaaab"), "property_id": list("vwxyz"), "frontage_m": [10.0, 40.0, 30.0, 20.0, 0.0]}
    )
    assert properties_of(pd.Series(["a", "b", "c"]), frontages) == ["w, x, y and 1 more", "", ""]


def test_units_are_those_people_read():
    us = Units("us")
    assert (us.m, us.km, us.ha) == ("ft", "mi", "acres")
    assert (us.near(3.048), us.far(1609.344), us.ground(4046.8564224)) == pytest.approx((10, 1, 1))
    assert Units("si").far(2500) == 2.5


# ---------------------------------------------------------------- sentences


def facts_of(ranked, all_banks=None, **robust):
    every = ranked if all_banks is None else all_banks
    record = {"robustness": {**ROBUST, **robust}} if robust is not None else {}
    return SimpleNamespace(
        ranked=ranked, banks=every, top=ranked.head(20), units=Units("si"), results=SimpleNamespace(record=record),
        top_n=20, measured=bool(ranked["gap_length_m"].notna().any()),
    )  # fmt: skip


RANKED = banks(
    bank_id=["A-L", "B-R"], side=["left", "right"], name=["Tansy Brook"] * 2, rank=[1, 2], sub_watershed_id=["W"] * 2,
    length_m=[6000.0, 4000.0], gap_length_m=[4500.0, 500.0], clear_m=[4500.0, 0.0], uncertain_m=[0.0, 500.0],
    known_m=[6000.0, 3000.0], not_ranked=[None, None],
)  # fmt: skip


def test_the_answer_in_three_sentences():
    ditch = RANKED.head(1).assign(rank=np.nan, not_ranked="a ditch")
    assert words.answer(facts_of(RANKED, pd.concat([RANKED, ditch]))) == [
        "2 of 3 banks, 10.0 km of them, were ranked; not ranked: a ditch (1).",
        "Of the 9.0 km of ranked bank whose cover is known, 5.0 km (56 %) lack the setback: 4.5 km clearly, 0.5 km "
        "uncertainly; of 1.0 km more it is not known.",
        "The most urgent bank is A-L, the left bank of Tansy Brook, and all of the first 2 lie on Tansy Brook; 4 of "
        "the first 20 stay among them in at least 80 % of 2,000 draws of weights and errors, and beyond rank 92 a bank "
        "cannot be told apart from the middle of the 518.",
    ]


def test_the_answer_where_nothing_is_sure_or_measured():
    bare = RANKED.assign(name=None, gap_length_m=np.nan, known_m=0.0)
    assert words.answer(facts_of(bare, top_staying=0)) == [
        "All 2 banks, 10.0 km of them, were ranked.",
        "How much of the bank lacks its setback could not be measured, since the land cover is too coarse or not known "
        "there; the ranks stand on erosion and on the share of cover in the strip.",
        "The most urgent bank is A-L, and all of the first 2 lie in sub-watershed W; none of the first 20 stay among "
        "them in at least 80 % of 2,000 draws of weights and errors, so that the list says where to look first, and no "
        "order.",
    ]
    assert words.answer(facts_of(bare.head(0)))[2].startswith("No bank has a rank;")


def test_what_was_seen_in_the_field():
    told = {
        "says": "Of 12 visits 7 saw erosion.", "area": 0.81, "area_low": 0.6, "area_high": 0.97, "high_eroding": 5,
        "high_stable": 1, "low_eroding": 2, "low_stable": 4, "misleading": "outer_bend",
    }  # fmt: skip
    facts = SimpleNamespace(results=SimpleNamespace(record={"agreement": told}))
    assert words.agreement(facts) == [
        "Of 12 visits 7 saw erosion.",
        "A bank seen to erode scores above one that was not in 81 % of all pairs (95 % interval 60 % to 97 %; by "
        "chance it would be 50 %).",
        "Scored at the threshold or above: 5 seen to erode, 1 not. Scored below: 2 seen to erode, 4 not.",
        "High where banks do not erode: outer_bend.",
    ]
    assert words.agreement(SimpleNamespace(results=SimpleNamespace(record={"agreement": {}}))) == []


# ---------------------------------------------------------------- the page


def headings(page):
    return re.findall(r"<h[123][^>]*>(.*?)</h[123]>", page)


def test_every_part_is_there_and_the_cautions(page):
    assert headings(page) == [
        "Tansy Brook: where stream banks need work first",
        "What was asked", "The answer", "Where they are", "Streams, banks, setback and gap",
        "How far the first ones reach", "The first 20 banks, why, and how sure", "How far ranks move",
        "The first properties", "Setback rules side by side", "Shortlist",
        "What was seen in the field", "How good the data are", "Warnings: 12", "Notes: 1",
        "How it was done", "Sources",
    ]  # fmt: skip
    assert CAUTION in page
    assert "not for publishing" in page
    assert page.count("<figure") == 5  # map, bars, curve, intervals, budget
    assert "2 of 9 candidate sites on 2 properties" in page
    assert "<li>Routing grid: Lays one grid.</li>\n<li>Network: Joins lines.</li>\n</ol>" in page
    assert "<ul>\n<li>Strahler AN (1957). Analysis.</li>\n</ul>" in page
    assert ">2015 to 2021<" in page
    assert ">cells of 1 m<" in page


def test_without_a_shortlist_properties_or_gaps_the_page_says_so():
    page = report_page(world(12, coarse=True, properties=False))
    assert "Shortlist" not in headings(page)
    assert "could not be measured, since the land cover is too coarse" in page
    assert "No gap was measured: what the first banks or properties hold of it cannot be said." in page
    assert "No property is ranked: no property layer was given, or no gap could be measured." in page
    assert "No visit was brought back: nothing was checked on the ground yet." in page


def test_text_of_data_stays_text_and_units_are_those_asked_for():
    layers = [{**LAYERS[0], "layer": EVIL[0], "files": [EVIL[4]]}]
    page = report_page(world(names=(EVIL[0], EVIL[1], EVIL[6]), title=EVIL[1], units="us", record={"layers": layers}))
    tags, handlers = set(), set()

    class Tags(HTMLParser):
        def handle_starttag(self, tag, attrs):
            tags.add(tag)
            handlers.update(name for name, _ in attrs if name.startswith("on") or name == "src")

    Tags().feed(page)
    assert not tags & {"script", "img", "iframe", "a"}
    assert handlers == set()
    assert not re.search("[\u202a-\u202e]", page)
    assert "Bank (mi)" in page


def test_same_results_give_the_same_bytes(results, page, tmp_path):
    write_report(tmp_path / "report.html", results, SHORTLIST)
    assert (tmp_path / "report.html").read_text("utf-8") == page


def test_the_map_places_banks_as_they_lie_and_no_number_on_another(results):
    picture, alt = report_map(results)
    assert picture.count("data:image/jpeg;base64,") == 1
    assert alt.startswith("Map of the banks of Tansy Brook, by urgency.")
    at = np.array(re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', picture), float)
    top = results.tables["banks"]
    assert len(at) == (top["rank"] <= 10).sum()
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    assert away[np.triu_indices(len(at), 1)].min() >= 11.9
    frame = Frame.around((0.0, 0.0, 1000.0, 500.0))
    placed = frame.placed(np.array([[0.0, 0.0], [1000.0, 500.0]]))
    assert placed[0][0] < placed[1][0]
    assert placed[0][1] > placed[1][1]  # north is up
    across, up = np.abs(placed[1] - placed[0])
    assert across == pytest.approx(2 * up)
