"""Finds a Chromium, and starts it without anything that would talk to the network."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def find(environment: Mapping[str, str], which: Callable[[str], str | None] = shutil.which) -> str | None:
    """Give the path of a Chromium: the one of GISPRIO_CHROMIUM, else the first known name on the path."""
    given = environment.get("GISPRIO_CHROMIUM")
    if given:
        return which(given)
    return next((found for found in map(which, NAMES) if found), None)


def find_or_stop(environment: Mapping[str, str], which: Callable[[str], str | None] = shutil.which) -> str:
    """Give the path of a Chromium; without one skip the test, or fail it where a browser is required."""
    found = find(environment, which)
    if found:
        return found
    reason = "no Chromium: install Debian's chromium, or set GISPRIO_CHROMIUM to the path of one"
    if environment.get("GISPRIO_BROWSER") == "required":
        pytest.fail(f"{reason} (GISPRIO_BROWSER=required)", pytrace=False)
    pytest.skip(reason)
