"""The map with hostile names, in US units, on a phone, and with things that are not there."""

from __future__ import annotations

import pytest

from browser.test_map import count_colour, opened
from gisprio.products.map import write_map
from unit.products.product_world import EVIL, make_results


@pytest.fixture
def show(page, tmp_path):
    """Give a function that writes the map of a world and opens it."""

    def write_and_open(**world):
        write_map(tmp_path / "map.html", make_results(**world))
        return opened(page, (tmp_path / "map.html").as_uri())

    return write_and_open


@pytest.mark.parametrize("name", EVIL, ids=range(len(EVIL)))
def test_a_hostile_name_is_text_and_runs_nothing(show, console_errors, page_requests, name):
    page = show(reaches=4, names=(name,), title=name)
    page.locator("#notes summary").click()
    page.locator("#rows .row").first.click()
    assert page.evaluate("document.querySelector('#card h2').textContent") == name
    assert page.evaluate("document.querySelector('#title').textContent") == name
    assert page.title() == " ".join(f"{name}: ranked stream banks".split())
    assert name in page.evaluate("document.querySelector('#notes-list').textContent")
    assert page.evaluate("window.hacked") is None
    assert page.locator("main script:not([type='text/plain']), main img:not(.leaflet-image-layer)").count() == 0
    assert console_errors == []
    assert len(page_requests) == 1


def test_us_units_are_feet_and_acres(show):
    page = show(reaches=8, units="us")
    page.locator("#rows .row").first.click()
    facts = dict(
        zip(
            page.locator(".facts dt").all_inner_texts(),
            page.locator(".facts dd").all_inner_texts(),
            strict=True,
        )
    )
    assert facts["Setback (own target)"] == "98 ft"
    assert facts["Gap area"].endswith("acres")
    assert facts["Drainage area"].endswith("mi²")
    assert page.inner_text(".leaflet-control-scale").endswith("ft")


def facts_of(page):
    texts = (page.locator(f".facts {tag}").all_inner_texts() for tag in ("dt", "dd"))
    return dict(zip(*texts, strict=True))


def test_each_card_tells_constraints_works_and_what_can_be_planted(show):
    page = show(reaches=8)
    banks = make_results(8).tables["banks"].sort_values(["rank", "bank_id"], ignore_index=True)
    seen = set()
    for row in range(int(banks["rank"].notna().sum())):
        page.locator("#rows .row").nth(row).click()
        number = ["L", "R"].index(page.inner_text("#card-head .quiet >> nth=0")[-1])
        bank = int(banks["reach_id"].iloc[row][-2:]) * 2 - 2 + number  # as product_world counts them
        facts, third, fourth = facts_of(page), bank % 3, bank % 4
        assert facts.get("Constraints") == ("building, road, along 62 m", "none", None)[third]
        assert facts.get("Gap free to plant") == ("1,234 m²", "0 m²", None)[third]
        assert facts["Bank line from"] == "half bankfull width" + (", moved 4.2 m", "", "")[third]
        assert facts.get("Works done") == ("planting, 2019", "2021", "fence", "none known")[fourth]
        assert facts.get("Retreat") == ("none over 0.35 m/y, the least that shows", None)[bank % 2]
        seen.add(bank % 12)
    assert len(seen) == 12


def test_the_card_of_a_property_names_the_neighbours_its_gap_meets(show):
    page = show(reaches=12)
    land = make_results(12).tables["properties"].sort_values(["rank", "property_id"], ignore_index=True)
    page.click("#tab-property")
    told = []
    for row, joint in enumerate(land["joint_neighbours"].fillna("")):
        page.locator("#rows .row").nth(row).click()
        facts = facts_of(page)
        told.append(joint)
        line = page.locator("#card .joint").all_inner_texts()
        assert line == ([f"Its joint gap runs on onto, or lies opposite, the gap of {joint}"] if joint else [])
        assert facts.get("Joint gap") == ("46 m" if joint else None)
    assert "" in told
    assert len(set(told)) > 2


def test_a_coarse_look_says_what_is_not_known(show, console_errors):
    page = show(reaches=12, coarse=True, properties=False)
    page.locator("#rows .row").first.click()
    card = page.inner_text("#card")
    assert card.count("not known") >= 3
    assert "not ranked on here" in card
    assert "100 % of the priority" in card
    assert page.locator("#orders input").nth(2).is_disabled()
    assert "Likely to erode" not in card or "the strip was not measured" in card
    page.click("#tab-property")
    assert page.inner_text("#list-says") == "No properties were given, or none has frontage."
    there = {box.get_attribute("name") for box in page.locator("#layers input").all()}
    assert {"banks", "shade"} <= there
    assert not {"gaps", "properties"} & there
    assert console_errors == []


def test_properties_of_a_coarse_look_are_not_ranked(show):
    page = show(reaches=12, coarse=True)
    page.click("#tab-property")
    assert page.inner_text("#list-says") == "None of the 6 properties is ranked; the card of each says why."
    page.locator("#layers input[name=banks]").uncheck()
    box = page.evaluate("""() => {
      const map = window.map_watershed, at = map.getCenter();
      return map.latLngToContainerPoint(at);
    }""")
    for dx in range(0, 400, 40):
        page.mouse.click(box["x"] + dx - 200, box["y"])
        if page.locator("#card").is_visible():
            break
    assert "Not ranked: its metres of gap are not known" in page.inner_text("#card")


def test_one_reach_is_enough(show, console_errors):
    page = show(reaches=1)
    assert page.inner_text("#list-says") == "All 2 banks, most urgent first"
    assert count_colour(page, "#440154") > 60
    assert console_errors == []


def test_a_bank_that_is_not_ranked_says_why(show, console_errors):
    page = show(reaches=1, ditches=1, properties=False)
    assert page.inner_text("#list-says") == "None of the 2 banks is ranked; the card of each says why."
    assert page.inner_text("#classes").split() == ["Not", "ranked", "2", "banks"]
    middle = page.evaluate("window.map_watershed.latLngToContainerPoint(window.map_watershed.getCenter())")
    for across in range(-60, 300, 12):
        page.mouse.click(middle["x"] + across, middle["y"])
        if page.locator("#card").is_visible():
            break
    card = page.inner_text("#card-head")
    assert "Not ranked" in card
    assert "A ditch: only natural streams are ranked." in card
    assert console_errors == []


def test_phone_width_has_no_sideways_scroll_and_shows_card_under_the_map(browser, tmp_path):
    write_map(tmp_path / "map.html", make_results(24))
    context = browser.new_context(offline=True, viewport={"width": 390, "height": 844}, has_touch=True)
    page = opened(context.new_page(), (tmp_path / "map.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.locator("#rows .row").nth(5).tap()
    box, chart = page.locator("#card").bounding_box(), page.locator("#map_watershed").bounding_box()
    assert box["width"] == 390
    assert 0 < chart["y"] + chart["height"] <= box["y"] < 844
    for row in page.locator("#rows .row").all()[:3]:
        assert row.bounding_box()["height"] >= 44
    context.close()


def test_too_old_a_browser_is_told(page, tmp_path):
    write_map(tmp_path / "map.html", make_results(4))
    page.add_init_script("delete window.DecompressionStream")
    page.goto((tmp_path / "map.html").as_uri())
    assert page.inner_text("#trouble").startswith("This browser is too old to open the data of this map.")
