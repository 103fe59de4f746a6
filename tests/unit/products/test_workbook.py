"""The tables as one workbook, read back by another library: the same values, no formula, heads that tell."""

from __future__ import annotations

import csv
import zipfile

import openpyxl
import pandas as pd
import pytest

from gisprio.contracts.words import CAUTION
from gisprio.products import workbook
from gisprio.products.tables import write_table
from gisprio.products.workbook import SHEETS, write_workbook
from unit.products.product_world import EVIL, make_results

NAMES = [layer.name for layer in SHEETS]


@pytest.fixture(scope="module")
def results():
    return make_results(12, names=(EVIL[5], EVIL[0], EVIL[6]), title="=HYPERLINK(1)")


@pytest.fixture(scope="module")
def path(results, tmp_path_factory):
    file = tmp_path_factory.mktemp("workbook") / "ranked.xlsx"
    write_workbook(file, results)
    return file


@pytest.fixture(scope="module")
def book(path):
    return openpyxl.load_workbook(path)


def test_a_sheet_a_table_and_no_cell_is_a_formula(path, book):
    assert book.sheetnames == ["about", *NAMES, "notes"]
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds <= {"n", "s", "b", "inlineStr"}
    with zipfile.ZipFile(path) as parts:
        sheets = [name for name in parts.namelist() if name.startswith("xl/worksheets/sheet")]
        assert len(sheets) == len(NAMES) + 2
        assert not any(b"<f>" in parts.read(name) or b"<f " in parts.read(name) for name in sheets)
        assert not any(b'"External"' in parts.read(name) for name in parts.namelist())
        assert {info.date_time[0] for info in parts.infolist()} == {1980}


def test_text_that_begins_like_a_formula_stays_text_when_it_is_typed_again(book):
    cells = {cell.value: cell for row in book["banks"].iter_rows(min_row=2) for cell in row if cell.value in EVIL}
    assert set(cells) >= {EVIL[5], EVIL[0]}
    assert {text: cells[text].quotePrefix for text in (EVIL[5], EVIL[0])} == {EVIL[5]: True, EVIL[0]: False}
    assert {cell.number_format for cell in cells.values()} == {"@"}


def test_values_are_those_of_the_csv_the_most_urgent_first(results, path, tmp_path):
    for name in ("banks", "findings"):
        write_table(tmp_path / "table.csv", results.tables[name])
        with (tmp_path / "table.csv").open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        if "rank" in head:
            rows.sort(key=lambda row: float(row[head.index("rank")] or "inf"))
        found = pd.read_excel(path, sheet_name=name, dtype=object, keep_default_na=False, na_values=[])
        assert list(found) == head
        shown = [["" if pd.isna(value) else _as_csv(value) for value in row] for row in found.to_numpy(object)]
        assert shown == [[cell.removeprefix("'") for cell in row] for row in rows]


def _as_csv(value):
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:.10g}" if isinstance(value, (int, float)) else value.removeprefix("'")


def test_heads_are_frozen_filtered_and_say_what_they_hold(results, book):
    for name in NAMES:
        sheet = book[name]
        assert sheet.freeze_panes == "B2"
        assert sheet.auto_filter.ref.startswith("A1:")
        assert sheet.print_title_rows == "$1:$1"
        assert all(cell.comment.text for cell in sheet[1])
    told = {cell.value: cell.comment.text for cell in book["banks"][1]}
    assert told["gap_length_m"].startswith("Metres of gap; null in a coarse look.\nUnit: m.\nEmpty where")
    assert "Unit: W/m2." in told["unit_stream_power_w_m2"]
    assert "Score of outer bend" in told["outer_bend_score"]
    noted = {(row[0].value, row[1].value) for row in book["notes"].iter_rows(min_row=2)}
    assert noted == {(name, cell.value) for name in NAMES for cell in book[name][1]}


def test_first_sheet_says_what_it_is_for_whom_and_the_caution(results, book):
    rows = {row[0].value: row[1].value for row in book["about"].iter_rows()}
    assert rows["watershed"] == "=HYPERLINK(1)"
    assert rows["caution"] == CAUTION
    assert "not for publishing" in rows["for"]
    counts = {row[0].value: row[2].value for row in book["about"].iter_rows() if row[0].value in NAMES}
    assert counts == {name: len(results.tables[name]) for name in NAMES}


def test_same_results_give_the_same_bytes(results, path, tmp_path):
    write_workbook(tmp_path / "again.xlsx", results)
    assert (tmp_path / "again.xlsx").read_bytes() == path.read_bytes()
    assert [file.name for file in tmp_path.iterdir()] == ["again.xlsx"]


def test_long_tables_are_cut_at_the_most_urgent_and_say_so(results, monkeypatch, tmp_path):
    monkeypatch.setattr(workbook, "MOST_ROWS", 5)
    write_workbook(tmp_path / "short.xlsx", results)
    book = openpyxl.load_workbook(tmp_path / "short.xlsx")
    ranks = [row[0].value for row in book["banks"].iter_rows(min_row=2, min_col=_column(book, "rank"))]
    assert ranks == sorted(results.tables["banks"]["rank"].dropna().tolist())[:5]
    rows = {row[0].value: row[1].value for row in book["about"].iter_rows()}
    assert rows["cut"].startswith("The 5 most urgent rows of banks, reaches")


def _column(book, name):
    return next(cell.column for cell in book["banks"][1] if cell.value == name)
