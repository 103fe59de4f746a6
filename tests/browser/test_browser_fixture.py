"""The browser fixture itself: it shows a page, and it notices what it is there to notice."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page

from browser.chromium import find, find_or_stop

PLAIN = """<!doctype html><meta charset="utf-8"><title>plain</title><p id="sum"></p>
<img alt="" src="data:image/gif;base64,R0lGODlhAQABAAAAACH5BAEKAAEALAAAAAABAAEAAAICTAEAOw==">
<script>document.getElementById("sum").textContent = 6 * 7;</script>"""
LEAKY = """<!doctype html><meta charset="utf-8"><title>leaky</title>
<script src="http://tiles.example/leaflet.js"></script><script>nowhere();</script>"""


def opened(page: Page, folder: Path, text: str) -> str:
    """Write a page, open it, give its address."""
    file = folder / "page.html"
    file.write_text(text, encoding="utf-8")
    page.goto(file.as_uri())
    return file.as_uri()


def test_page_runs_its_script_and_asks_for_itself_alone(
    page: Page, page_requests: list[str], console_errors: list[str], tmp_path: Path
) -> None:
    address = opened(page, tmp_path, PLAIN)
    assert page.inner_text("#sum") == "42"
    assert page_requests == [address]
    assert console_errors == []


def test_request_and_errors_of_a_leaky_page_are_noticed(
    page: Page, page_requests: list[str], console_errors: list[str], tmp_path: Path
) -> None:
    address = opened(page, tmp_path, LEAKY)
    assert page_requests == [address, "http://tiles.example/leaflet.js"]
    assert any("ERR_INTERNET_DISCONNECTED" in error for error in console_errors)
    assert any("nowhere is not defined" in error for error in console_errors)


def test_given_chromium_goes_before_those_on_the_path() -> None:
    installed = {"/opt/chromium": "/opt/chromium", "google-chrome": "/usr/bin/google-chrome"}
    assert find({"GISPRIO_CHROMIUM": "/opt/chromium"}, installed.get) == "/opt/chromium"
    assert find({}, installed.get) == "/usr/bin/google-chrome"
    assert find({"GISPRIO_CHROMIUM": "/elsewhere"}, installed.get) is None


def test_no_chromium_skips_unless_it_is_required() -> None:
    with pytest.raises(pytest.skip.Exception, match="no Chromium: install Debian's chromium"):
        find_or_stop({}, lambda name: None)
    with pytest.raises(pytest.fail.Exception, match=r"no Chromium: .*\(GISPRIO_BROWSER=required\)"):
        find_or_stop({"GISPRIO_BROWSER": "required"}, lambda name: None)
