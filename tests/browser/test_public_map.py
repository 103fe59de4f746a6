"""The public map in a real browser without a network: opens, agrees with its table, obeys keys, fits a phone."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from PIL import Image

from browser.test_access import CUT, large, violations  # noqa: F401  (large is a fixture)
from browser.test_map import opened, pixels
from gisprio.products.classes import SHARE_CLASSES
from gisprio.products.public_map import write_public_map
from unit.products.product_world import EVIL
from unit.products.public_world import EVEN, make_public_results

HELD = {"Upper": EVEN, "Middle": EVEN[:4], "Lower": EVEN, "Other": (5000.0, 100.0, 100.0, 100.0, 100.0), "Side": EVEN}
GAPS = {"Upper": 0.9, "Middle": 0.3, "Lower": 0.5, "Other": 0.25, "Side": 0.12}


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map-public.html"
    write_public_map(path, make_public_results(HELD, gaps=GAPS))
    return path.as_uri()


def write(tmp_path, *world, **more):
    write_public_map(tmp_path / "map-public.html", make_public_results(*world, **more))
    return (tmp_path / "map-public.html").as_uri()


def count(page, colour):
    """Count pixels of the map, legend and panel left out, that are near a colour."""
    want = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return int((np.abs(pixels(page)[:, 262:830] - want).max(axis=2) < 12).sum())


def test_opens_offline_with_one_request_and_no_error_and_tells_its_numbers(
    page, page_requests, console_errors, address
):
    opened(page, address)
    assert page_requests == [address]
    assert console_errors == []
    assert page.title() == "Tansy Brook: streams and their banks"
    assert page.inner_text("#subtitle") == "How the banks of its streams are doing, run of 2026-03-04"
    assert page.inner_text("#headline").split("\n")[0].replace("\u00a0", " ") == "46 %"
    assert "2.9 of 6.4\u00a0km" in page.inner_text("#headline")
    assert page.inner_text("#caution").startswith("Screening level, from maps. Not a survey")
    assert page.inner_text("#contact") == "Friends of the Brook, brook@example.org"
    words = page.inner_text("#words")
    assert "at least 5 properties along their banks" in words
    assert "more than 80 % of the banks" in words
    assert "trees and shrubs or wetland plants do not reach the width looked for: 30\u00a0m" in words


def rows_of(page):
    found = page.locator("#rows .row").all()
    return [
        [cell.inner_text().replace("\u00a0", " ").split("\n")[0] for cell in row.locator("th, td").all()]
        for row in found
    ]


def test_the_table_tells_the_parts_most_lacking_first_and_the_hidden_one_without_a_number(page, address):
    opened(page, address)
    assert rows_of(page) == [
        ["Upper", "90 %", "25 %"],
        ["Lower and Middle", "40 %", "25 %"],
        ["Side", "12 %", "25 %"],
        ["Other", "not shown"],
    ]
    assert page.inner_text("#sum th") == "All parts shown"
    assert page.locator("#withheld").is_visible()
    assert "Other" not in page.inner_text("#sum")


def test_map_table_and_legend_have_the_same_colours(page, address):
    opened(page, address)
    gauges = page.locator("#rows .gauge i").evaluate_all("all => all.map((one) => one.style.background)")
    wanted = [SHARE_CLASSES[place].colour for place in (0, 2, 4)]
    assert gauges[:3] == [f"rgb({int(c[1:3], 16)}, {int(c[3:5], 16)}, {int(c[5:], 16)})" for c in wanted]
    assert [count(page, colour) > 80 for colour in wanted] == [True] * 3
    for place in (1, 3):
        assert count(page, SHARE_CLASSES[place].colour) < 10
    assert page.locator("#classes li").all_inner_texts() == [
        "80 % or more", "60 to 80 %", "40 to 60 %", "20 to 40 %", "under 20 %", "not shown",
    ]  # fmt: skip


def test_a_row_under_the_pointer_stands_out_on_the_map(page, address):
    opened(page, address)
    before = count(page, SHARE_CLASSES[0].colour), count(page, SHARE_CLASSES[2].colour)
    page.locator("#rows .row").first.hover()
    assert count(page, SHARE_CLASSES[0].colour) > 1.2 * before[0]
    assert count(page, SHARE_CLASSES[2].colour) < 0.2 * before[1]
    page.mouse.move(500, 5)
    assert (count(page, SHARE_CLASSES[0].colour), count(page, SHARE_CLASSES[2].colour)) == before


def test_a_click_on_a_line_opens_the_part_it_belongs_to(page, address):
    opened(page, address)
    want = [int(SHARE_CLASSES[2].colour[i : i + 2], 16) for i in (1, 3, 5)]
    ys, xs = np.nonzero(np.abs(pixels(page)[:, 262:830] - want).max(axis=2) < 12)
    page.mouse.click(262 + int(xs[len(xs) // 2]), int(ys[len(ys) // 2]))
    assert page.inner_text("#card h2") == "Lower and Middle"
    assert page.locator("#rows .row[aria-current=true] .name").inner_text() == "Lower and Middle"
    facts = dict(
        zip(page.locator("#card dt").all_inner_texts(), page.locator("#card dd").all_inner_texts(), strict=True)
    )
    assert {name: text.replace("\u00a0", " ") for name, text in facts.items()} == {
        "Banks looked at": "3.2 km", "Lack their strip": "1.3 km, 40 %", "Ground to plant": "3.2 ha",
        "Likely to erode": "25 %",
    }  # fmt: skip
    assert [text.split("\n")[-1] for text in page.locator("#card .key li").all_inner_texts()] == [
        "25\u00a0%", "0\u00a0%", "25\u00a0%", "50\u00a0%",
    ]  # fmt: skip
    page.mouse.click(300, 100)
    assert page.locator("#card").is_hidden()


def test_keyboard_alone_walks_the_table_and_closes_the_card(page, address):
    opened(page, address)
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "go":
            break
    assert page.evaluate("document.activeElement.textContent") == "Upper"
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    assert page.locator("#rows .row.looked .name").inner_text() == "Upper"
    page.keyboard.press("End")
    page.keyboard.press("Enter")
    assert page.inner_text("#card h2") == "Other"
    assert "not shown" in page.inner_text("#card")
    assert "Other" in page.inner_text("#live")
    page.keyboard.press("Home")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    assert page.inner_text("#card h2") == "Lower and Middle"
    page.focus("#card-close")
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()
    assert page.evaluate("document.activeElement.textContent") == "Lower and Middle"


def test_hostile_names_are_text_and_run_nothing(page, page_requests, console_errors, tmp_path):
    opened(
        page, write(tmp_path, dict.fromkeys(EVIL, EVEN), names=EVIL, title=EVIL[0], contact=EVIL[4], reaches_each=10)
    )
    shown = page.locator("#rows .name").evaluate_all("all => all.map((one) => one.textContent)")
    assert sorted(shown) == sorted(EVIL)
    assert page.evaluate("document.querySelector('#title').textContent") == EVIL[0]
    assert page.evaluate("document.querySelector('#contact').textContent") == EVIL[4]
    for row in range(len(EVIL)):
        page.locator("#rows .go").nth(row).click()
        assert page.evaluate("document.querySelector('#card h2').textContent") == shown[row]
    named = page.locator(".stream-name").evaluate_all("all => all.map((one) => one.textContent)")
    assert named
    assert set(named) <= set(EVIL)
    assert page.evaluate("window.hacked") is None
    assert page.locator("main script:not([type='text/plain']), main img:not(.leaflet-image-layer)").count() == 0
    assert console_errors == []
    assert len(page_requests) == 1


def test_a_phone_shows_it_without_scrolling_sideways(browser, address):
    context = browser.new_context(offline=True, viewport={"width": 390, "height": 844}, has_touch=True)
    page = opened(context.new_page(), address)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    heights = {name: page.locator(name).bounding_box() for name in ("#title", ".map", "#legend", "#table", "#words")}
    assert [heights[name]["y"] for name in heights] == sorted(box["y"] for box in heights.values())
    assert heights[".map"]["width"] == heights["#legend"]["width"] == 390
    page.locator("#rows .go").first.tap()
    assert page.locator("#card").bounding_box()["width"] == 390
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    small = "button, summary, label"
    for box in [one.bounding_box() for one in page.locator(small).all() if one.is_visible()]:
        assert box["height"] >= 44
    context.close()


@pytest.mark.parametrize("wide", [1280, 390])
def test_axe_finds_no_violation(page, address, wide):
    page.set_viewport_size({"width": wide, "height": 844})
    opened(page, address)
    assert violations(page) == {}
    page.locator("#rows .go").first.click()
    assert violations(page) == {}


def test_text_twice_as_large_loses_nothing(large, address):  # noqa: F811
    context = large.new_context(offline=True, viewport={"width": 1280, "height": 800})
    page = opened(context.new_page(), address)
    page.locator("#rows .go").first.click()
    assert page.evaluate("parseFloat(getComputedStyle(document.querySelector('#title')).fontSize)") > 40
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    assert page.evaluate(CUT) == []
    context.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_it_is_one_sheet_with_the_caution(page, address, paper):
    opened(page, address)
    page.locator("#rows .go").first.click()
    margins = dict.fromkeys(("top", "right", "bottom", "left"), "12mm")
    sheets = page.pdf(format=paper, print_background=True, margin=margins)
    assert len(re.findall(rb"/Type\s*/Page\b", sheets)) == 1
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("#card").is_hidden()
    assert page.locator("#caution").is_visible()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#card").is_visible()


def test_without_properties_it_says_why_there_is_one_row_in_feet_and_miles(page, console_errors, tmp_path):
    results = make_public_results(HELD, gaps=GAPS, units="us")
    results.tables["properties"] = results.tables["properties"][:0]
    write_public_map(tmp_path / "map-public.html", results)
    opened(page, (tmp_path / "map-public.html").as_uri())
    assert rows_of(page) == [["Whole watershed", "41 %", "25 %"]]
    assert page.inner_text("#rows td small") == "2.1 of 5\u00a0mi"
    assert "no properties were given" in page.inner_text("#words")
    assert "98\u00a0ft" in page.inner_text("#words")
    assert page.inner_text(".leaflet-control-scale").endswith(("ft", "mi"))
    page.locator("#rows .go").first.click()
    assert page.locator("#card dd").nth(2).inner_text().endswith("acres")
    assert console_errors == []


def test_the_hillshade_can_be_switched_off(page, address):
    opened(page, address)
    assert page.locator("img.leaflet-image-layer").count() == 1
    page.uncheck("#shade")
    assert page.locator("img.leaflet-image-layer").count() == 0
    grey = np.asarray(Image.open(io.BytesIO(page.locator(".map").screenshot())).convert("RGB")).astype(int)
    assert (grey[20:60, 300:340] == [0xEC, 0xEE, 0xEB]).all()
