"""Maps of a run with more banks than one holds: the page that leads there, and ranks of the whole run on each."""

from __future__ import annotations

import pytest

from browser.test_map import opened
from gisprio.products.map import write_map
from gisprio.products.map_split import write_maps
from unit.products.product_world import EVIL, make_results
from unit.products.test_map_split import with_ids


@pytest.fixture(scope="module")
def results():
    return with_ids(make_results(60), (EVIL[1], "W-A", None))


@pytest.fixture(scope="module")
def address(results, tmp_path_factory):
    path = tmp_path_factory.mktemp("parts") / "map.html"
    write_maps(path, results, write_map, most=60)
    return path.as_uri()


def test_each_map_shows_its_part_with_the_ranks_of_the_whole_run(page, address, results, console_errors):
    banks = results.tables["banks"]
    page.goto(address)
    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    labels = page.locator("#maps a").all_inner_texts()
    assert labels == [EVIL[1], "W-A", "rest"]
    shown = []
    for place, label in enumerate(labels):
        page.goto(address)
        page.locator("#maps a").nth(place).click()
        page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=15_000)
        own = banks[banks["sub_watershed_id"].fillna("rest") == label]
        first = own.sort_values(["rank", "bank_id"]).iloc[0]
        assert page.inner_text(".part") == (
            f"This map shows {label} only. Ranks are those of the whole run. All 3 maps of this run"
        )
        page.locator("#rows .row").first.click()
        card = page.inner_text("#card")
        assert first["bank_id"] in card
        assert f"Rank {first['rank']}" in card
        assert f"of {banks['rank'].notna().sum()}" in card
        assert page.locator("#rows .row").count() == min(25, own["rank"].notna().sum())
        unranked = own["rank"].isna().sum()
        assert ("Not ranked" in page.inner_text("#classes")) == (unranked > 0)
        assert page.locator("#weights-box").is_hidden()
        shown.append(first["rank"])
        page.click(".part a")
        assert page.url.split("#")[0] == address
    assert min(shown) == 1
    assert max(shown) > 1
    assert page.evaluate("window.hacked") is None
    assert console_errors == []


def test_weights_in_the_address_do_not_move_the_ranks_of_a_part(page, address, results):
    where = address.replace("map.html", "map-W-A.html") + "#weights=weighted_sum,90,10,1,2,3"
    opened(page, where)
    banks = results.tables["banks"]
    first = banks[banks["sub_watershed_id"] == "W-A"].sort_values(["rank", "bank_id"]).iloc[0]
    page.locator("#rows .row").first.click()
    assert f"Rank {first['rank']}" in page.inner_text("#card")
