"""Costs of works on the page, in the tables and on the terminal: ranges with currency and year, and what is missing."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from gisprio.compute.works.costs import cost_works
from gisprio.contracts.costs import CostTable, Price
from gisprio.contracts.settings import SizingCosts
from gisprio.contracts.works import item_of
from gisprio.products.document import Document
from gisprio.products.works_costs import NO_TABLE, add_costs, add_hours, cost_tables, told_costs, write_cost_table

ROWS = (
    ("A", "planting_area", 100, 110, 120),
    ("A", "tree", 10, 12, 14),
    ("A", "earth_cut", 5, 6, 7),
    ("B", "tree", 100, 120, 140),
)
SITES = pd.DataFrame(
    {"site_id": ["A", "B", "C"], "property_id": ["=p<1>", "=p<1>", None], "not_sized": [None, None, "look first"]},
    dtype=object,
)
PRICES = {"tree": Price(2, 3, 2024, "a quote <by phone>"), "start_property": Price(500, 900, 2026)}


def costs(prices: dict[str, Price] = PRICES, example: str = "", index: dict[int, float] | None = None):
    columns = ["site_id", "item", "quantity_low", "quantity_mid", "quantity_high"]
    items = pd.DataFrame(ROWS, columns=columns).astype(dict.fromkeys(columns[2:], float))
    items = items.assign(unit=[item_of(key).unit for key in items["item"]], formula="", basis="given")
    return cost_works(items, SITES, CostTable("mine.csv", "CAD", prices, index or {}, example), SizingCosts())


@pytest.fixture(scope="module")
def made():
    return costs()


def page(of) -> str:
    document = Document("Works")
    add_costs(document, of)
    return document.html()


def test_without_a_table_one_sentence_says_how_to_give_one():
    assert told_costs(None) == [NO_TABLE]
    assert NO_TABLE == (
        "No costs: gisprio knows no price. Give a table of your own with --costs TABLE, or as [sizing.costs] table: "
        "a CSV with the columns item, unit, low, high, currency, year, note."
    )
    assert NO_TABLE in page(None)
    assert "<table" not in page(None)


def test_the_terminal_has_the_total_as_a_range_and_what_it_lacks(made):
    # trees 20 to 42 and 200 to 420, start-up 500 to 900 once: low x 1.35, high x 1.55; 500 becomes 0.7 x 700 = 490 and
    # 900 becomes 1.5 x 700 = 1050
    low, high = (220 + 490) * 1.35, (462 + 1050) * 1.55
    assert (round(low, 1), round(high, 1)) == (958.5, 2343.6)
    assert told_costs(made) == [
        "2 of 3 sites cost at least CAD 950 to 2,400, prices of 2024 to 2026, with start-up, contingency, design and "
        "permits.",
        "Not priced, so that costs are at least that: cut.",
        "1 site has no cost; works_site_costs.csv says why.",
    ]


def test_nothing_priced_is_said_and_no_table_is_shown():
    bare = costs({"seed": Price(1, 2, 2024)})
    assert told_costs(bare) == ["No site has a cost: mine.csv prices none of the items that were sized."]
    assert "<table" not in page(bare)


def test_an_example_is_called_one_everywhere():
    made = costs(example="EXAMPLE: NOT FOR BUDGETS.")
    assert told_costs(made)[0] == "EXAMPLE: NOT FOR BUDGETS. (mine.csv)"
    assert '<p class="warning">EXAMPLE: NOT FOR BUDGETS. (mine.csv)</p>' in page(made)
    for table in cost_tables(made).values():
        assert set(table["example"]) == {"EXAMPLE: NOT FOR BUDGETS."}


def test_every_amount_on_the_page_is_a_range(made):
    text = re.sub(r"<[^>]+>", " ", page(made))
    amounts = re.findall(r"CAD [0-9][0-9,.]*( to [0-9][0-9,.]*)?", text)
    assert len(amounts) == 12
    assert all(amounts)
    assert "Contingency: 20 to 30 % of items, start-up and concept range (common practice, no source)." in text
    assert "Prices of several years stay as they are" in text
    assert "=p&lt;1&gt;" in text
    assert re.search(r"Trees +CAD 2.00 to 3.00 +plants +2024 +a quote &lt;by phone&gt; ", text)
    assert re.search(r"Trees +2 +CAD 220 to 470 +2024 ", text)
    assert re.search(r"=p&lt;1&gt; +2 of 2 +at least CAD 950 to 2,400 +2024 to 2026 ", text)
    assert "Start-up on a property counts once for all its sites: CAD 660 to 1,700 with what is added." in text


def test_a_whole_is_called_one():
    text = page(costs({"planting_area": Price(0.2, 0.5, 2024)}))
    assert "Planting as a whole, by area" in text
    assert "CAD 0.20 to 0.50" in text


def test_places_to_drink_that_are_summed_too_often_are_told(made):
    says = "Water off the stream is in the middle and the high end of each site; "
    renamed = made.lines.assign(line=made.lines["line"].replace("tree", "off_stream_water"))
    assert says in page(replace(made, lines=renamed))
    assert says not in page(replace(made, lines=renamed[renamed["site_id"] == "A"]))
    assert says not in page(made)


def test_the_index_is_told_with_its_years():
    text = page(costs(index={2024: 100.0, 2026: 110.0}))
    assert "index of the year told over that of their own year (2024: 100, 2026: 110)" in text
    assert "several years" not in text


def test_only_the_first_rows_are_on_the_page(monkeypatch, made):
    monkeypatch.setattr("gisprio.products.works_costs.MOST_ROWS", 1)
    text = page(made)
    assert (
        "Sites with a cost, without the start-up of their property: the first 1 of 2; works_site_costs.csv has all"
        in text
    )


@pytest.mark.parametrize("name", ["works_costs.csv", "works_site_costs.csv", "works_property_costs.csv"])
def test_tables_are_written_plainly_and_guarded(tmp_path: Path, made, name):
    write_cost_table(tmp_path / name, made, name)
    with (tmp_path / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    table = cost_tables(made)[name]
    assert len(rows) == len(table)
    assert {row["currency"] for row in rows} == {"CAD"}
    for row, cost in zip(rows, table["cost_high"], strict=True):
        assert (float(row["cost_high"]) if row["cost_high"] else None) == (round(cost) if cost == cost else None)
        assert row["price_year"] or not row["cost_high"]
    assert rows[0].get("property_id", "'=p<1>") == "'=p<1>"


def test_hours_are_summed_by_task_with_their_rate_and_where_it_is_from():
    rows = [("A", "tree", "Plant trees", 1.0, 6.0, "20 an hour"), ("B", "tree", "Plant trees", 0.5, 3.14, "20 an hour")]
    hours = pd.DataFrame(rows, columns=["site_id", "item", "task", "hours_low", "hours_high", "rate"])
    document = Document("Works")
    add_hours(document, hours.iloc[:0])
    assert "Hours" not in document.html()
    add_hours(document, hours)
    text = document.html()
    assert "Work by hand on all sites takes 1.5 to 9.2 hours of one person." in text
    assert re.search(r"Plant trees</th><td[^>]*>2</td><td[^>]*>1.5 to 9.2</td><td[^>]*>20 an hour", text)
    assert "Rates of Allen and Fischenich 2000, unverified: rates quoted in a secondary text" in text
