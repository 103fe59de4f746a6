"""Tables that people fill in, as CSV: what spreadsheets leave is read, and lines keep their numbers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from gisprio.contracts.errors import InputError

if TYPE_CHECKING:
    from _csv import Reader

Lines = Iterator[tuple[int, dict[str, str]]]
"""Number of a line in the file, and its cells by the head of their column."""


def read_text(path: Path, called: str = "") -> str:
    """Read the text of a table.

    Parameters
    ----------
    path
        The file.
    called
        What it is to the reader, as in ``"The table of contacts "``; empty for nothing but its path.

    Raises
    ------
    InputError
        It cannot be read, or is not in UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = "is not in UTF-8" if isinstance(error, UnicodeDecodeError) else f"cannot be read: {error.strerror}"
        raise InputError(
            f"{called}{path} {why}.",
            wanted="a CSV in UTF-8.",
            do="check the path, or save the table again as CSV UTF-8.",
        ) from error


def read_lines(path: Path, called: str = "") -> tuple[list[str], Lines]:
    """Read the heads of a table and its lines; commas or semicolons part the cells, empty lines are none.

    Parameters
    ----------
    path
        The file.
    called
        See :func:`read_text`.

    Raises
    ------
    InputError
        It cannot be read, is not in UTF-8, or a line cannot be parted into cells.
    """
    text = read_text(path, called)
    head = text.partition("\n")[0]
    table = csv.reader(io.StringIO(text), delimiter=";" if head.count(";") > head.count(",") else ",")
    rows = _rows(f"{called}{path}", table)
    _, first = next(rows, (0, []))
    heads = [name.strip() for name in first]

    def told() -> Lines:
        for number, row in rows:
            cells = dict.fromkeys(heads, "")
            cells.update((name, cell.strip()) for name, cell in zip(heads, row, strict=False))
            if any(cells.values()):
                yield number, cells

    return heads, told()


def _rows(where: str, table: Reader) -> Iterator[tuple[int, list[str]]]:
    try:
        for row in table:
            yield table.line_num, row
    except csv.Error as error:
        raise unparted(where, table.line_num, error) from error


def unparted(where: str, line: int, error: csv.Error) -> InputError:
    """Give the error of a line that is no line of a CSV."""
    return InputError(
        f"{where}, line {line}: the line cannot be parted into cells ({error}).",
        wanted="a CSV.",
        do="look for a quotation mark that is not closed.",
    )
