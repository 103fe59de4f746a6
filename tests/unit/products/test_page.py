"""map.html as a file: text from data in the payload only, scripts by hash, nothing outside, equal bytes."""

from __future__ import annotations

import base64
import hashlib
import re

import folium
import pytest
from folium.plugins import Fullscreen

from gisprio.contracts.cards import write_function
from gisprio.contracts.words import CAUTION
from gisprio.products import PRODUCTS
from gisprio.products.classes import urgency_classes
from gisprio.products.map import write_map
from gisprio.products.page import OfflineMap, assemble_page
from gisprio.products.payload import decode
from gisprio.products.units import shown_units
from unit.products.product_world import EVIL, make_results


@pytest.fixture(scope="module")
def results():
    return make_results(names=EVIL, title=EVIL[0])


@pytest.fixture(scope="module")
def page(results, tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(path, results)
    return path.read_text(encoding="utf-8")


def payload(page):
    return decode(re.search(r'<script type="text/plain" id="payload">([^<]*)</script>', page)[1])


def test_every_script_and_no_other_is_allowed_by_its_hash(page):
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page)[1]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "connect-src 'none'; form-action 'none'; base-uri 'none'" in policy
    allowed = re.findall(r"'sha256-([^']+)'", policy)
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    digests = [base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in scripts]
    assert len(scripts) == 3
    assert digests == allowed
    assert "unsafe-inline" not in policy.split("style-src")[0]
    assert "unsafe-eval" not in policy


def test_no_text_from_data_stands_outside_the_payload(page, results):
    for text in (*EVIL, results.tables["banks"]["bank_id"][0], results.tables["banks"]["why"][0], CAUTION):
        assert text not in page
    data = payload(page)
    assert sorted(data["reaches"]["name"]["w"]) == sorted({*results.tables["reaches"]["name"].dropna()})
    assert data["about"]["title"] == EVIL[0]
    assert data["about"]["caution"] == CAUTION
    assert data["about"]["date"] == "2026-03-04"


def test_the_page_names_no_address_it_would_fetch(page):
    assert not re.findall(r"""<(?:link|img|iframe|script)[^>]+(?:src|href)=["'](?!data:)""", page)
    assert not re.findall(r"url\((?!data:|#)", page.split("<body>")[0])
    assert "@import" not in page
    assert 'lang="en"' in page
    assert '<meta name="viewport" content="width=device-width, initial-scale=1">' in page


def test_equal_results_give_equal_bytes(page, results, tmp_path):
    write_map(tmp_path / "again.html", results)
    assert (tmp_path / "again.html").read_bytes() == page.encode("utf-8")


def test_payload_holds_each_bank_with_its_reach_and_side(page, results):
    banks, data = results.tables["banks"], payload(page)
    assert data["banks"]["id"] == banks["bank_id"].tolist()
    ids = results.tables["reaches"]["reach_id"]
    assert [ids[i] for i in data["banks"]["reach"]] == banks["reach_id"].tolist()
    assert [("left", "right")[i] for i in data["banks"]["side"]] == banks["side"].tolist()
    assert data["banks"]["rank"]["v"] == [
        None if r is None else r for r in banks["rank"].astype(object).where(banks["rank"].notna(), None)
    ]
    assert len(data["reaches"]["shapes"]["parts"]) == len(ids) == len(banks) / 2
    assert data["about"]["warning_count"] == 12
    assert len(data["about"]["warnings"]) == 10


@pytest.mark.slow
def test_a_layer_that_asks_for_a_file_is_refused():
    chart = OfflineMap((47.0, 15.0))
    Fullscreen().add_to(chart)
    with pytest.raises(ValueError, match=r"asks for Control\.Fullscreen\.js, of which the page holds no copy"):
        assemble_page(chart, "x")


def test_own_map_leaves_the_lists_of_folium_alone():
    before = list(folium.Map.default_js)
    OfflineMap((47.0, 15.0))
    assert folium.Map.default_js == before
    assert [name for name, _ in OfflineMap((47.0, 15.0)).default_js] == ["leaflet"]


def test_classes_end_at_whole_shares_of_the_ranked():
    assert [(c.low, c.high) for c in urgency_classes(200)] == [(1, 10), (11, 20), (21, 50), (51, 100), (101, 200)]
    assert [(c.low, c.high) for c in urgency_classes(10)] == [(1, 1), (2, 1), (2, 3), (4, 5), (6, 10)]
    assert all(c.high < c.low for c in urgency_classes(0))


def test_units_people_read():
    us, si = shown_units("us"), shown_units("si")
    assert (30 * us["m"][0], us["m"][1]) == (pytest.approx(98.4252), "ft")
    assert (4046.8564224 * us["m2"][0], us["m2"][1]) == (pytest.approx(1.0), "acres")
    assert (2.589988110336 * us["km2"][0], us["km2"][1]) == (pytest.approx(1.0), "mi²")
    assert (us["m3/s"][0], us["m3/s"][1]) == (pytest.approx(35.3147, abs=1e-4), "cfs")
    assert set(si) == set(us)
    assert {factor for factor, _ in si.values()} == {1.0}


@pytest.mark.parametrize("product", PRODUCTS, ids=lambda product: product.file)
def test_each_product_writes_its_file(product, tmp_path):
    path = tmp_path / product.file
    write_function(product)(path, make_results(4))
    assert path.stat().st_size > 100
