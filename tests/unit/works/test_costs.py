"""Costs of works: lines and totals by hand, published checks, and laws over quantities and prices."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from gisprio.compute.works.costs import COSTS, cost_lines, property_costs, property_start, site_costs
from gisprio.contracts.costs import NEEDS_PRICE, PRICEABLE, CostTable, Price, range_text
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import SizingCosts
from gisprio.contracts.works import item_of
from gisprio.inputs.costs import read_costs

PLAIN = SizingCosts(contingency=(0, 0), design_and_permits=(0, 0), concept_below=0, concept_above=0)
"""Nothing is added: what comes out is quantities times prices."""


def items(*rows: tuple[str, str, float, float, float]) -> pd.DataFrame:
    columns = ["site_id", "item", "quantity_low", "quantity_mid", "quantity_high"]
    frame = pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(columns[2:], float))
    return frame.assign(unit=[item_of(key).unit for key in frame["item"]], formula="", basis="given")


def table(
    currency: str = "USD", index: dict[int, float] | None = None, **prices: tuple[float, float, int]
) -> CostTable:
    return CostTable("mine.csv", currency, {key: Price(*price) for key, price in prices.items()}, index or {})


def total(lines: pd.DataFrame, site: str = "A") -> list[float]:
    return lines[(lines["site_id"] == site) & (lines["kind"] == "total")][COSTS].iloc[0].tolist()


# ---- published figures: 100 m at the rates of the example tables, in the money of their year


@pytest.mark.parametrize(
    ("name", "item", "part", "low", "high"),
    [
        ("example-bank-metric", "works_length", "earth_cut", 7054, 7054),
        ("example-rock-metric", "works_length", "toe_rock", 29_856, 29_856),
        ("example-parts-us-units", "toe_length", "toe_rock", 5577, 21_982),
    ],
)
def test_a_hundred_metres_at_published_rates(name, item, part, low, high):
    sized = items(("A", item, 100, 100, 100), ("A", part, 1, 2, 3), ("B", item, 100, 100, 100))
    lines = cost_lines(sized, read_costs(name, Path()), PLAIN)
    assert set(lines["site_id"]) == {"A"}
    assert total(lines)[0] == pytest.approx(low, abs=1)
    assert total(lines)[2] == pytest.approx(high, abs=1)


def test_feet_and_metres_give_the_same_money():
    us = read_costs("example-parts-us-units", Path())
    metric = read_costs("example-bank-metric", Path())
    for key in ("tree", "guard", "fence"):
        assert metric.prices[key].low == pytest.approx(us.prices[key].low, abs=0.005)
        assert metric.prices[key].high == pytest.approx(us.prices[key].high, abs=0.005)


# ---- by hand


def test_lines_add_up_by_hand():
    prices = table(tree=(2, 4, 2025), start_site=(100, 300, 2025))
    lines = cost_lines(items(("A", "tree", 10, 15, 20)), prices, SizingCosts())
    told = lines.set_index("line")[COSTS]
    assert told.loc["tree"].tolist() == [20, 45, 80]
    assert told.loc["start_site"].tolist() == [100, 200, 300]
    # sum 120, 245, 380: already wider than 0.7 x 245 = 171.5 and 1.5 x 245 = 367.5
    assert told.loc["concept_range"].tolist() == [0, 0, 0]
    assert told.loc["contingency"].tolist() == pytest.approx([24, 61.25, 114])
    assert told.loc["design_and_permits"].tolist() == pytest.approx([18, 49, 95])
    assert told.loc["total"].tolist() == pytest.approx([162, 355.25, 589])
    assert set(lines["currency"]) == {"USD"}
    assert lines["price_year"].tolist() == [2025] * 6
    assert lines["says"].tolist()[:2] == ["10 to 20 x 2 to 4 (prices of 2025)", "1 x 100 to 300 (prices of 2025)"]


def test_a_narrow_range_is_widened_to_the_concept_range():
    lines = cost_lines(items(("A", "tree", 100, 100, 100)), table(tree=(1, 1, 2025)), SizingCosts())
    told = lines.set_index("line")[COSTS]
    assert told.loc["concept_range"].tolist() == pytest.approx([-30, 0, 50])
    assert told.loc["total"].tolist() == pytest.approx([70 * 1.35, 100 * 1.45, 150 * 1.55])
    assert told.loc[["tree", "concept_range", "contingency", "design_and_permits"]].sum().tolist() == pytest.approx(
        told.loc["total"].tolist()
    )


def test_items_without_a_price_are_told_and_make_the_cost_at_least():
    sized = items(("A", "tree", 1, 1, 1), ("A", "seed", 1, 2, 3), ("A", "earth_cut", 1, 2, 3), ("B", "seed", 1, 1, 1))
    prices = table(tree=(1, 2, 2025))
    lines = cost_lines(sized, prices, SizingCosts())
    bare = lines[lines["cost_low"].isna()]
    assert bare[["site_id", "line"]].to_numpy().tolist() == [["A", "earth_cut"], ["A", "seed"], ["B", "seed"]]
    assert set(bare["says"]) == {"not priced: the table has no row for it"}
    found = site_costs(sized, prices, SizingCosts()).set_index("site_id")
    assert found["at_least"].tolist() == [True, True]
    assert found.loc["A", "not_priced"] == "earth_cut, seed"
    assert found.loc["A", "price_year"] == 2025
    assert found.loc["B", COSTS].isna().all()
    assert found.loc["B", "reason"] == "none of its items has a price: seed"
    assert found.loc["B", "price_year"] == 2025


def test_sites_that_are_not_sized_have_a_reason_and_half_sized_ones_are_at_least():
    sites = pd.DataFrame(
        {"site_id": ["C", "A", "B"], "not_sized": ["earth: no height", "fence: no stock known", None]}, dtype=object
    )
    sized = items(("A", "tree", 1, 1, 1), ("B", "tree", 1, 1, 1))
    found = site_costs(sized, table(tree=(1, 2, 2025)), SizingCosts(), sites)
    assert found["site_id"].tolist() == ["C", "A", "B"]
    assert found["at_least"].tolist() == [True, True, False]
    assert found["reason"].fillna("").tolist() == ["earth: no height", "", ""]


def test_parts_of_works_priced_as_a_whole_are_not_missed_where_the_whole_is_there():
    sized = items(
        ("A", "works_length", 10, 10, 10),
        ("A", "earth_cut", 1, 2, 3),
        ("A", "toe_rock", 1, 2, 3),
        ("A", "tree", 1, 1, 1),
        ("B", "earth_cut", 1, 2, 3),
    )
    lines = cost_lines(sized, table(works_length=(70, 70, 2000)), PLAIN)
    assert lines[lines["kind"] == "item"][["site_id", "line"]].to_numpy().tolist() == [
        ["A", "works_length"],
        ["A", "tree"],
        ["B", "earth_cut"],
    ]
    assert total(lines) == [700, 700, 700]


def test_what_is_counted_in_two_ways_is_missed_once_at_most():
    sized = items(("A", "mat", 10, 10, 10), ("A", "mat_roll", 2, 2, 2), ("A", "land_taken", 5, 5, 5))
    lines = cost_lines(sized, table(mat=(3, 3, 2025)), PLAIN)
    assert lines[lines["kind"] == "item"]["line"].tolist() == ["mat"]
    assert total(lines) == [30, 30, 30]
    bare = cost_lines(sized, table(seed=(3, 3, 2025)), PLAIN)
    assert bare["line"].tolist() == ["mat"]


def test_prices_are_brought_to_one_year_by_the_index_and_both_years_are_told():
    prices = table(index={1999: 100.0, 2005: 120.0, 2025: 180.0}, tree=(1, 2, 1999), guard=(3, 3, 2005))
    sized = items(("A", "tree", 10, 10, 10), ("A", "guard", 10, 10, 10))
    lines = cost_lines(sized, prices, PLAIN).set_index("line")
    assert lines.loc["tree", COSTS].tolist() == pytest.approx([18, 27, 36])
    assert lines.loc["guard", COSTS].tolist() == pytest.approx([45, 45, 45])
    assert lines.loc["tree", ["year_given", "price_year"]].tolist() == [1999, 2025]
    assert lines.loc["tree", "says"] == "10 x 1.8 to 3.6 (prices of 2025, of 1999 x 180 / 100)"
    older = site_costs(sized, prices, PLAIN.model_copy(update={"price_year": 2005})).iloc[0]
    assert older[["price_year", "price_year_last"]].tolist() == [2005, 2005]
    assert older["cost_high"] == pytest.approx(10 * 2 * 1.2 + 30)


def test_without_an_index_both_years_stay():
    found = site_costs(
        items(("A", "tree", 1, 1, 1), ("A", "guard", 1, 1, 1)), table(tree=(1, 2, 1999), guard=(3, 3, 2005)), PLAIN
    )
    assert found[["price_year", "price_year_last"]].to_numpy().tolist() == [[1999, 2005]]


def test_a_year_that_the_index_lacks_is_refused():
    wanted = SizingCosts(price_year=2026)
    with pytest.raises(SettingsError) as caught:
        cost_lines(items(), table(index={2000: 1.0}, tree=(1, 2, 2000)), wanted)
    assert caught.value.report() == (
        "SettingsError: [sizing.costs] price_year = 2026: mine.csv has no price_index of that year.\n"
        "  Wanted: rows price_index of that year and of each year of a price; it has 2000.\n"
        "  Do: add the rows, or leave price_year out: prices stay as the table gives them, or of the newest index."
    )
    assert cost_lines(items(), table(tree=(1, 2, 2026)), wanted).empty


def test_a_property_starts_once():
    prices = table(tree=(1, 3, 2025), start_property=(100, 200, 2020))
    sites = pd.DataFrame(
        {"site_id": list("ABCD"), "property_id": ["p", "p", None, "q"], "not_sized": None}, dtype=object
    )
    sized = items(*((site, "tree", 10, 10, 10) for site in "ABC"))
    costs = site_costs(sized, prices, PLAIN, sites)
    found = property_costs(costs, sites, prices, PLAIN).set_index("property_id")
    assert found.loc["p", COSTS].tolist() == [120, 190, 260]
    assert found.loc["p", ["start_low", "start_high", "site_count", "priced_count"]].tolist() == [100, 200, 2, 2]
    assert found.loc["p", ["price_year", "price_year_last"]].tolist() == [2020, 2025]
    assert found.loc["q", COSTS].isna().all()
    assert found["at_least"].tolist() == [False, True]
    assert property_start(prices, SizingCosts()) == pytest.approx((100 * 1.35, 150 * 1.45, 225 * 1.55))
    assert property_start(table(tree=(1, 3, 2025)), SizingCosts()) == (0, 0, 0)


# ---- laws


def many(seed: int) -> tuple[pd.DataFrame, CostTable]:
    """Give 300 sites of five items with quantities of 0 among them, and prices of ten items."""
    chance = np.random.default_rng(seed)
    rows = [
        (f"S{site}", key, *np.sort(np.round(10 ** chance.uniform(-2, 5, 3) * chance.integers(0, 2, 3), 3)))
        for site in range(300)
        for key in chance.choice(NEEDS_PRICE, 5, replace=False)
    ]
    keys = ("start_site", *chance.choice(NEEDS_PRICE, 9, replace=False).tolist())
    return items(*rows), table(**{key: (*sorted(chance.integers(0, 90, 2).tolist()), 2025) for key in keys})


def totals(lines: pd.DataFrame) -> np.ndarray:
    return lines[lines["kind"] == "total"][COSTS].to_numpy(float)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_ranges_are_ordered_lines_add_up_and_more_never_costs_less(seed):
    sized, prices = many(seed)
    lines = cost_lines(sized, prices, SizingCosts())
    before = totals(lines)
    assert len(before) > 200
    assert (np.diff(before, axis=1) >= -1e-9 * before[:, 1:]).all()
    sums = lines[lines["kind"] != "total"].groupby("site_id", sort=False)[COSTS].sum(min_count=1).dropna()
    np.testing.assert_allclose(sums.to_numpy(), before, rtol=1e-9)
    more = np.random.default_rng(seed).uniform(0, 50, len(sized))
    quantities = ["quantity_low", "quantity_mid", "quantity_high"]
    larger = sized.assign(**{name: sized[name] + more for name in quantities})
    assert (totals(cost_lines(larger, prices, SizingCosts())) >= before * (1 - 1e-12)).all()


@pytest.mark.parametrize("times", [0.01, 7.3])
def test_prices_times_a_number_are_costs_times_it(times):
    sized, prices = many(4)
    more = {key: replace(price, low=price.low * times, high=price.high * times) for key, price in prices.prices.items()}
    before = cost_lines(sized, prices, SizingCosts())[COSTS].to_numpy(float)
    after = cost_lines(sized, replace(prices, prices=more), SizingCosts())[COSTS].to_numpy(float)
    np.testing.assert_allclose(after, before * times, rtol=1e-9, atol=1e-6)


def test_order_of_rows_changes_nothing_but_the_order_of_sites_and_nothing_is_edited():
    sized = items(*((site, key, 1, 2, 3) for site in "AB" for key in ("tree", "seed", "mat")))
    prices = table(seed=(1, 2, 2024), tree=(3, 4, 2025))
    kept = sized.copy()
    lines = cost_lines(sized, prices, SizingCosts())
    turned = cost_lines(sized.iloc[::-1], prices, SizingCosts())
    pd.testing.assert_frame_equal(sized, kept)
    pd.testing.assert_frame_equal(
        turned.sort_values("site_id", kind="stable", ignore_index=True),
        lines.sort_values("site_id", kind="stable", ignore_index=True),
    )
    assert [*PRICEABLE].index("seed") < [*PRICEABLE].index("tree")
    assert lines["line"].tolist()[:3] == ["mat", "seed", "tree"]


def test_a_range_is_never_one_number():
    found = site_costs(items(("A", "tree", 7, 7, 7)), table(tree=(1, 1, 2025)), SizingCosts()).iloc[0]
    assert range_text(found["cost_low"], found["cost_high"], found["currency"]) == "USD 6.6 to 17"
