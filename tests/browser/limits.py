"""Measure the map at its limits: ``python -m tests.browser.limits [BANKS or MAP.html ...]`` opens and prints a table.

A number writes the map of a large invented run with so many banks first; a file is one that is there.
Each map is opened three times and the least time told. From a key on a slider (or on the choice of order, where the
page has no slider) to painted means: until the frame after it is done; median and 95th percentile of 40 keys.
"""

from __future__ import annotations

import math
import os
import re
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from browser.chromium import ARGUMENTS, find_or_stop
from gisprio.products.map import write_map
from unit.products.large_world import make_large_results

SIZES = ("10000", "100000")
KEYS = 40

# Not `wait_for_function`: the page's policy refuses a script given as text, once it has to wait.
TAKEN = """(wanted) => new Promise((done) => {
    const look = () => window.took.length >= wanted ? done() : requestAnimationFrame(look);
    look();
})"""
LISTEN = """() => {
  window.took = [];
  addEventListener("keydown", (event) => requestAnimationFrame(() => requestAnimationFrame(() => {
    const channel = new MessageChannel();
    channel.port1.onmessage = () => window.took.push(performance.now() - event.timeStamp);
    channel.port2.postMessage(0);
  })), true);
}"""
FOCUS = """() => {
  const slider = document.querySelector("#weights input[type=range]:not(:disabled)");
  const control = slider || document.querySelector("#orders input:checked");
  for (let box = control.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
  control.focus();
  return slider ? "weight" : "order";
}"""


def seconds_to_ready(browser: Browser, address: str) -> float:
    """Open in a fresh context and give the seconds until the page says it is ready and has painted."""
    context = browser.new_context(offline=True, viewport={"width": 1280, "height": 800}, reduced_motion="reduce")
    page = context.new_page()
    started = time.perf_counter()
    open_page(page, address)
    took = time.perf_counter() - started
    context.close()
    return took


def open_page(page: Page, address: str) -> None:
    page.goto(address)
    page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=60_000)
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def key_to_painted(page: Page, keys: int = KEYS) -> tuple[str, np.ndarray]:
    """Give what was moved, and the milliseconds from each key to the end of the frame after it.

    A weight goes down twice, then up and down, so that it never stands as in the run.
    """
    page.evaluate(LISTEN)
    moved = page.evaluate(FOCUS)
    for number in range(keys):
        page.keyboard.press("ArrowRight" if moved == "order" or (number and number % 2 == 0) else "ArrowLeft")
        page.evaluate(TAKEN, number + 1)
    return moved, np.array(page.evaluate("window.took"))


def heap_mb(page: Page) -> float:
    """Give the JavaScript heap after a collection, typed arrays with it."""
    session = page.context.new_cdp_session(page)
    session.send("HeapProfiler.collectGarbage")
    used = session.send("Runtime.getHeapUsage")
    return (used["usedSize"] + used.get("backingStorageSize", 0)) / 1e6


def measure_map(browser: Browser, path: Path) -> dict[str, Any]:
    """Measure one written map."""
    text = path.read_text(encoding="utf-8")
    data = re.search(r'id="payload">([^<]*)<', text)
    shade = re.search(r"data:image/webp;base64,([^\"']*)", text)
    opened = [seconds_to_ready(browser, path.as_uri()) for _ in range(3)]
    page = browser.new_context(offline=True, viewport={"width": 1280, "height": 800}).new_page()
    open_page(page, path.as_uri())
    heap = heap_mb(page)
    moved, took = key_to_painted(page)
    page.context.close()
    return {
        "file_mb": path.stat().st_size / 1e6,
        "data_mb": len(data[1]) / 1e6 if data else 0.0,
        "shade_mb": len(shade[1]) / 1e6 if shade else 0.0,
        "ready_s": min(opened),
        "moved": moved,
        "median_ms": float(np.median(took)),
        "p95_ms": float(np.percentile(took, 95)),
        "heap_mb": heap,
    }


def table_row(name: str, written_s: float, measured: dict[str, Any]) -> str:
    """Give a row of the table."""
    m = measured
    written = "" if math.isnan(written_s) else f"{written_s:.1f} s"
    sizes = " | ".join(f"{m[key]:.2f} MB" for key in ("file_mb", "data_mb", "shade_mb"))
    painted = f"{m['moved']} | {m['median_ms']:.0f} / {m['p95_ms']:.0f} ms"
    return f"| {name} | {written} | {sizes} | {m['ready_s']:.2f} s | {painted} | {m['heap_mb']:.0f} MB |\n"


def write_large(folder: Path, banks: int) -> tuple[Path, float]:
    """Write the map of a large invented run; give its file, and the seconds that it took."""
    results, path = make_large_results(banks), folder / f"map-{banks}.html"
    started = time.perf_counter()
    write_map(path, results)
    return path, time.perf_counter() - started


def main(wanted: Sequence[str]) -> None:
    """Measure each map, written or at hand, and tell its row as soon as it is known."""
    sys.stdout.write("| map | written | file | data | hillshade | ready | moved | median / p95 to painted | heap |\n")
    sys.stdout.write("| --- | ---: | ---: | ---: | ---: | ---: | --- | ---: | ---: |\n")
    chromium = find_or_stop(os.environ)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(ARGUMENTS))
        for one in wanted:
            at_hand = Path(one).resolve() if one.endswith(".html") else None
            path, written = (at_hand, math.nan) if at_hand else write_large(Path(folder), int(one))
            name = f"{at_hand.parent.name}/{at_hand.name}" if at_hand else f"{int(one):,} banks"
            sys.stdout.write(table_row(name, written, measure_map(browser, path)))
            sys.stdout.flush()
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:] or SIZES)
