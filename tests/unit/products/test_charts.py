"""A plot as SVG: the same bytes each time, text as text, its own ids, told in words too."""

from __future__ import annotations

import re
from xml.dom import minidom

import matplotlib as mpl
import pytest
from matplotlib.axes import Axes

from gisprio.products.charts import LETTERS_PT, SERIES, chart_svg

HOSTILE = '<script>alert("x")</script> $a$ & \x00url(#x) id="y" 河'


def bars(axes: Axes) -> None:
    axes.barh([HOSTILE, "Tansy Brook"], [1.0, 2.5], color=SERIES[0])
    axes.plot([0, 2.5], [0, 1], color=SERIES[1], marker="o", label="so far")
    axes.set_title("Gap by stream")
    axes.legend()


def made(alt: str = "Gap by stream. The longest is 2.5 km.") -> str:
    return chart_svg(bars, width_mm=170, height_mm=60, alt=alt)


@pytest.fixture(scope="module")
def chart() -> str:
    return made()


def test_same_plot_gives_the_same_bytes_whatever_the_users_style(chart: str) -> None:
    with mpl.rc_context({"font.size": 20, "svg.fonttype": "path", "axes.grid": True}):
        assert made() == chart
        assert mpl.rcParams["font.size"] == 20  # and the style of others is left as it was


def test_file_is_whole_and_text_stays_text(chart: str) -> None:
    page = minidom.parseString(chart.encode())
    texts = [text.firstChild.data for text in page.getElementsByTagName("text")]
    assert HOSTILE.replace("\x00", "") in texts
    assert "Gap by stream" in texts
    assert page.getElementsByTagName("script") == []
    assert not re.search(r"<metadata|<style|<\?xml|<!DOCTYPE| style=|\d{4}-\d\d-\d\d|atplotlib", chart)
    sizes = {float(text.getAttribute("font-size").removesuffix("px")) for text in page.getElementsByTagName("text")}
    assert sizes == {LETTERS_PT, LETTERS_PT + 1}


def test_size_is_that_on_paper_and_words_stand_for_the_picture(chart: str) -> None:
    head = minidom.parseString(chart.encode()).documentElement
    assert (head.getAttribute("width"), head.getAttribute("height")) == ("170mm", "60mm")
    assert head.getAttribute("viewBox") == "0 0 481.89 170.08"
    assert head.getAttribute("role") == "img"
    assert head.getAttribute("aria-label") == "Gap by stream. The longest is 2.5 km."
    told = [head.getElementsByTagName(tag)[0].firstChild.data for tag in ("title", "desc")]
    assert told == ["Gap by stream", "Gap by stream. The longest is 2.5 km."]


def test_ids_of_two_plots_differ_and_all_that_is_referred_to_is_there(chart: str) -> None:
    def ids(text: str) -> set[str]:
        page = minidom.parseString(text.encode())
        return {one.getAttribute("id") for one in page.getElementsByTagName("*") if one.hasAttribute("id")}

    other = made("Another.")
    assert ids(chart)
    assert ids(chart) & ids(other) == set()
    drawn = re.sub(r">[^<]*<", "><", chart)  # without text, which may say anything
    assert set(re.findall(r'(?:url\(#|href="#)([^)"]+)', drawn)) == ids(chart)
