"""The map in a real browser without a network: opens, draws, explains, and obeys keyboard and choices."""

from __future__ import annotations

import io
import time

import numpy as np
import pytest
from PIL import Image

from browser.limits import key_to_painted
from gisprio.products.classes import VIRIDIS_5
from gisprio.products.map import write_map
from unit.products.large_world import make_large_results


def opened(page, address):
    page.goto(address)
    page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=15_000)
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return page


def pixels(page):
    return np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(int)


def count_colour(page, colour):
    """Count pixels of the map (legend and panel left out) that are near a colour."""
    want = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return int((np.abs(pixels(page)[:, 290:880] - want).max(axis=2) < 12).sum())


def first_bank(results):
    banks = results.tables["banks"]
    return banks[banks["rank"] == 1].sort_values("bank_id").iloc[0]


def test_opens_offline_with_one_request_and_no_error(page, page_requests, console_errors, address):
    opened(page, address)
    assert page_requests == [address]
    assert console_errors == []
    assert page.title() == "Tansy Brook: ranked stream banks"
    assert page.inner_text("#subtitle") == "Stream banks in order of urgency, run of 2026-03-04"
    assert page.inner_text("#caution").startswith("Screening level, from maps. Not a survey")
    assert page.locator("html").get_attribute("lang") == "en"


def test_the_map_shows_every_class_of_banks_and_the_hillshade(page, address):
    opened(page, address)
    for colour in VIRIDIS_5:
        assert count_colour(page, colour) > 60, colour
    greys = pixels(page)[:, 290:880]
    grey = (np.ptp(greys, axis=2) < 6) & (greys[..., 0] > 140) & (greys[..., 0] < 255)
    assert len(np.unique(greys[grey][:, 0])) > 25


@pytest.mark.parametrize(("side", "sign"), [("left", 1), ("right", -1)])
def test_left_bank_is_drawn_on_the_left_looking_downstream(page, address, results, side, sign):
    """The streams run south, so the left bank lies east of the water: right on the screen."""
    opened(page, address)
    top = results.tables["banks"].sort_values(["rank", "bank_id"]).head(4)
    page.locator("#rows .row").nth(top["side"].tolist().index(side)).click()
    page.click("#card-close")
    shown = pixels(page)[150:650, 290:540]
    bank = np.abs(shown - [0x44, 0x01, 0x54]).max(axis=2) < 12
    water = np.abs(shown - [0x8F, 0xB4, 0xCC]).max(axis=2) < 25
    rows = [row for row in range(len(shown)) if bank[row].any() and water[row].any()]
    assert len(rows) > 60
    columns = np.arange(shown.shape[1])
    apart = [columns[bank[row]].mean() - columns[water[row]].mean() for row in rows]
    assert 3 < sign * np.median(apart) < 20


def test_the_list_opens_the_card_with_the_reasons(page, address, results):
    opened(page, address)
    assert page.locator("#rows .row").count() == 25
    assert page.inner_text("#list-says") == "First 25 of 80 banks, most urgent first"
    page.locator("#rows .row").first.click()
    bank = first_bank(results)
    card = page.inner_text("#card")
    assert bank["why"] in card
    assert bank["bank_id"] in card
    assert f"{bank['side'].capitalize()} bank, looking downstream" in card
    assert "Rank 1" in card
    assert "of 74" in card
    assert f"priority {bank['priority']:.1f} of 100" in card
    assert "Unit stream power" in card
    assert f"{bank['unit_stream_power_w_m2']:.0f} W/m²" in card
    assert f"score {bank['unit_stream_power_score']:.0f}, weight 50 %" in card
    assert page.locator(".facts dd").nth(3).inner_text() == f"{bank['gap_length_m']:.0f} m"
    assert page.locator("#card-head").get_attribute("aria-live") == "polite"


def test_a_click_on_the_map_finds_the_bank_that_was_zoomed_to(page, address, results):
    opened(page, address)
    page.locator("#rows .row").first.click()
    mask = np.abs(pixels(page)[150:700, 290:540] - [0x44, 0x01, 0x54]).max(axis=2) < 12
    ys, xs = np.nonzero(mask)
    middle = len(ys) // 2
    page.click("#card-close")
    assert page.locator("#card").is_hidden()
    page.mouse.click(290 + int(xs[middle]), 150 + int(ys[middle]))
    assert first_bank(results)["bank_id"] in page.inner_text("#card")


def test_colour_follows_the_chosen_order(page, address, results):
    opened(page, address)
    before = pixels(page)
    first_of_gap = int((results.tables["banks"]["gap_rank"] <= 4).sum())
    assert first_of_gap >= 4
    page.locator("#orders label").nth(2).click()
    after = pixels(page)
    assert (np.abs(after - before)[:, 290:880].max(axis=2) > 30).sum() > 500
    assert page.locator("#orders input:checked").get_attribute("value") == "gap_score"
    assert page.locator("#classes li").nth(1).inner_text().split("\n")[0] == "Top 5 %"


@pytest.mark.parametrize("layer", ["banks", "gaps", "properties"])
def test_a_layer_can_be_switched_off_and_on(page, address, layer):
    opened(page, address)
    page.locator("#rows .row").nth(1).click()
    page.click("#card-close")
    shown = pixels(page)[:, 290:880]
    page.locator(f"#layers input[name={layer}]").uncheck()
    page.mouse.move(600, 5)
    off = pixels(page)[:, 290:880]
    assert (np.abs(off - shown).max(axis=2) > 60).sum() > 300
    page.locator(f"#layers input[name={layer}]").check()
    page.mouse.move(600, 5)
    assert (pixels(page)[:, 290:880] == shown).all()


def test_the_hillshade_can_be_switched_off(page, address):
    opened(page, address)
    assert page.locator("img.leaflet-image-layer").count() == 1
    page.locator("#layers input[name=shade]").uncheck()
    assert page.locator("img.leaflet-image-layer").count() == 0


def test_keyboard_alone_walks_the_list_and_closes_the_card(page, address, results):
    opened(page, address)
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.className") == "go":
            break
    assert page.evaluate("document.activeElement.closest('.row').dataset.row") is not None
    page.keyboard.press("ArrowDown")
    ranks = results.tables["banks"].sort_values(["rank", "bank_id"])
    assert ranks["bank_id"].iloc[1] in page.inner_text("#card")
    assert page.locator("#rows .row[aria-current=true]").count() == 1
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("End")
    assert ranks["bank_id"].iloc[24] in page.inner_text("#card")
    page.keyboard.press("Home")
    page.keyboard.press("Enter")
    assert ranks["bank_id"].iloc[0] in page.inner_text("#card")
    page.keyboard.press("Escape")
    assert page.locator("#card").is_hidden()


def test_tabs_by_arrow_key_and_the_card_of_a_property(page, address, results):
    opened(page, address)
    page.focus("#tab-bank")
    page.keyboard.press("ArrowRight")
    assert page.locator("#tab-property").get_attribute("aria-selected") == "true"
    page.locator("#rows .row").first.click()
    land = results.tables["properties"]
    first = land[land["rank"] == 1].iloc[0]
    card = page.inner_text("#card")
    assert f"Property {first['property_id']}" in card
    assert f"{first['gap_length_m']:.0f} m" in card
    assert f"{first['gap_area_m2']:,.0f} m²" in card
    assert "of 20" in card


def test_ids_of_properties_stand_nowhere_before_they_are_asked_for(page, address):
    opened(page, address)
    assert "Property 0" not in page.inner_text("body")


def seconds_to_open(page, address):
    started = time.perf_counter()
    opened(page, address)
    return time.perf_counter() - started


@pytest.mark.slow
def test_ten_thousand_banks_are_small_ready_in_two_seconds_and_follow_a_weight(page, tmp_path, console_errors):
    write_map(tmp_path / "map.html", make_large_results(10_000))
    assert (tmp_path / "map.html").stat().st_size < 1.5e6
    address = (tmp_path / "map.html").as_uri()
    assert min(seconds_to_open(page, address) for _ in range(3)) < 2.0
    assert page.inner_text("#list-says") == "First 25 of 10,000 banks, most urgent first"
    moved, took = key_to_painted(page, keys=12)
    assert moved == "weight"
    assert np.percentile(took, 25) < 150  # the other runs of the machine are in the rest
    assert page.inner_text("#weights-state") == "moved on this page"
    assert console_errors == []
