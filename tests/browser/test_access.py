"""Whoever reads the map: axe-core finds nothing, keyboard and touch reach all, text at 200 % loses nothing."""

from __future__ import annotations

import json
import os
from importlib.resources import files

import pytest

from browser.chromium import ARGUMENTS, find_or_stop
from browser.test_map import opened
from gisprio.products.map import write_map
from unit.products.product_world import make_results

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
NAMES = ("Tansy Brook", "Sorrel Run of the Upper Meadows", "Llanfairpwllgwyngyllgogerychwyrndrobwllllantysiliogogogoch")

CUT = """() => {
  const seen = (one) => one.checkVisibility({ checkVisibilityCSS: true }) && one.getClientRects().length;
  const words = (one) => [...one.childNodes].some((child) => child.nodeType === 3 && child.data.trim());
  const cut = [];
  for (const one of document.querySelectorAll("main *, footer *, dialog *")) {
    if (!seen(one) || !words(one) || one.closest(".unseen, .leaflet-pane, svg")) continue;
    const style = getComputedStyle(one), clips = /hidden|clip/;
    const wide = clips.test(style.overflowX) && one.scrollWidth > one.clientWidth + 1;
    const high = clips.test(style.overflowY) && one.scrollHeight > one.clientHeight + 1;
    if (wide || high) cut.push(`${one.tagName}.${one.className}#${one.id}: ${one.textContent.trim().slice(0, 40)}`);
  }
  return cut;
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("access") / "map.html"
    write_map(path, make_results(24, names=NAMES))
    return path.as_uri()


@pytest.fixture(scope="module")
def large(browser):
    """Start a second Chromium whose text is twice as large, as a reader sets it in the browser."""
    arguments = [*ARGUMENTS, "--blink-settings=defaultFontSize=32,defaultFixedFontSize=26"]
    running = browser.browser_type.launch(executable_path=find_or_stop(os.environ), headless=True, args=arguments)
    yield running
    running.close()


@pytest.fixture
def show(browser, request, address):
    """Give a function that opens the map at a width, on request with large text."""
    contexts = []

    def open_page(wide=1280, high=800, text=100):
        own = browser if text == 100 else request.getfixturevalue("large")
        size = {"width": wide, "height": high}
        contexts.append(own.new_context(offline=True, viewport=size, has_touch=wide == 390, reduced_motion="reduce"))
        return opened(contexts[-1].new_page(), address)

    yield open_page
    for context in contexts:
        context.close()


def violations(page):
    """Run axe-core; give each violation as rule, and the elements with what is wrong."""
    page.evaluate(AXE)
    found = page.evaluate("(tags) => axe.run(document, { runOnly: tags })", TAGS)
    assert len(found["passes"]) > 15
    return {
        one["id"]: [f"{node['target']}: {node['failureSummary']}" for node in one["nodes"]]
        for one in found["violations"]
    }


def choose_bank(page):
    page.locator("#rows .row").first.click()
    assert page.locator("#card").is_visible()


def choose_property(page):
    page.get_by_role("tab", name="Properties").click()
    choose_bank(page)


def open_all(page):
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = !one.hidden; })")


def nothing(page):
    pass


@pytest.mark.parametrize("wide", [1280, 390])
def test_axe_finds_no_violation(show, wide):
    page = show(wide, 844 if wide == 390 else 800)
    for first in (nothing, choose_bank, choose_property, open_all):
        first(page)
        found = violations(page)
        assert found == {}, f"{first.__name__}: {json.dumps(found, indent=1)}"


def test_axe_finds_what_is_planted(show):
    page = show()
    page.evaluate("document.querySelector('#title').insertAdjacentHTML('afterend', '<input><img src=\"data:,\">')")
    page.evaluate("document.querySelector('#caution').style.color = '#ddd'")
    assert {"label", "image-alt", "color-contrast"} <= set(violations(page))


@pytest.mark.parametrize(("wide", "high"), [(1280, 1024), (390, 844)])
def test_text_twice_as_large_loses_nothing(show, wide, high):
    page = show(wide, high, text=200)
    assert page.evaluate("parseFloat(getComputedStyle(document.querySelector('#title')).fontSize)") > 25
    for first in (nothing, choose_bank, choose_property, open_all):
        first(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= wide, first.__name__
        assert page.evaluate(CUT) == [], first.__name__


def test_cut_text_is_noticed(show):
    page = show(text=200)
    page.evaluate("Object.assign(document.querySelector('#caution').style, { height: '1em', overflow: 'hidden' })")
    assert len(page.evaluate(CUT)) == 1


def test_zoomed_to_200_percent_the_page_does_not_scroll_sideways(show):
    """A browser at 200 % lays a window of 1280 points out as 640."""
    page = show(640, 512)
    choose_bank(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 640
    assert page.evaluate(CUT) == []
    box = page.locator("#map_watershed").bounding_box()
    assert box["width"] > 300
    assert box["height"] > 150
