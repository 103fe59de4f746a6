"""The picture of the long profiles: mouth on the left, units people read, nothing in a name that is mark-up."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from gisprio.contracts.words import CAUTION
from gisprio.products import svg
from gisprio.products.profiles import LEFT, MOST_PANELS, Scale, chosen_streams, write_profiles_picture
from unit.products.product_world import EVIL, make_results

SVG = "{http://www.w3.org/2000/svg}"


def drawn(path, results):
    write_profiles_picture(path, results)
    return ET.fromstring(path.read_text("utf-8"))


def texts(root):
    return [node.text for node in root.iter(f"{SVG}text")]


def places(root, kind):
    return [
        [tuple(map(float, pair.split(","))) for pair in node.get("points").split()]
        for node in root.iter()
        if node.get("class") == kind and node.get("points")
    ]


def with_profiles(results, table):
    return dataclasses.replace(results, tables={**results.tables, "long_profiles": table})


def test_each_panel_rises_from_the_mouth_on_the_left_to_the_source(tmp_path):
    root = drawn(tmp_path / "p.svg", make_results())
    lines = places(root, "fall")
    assert len(lines) == 2
    for line in lines:
        x, y = np.array(line).T
        assert (np.diff(x) > 0).all()
        assert x[0] < LEFT + 10
        assert (np.diff(y) <= 0).all()  # up on the page is up


def test_the_same_results_give_the_same_bytes_and_no_clock(tmp_path):
    results = make_results()
    drawn(tmp_path / "a.svg", results)
    drawn(tmp_path / "b.svg", results)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert not re.search(r"20\d\d-\d\d", (tmp_path / "a.svg").read_text("utf-8"))


def test_what_a_panel_says(tmp_path):
    said = texts(drawn(tmp_path / "p.svg", make_results()))
    assert "Long profiles: Tansy Brook" in said
    assert "2.4 km long, falls 16 m; heights drawn 23 times too tall" in said
    assert said.count("1.5 m") == 2  # the steps
    assert "km above its mouth →" in said
    assert CAUTION in " ".join(said)


def test_vertical_exaggeration_is_what_is_drawn(tmp_path):
    """Metres to a unit of the page along, over metres to a unit upward, read off the line itself."""
    results = make_results()
    table = results.tables["long_profiles"]
    x, y = np.array(places(drawn(tmp_path / "p.svg", results), "fall")[0]).T
    own = table[table["stream_id"] == chosen_streams(table)[0][0]].dropna(subset="falling_elevation_m")
    along = np.ptp(own["from_mouth_m"]) / (x[-1] - x[0])
    up = np.ptp(own["falling_elevation_m"]) / (y[0] - y[-1])
    assert along / up == pytest.approx(23, abs=0.5)


def test_us_units(tmp_path):
    said = texts(drawn(tmp_path / "p.svg", make_results(units="us")))
    assert "1.5 miles long, falls 52 ft; heights drawn 23 times too tall" in said
    assert said.count("4.9 ft") == 2
    assert "miles above its mouth →" in said
    assert Scale.of("us").long(1609.344) == "1.0 miles"


def test_marks_stand_where_the_table_says(tmp_path):
    results = make_results()
    root = drawn(tmp_path / "p.svg", results)
    one = results.tables["long_profiles"].groupby("stream_id").get_group(
        chosen_streams(results.tables["long_profiles"])[0][0]
    )  # fmt: skip
    per_m = (1000 - 24 - LEFT) / (one["from_mouth_m"].max() + 10)
    crossing = [float(node.get("x")) + 3.5 for node in root.iter() if node.get("class") == "crossing"][1:]
    assert crossing[0] == pytest.approx(LEFT + 310 * per_m, abs=0.1)
    step = places(root, "step")[1][0]
    assert step[0] == pytest.approx(LEFT + one.loc[one["knickpoint"], "from_mouth_m"].item() * per_m, abs=0.1)
    ponds = [node for node in root.iter() if node.get("class") == "lake_path"][1:]
    assert float(ponds[0].get("x")) == pytest.approx(LEFT + 600 * per_m, abs=0.1)
    assert float(ponds[0].get("width")) == pytest.approx(100 * per_m, abs=0.1)


def test_the_strip_has_the_class_of_each_reach(tmp_path):
    results = make_results()
    table = results.tables["long_profiles"].copy()
    at = table["from_mouth_m"].to_numpy()
    table["unit_stream_power_w_m2"] = np.select([at < 600, at < 1200, at < 1800], [5.0, 20.0, 50.0], 150.0)
    table.loc[at > 2200, "unit_stream_power_w_m2"] = np.nan
    root = drawn(tmp_path / "p.svg", with_profiles(results, table))
    strip = [node.get("class") for node in root.iter(f"{SVG}rect") if node.find(f"{SVG}title") is not None]
    strip = [kind for kind in strip if kind.startswith("p")]
    assert strip == ["p0", "p1", "p2", "p3", "pnone"] * 2


@pytest.mark.parametrize("name", EVIL)
def test_a_name_is_text_and_nothing_else(name, tmp_path):
    root = drawn(tmp_path / "p.svg", make_results(names=(name, name, name), title=name))
    assert {node.tag.removeprefix(SVG) for node in root.iter()} <= {
        "svg", "title", "style", "rect", "text", "line", "polyline", "polygon",
    }  # fmt: skip
    assert any(svg.plain(name, 60)[:20] in svg.plain(text, 400) for text in texts(root))


def test_control_signs_are_dropped():
    assert svg.plain("a\x00b\x1f<\u202ec") == "ab&lt;c"
    assert svg.plain("x" * 300, 10) == "x" * 9 + "…"


def test_short_streams_are_left_to_the_table_and_the_longest_always_has_a_panel():
    table = pd.DataFrame({"stream_id": ["A", "B", "C"], "from_mouth_m": [995.0, 1000.0, 5000.0]})
    assert chosen_streams(table) == (["C", "B"], 1)
    assert chosen_streams(table.iloc[:1]) == (["A"], 0)
    many = pd.DataFrame({"stream_id": [f"S{n:02d}" for n in range(30)], "from_mouth_m": 2000.0})
    assert chosen_streams(many) == ([f"S{n:02d}" for n in range(MOST_PANELS)], 18)


def test_no_stream_and_no_heights_still_make_a_picture(tmp_path):
    results = make_results()
    table = results.tables["long_profiles"]
    assert "There is no stream." in texts(drawn(tmp_path / "p.svg", with_profiles(results, table.iloc[:0])))
    blind = table.assign(low_elevation_m=np.nan, falling_elevation_m=np.nan)
    root = drawn(tmp_path / "p.svg", with_profiles(results, blind))
    assert places(root, "fall") == []
    one = table.iloc[:1]
    assert len(places(drawn(tmp_path / "p.svg", with_profiles(results, one)), "fall")) == 1


@pytest.mark.parametrize(
    ("low", "high", "about", "wanted"),
    [(0, 1, 4, [0, 0.5, 1]), (0.3, 0.9, 5, [0.4, 0.6, 0.8]), (-3, 12, 4, [0, 5, 10]), (5, 5, 4, [5])],
)
def test_ticks_are_round(low, high, about, wanted):
    assert svg.ticks(low, high, about) == pytest.approx(wanted)


def test_numbers_are_short():
    assert [svg.number(v) for v in (1.04, 2.0, -0.04, 100.0, 0.0, 10.05)] == ["1", "2", "0", "100", "0", "10.1"]
