"""Hours of volunteers by published rates."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.works.labour import volunteer_hours
from gisprio.contracts.labour import RATES, SOURCE
from gisprio.contracts.references import references
from gisprio.contracts.works import ITEM_KEYS


def test_hours_by_hand():
    rows = [
        ("A", "live_stake", 90, 95, 100),
        ("A", "fence", 5, 5, 5),
        ("A", "face", 400, 450, 500),
        ("B", "tree", 0, 6, 12),
    ]
    items = pd.DataFrame(rows, columns=["site_id", "item", "quantity_low", "quantity_mid", "quantity_high"])
    told = volunteer_hours(items)[["site_id", "item", "hours_low", "hours_high"]].to_numpy().tolist()
    # 90 / 50 and 100 / 45; 400 m2 at 0.2 ha an hour and 500 m2 at 0.02; 0 / 120 and 12 / 20
    assert told == [["A", "live_stake", 1.8, 100 / 45], ["A", "face", 0.2, 2.5], ["B", "tree", 0.0, 0.6]]
    assert volunteer_hours(items.iloc[:0]).empty


def test_rates_are_of_items_and_have_a_source():
    assert {rate.item for rate in RATES} <= set(ITEM_KEYS)
    assert all(0 < rate.low < rate.high for rate in RATES)
    assert SOURCE in references()
