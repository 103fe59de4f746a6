"""The report in a browser and on paper: one request, no complaint, for everybody to read, pages that break well."""

from __future__ import annotations

import os
import re
from importlib.resources import files
from pathlib import Path

import pdfplumber
import pytest

from gisprio.products.report import write_report
from unit.products.product_world import EVIL, make_results

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
BODY_PT = 10.0


@pytest.fixture(scope="module")
def report(sample_results) -> Path:
    return sample_results / "report.html"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    write_report(path, make_results(12, names=EVIL, title=EVIL[0]))
    return path


def kept(tmp_path: Path) -> Path:
    place = Path(os.environ.get("GISPRIO_PICTURES") or tmp_path)
    place.mkdir(parents=True, exist_ok=True)
    return place


def test_it_asks_for_itself_alone_and_everybody_can_read_it(page, page_requests, console_errors, report, tmp_path):
    page.goto(report.as_uri())
    assert page_requests == [report.as_uri()]
    assert console_errors == []
    page.evaluate(AXE)
    found = page.evaluate("(tags) => axe.run({ runOnly: tags })", TAGS)
    assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found["violations"]] == []
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    named = [one.get_attribute("aria-label") for one in page.locator("figure > svg[role=img]").all()]
    assert len(named) == 4  # map, bars, curve, intervals
    assert min(map(len, named)) > 60
    page.screenshot(path=kept(tmp_path) / "report.png", full_page=True)
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_names_from_anybody_stay_text(page, page_requests, console_errors, hostile):
    page.goto(hostile.as_uri())
    assert page.evaluate("window.hacked") is None
    assert EVIL[0] in page.inner_text("h1")
    assert page_requests == [hostile.as_uri()]
    assert console_errors == []


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_printed_pages_break_well(page, report, tmp_path, paper):
    page.goto(report.as_uri())
    path = kept(tmp_path) / f"report-{paper.lower()}.pdf"
    page.pdf(path=path, format=paper, print_background=True)
    headings = set(page.locator("h1, h2, h3").all_inner_texts())
    rows = page.locator("h2:has-text('and how sure') ~ .wide").first.locator("tbody tr").count()
    with pdfplumber.open(path) as printed:
        pages = printed.pages
        assert 8 <= len(pages) <= 16
        for number, sheet in enumerate(pages, 1):
            sheet.to_image(resolution=60).save(kept(tmp_path) / f"report-{paper.lower()}-{number:02d}.png")
        lines = [sheet.extract_text_lines() for sheet in pages]
    sizes = {round(sign["size"], 1) for sheet in lines for line in sheet for sign in line["chars"]}
    assert BODY_PT in sizes  # nothing is too wide, or the browser would have made all of it smaller
    assert not [sheet[-1]["text"] for sheet in lines if sheet[-1]["text"] in headings]
    ranks = [
        (number, int(found[1]))
        for number, sheet in enumerate(lines)
        for line in sheet
        if (found := re.match(r"(\d+) [A-Z0-9]{6}-\d\d-[LR], ", line["text"]))
    ]
    assert [rank for _, rank in ranks] == list(range(1, rows + 1))
    for number in sorted({number for number, _ in ranks}):
        heads = [line["text"] for line in lines[number] if "Priority" in line["text"] and "Bank" in line["text"]]
        assert heads, f"page {number + 1} has rows of the table without its heads"
