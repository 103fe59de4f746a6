"""The report in a browser and on paper: one request, no complaint, for everybody to read, pages that break well."""

from __future__ import annotations

import os
import re
from contextlib import closing
from importlib.resources import files
from pathlib import Path

import pytest
from pypdfium2 import PdfDocument

from gisprio.products.report import write_report
from unit.products.product_world import EVIL, make_results

AXE = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
MARGIN_MM = 15.0


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


@pytest.mark.parametrize(("paper", "width_mm"), [("A4", 210.0), ("Letter", 215.9)])
def test_printed_pages_break_well(page, report, tmp_path, paper, width_mm):
    page.goto(report.as_uri())
    path = kept(tmp_path) / f"report-{paper.lower()}.pdf"
    page.pdf(path=path, format=paper, print_background=True)
    with closing(PdfDocument(path)) as printed:
        for number, sheet in enumerate(printed, 1):
            picture = sheet.render(scale=60 / 72).to_pil()
            assert min(picture.getextrema()[0]) < 128, f"page {number} is empty"
            picture.save(kept(tmp_path) / f"report-{paper.lower()}-{number:02d}.png")
        lines = [sheet.get_textpage().get_text_range().split("\r\n") for sheet in printed]
    assert 8 <= len(lines) <= 18
    headings = set(page.locator("h1, h2, h3").all_inner_texts())
    assert [sheet[-1] for sheet in lines if sheet[-1] in headings] == []
    rows = page.locator("h2:has-text('and how sure') ~ .wide").first.locator("tbody tr").count()
    ranks = [
        (number, int(found[1]))
        for number, sheet in enumerate(lines)
        for line in sheet
        if (found := re.match(r"(\d+) [A-Z0-9]{6}-\d\d-[LR],", line))
    ]
    assert [rank for _, rank in ranks] == list(range(1, rows + 1))
    for number in {number for number, _ in ranks}:
        assert any(line.startswith("Rank Bank Why") for line in lines[number]), f"page {number + 1} lacks the heads"
    page.emulate_media(media="print")  # what is wider than the paper makes the browser print all of it smaller
    page.set_viewport_size({"width": int((width_mm - 2 * MARGIN_MM) / 25.4 * 96), "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
