"""The tables of a run as one workbook: a sheet a table, heads that say what a column holds, no formula anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from gisprio.contracts.cards import Results
from gisprio.contracts.layers import BANK_SETBACKS, BANKS, FINDINGS, GAPS, PROPERTIES, REACHES, SITES
from gisprio.contracts.schema import Column, Layer
from gisprio.contracts.words import CAUTION
from gisprio.products.field_notes import columns_of, told_of
from gisprio.products.origin import origin_digest
from gisprio.products.tables import cells_of, guard, plain_table

SHEETS: tuple[Layer, ...] = (BANKS, REACHES, PROPERTIES, SITES, GAPS, BANK_SETBACKS, FINDINGS)
"""Layers that have a sheet, in order."""
MOST_ROWS = 20_000
"""Rows of a sheet [own]: the most urgent ones; the CSV files and ranked.gpkg hold all."""
MANY_CELLS = 20_000
"""From so many cells on rows go to disk one by one [own]: a small table is written faster in memory."""
MOST_WIDE, LEAST_WIDE = 42, 9
"""Width of a column in letters [own]."""
_LOOKED_AT = 200
"""Rows that widths are told from."""
_FIXED = datetime(1980, 1, 1)
"""Stands for the time of writing, as in an archive: the same results give the same bytes."""
_HELP = {"x_scale": 2.2, "y_scale": 1.1, "font_size": 9, "author": "gisprio"}


def write_workbook(path: Path, results: Results) -> None:
    """Write ``ranked.xlsx``.

    Parameters
    ----------
    path
        File to write.
    results
        The layers of :data:`SHEETS`, ``factors``, settings and record.

    Notes
    -----
    Text is written as text, in cells of the format "text"; where it begins like a formula the cell is marked as quoted
    too, so that typing it again makes no formula either. Numbers are those of the CSV files.
    """
    many = sum(results.tables[layer.name].size for layer in SHEETS) > MANY_CELLS
    options = {"constant_memory": many, "in_memory": not many, "tmpdir": str(path.parent)}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"title": f"Ranked stream banks: {results.settings.run.name}", "created": _FIXED})
        looks = Looks.of(book)
        columns = {layer.name: columns_of(layer, results) for layer in SHEETS}
        _write_about(book, looks, results)
        for layer in SHEETS:
            _write_sheet(book, looks, layer, columns[layer.name], results.tables[layer.name])
        _write_notes(book, looks, columns)


@dataclass(frozen=True, slots=True)
class Looks:
    """Formats of cells: heads, text, text that begins like a formula, wrapped text, a title."""

    head: Any
    text: Any
    quoted: Any
    wrapped: Any
    title: Any

    @classmethod
    def of(cls, book: Any) -> Looks:
        """Add them to a book."""
        top = {"valign": "top", "num_format": "@"}
        return cls(
            book.add_format({**top, "bold": True, "text_wrap": True, "bottom": 1, "bg_color": "#E7F1F2"}),
            book.add_format({"num_format": "@"}),
            book.add_format({"num_format": "@", "quote_prefix": True}),
            book.add_format({**top, "text_wrap": True}),
            book.add_format({**top, "bold": True, "font_size": 14}),
        )

    def of_text(self, text: str) -> Any:
        """Give the format of a cell of text."""
        return self.text if guard(text) == text else self.quoted


@dataclass(frozen=True)
class Cells:
    """A column of a sheet: values as they are written, None where there is none."""

    name: str
    values: pd.Series

    @cached_property
    def is_bool(self) -> bool:
        """Whether it holds yes and no."""
        return bool(pd.api.types.is_bool_dtype(self.values.dtype))

    @cached_property
    def is_number(self) -> bool:
        """Whether it holds numbers."""
        return not self.is_bool and bool(pd.api.types.is_numeric_dtype(self.values.dtype))

    @cached_property
    def plain(self) -> list[Any]:
        """The values: numbers rounded as in the CSV files."""
        if self.is_number:
            return [float(text) if text else None for text in cells_of(self.name, self.values)]
        there = self.values.notna().to_numpy().tolist()
        make = bool if self.is_bool else str
        return [make(one) if ok else None for one, ok in zip(self.values.to_numpy(object).tolist(), there, strict=True)]

    def width(self) -> int:
        """Give its width in letters, from its first rows and the words of its head."""
        shown = (f"{one:g}" if self.is_number else str(one) for one in self.plain[:_LOOKED_AT] if one)
        longest = max(map(len, shown), default=0)
        return max(LEAST_WIDE, min(MOST_WIDE, max(longest, -(-len(self.name) // 2)) + 3))


def _write_sheet(book: Any, looks: Looks, layer: Layer, columns: Sequence[Column], frame: pd.DataFrame) -> None:
    """Write a layer: heads with notes, frozen, with filters; the most urgent rows first."""
    table = plain_table(frame)
    if "rank" in table:
        table = table.sort_values("rank", kind="stable", na_position="last")
    cells = [Cells(str(name), table[name].head(MOST_ROWS)) for name in table]
    sheet = book.add_worksheet(layer.name)
    for place, (column, own) in enumerate(zip(columns, cells, strict=True)):
        sheet.set_column(place, place, own.width())
        sheet.write_string(0, place, column.name, looks.head)
        sheet.write_comment(0, place, told_of(column), _HELP)
    _write_rows(sheet, looks, cells)
    sheet.set_row(0, 45)
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(1, min(len(table), MOST_ROWS)), len(cells) - 1)
    _for_print(sheet)


def _write_rows(sheet: Any, looks: Looks, cells: Sequence[Cells]) -> None:
    numbers = [own.is_number for own in cells]
    bools = [own.is_bool for own in cells]
    for row, values in enumerate(zip(*(own.plain for own in cells), strict=True), 1):
        for place, value in enumerate(values):
            if value is None:
                continue
            if numbers[place]:
                sheet.write_number(row, place, value)
            elif bools[place]:
                sheet.write_boolean(row, place, value)
            else:
                sheet.write_string(row, place, value, looks.of_text(value))


def _for_print(sheet: Any) -> None:
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.set_footer("&L&A&RPage &P of &N")


def _write_about(book: Any, looks: Looks, results: Results) -> None:
    """Write the first sheet: what the book is, whom it is for, the caution, what each sheet holds."""
    sheet = book.add_worksheet("about")
    sheet.set_column(0, 0, 22)
    sheet.set_column(1, 1, 100)
    sheet.set_column(2, 2, 12)
    sheet.write_string(0, 0, "Ranked stream banks", looks.title)
    for row, (head, text) in enumerate(about(results), 1):
        sheet.write_string(row, 0, head, looks.head)
        sheet.write_string(row, 1, text, looks.wrapped if guard(text) == text else looks.quoted)
    first = len(about(results)) + 2
    for place, head in enumerate(("sheet", "holds", "rows")):
        sheet.write_string(first, place, head, looks.head)
    for row, layer in enumerate(SHEETS, first + 1):
        sheet.write_url(row, 0, f"internal:'{layer.name}'!A1", string=layer.name)
        sheet.write_string(row, 1, layer.says, looks.wrapped)
        sheet.write_number(row, 2, len(results.tables[layer.name]))


def about(results: Results) -> list[tuple[str, str]]:
    """Give what the first sheet says of the book, head and text a line."""
    record = results.record
    cut = [name for name in (layer.name for layer in SHEETS) if len(results.tables[name]) > MOST_ROWS]
    rows = [
        ("watershed", results.settings.run.name),
        ("run of", str(record.get("started", ""))[:10]),
        ("by", f"gisprio {record.get('gisprio', '')}"),
        ("made of", f"{origin_digest(record)}: digest of version, settings and layers"),
        ("for", "The team and its board: it names properties by their ids. It is not for publishing."),
        ("caution", CAUTION),
        ("heads", "Rest the pointer on a head, or see the sheet notes, for what a column holds and its unit."),
        ("empty cells", "Not known, not measured, or it does not apply; never nought."),
    ]
    if cut:
        text = f"The {MOST_ROWS:,} most urgent rows of {', '.join(cut)}; the CSV files and ranked.gpkg hold all."
        rows.append(("cut", text))
    return rows


def _write_notes(book: Any, looks: Looks, columns: dict[str, list[Column]]) -> None:
    """Write the last sheet: every column of every sheet, its unit and what it holds."""
    sheet = book.add_worksheet("notes")
    for place, (head, width) in enumerate((("sheet", 16), ("column", 32), ("unit", 14), ("holds", 110))):
        sheet.set_column(place, place, width)
        sheet.write_string(0, place, head, looks.head)
    rows = [(name, one.name, one.unit, one.says) for name, own in columns.items() for one in own]
    for row, texts in enumerate(rows, 1):
        for place, text in enumerate(texts):
            sheet.write_string(row, place, text, looks.wrapped if guard(text) == text else looks.quoted)
    sheet.freeze_panes(1, 2)
    sheet.autofilter(0, 0, len(rows), 3)
    _for_print(sheet)
