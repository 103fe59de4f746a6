"""The page of works: numbers as roughly as they are known, in the reader's units, and a sketch that is to scale."""

from __future__ import annotations

import re

import pytest

from gisprio.compute.works.labour import volunteer_hours
from gisprio.compute.works.sizing import common_warnings, not_sized, size_facts, size_site, told_of
from gisprio.compute.works.warnings import warnings_of_site
from gisprio.contracts.works import ITEMS, Given
from gisprio.products.works import Bank, PageSite, WorksPage, rounded, sketch, works_page
from gisprio.products.works_words import shown_unit, told_in
from works_facts import WORKED, settings_with, site_facts

METRIC = re.compile(r"\d (?:m|m2|m3|t|kg|t/m|m3/m|km2|m/s)(?![\w/])")


def places(svg: str, kind: str) -> list[tuple[float, float]]:
    """Give the places of the first shape or line of a kind."""
    points = re.search(rf'class="{kind}" points="([^"]+)"', svg)
    assert points
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in points[1].split())]


def test_no_sentence_keeps_a_metric_number_in_us_units():
    settings = settings_with(**WORKED | {"lift_height_m": 0.6, "toe_rock_t_m": (1.0, 8.0)})
    facts = [
        site_facts(near={"structure": (2.0, "pipeline")}, given=Given(length_m=170.0), length_m=170.0),
        site_facts(heights=None, no_heights="the heights here have cells of 10 m, too wide to show a bank"),
    ]
    said = [text for warned in common_warnings(facts, settings) for text in warned[1:]]
    for one in facts:
        found = size_site(one, settings)
        said += [*told_of(one, settings), not_sized(one, found) or ""]
        said += [text for warned in warnings_of_site(one, found, settings) for text in warned[1:]]
    assert sum(bool(METRIC.search(text)) for text in said) > 8
    assert [text for text in said if METRIC.search(told_in(text, "us"))] == []
    assert [told_in(text, "si") for text in said] == said


def test_units_are_those_of_the_reader():
    assert told_in("2.976 to 5.953 t/m over 152.4 m", "us") == "1 to 2 US tons/ft over 500 ft"
    assert told_in("2.508 m3/m", "us") == "1 yd³/ft"
    assert told_in("4408 m2", "us") == "47400 ft²"
    assert shown_unit("m2", "us", "planting_area")[1] == "acres"
    assert {shown_unit(item.unit, "us")[1] for item in ITEMS} >= {"ft", "ft²", "yd³", "US tons", "lb", "plants"}
    assert {shown_unit(item.unit, "si")[0] for item in ITEMS} == {1.0}
    assert 100 * shown_unit("m3", "us")[0] == pytest.approx(130.795, abs=0.001)


def test_numbers_are_told_as_roughly_as_they_are_known():
    assert [rounded(value) for value in (248.39, 0.0432, 99.6, 1_234_567.0)] == ["250", "0.043", "100", "1,200,000"]
    assert rounded(175.0, 3) == "175"


@pytest.mark.parametrize("bank", [Bank(1.3, 1.7, 2.1, 0.0, 2.0, True), Bank(0.4, 0.5, 0.6, 0.5, 5.0, False)])
def test_the_sketch_is_to_one_scale(bank):
    drawn = sketch(bank, "si")
    toe, old_top, new_top = places(drawn, "wk-cut")
    scale = (toe[1] - old_top[1]) / bank.mid_m
    assert old_top[0] - toe[0] == pytest.approx(bank.start * bank.mid_m * scale, abs=0.2)
    assert new_top[0] - toe[0] == pytest.approx(bank.finished * bank.mid_m * scale, abs=0.2)
    assert ("wk-rock" in drawn.split("</style>")[1]) == bank.rock
    inside = [x for kind in ("wk-now", "wk-new", "wk-earth") for x, _ in places(drawn, kind)]
    assert 0 <= min(inside) <= max(inside) <= 640


def test_a_bank_that_is_flat_enough_already_is_not_cut():
    drawn = sketch(Bank(1.0, 1.2, 1.4, 3.0, 2.0, False), "us").split("</style>")[1]
    assert "wk-cut" not in drawn
    assert "moves back" not in drawn
    assert "3.9 ft" in drawn


def test_a_page_tells_ranges_exact_numbers_and_what_is_open():
    settings = settings_with(**WORKED)
    tables = size_facts([site_facts(area=(1512.0, 1512.0, 1512.0))], settings)
    site = PageSite(
        site_id="AAAAAA-01-L-S1",
        where="Made <Brook>",
        measure="bank works and plant",
        why="Because.",
        facts=["Length 55 m, given."],
        items=tables["work_items"],
        not_sized=None,
        warnings=["Mind the step."],
        questions=[("Is it high?", "it is"), ("Is it steep?", ""), ("Is it wet?", None)],
        bank=None,
    )
    scopes = {"bank works and plant": "All of it.", "plant": "Plants."}
    sites, items = tables["work_sites"], tables["work_items"]
    page = works_page(
        WorksPage(
            place="Made",
            date="2026-05-31",
            digest="abc123",
            units="si",
            scopes=scopes,
            all_sites=sites,
            items=items,
            common=["Always so."],
            sites=[site],
            hours=volunteer_hours(items),
            costs=None,
        )
    )
    cells = re.findall(r"<tr><th[^>]*>([^<]+)</th>(.*?)</tr>", page)
    rows = {head: re.findall(r"<td[^>]*>([^<]*)</td>", rest) for head, rest in cells}
    assert rows["Cut"][:5] == ["160", "250", "350", "m³", "given"]
    assert rows["Length of bank"][:5] == ["55", "55", "55", "m", "given"]
    assert rows["Ground to plant"][:3] == ["1,510", "1,510", "1,510"]
    assert rows["Live stakes"][:3] == ["340", "600", "1,100"]
    assert "Made &lt;Brook&gt;." in page
    assert "Plants." not in page
    for text in ("Always so.", "Mind the step.", "Is it high? Yes: it is.", "Is it steep? No, as far as is known."):
        assert text in page
    assert "<li>Cut: 55 x (2.94 + 4 x 4.463 + 6.304) / 6 = 248.4 m3; " in page
    assert "Is it wet? Maps do not tell: look on site." in page
    assert "from the run abc123" in page
    assert "Run-out" not in page.partition("All sites together")[2].partition("How to read")[0]
