"""Measure the map at its limits: ``python -m tests.browser.limits [BANKS ...]`` writes, opens and prints a table.

Each map is opened three times and the least time told. From a key on a slider (or on the choice of order, where the
page has no slider) to painted means: until the frame after it is done; median and 95th percentile of 40 keys.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from playwright.sync_api import Browser, Page, sync_playwright

from browser.chromium import ARGUMENTS, find_or_stop
from gisprio.products.map import write_map
from unit.products.large_world import make_large_results

SIZES = (10_000, 100_000)
KEYS = 40

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
        page.wait_for_function("(wanted) => window.took.length >= wanted", arg=number + 1)
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


def table_row(banks: int, written_s: float, measured: dict[str, Any]) -> str:
    """Give a row of the table."""
    m = measured
    sizes = " | ".join(f"{m[name]:.2f} MB" for name in ("file_mb", "data_mb", "shade_mb"))
    painted = f"{m['moved']} | {m['median_ms']:.0f} / {m['p95_ms']:.0f} ms"
    return f"| {banks:,} | {written_s:.1f} s | {sizes} | {m['ready_s']:.2f} s | {painted} | {m['heap_mb']:.0f} MB |\n"


def main(sizes: list[int]) -> None:
    """Write and measure a map of each size, and tell a row of each as soon as it is known."""
    sys.stdout.write("| banks | written | file | data | hillshade | ready | moved | median / p95 to painted | heap |\n")
    sys.stdout.write("| ---: | ---: | ---: | ---: | ---: | ---: | --- | ---: | ---: |\n")
    chromium = find_or_stop(os.environ)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(ARGUMENTS))
        for banks in sizes:
            results, path = make_large_results(banks), Path(folder) / f"map-{banks}.html"
            started = time.perf_counter()
            write_map(path, results)
            written = time.perf_counter() - started
            sys.stdout.write(table_row(banks, written, measure_map(browser, path)))
            sys.stdout.flush()
        browser.close()


if __name__ == "__main__":
    main([int(size.replace("_", "").replace(",", "")) for size in sys.argv[1:]] or list(SIZES))
