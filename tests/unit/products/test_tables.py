"""CSV: the layer's columns in order, plain numbers, real gaps, and no cell a spreadsheet would compute."""

from __future__ import annotations

import csv

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from gisprio.products.tables import (
    digits_of,
    guard,
    write_banks,
    write_properties,
    write_reaches,
    write_sensitivity,
    write_table,
)
from unit.products.product_world import make_results

EVIL_CELLS = (
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    "  =1+1",
    "\u00a0=cmd|' /C calc'!A0",
    '\ufeff=HYPERLINK("http://example.invalid")',
    "\uff1d1+1",
)


@pytest.fixture(scope="module")
def results():
    return make_results()


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


@pytest.mark.parametrize("cell", EVIL_CELLS)
def test_a_cell_that_would_be_computed_gets_an_apostrophe(cell, tmp_path):
    write_table(tmp_path / "t.csv", pd.DataFrame({"name": [cell]}))
    assert read(tmp_path / "t.csv") == [["name"], ["'" + cell]]


@pytest.mark.parametrize("cell", ["Tansy Brook", "12/3", "a=b", "3-4", "e-mail@example.org", "\U0001f33f"])
def test_other_text_stays_as_it_is(cell):
    assert guard(cell) == cell


def test_numbers_are_plain_rounded_by_unit_and_nulls_empty(tmp_path):
    frame = pd.DataFrame(
        {
            "bank_id": pd.Series(["A-L", None], dtype="str"),
            "length_m": [12.345, float("nan")],
            "slope_m_m": [0.00000123, 0.0045],
            "drainage_area_km2": [123456.78912, 0.0004],
            "gap_area_m2": [-0.04, 1234567.25],
            "outer_bend_score": [49.96, 100.0],
            "priority": [87.126, 5.0],
            "rank": pd.Series([1, None], dtype="Int64"),
            "cut": pd.Series([True, None], dtype="boolean"),
            "strahler_order": [3, 4],
        }
    )
    write_table(tmp_path / "t.csv", frame)
    rows = read(tmp_path / "t.csv")
    assert rows[0] == list(frame.columns)
    assert rows[1] == ["A-L", "12.3", "0.000001", "123456.789", "0", "50", "87.13", "1", "true", "3"]
    assert rows[2] == ["", "", "0.0045", "0", "1234567.2", "100", "5", "", "", "4"]


def test_digits_follow_the_unit_of_the_column():
    names = ("length_m", "slope_m_m", "area_m2", "drainage_area_km2", "gap_score", "gap_above_share", "froude")
    assert [digits_of(name) for name in names] == [1, 6, 1, 3, 1, 4, 3]
    assert [digits_of(f"height_{end}_m") for end in ("low", "mid", "high")] == [2, 2, 2]


def test_infinity_is_refused(tmp_path):
    with pytest.raises(ValueError, match="inf cannot stand in a table"):
        write_table(tmp_path / "t.csv", pd.DataFrame({"length_m": [float("inf")]}))


@pytest.mark.parametrize(
    ("layer", "write"), [("reaches", write_reaches), ("banks", write_banks), ("properties", write_properties)]
)
def test_a_layer_has_its_columns_and_rows_without_geometry(results, layer, write, tmp_path):
    write(tmp_path / "t.csv", results)
    rows = read(tmp_path / "t.csv")
    frame = results.tables[layer]
    assert rows[0] == [name for name in frame.columns if name != "geometry"]
    assert len(rows) == 1 + len(frame)
    ranks = [row[rows[0].index("rank")] for row in rows[1:]]
    assert ranks == ["" if pd.isna(rank) else str(rank) for rank in frame["rank"]]


def test_lines_end_with_a_line_feed_and_text_is_utf8(tmp_path):
    frame = gpd.GeoDataFrame({"name": ["Bäche"]}, geometry=[shapely.Point(0, 0)])
    write_table(tmp_path / "t.csv", frame)
    assert (tmp_path / "t.csv").read_bytes() == "name\nBäche\n".encode()


def test_sensitivity_as_csv(tmp_path, results):
    write_sensitivity(tmp_path / "sensitivity.csv", results)
    lines = (tmp_path / "sensitivity.csv").read_text("utf-8").splitlines()
    assert lines[0] == "kind,moved,direction,moved_by,unit,changed_count,first_out,first_in"
    assert lines[1].startswith("weight,outer_bend,up,12,percent points,1,")
    assert lines[2] == "input,curve,down,1,standard deviations,0,,"
