"""A real headless Chromium with the network off.

Fixtures: ``page`` (a playwright page), ``page_requests`` (every address it asked for, data URIs left out) and
``console_errors`` (errors it wrote or threw). Open files with ``page.goto(path.as_uri())``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from browser.chromium import ARGUMENTS, find_or_stop
from gisprio.contracts.cards import Results
from gisprio.products.map import write_map
from unit.products.product_world import make_results


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark whatever asks for a browser."""
    for item in items:
        if {"page", "browser", "browser_context"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Start Chromium once a file; playwright's event loop ends with it."""
    chromium = find_or_stop(os.environ)
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(ARGUMENTS))
        yield running
        running.close()


@pytest.fixture
def browser_context(browser: Browser) -> Iterator[BrowserContext]:
    """Give a fresh offline context; `page` uses it, further pages may be opened in it."""
    context = browser.new_context(offline=True, viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
    yield context
    context.close()


@pytest.fixture
def page_requests() -> list[str]:
    """List the addresses that the page asks for, in order, data and blob addresses left out."""
    return []


@pytest.fixture
def console_errors() -> list[str]:
    """List what the page writes as an error or throws."""
    return []


@pytest.fixture
def page(browser_context: BrowserContext, page_requests: list[str], console_errors: list[str]) -> Page:
    """Give an empty page whose requests and errors are written down."""

    def note_request(address: str) -> None:
        if not address.startswith(("data:", "blob:")):
            page_requests.append(address)

    new = browser_context.new_page()
    new.on("request", lambda request: note_request(request.url))
    new.on("console", lambda message: console_errors.append(message.text) if message.type == "error" else None)
    new.on("pageerror", lambda error: console_errors.append(str(error)))
    return new


@pytest.fixture(scope="module")
def results() -> Results:
    """Give the world that most tests of the map look at."""
    return make_results(40)


@pytest.fixture(scope="module")
def address(results: Results, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Give where its map lies."""
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(path, results)
    return path.as_uri()
