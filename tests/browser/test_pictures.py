"""Pictures of the map as people see it, kept where ``GISPRIO_PICTURES`` says, for somebody to look at."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from browser.test_map import opened
from gisprio.products.map import write_map
from unit.products.product_world import EVIL, make_results

DESKTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = os.environ.get("GISPRIO_PICTURES")
    path = Path(place) if place else tmp_path_factory.mktemp("pictures")
    path.mkdir(parents=True, exist_ok=True)
    return path


@pytest.fixture(scope="module")
def addresses(tmp_path_factory) -> dict[str, str]:
    place = tmp_path_factory.mktemp("maps")
    worlds = {
        "plain": {},
        "hostile": {"names": EVIL, "title": EVIL[0]},
        "us": {"units": "us"},
        "coarse": {"coarse": True},
    }
    for name, world in worlds.items():
        write_map(place / f"{name}.html", make_results(40, **world))
    return {name: (place / f"{name}.html").as_uri() for name in worlds}


def open_card(page):
    page.locator("#rows .row").first.click()


def open_property(page):
    page.click("#tab-property")
    open_card(page)


def move_weights(page):
    page.click("#weights-box summary")
    page.focus("#weights input[type=range]")
    for _ in range(20):
        page.keyboard.press("ArrowRight")


def show_need(page):
    page.locator("#orders label").nth(3).click()


def set_filter(page):
    page.click("#filters-box summary")
    page.fill("#filters input >> nth=0", "20")


def double_text(page):
    page.add_style_tag(content=":root { font-size: 30px !important; }")


VIEWS = {
    "overview": ("plain", DESKTOP, ()),
    "bank": ("plain", DESKTOP, (open_card,)),
    "property": ("plain", DESKTOP, (open_property,)),
    "weights": ("plain", DESKTOP, (move_weights, open_card)),
    "need": ("plain", DESKTOP, (show_need,)),
    "filter": ("plain", DESKTOP, (set_filter,)),
    "wide-table": ("plain", DESKTOP, (lambda page: page.click("#widen"),)),
    "help": ("plain", DESKTOP, (lambda page: page.click("#help-open"),)),
    "hostile": ("hostile", DESKTOP, (open_card,)),
    "us-units": ("us", DESKTOP, (open_card,)),
    "coarse": ("coarse", DESKTOP, (open_card,)),
    "double-text": ("plain", DESKTOP, (double_text,)),
    "phone": ("plain", PHONE, ()),
    "phone-bank": ("plain", PHONE, (open_card,)),
}


@pytest.mark.parametrize("name", VIEWS)
def test_a_view_fits_its_window_and_shows_something(page, folder, addresses, name, console_errors):
    world, window, steps = VIEWS[name]
    page.set_viewport_size(window)
    opened(page, addresses[world])
    for step in steps:
        step(page)
    page.wait_for_timeout(250)
    assert page.evaluate("document.documentElement.scrollWidth") <= window["width"]
    shot = page.screenshot(path=folder / f"{name}.png", full_page=window == PHONE)
    colours = np.unique(np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).reshape(-1, 3), axis=0)
    assert len(colours) > 300
    assert console_errors == []


@pytest.mark.parametrize("kind", ["deuteranopia", "protanopia", "tritanopia", "achromatopsia"])
def test_the_map_as_people_see_it_who_see_colours_otherwise(page, folder, addresses, kind):
    opened(page, addresses["plain"])
    page.context.new_cdp_session(page).send("Emulation.setEmulatedVisionDeficiency", {"type": kind})
    shot = page.screenshot(path=folder / f"{kind}.png")
    legend = page.locator("#classes canvas")
    seen = []
    picture = np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)
    for number in range(5):
        box = legend.nth(number).bounding_box()
        seen.append(picture[round(box["y"] + box["height"] / 2), round(box["x"] + box["width"] / 2)])
    apart = [np.abs(seen[i] - seen[j]).max() for i in range(5) for j in range(i)]
    assert min(apart) > 20
