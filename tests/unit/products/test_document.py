"""Pages of words, tables and figures."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pandas as pd
import pytest

from gisprio.contracts.words import CAUTION
from gisprio.products.document import Document
from unit.products.product_world import EVIL

FRAME = pd.DataFrame(
    {"stream": ["Tansy Brook", None], "gap_m": [1234.56, None], "sites": [3, 0], "share": [0.256, -0.0001]}
)
COLUMNS = (
    ("stream", "Stream", "text"),
    ("gap_m", "Gap (m)", 1),
    ("share", "Share", 2),
    ("sites", "Sites", lambda n: f"{n} of 9"),
)


TAGS = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "footer", "h1", "h2", "p", "ul", "li", "div"),
    *("table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "img", "svg"),
}


class Found(HTMLParser):
    """Elements and attributes of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes = set(), set()
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}


def rows_of(page):
    return [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", page)]


def test_a_table_has_heads_rows_and_dashes_for_what_is_missing():
    page = Document("Gaps").table(FRAME, COLUMNS, "Gaps by stream").html()
    assert rows_of(page) == [
        ["Stream", "Gap (m)", "Share", "Sites"],
        ["Tansy Brook", "1,234.6", "0.26", "3 of 9"],
        ["–", "–", "0.00", "0 of 9"],
    ]
    assert "<caption>Gaps by stream</caption>" in page
    assert page.count('scope="row"') == 2
    assert page.count('<td class="number">') == 4
    with pytest.raises(KeyError):
        Document("Gaps").table(FRAME, (("bank", "Bank", "text"),), "Gaps")


@pytest.mark.parametrize("text", EVIL)
def test_text_of_data_stays_text_wherever_it_stands(text):
    frame = pd.DataFrame({"a": [text], "b": [1]})
    page = (
        Document(text, text)
        .heading(text)
        .paragraph(text)
        .items([text])
        .table(frame, [("a", text, "text"), ("b", "B", lambda _: text)], text)
        .figure(b"\x89PNG....", text, text)
        .figure('<svg xmlns="http://www.w3.org/2000/svg"></svg>', text)
        .footer(text)
        .html()
    )
    found = Found(page)
    assert found.tags <= TAGS
    assert not {name for name in found.attributes if name.startswith("on") or name == "href"}
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", page)


def test_the_caution_is_there_once_whether_asked_for_or_not():
    at_the_end = Document("Works").paragraph("Nine sites.").footer("Run 1a2b").html()
    assert at_the_end.count(CAUTION) == 1
    assert at_the_end.index("Nine sites") < at_the_end.index(CAUTION) < at_the_end.index("<footer>")
    placed = Document("Works").caution().paragraph("Nine sites.").html()
    assert placed.count(CAUTION) == 1
    assert placed.index(CAUTION) < placed.index("Nine sites")


def test_a_page_break_stands_before_the_next_heading_alone():
    page = Document("Works").page_break().heading("One").heading("Two", 3).html()
    assert '<h2 class="new-page">One</h2>' in page
    assert "<h3>Two</h3>" in page
    with pytest.raises(ValueError, match="a heading of level 4"):
        Document("Works").heading("Deep", 4)


def test_pictures_are_inside_and_have_words():
    page = Document("Works").figure(b"RIFF0000WEBP", "A bank").figure("<?xml?><svg width='1'/>", 'A "curve"').html()
    assert 'src="data:image/webp;base64,UklGRjAwMDBXRUJQ" alt="A bank"' in page
    assert '<svg role="img" aria-label="A &quot;curve&quot;" width=\'1\'/>' in page
    assert "<?xml" not in page
    with pytest.raises(ValueError, match="no PNG, no JPEG and no WebP"):
        Document("Works").figure(b"GIF89a", "A bank")


def test_nothing_is_asked_for_and_no_script_may_run():
    page = Document("Works").table(FRAME, COLUMNS, "Gaps").html()
    assert "script-src" not in page
    assert "default-src 'none'" in page
    assert not re.search(r"(?:src|href)=\"(?!data:|#)", page)
    assert "url(" not in page
    assert "@import" not in page
