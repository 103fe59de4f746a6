"""Working with the map: weights, filter, tables, search, the reader's own list, its address, print and help."""

from __future__ import annotations

import csv
import io
import json
import re

import numpy as np
import pandas as pd
import pytest
import shapely
from playwright.sync_api import expect

from browser.test_map import opened
from gisprio.compute.factors import FACTORS
from gisprio.compute.land.ranks import rank_properties_again
from gisprio.compute.scoring.again import rank_again
from gisprio.products.map import write_map
from unit.products.product_world import EVIL, make_results


@pytest.fixture
def chart(page, address):
    return opened(page, address)


def settle(page):
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def drag(page, name, value):
    page.locator(f"#weights input[name={name}]").evaluate(
        "(box, value) => { box.value = value; box.dispatchEvent(new Event('input', { bubbles: true })); }", value
    )
    settle(page)


def names(page):
    return page.locator("#rows .row .go .name").all_inner_texts()


def rows(page):
    return [int(line.get_attribute("data-row")) for line in page.locator("#rows .row").all()]


def live(page):
    return page.text_content("#live")


# ---- weights


def test_a_moved_weight_ranks_again_says_so_and_goes_back(chart, results):
    chart.click("#weights-box summary")
    assert chart.text_content("#weights output.balance") == "50 % and 50 %"
    before = rows(chart)
    drag(chart, "balance", 100)
    banks = results.tables["banks"]
    ranked = banks[banks["rank"].notna()]
    by_erosion = ranked.sort_values(["erosion_score", "bank_id"], ascending=[False, True])
    assert rows(chart) == by_erosion.index[:25].tolist() != before
    assert chart.text_content("#weights output.balance") == "100 % and 0 %"
    assert chart.text_content("#weights-state") == "moved on this page"
    assert chart.is_visible("#legend-moved")
    assert live(chart).startswith("First is now")
    chart.locator("#rows .row").first.click()
    first = by_erosion.iloc[0]
    told = chart.inner_text("#card-head")
    assert f"By the weights moved on this page; the run has rank {first['rank']}." in told
    assert f"priority {first['erosion_score']:.1f} of 100" in told
    assert "100 % of the priority" in chart.inner_text("#card-body")
    chart.click("#weights-back")
    settle(chart)
    assert rows(chart) == before
    assert chart.is_hidden("#legend-moved")
    assert chart.is_disabled("#weights-back")
    assert "By the weights" not in chart.inner_text("#card-head")


def test_the_two_ways_of_combining_differ_and_each_factor_has_its_slider(chart):
    chart.click("#weights-box summary")
    before = rows(chart)
    chart.check("#weights input[value=weighted_sum]")
    settle(chart)
    assert rows(chart) != before
    chart.check("#weights input[value=geometric]")
    settle(chart)
    assert rows(chart) == before
    drag(chart, "unit_stream_power", 0)
    assert chart.locator("#weights output.share").all_inner_texts() == ["0 %", "100 %"]
    chart.locator("#rows .row").first.click()
    assert "weight 0 %" in chart.inner_text("#card-body")


def test_keys_move_a_weight(chart):
    chart.focus("#weights-box summary")
    chart.keyboard.press("Enter")
    chart.keyboard.press("Tab")
    chart.keyboard.press("ArrowRight")
    settle(chart)
    assert chart.text_content("#weights output.balance") == "51 % and 49 %"


# ---- filter, tables


def test_the_filter_the_table_and_the_map_agree(chart, results):
    chart.click("#filters-box summary")
    banks, reaches = results.tables["banks"], results.tables["reaches"].set_index("reach_id")
    order = reaches.loc[banks["reach_id"], "strahler_order"].to_numpy()
    chart.fill("#filters input >> nth=0", "30")
    chart.select_option("#filters select >> nth=2", "4")
    chart.check("#filters input[value=both]")
    chart.check("#filters input[value=gap_only]")
    keep = (banks["rank"] <= 30).fillna(False) & (order >= 4) & banks["need"].isin(["both", "gap_only"])
    want = banks[keep].sort_values(["rank", "bank_id"]).index.tolist()
    assert 3 <= len(want) <= 25
    settle(chart)
    assert rows(chart) == want
    assert chart.text_content("#filters-state") == f"{len(want)} of 80 banks"
    assert live(chart) == f"{len(want)} of 80 banks pass the filter"
    assert chart.text_content("#list-says") == f"All {len(want)} banks that pass the filter, most urgent first"
    assert "Outside the filter" in chart.inner_text("#classes")
    chart.click("#filters-clear")
    assert chart.text_content("#filters-state") == "everything is shown"
    assert len(rows(chart)) == 25


@pytest.mark.parametrize(
    ("label", "value", "column", "least"),
    [("Bank at least, m", "201", "length_m", 201), ("Gap at least, m", "120", "gap_length_m", 120)],
)
def test_filters_by_length_and_metres_of_gap(chart, results, label, value, column, least):
    chart.click("#filters-box summary")
    chart.get_by_label(label).fill(value)
    banks = results.tables["banks"]
    assert chart.text_content("#filters-state") == f"{int((banks[column] >= least).sum())} of 80 banks"


def test_filters_by_certainty_cover_kind_and_property(page, tmp_path):
    results = make_results(40)
    banks = results.tables["banks"]
    banks["top_share"] = np.where(banks["rank"].notna(), np.arange(len(banks)) / len(banks), np.nan)
    write_map(tmp_path / "map.html", results)
    chart = opened(page, (tmp_path / "map.html").as_uri())
    chart.click("#filters-box summary")
    for label, value, keep in (
        ("Among the first 20 in at least", "0.8", banks["top_share"] >= 0.8),
        ("Ground beside it", "pasture", banks["adjacent_cover"] == "pasture"),
        ("Kind of stream", "ditch", banks["kind"] == "ditch"),
    ):
        chart.get_by_label(label).select_option(value)
        assert 0 < keep.sum() < len(banks)
        assert chart.text_content("#filters-state") == f"{int(keep.sum())} of 80 banks", label
        chart.click("#filters-clear")
    if "frontages" in results.tables:
        own = results.tables["frontages"]
        chart.get_by_label("Property id holds").fill("003/2")
        count = own.loc[own["property_id"] == "003/2", "bank_id"].nunique()
        assert chart.text_content("#filters-state") == f"{count} of 80 banks"
        chart.click("#tab-property")
        assert names(chart) == ["Property 003/2"]


def test_a_filter_that_nothing_passes_says_so(chart):
    chart.click("#filters-box summary")
    chart.get_by_label("Gap at least, m").fill("99999")
    assert chart.text_content("#list-says") == "None of the 80 banks passes the filter."
    assert chart.is_hidden("#table")


def test_works_done_can_be_filtered_and_the_sort_says_its_direction(chart, results):
    chart.click("#filters-box summary")
    banks = results.tables["banks"]
    some = int((banks["done_kind"].notna() | banks["done_year"].notna()).sum())
    chart.locator("#filters label", has_text="Works done").locator("select").select_option("with")
    assert chart.text_content("#filters-state") == f"{some} of 80 banks"
    chart.click("#filters-clear")
    chart.click("#heads .sort[data-key=rank]")
    assert chart.text_content("#list-says") == "First 25 of 80 banks, least urgent first"
    chart.click("#heads .sort[data-key=gap]")
    assert chart.text_content("#list-says") == "First 25 of 80 banks, by gap, downwards"


def test_the_whole_watershed_again_and_an_address_far_away_is_left_alone(chart, address, page):
    centre = "(({ lat, lng }) => [lat, lng])(window.map_watershed.getCenter())"
    before = chart.evaluate(centre)
    chart.evaluate("window.map_watershed.setZoom(17, { animate: false })")
    chart.click(".leaflet-bar .whole")
    settle(chart)
    assert chart.evaluate(centre) == pytest.approx(before, abs=1e-4)
    chart.goto("about:blank")
    opened(chart, address + "#at=0,0,12")
    assert chart.evaluate(centre) == pytest.approx(before, abs=1e-4)


def test_heads_sort_and_more_rows_follow(chart, results):
    banks = results.tables["banks"]
    chart.click("#heads .sort[data-key=gap]")
    assert chart.locator("#heads th.gap").get_attribute("aria-sort") == "descending"
    assert rows(chart) == banks.sort_values(["gap_length_m", "bank_id"], ascending=[False, True]).index[:25].tolist()
    assert chart.evaluate("document.activeElement.dataset.key") == "gap"
    chart.click("#heads .sort[data-key=gap]")
    assert rows(chart) == banks.sort_values(["gap_length_m", "bank_id"]).index[:25].tolist()
    chart.click("#more")
    assert len(rows(chart)) == 50
    assert chart.evaluate("document.activeElement.closest('.row').rowIndex") == 26
    chart.click("#widen")
    wide = chart.locator("#heads th").all_inner_texts()
    assert wide[4:8] == ["Erosion", "Missing strip", "Gap area", "Length"]


def test_what_is_not_ranked_stands_last_in_the_table(chart, results):
    while chart.is_visible("#more"):
        chart.click("#more")
    gone = results.tables["banks"]["rank"].isna()
    assert rows(chart)[-int(gone.sum()) :] == results.tables["banks"].index[gone].tolist()
    assert chart.locator("#rows .row td.rank").last.inner_text() == "\u2013"


# ---- search


def test_search_finds_streams_banks_and_properties(chart, results):
    chart.fill("#search", "sorrel")
    assert chart.locator("#found button").all_inner_texts() == ["Sorrel Run\nstream"]
    before = chart.evaluate("window.map_watershed.getCenter().toString()")
    chart.press("#search", "Enter")
    assert chart.evaluate("window.map_watershed.getCenter().toString()") != before
    assert live(chart).startswith("Sorrel Run, ")
    bank = results.tables["banks"]["bank_id"][7]
    chart.fill("#search", bank.lower())
    chart.press("#search", "ArrowDown")
    chart.keyboard.press("Enter")
    assert bank in chart.inner_text("#card-head")
    land = results.tables["properties"]["property_id"][3]
    chart.fill("#search", land)
    chart.click("#found button")
    assert f"Property {land}" in chart.inner_text("#card-head")
    chart.fill("#search", "no such thing")
    assert chart.inner_text("#found") == "Nothing of that name or id"


# ---- card


def test_the_card_tells_how_sure_the_rank_is_and_marks_the_place_on_the_profile(page, tmp_path):
    results = make_results(24)
    banks = results.tables["banks"]
    place = banks[banks["rank"] == 1].index[0]
    banks.loc[place, ["rank_p05", "rank_p50", "rank_p95", "top_share"]] = [1.0, 3.0, 12.0, 0.97]
    write_map(tmp_path / "map.html", results)
    opened(page, (tmp_path / "map.html").as_uri()).locator("#rows .row").first.click()
    assert "Between rank 1 and 12 in 90 of 100 draws" in page.inner_text("#card .sure")
    assert "among the first 20 in 97 %" in page.inner_text("#card .sure")
    spread = page.locator("#card .spread")
    ranked = int(banks["rank"].notna().sum())
    want = 12 + 276 * np.log([1, 12]) / np.log(ranked)
    assert [float(spread.get_attribute(side)) for side in ("x1", "x2")] == pytest.approx(want.tolist())
    profile = page.locator("#card svg.drawing").last
    assert profile.get_attribute("aria-label").startswith("Long profile of the stream, ")
    points = results.tables["long_profiles"]
    own = points[points["reach_id"] == banks["reach_id"][place]]
    above = own["from_mouth_m"].min() - points[points["stream_id"] == own["stream_id"].iloc[0]]["from_mouth_m"].min()
    told = float(re.search(r"this bank ([\d,.]+) m above", profile.get_attribute("aria-label"))[1].replace(",", ""))
    assert told == pytest.approx(above, abs=6)
    assert profile.locator(".own").count() == 1


def test_rules_side_by_side_where_several_were_judged(page, tmp_path):
    results = make_results(12)
    own = results.tables["bank_setbacks"]
    other = own.assign(rule="county <b>20 m</b>", setback_m=20.0, gap_length_m=own["gap_length_m"] / 2)
    results.tables["bank_setbacks"] = pd.concat([own, other], ignore_index=True)
    write_map(tmp_path / "map.html", results)
    opened(page, (tmp_path / "map.html").as_uri()).locator("#rows .row").first.click()
    metres = results.tables["banks"].sort_values(["rank", "bank_id"])["gap_length_m"].iloc[0]
    lines = page.locator("#card .rules tr").all_inner_texts()
    assert lines[1].split("\t")[:3] == ["fixed_width", "30 m", f"{metres:.0f} m"]
    assert lines[2].split("\t")[:3] == ["county <b>20 m</b>", "20 m", f"{np.floor(metres / 2 + 0.5):.0f} m"]
    page.click("#help-open")
    assert "Setback rules side by side" in page.inner_text("#help-body")


def test_works_done_on_a_property_are_told_with_their_year(page, tmp_path):
    import geopandas as gpd

    results = make_results(12)
    land = results.tables["properties"]
    first = land.sort_values(["rank", "property_id"]).iloc[0]
    works = gpd.GeoDataFrame(
        {"kind": ["planting", "fence"], "year": [2018, None], "status": None},
        geometry=[first.geometry.centroid.buffer(20), first.geometry.centroid.buffer(5)],
        crs=land.crs,
    )
    results.tables["works_done"] = works
    write_map(tmp_path / "map.html", results)
    opened(page, (tmp_path / "map.html").as_uri()).click("#tab-property")
    page.locator("#rows .row").first.click()
    facts = page.inner_text("#card .facts")
    assert "Works done\nfence, planting 2018" in facts
    page.locator("#rows .row").nth(1).click()
    assert "Works done\nnone known" in page.inner_text("#card .facts")


# ---- the reader's own list


def picked(page, numbers):
    for number in numbers:
        page.locator("#rows .row").nth(number).click()
        page.click("#card-pick")
    page.click("#card-close")
    page.click("#tab-pick")


def saved(page, button):
    with page.expect_download() as got:
        page.click(button)
    return got.value.suggested_filename, open(got.value.path(), encoding="utf-8").read()


def reopened(page, name, text):
    page.set_input_files("#open-file", {"name": name, "mimeType": "text/plain", "buffer": text.encode()})
    expect(page.locator("#pick-says")).not_to_be_empty()  # a script given as text would break the page's policy
    return page.text_content("#pick-says")


@pytest.mark.parametrize("button", ["#save-csv", "#save-geojson"])
def test_a_list_is_saved_and_opened_again_by_place(chart, results, browser_context, tmp_path, button):
    picked(chart, [2, 0])
    banks = results.tables["banks"].sort_values(["rank", "bank_id"], ignore_index=True)
    assert chart.text_content("#tab-pick") == "My list (2)"
    name, text = saved(chart, button)
    if name.endswith(".csv"):
        told = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    else:
        told = [feature["properties"] for feature in json.loads(text)["features"]]
    assert [one["id"] for one in told] == banks["bank_id"][[2, 0]].tolist()
    assert [float(one["priority"]) for one in told] == pytest.approx(banks["priority"][[2, 0]].tolist())
    assert [float(one["gap_length_m"]) for one in told] == banks["gap_length_m"][[2, 0]].tolist()
    renamed = make_results(40)
    for layer, column in (("reaches", "reach_id"), ("banks", "reach_id"), ("banks", "bank_id"), ("gaps", "bank_id")):
        renamed.tables[layer][column] = "N" + renamed.tables[layer][column]
    renamed.tables["long_profiles"]["reach_id"] = "N" + renamed.tables["long_profiles"]["reach_id"]
    if "frontages" in renamed.tables:
        renamed.tables["frontages"]["bank_id"] = "N" + renamed.tables["frontages"]["bank_id"]
    renamed.tables["bank_setbacks"]["bank_id"] = "N" + renamed.tables["bank_setbacks"]["bank_id"]
    write_map(tmp_path / "next.html", renamed)
    other = opened(browser_context.new_page(), (tmp_path / "next.html").as_uri())
    other.click("#tab-pick")
    assert reopened(other, name, text) == "2 of 2 found on this map by their place."
    found = [renamed.tables["banks"]["bank_id"][row] for row in rows(other)]
    assert found == ["N" + one["id"] for one in told]


def test_what_has_no_partner_is_told_and_a_wrong_file_changes_nothing(chart):
    picked(chart, [0])
    _, text = saved(chart, "#save-csv")
    head, line, *_ = text.splitlines()
    cells = line.split(",")
    far = ",".join([*cells[:-2], "10.0", "20.0"])
    assert reopened(chart, "list.csv", f"{head}\r\n{far}\r\n") == (
        "0 of 1 found on this map by their place; 1 has no partner at the same place."
    )
    assert len(rows(chart)) == 1
    chart.evaluate("document.querySelector('#pick-says').textContent = ''")
    for name, wrong in (("list.csv", "a,b\n1,2\n"), ("list.geojson", "{]"), ("list.geojson", '{"type": "Feature"}')):
        assert reopened(chart, name, wrong).endswith("Nothing was changed.")
    assert len(rows(chart)) == 1
    chart.click("#rows .remove")
    assert chart.text_content("#list-says").startswith("Nothing yet.")


def test_no_cell_of_a_saved_list_is_a_formula(page, tmp_path):
    write_map(tmp_path / "map.html", make_results(4, names=(EVIL[5],)))
    opened(page, (tmp_path / "map.html").as_uri())
    picked(page, [0])
    _, text = saved(page, "#save-csv")
    assert next(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))["stream"] == "'" + EVIL[5]


# ---- address


def test_the_address_brings_everything_back(chart, browser_context):
    chart.click("#weights-box summary")
    drag(chart, "balance", 73)
    chart.locator("#orders label").nth(3).click()
    chart.click("#filters-box summary")
    chart.fill("#filters input >> nth=0", "40")
    chart.locator("#layers input[name=gaps]").uncheck()
    picked(chart, [1])
    chart.click("#tab-bank")
    chart.click("#heads .sort[data-key=gap]")
    chart.locator("#rows .row").nth(4).click()
    chart.evaluate("window.map_watershed.setZoom(14, { animate: false })")
    chart.wait_for_timeout(400)
    other = opened(browser_context.new_page(), chart.url)
    for selector in ("#card-head", "#classes", "#list-says", "#weights-state", "#filters-state", "#tab-pick"):
        assert other.inner_text(selector) == chart.inner_text(selector), selector
    assert rows(other) == rows(chart)
    assert other.get_attribute("#heads th[aria-sort]", "aria-sort") == "descending"
    assert other.inner_text("#heads th[aria-sort]") == chart.inner_text("#heads th[aria-sort]")
    assert other.evaluate("window.map_watershed.getZoom()") == 14
    assert not other.locator("#layers input[name=gaps]").is_checked()
    assert other.locator("#orders input:checked").get_attribute("value") == "need"


@pytest.mark.parametrize(
    "words",
    [
        "on=b:<script>alert(1)</script>",
        "at=nan,1,1e999&by=77",
        'filter={"rank":"x","needs":[1]}',
        "weights=geometric,-1,2",
        "list=%E0%A4%A b: p:99999 s:1 x:2",
        "table=__proto__&turned=__proto__,constructor&sort=__proto__.rank.up,bank.constructor.up,bank",
    ],
)
def test_an_address_that_makes_no_sense_is_left_alone(page, address, console_errors, words):
    opened(page, address + "#" + words)
    assert console_errors == []
    assert page.text_content("#weights-state") == "as in the run"
    assert len(rows(page)) == 25
    assert page.is_hidden("#card")


# ---- print, help, keys


def test_paper_says_what_the_filter_asks_for(chart, tmp_path):
    chart.click("#filters-box summary")
    chart.fill("#filters input >> nth=0", "40")
    chart.locator("#filters .needs input").nth(1).check()
    chart.pdf(path=tmp_path / "sheet.pdf", format="A4")
    asked = chart.text_content("#filter-words")
    assert asked.startswith("Filter: ")
    assert chart.locator("#filters .field").first.inner_text().split("\n")[0] + ": 40" in asked
    assert chart.locator("#filters .needs label").nth(1).inner_text().strip() in asked
    assert chart.is_hidden("#filter-words")


def test_names_of_streams_are_drawn_and_can_be_turned_off(chart):
    canvas = "document.querySelector('.leaflet-overlay-pane canvas, canvas').toDataURL()"
    named = chart.evaluate(canvas)
    chart.locator("#layers input[name=names]").uncheck()
    bare = chart.evaluate(canvas)
    assert bare != named
    chart.locator("#layers input[name=names]").check()
    assert chart.evaluate(canvas) == named


@pytest.mark.parametrize(("paper", "width"), [("A4", 595), ("Letter", 612)])
def test_one_sheet_of_paper(chart, paper, width, tmp_path):
    sheet = chart.pdf(path=tmp_path / "sheet.pdf", format=paper, print_background=True)
    assert len(re.findall(rb"/Type /Page\b", sheet)) == 1
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", sheet)
    assert abs(float(box[1]) - width) < 2
    assert not chart.evaluate("document.documentElement.classList.contains('printing')")
    assert chart.is_visible("#filters-box summary")


def test_help_opens_closes_and_says_what_numbers_are_not(chart):
    chart.focus("#help-open")
    chart.keyboard.press("Enter")
    said = chart.inner_text("#help")
    assert "A rank is no verdict on an owner" in said
    assert "Screening level" in said
    for word in ("violation", "compliant", "illegal"):
        assert word not in said.lower()
    chart.keyboard.press("Escape")
    assert chart.is_hidden("#help")
    assert chart.evaluate("document.activeElement.id") == "help-open"


def test_a_tour_by_keyboard_reaches_everything_and_focus_is_seen(chart):
    chart.locator("#rows .row").first.click()
    chart.click("#weights-box summary")
    chart.click("#filters-box summary")
    chart.evaluate("document.activeElement.blur()")
    seen, unseen = [], []
    for _ in range(110):
        chart.keyboard.press("Tab")
        name = chart.evaluate("""() => {
          const here = document.activeElement;
          return here.id || here.name || here.dataset.key || here.className || here.parentElement.id || here.tagName;
        }""")
        if name == "BODY":  # from the last thing on the page Tab goes by way of the window to the first
            continue
        seen.append(name)
        if not chart.evaluate("""() => {
          const here = document.activeElement, next = here.nextElementSibling;
          const style = (e) => getComputedStyle(e).outlineStyle;
          return style(here) !== 'none' || (next && style(next) !== 'none');
        }"""):
            unseen.append(name)
    wanted = {"map_watershed", "order", "gaps", "card-pick", "card-zoom", "card-close", "search", "help-open", "print",
              "balance", "combine", "unit_stream_power", "tab-bank", "widen", "rank", "go", "more"}  # fmt: skip
    assert wanted <= set(seen)
    assert unseen == []


def test_the_board_sees_no_id_of_a_property(page, results, tmp_path):
    from gisprio.products.payload import decode

    write_map(tmp_path / "board.html", results, "board")
    text = (tmp_path / "board.html").read_text(encoding="utf-8")
    data = json.dumps(decode(re.search(r'id="payload">([^<]*)<', text)[1]))
    for one in results.tables["properties"]["property_id"]:
        assert one not in text
        assert json.dumps(one)[1:-1] not in data
    told = decode(re.search(r'id="payload">([^<]*)<', text)[1])
    ranks = told["properties"]["rank"]["v"]
    assert ranks == sorted(ranks)  # by rank: rows in the order of ids would tell which is which
    assert results.tables["properties"]["rank"].tolist() != ranks
    assert told["frontages"]["property"] == sorted(told["frontages"]["property"])
    opened(page, (tmp_path / "board.html").as_uri()).click("#tab-property")
    assert names(page)[0] == "Property of rank 1"


def test_layers_that_are_there_are_shown_and_the_legend_follows(page, tmp_path):
    results = make_results(12)
    write_map(tmp_path / "map.html", results)
    opened(page, (tmp_path / "map.html").as_uri())
    there = {box.get_attribute("name") for box in page.locator("#layers input").all()}
    wanted = {
        name
        for name in ("crossings", "constraints", "works_done", "scars", "knickpoints")
        if len(results.tables.get(name, ()))
    }
    assert wanted
    assert wanted <= there
    page.evaluate("window.map_watershed.setZoom(11, { animate: false })")
    assert page.inner_text("#layers small.gaps") == "zoom in"
    page.evaluate("window.map_watershed.setZoom(17, { animate: false })")
    assert page.inner_text("#layers small.gaps") == "dashed: uncertain"
    page.locator("#layers input[name=banks]").uncheck()
    assert page.is_hidden("#classes")


def test_online_tiles_are_asked_for_only_when_ticked(page, page_requests, results, tmp_path):
    settings = results.settings.model_copy(
        update={"report": results.settings.report.model_copy(update={"tiles": "https://tiles.example/{z}/{x}/{y}.png"})}
    )
    write_map(
        tmp_path / "map.html",
        results.__class__(results.tables, results.elevation, settings, results.record, results.crs),
    )
    opened(page, (tmp_path / "map.html").as_uri())
    assert len(page_requests) == 1
    page.locator("#layers input[name=tiles]").check()
    page.wait_for_timeout(200)
    assert any(one.startswith("https://tiles.example/") for one in page_requests)


def test_a_property_is_saved_by_a_place_inside_it(chart, results):
    chart.click("#tab-property")
    picked(chart, [0])
    _, text = saved(chart, "#save-csv")
    told = next(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    land = results.tables["properties"].to_crs(4326).set_index("property_id").geometry
    place = shapely.Point(float(told["longitude"]), float(told["latitude"]))
    assert [id_ for id_, shape in land.items() if shape.contains(place)] == [told["id"]]


@pytest.mark.parametrize("combine", ["geometric", "weighted_sum"])
def test_the_tables_of_the_page_hold_the_ranks_of_python(page, results, address, combine):
    banks, factors = results.tables["banks"], results.tables["factors"]
    seen = [one.card for one in FACTORS if one.card.floors]
    banks = banks.assign(**{name: np.nan for card in seen for name in (card.score_column, card.worst_column)})
    factors = factors.assign(worst_column=factors["score_column"], given_weight=factors["weight"], shares="")
    draw = np.random.default_rng(11)
    for _ in range(4):
        erosion, gap = (int(value) for value in draw.integers(1, 100, 2))
        given = dict(zip(factors["key"], draw.integers(0, 100, len(factors)) + 1.0, strict=True))
        group = {
            name: {k: given[k] for k in factors.loc[factors["group"] == name, "key"]} for name in ("erosion", "gap")
        }
        again = rank_again(
            banks,
            factors,
            results.settings.priority,
            weights={"erosion": erosion, "gap": gap},
            erosion=group["erosion"],
            gap=group["gap"],
            combine=combine,
        )
        page.goto("about:blank")
        words = ",".join(str(value) for value in (combine, erosion, gap, *given.values()))
        opened(page, f"{address}#wide=1&weights={words}")
        best = again[again["rank"].notna()].sort_values(["rank", "bank_id"]).head(25)
        table = [line.locator("td").all_inner_texts() for line in page.locator("#rows .row").all()]
        assert [row[-1] for row in table] == best["bank_id"].tolist()
        assert [int(row[0]) for row in table] == best["rank"].tolist()
        assert [float(row[3]) for row in table] == pytest.approx(best["priority"].tolist(), abs=0.0501)
        land = rank_properties_again(results.tables["frontages"], again)
        page.click("#tab-property")
        shown = [line.locator("td").all_inner_texts() for line in page.locator("#rows .row").all()]
        ranks = land.set_index("property_id")["rank"].dropna()
        assert {
            row[1].split("\n")[0].removeprefix("Property "): int(row[0]) for row in shown if row[0] != "\u2013"
        } == ranks.to_dict()


def test_the_card_of_a_site_says_what_it_asks_for_and_what_to_ask_before(chart, results):
    chart.click("#tab-site")
    sites = results.tables["sites"].sort_values(["rank", "site_id"], ignore_index=True)
    assert chart.locator("#rows .row").count() == min(25, len(sites))
    chart.locator("#rows .row").first.click()
    card = chart.inner_text("#card")
    first = sites.iloc[0]
    assert first["site_id"] in card
    assert first["measure"][1:] in card
    assert first["why_measure"] in card
    prompts = [first[name] for name in sites.columns if name.startswith("prompt_") and isinstance(first[name], str)]
    assert chart.locator("#card .prompts li").all_inner_texts() == prompts
    chart.locator("#card .link").first.click()
    assert first["bank_id"] in chart.inner_text("#card-head")
