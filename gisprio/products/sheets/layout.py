"""Sets text in columns: headings, paragraphs, points and tables, broken into lines and laid below each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gisprio.products.sheets.marks import POINT_MM, Line, Mark, Measure, Part, Role, Words

_ROLES: dict[str, Role] = {"title": "H1", "heading": "H2"}
LEADING = 1.22
"""Height of a line as a multiple of the size of its letters."""


@dataclass(frozen=True, slots=True)
class Text:
    """The title of a page, a heading, a paragraph, a point of a list, or a small note."""

    kind: Literal["title", "heading", "paragraph", "point", "note"]
    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table: head and rows; the first two columns are set to the left, the others to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Blank:
    """Lines to write on."""

    label: str
    lines: int


Block = Text | Table | Blank


@dataclass(frozen=True, slots=True)
class Column:
    """Where text goes: left edge and width [mm], size of its letters [pt], and how wide texts are."""

    left: float
    width: float
    size: float
    measure: Measure

    @property
    def line(self) -> float:
        """Height of a line [mm]."""
        return self.size * LEADING * POINT_MM


def broken(text: str, width: float, size: float, measure: Measure, *, bold: bool = False) -> list[str]:
    """Break a text into lines no wider than ``width`` [mm]; a word that is wider itself is broken too."""
    lines: list[str] = []
    for given in text.split("\n"):
        line = ""
        for word in _fitting(given.split(" "), width, size, measure, bold):
            longer = f"{line} {word}" if line else word
            if line and measure(longer, size, bold) > width:
                lines.append(line)
                line = word
            else:
                line = longer
        lines.append(line)
    return lines


def _fitting(words: Sequence[str], width: float, size: float, measure: Measure, bold: bool) -> list[str]:
    made: list[str] = []
    for word in words:
        while measure(word, size, bold) > width and len(word) > 1:
            most = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or measure(word[:n], size, bold) <= width)
            made.append(word[:most])
            word = word[most:]
        made.append(word)
    return made


def set_blocks(blocks: Sequence[Block], column: Column, top: float) -> tuple[list[Mark], float]:
    """Lay blocks below each other.

    Parameters
    ----------
    blocks
        What is to be set.
    column
        Where.
    top
        Upper edge [mm].

    Returns
    -------
    list of marks
        The text.
    float
        Lower edge of what was set [mm].
    """
    marks: list[Mark] = []
    points: list[Mark] = []
    low = top
    for number, block in enumerate(blocks):
        match block:
            case Text():
                space = 0.45 * column.line if block.kind == "heading" and number else 0.0
                made, low = _set_text(block, column, low - space)
            case Table():
                made, low = _set_table(block, column, low)
            case Blank():
                made, low = _set_blank(block, column, low)
        if isinstance(block, Text) and block.kind == "point":
            points += made
            continue
        marks += [*_list_of(points), *made]
        points = []
    return [*marks, *_list_of(points)], low


def _list_of(points: list[Mark]) -> list[Mark]:
    return [Part("L", tuple(points))] if points else []


def _set_text(block: Text, column: Column, top: float) -> tuple[list[Mark], float]:
    bold, point = block.kind in ("title", "heading"), block.kind == "point"
    size = {"title": column.size + 1.5, "heading": column.size + 1.5, "note": column.size - 1}.get(
        block.kind, column.size
    )
    step, indent = size * LEADING * POINT_MM, 3.2 if point else 0.0
    lines = broken(block.text, column.width - indent, size, column.measure, bold=bold)
    first = top - size * 0.95 * POINT_MM
    words = tuple(
        Words((column.left + indent, first - number * step), line, size, bold)
        for number, line in enumerate(_with_spaces(block.text, lines))
    )
    low = top - len(lines) * step - 0.25 * column.line
    if point:
        sign = Part("Lbl", (Words((column.left + 0.6, first), "•", size),))
        return [Part("LI", (sign, Part("LBody", words)))], low
    return [Part(_ROLES.get(block.kind, "P"), words)], low


def _with_spaces(text: str, lines: Sequence[str]) -> Iterator[str]:
    """Give lines with the space at which each was broken: without it words run together where a page is read aloud."""
    rest = text
    for line in lines:
        rest = rest.lstrip(" \n")[len(line) :]
        yield f"{line} " if rest[:1] in (" ", "\n") else line


def _set_table(block: Table, column: Column, top: float) -> tuple[list[Mark], float]:
    """Set a table; columns are as wide as their longest text, and the room that is left goes between them."""
    size = column.size - 0.5
    rows = (block.head, *block.rows)
    wide = np.array([[column.measure(text, size, at == 0) for text in row] for at, row in enumerate(rows)]).max(axis=0)
    between = max(0.0, column.width - wide.sum()) / max(1, len(wide) - 1)
    starts = column.left + np.concatenate([[0.0], np.cumsum(wide + between)[:-1]])
    step = size * 1.3 * POINT_MM
    marks: list[Mark] = []
    for at, row in enumerate(rows):
        base = top - at * step - size * POINT_MM
        cells: list[Mark] = []
        for place, text in enumerate(row):
            right = place > 1
            x = float(starts[place] + (wide[place] if right else 0))
            words = Words((x, base), text, size, at == 0, anchor="end" if right else "start")
            cells.append(_cell(words, at == 0, place == 0))
        marks.append(Part("TR", tuple(cells)))
        if at in (0, len(rows) - 1):
            y = base - 0.32 * size * POINT_MM
            marks.append(Line(np.array([(column.left, y), (column.left + column.width, y)]), "#777777", 0.15))
    return [Part("Table", tuple(marks))], top - len(rows) * step - 0.4 * column.line


def _cell(words: Words, in_head: bool, in_first: bool) -> Part:
    if in_head or in_first:
        return Part("TH", (words,), scope="Column" if in_head else "Row")
    return Part("TD", (words,))


def table_width(block: Table, size: float, measure: Measure) -> float:
    """Give the least width of a table whose letters are set ``size`` points high in its column [mm]."""
    rows = (block.head, *block.rows)
    wide = np.array([[measure(text, size - 0.5, at == 0) for text in row] for at, row in enumerate(rows)]).max(axis=0)
    return float(wide.sum() + 1.5 * (len(wide) - 1))


def _set_blank(block: Blank, column: Column, top: float) -> tuple[list[Mark], float]:
    step = 1.6 * column.line
    label = Words((column.left, top - column.size * POINT_MM), block.label, column.size)
    marks: list[Mark] = [Part("P", (label,))]
    for number in range(1, block.lines + 1):
        y = top - column.line - number * step
        marks.append(Line(np.array([(column.left, y), (column.left + column.width, y)]), "#777777", 0.15))
    return marks, top - column.line - block.lines * step - 0.25 * column.line
