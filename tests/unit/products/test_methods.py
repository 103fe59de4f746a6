"""The page of the methods: headings, points, everything escaped, no script."""

from __future__ import annotations

import re
from types import SimpleNamespace

from gisprio.products.methods import methods_page, write_methods
from gisprio.run.lines import unwrapped, wrapped

ITEMS = [
    "Methods of A & B <script>alert(1)</script>",
    "Only what ran is listed.", "", "1. Routing grid", "   Lays one grid.",
    "   - Flow is routed. [own]", "   - Another.", "   Numbers", "     0.3048 m: one foot", "Sources",
    "   Horn BKP (1981).", "     Taken: slope.", "", "Screening level.",
]  # fmt: skip


def test_headings_points_and_caution():
    page = methods_page(ITEMS)
    assert "<title>Methods of A &amp; B &lt;script&gt;alert(1)&lt;/script&gt;</title>" in page
    assert "<h1>Methods of A &amp; B &lt;script&gt;alert(1)&lt;/script&gt;</h1>" in page
    assert re.findall(r"<h2>(.*?)</h2>", page) == ["1. Routing grid", "Sources"]
    assert "<ul>\n<li>Flow is routed. [own]</li>\n<li>Another.</li>\n</ul>" in page
    assert '<p class="deep">0.3048 m: one foot</p>' in page
    assert page.rstrip().endswith('<p class="caution">Screening level.</p>\n</main>\n</body>\n</html>')
    assert "<script" not in page
    assert not re.search(r"(src|href)=", page)


def test_the_page_is_written_from_the_results(tmp_path):
    write_methods(tmp_path / "m.html", SimpleNamespace(methods=lambda: ITEMS))
    assert "<h2>Sources</h2>" in (tmp_path / "m.html").read_text("utf-8")


def test_items_broken_for_a_terminal_are_put_together_again():
    long = "- " + " ".join(f"word{n}" for n in range(60))
    lines = ["1. Head", *wrapped(long, 3, 5), *wrapped("short", 3), "end"]
    assert len(lines) > 5
    assert unwrapped(lines) == ["1. Head", "   " + long, "   short", "end"]
