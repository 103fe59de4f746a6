"""Items of works: keys without units, one each, and tables that hold to them."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from gisprio.contracts.errors import ContractError
from gisprio.contracts.layers import WORK_ITEMS
from gisprio.contracts.schema import check
from gisprio.contracts.works import ITEM_KEYS, ITEMS, item_of

UNITS = {"m", "m2", "m3", "t", "kg", "trees", "plants", "stakes", "lifts", "rolls", "keys", "guards", "places"}


def test_items_have_a_key_each_without_a_unit_in_it():
    assert len(set(ITEM_KEYS)) == len(ITEMS)
    assert [key for key in ITEM_KEYS if not re.fullmatch(r"[a-z]+(_[a-z]+)*", key)] == []
    assert [item.key for item in ITEMS if item.key.endswith(("_m", "_m2", "_m3", "_kg", "_t"))] == []
    assert {item.unit for item in ITEMS} == UNITS
    assert [item.key for item in ITEMS if not item.says.endswith(".")] == []


def test_what_is_priced_is_what_somebody_may_have_to_pay_for():
    explain = {
        "works_length",
        "run_out",
        "cut_section",
        "land_taken",
        "trees_lost",
        "lift",
        "toe_length",
        "planting_area",
    }
    assert {item.key for item in ITEMS if not item.priced} == explain
    assert (item_of("earth_cut").unit, item_of("spoil").unit) == ("m3", "m3")


def test_a_table_of_items_knows_no_other_item_and_one_row_an_item():
    row = {
        "site_id": "A-L-S1",
        "item": "fence",
        "unit": "m",
        "quantity_low": 50.0,
        "quantity_mid": 60.0,
        "quantity_high": 70.0,
        "formula": "50 + 10",
        "basis": "modelled",
    }
    assert len(check(WORK_ITEMS, pd.DataFrame([row]))) == 1
    with pytest.raises(ContractError, match=r"item holds .'wall'"):
        check(WORK_ITEMS, pd.DataFrame([row | {"item": "wall"}]))
    with pytest.raises(ContractError, match="key site_id, item is not unique"):
        check(WORK_ITEMS, pd.DataFrame([row, row]))
