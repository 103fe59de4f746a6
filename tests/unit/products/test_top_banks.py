"""The most urgent banks as KMZ: valid, in order, text as text, where the banks are."""

from __future__ import annotations

import zipfile
from html.parser import HTMLParser
from xml.dom import minidom

import geopandas as gpd
import pyogrio
import pytest
import shapely

from gisprio.products.top_banks import write_top
from unit.products.product_world import EVIL, make_results


@pytest.fixture(scope="module")
def results():
    return make_results(24, names=(EVIL[0], EVIL[4], EVIL[6]), title=EVIL[1])


@pytest.fixture(scope="module")
def path(results, tmp_path_factory):
    file = tmp_path_factory.mktemp("top") / "top.kmz"
    write_top(file, results)
    return file


def marks_of(path):
    with zipfile.ZipFile(path) as packed:
        assert packed.namelist() == ["doc.kml"]
        assert packed.infolist()[0].date_time == (1980, 1, 1, 0, 0, 0)
        page = minidom.parseString(packed.read("doc.kml"))
    told = {tag: [one.firstChild.data for one in page.getElementsByTagName(tag)] for tag in ("name", "description")}
    return told["name"], told["description"]


def test_the_most_urgent_banks_are_there_in_order_where_they_lie(results, path):
    banks = results.tables["banks"]
    top = banks[banks["rank"] <= results.settings.robustness.top_n].sort_values(["rank", "bank_id"])
    (layer, _), *_ = pyogrio.list_layers(path)
    found = pyogrio.read_dataframe(path, layer=layer).to_crs(banks.crs)
    assert [name.partition(".")[0] for name in found["Name"]] == top["rank"].astype(str).tolist()
    lines = [shapely.union_all([part for part in shape.geoms if part.geom_type != "Point"]) for shape in found.geometry]
    assert gpd.GeoSeries(lines).hausdorff_distance(gpd.GeoSeries(top.geometry.to_numpy())).max() < 0.02
    points = [part for shape in found.geometry for part in shape.geoms if part.geom_type == "Point"]
    assert len(points) == len(top)
    assert gpd.GeoSeries(points).distance(gpd.GeoSeries(top.geometry.to_numpy())).max() < 0.02


def test_text_of_data_stays_text_where_viewers_show_html(results, path):
    names, told = marks_of(path)
    assert names[0] == f"Most urgent banks of {EVIL[1]}"
    assert any(EVIL[0] in name for name in names)
    assert not any("\u202e" in name for name in names)
    tags = set()

    class Tags(HTMLParser):
        def handle_starttag(self, tag, attrs):
            tags.add(tag)

    for text in told:
        Tags().feed(text)
    assert tags == {"br"}
    assert "rank 1;" in told[1]
    assert "not for publishing" in told[0]
    assert "verify in the field" in told[0]


def test_same_results_give_the_same_bytes_and_no_ranked_bank_gives_a_file(results, path, tmp_path):
    write_top(tmp_path / "again.kmz", results)
    assert (tmp_path / "again.kmz").read_bytes() == path.read_bytes()
    results.tables["banks"] = results.tables["banks"].assign(rank=None)
    write_top(tmp_path / "none.kmz", results)
    assert marks_of(tmp_path / "none.kmz")[0] == [f"Most urgent banks of {EVIL[1]}"]
