"""Marks of a printed page: lines, shapes, words and pictures, in millimetres from its lower left corner.

A page is a list of marks, drawn in order. What writes them knows nothing of maps, and what makes them nothing of PDF.
Marks that mean something are in parts (a heading, a paragraph, a figure), in the order in which one would read them;
what is in no part is decoration.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

Place = tuple[float, float]
Points = np.ndarray
Measure = Callable[[str, float, bool], float]
"""Width [mm] of a text, given its size [pt] and whether it is bold."""

POINT_MM = 25.4 / 72
"""One typographic point [mm]."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line through places.

    Parameters
    ----------
    points
        (n, 2) places [mm].
    colour
        ``#rrggbb``.
    width
        Width [mm].
    dash
        Lengths of dash and space [mm]; empty for a whole line.
    """

    points: Points
    colour: str
    width: float
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Shape:
    """A filled shape; where rings lie inside one another the inner one is a hole.

    Parameters
    ----------
    rings
        Rings of (n, 2) places [mm].
    fill, edge
        ``#rrggbb``; empty for none.
    width
        Width of the edge [mm].
    opacity
        Of the fill, 0 to 1.
    """

    rings: tuple[Points, ...]
    fill: str = ""
    edge: str = ""
    width: float = 0.2
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text.

    Parameters
    ----------
    at
        Where its base line begins, is in the middle, or ends [mm].
    text
        The text.
    size
        Size [pt].
    """

    at: Place
    text: str
    size: float
    bold: bool = False
    colour: str = "#111111"
    anchor: Literal["start", "middle", "end"] = "start"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture.

    Parameters
    ----------
    box
        Left, lower, right and upper edge [mm].
    pixels
        (rows, columns) grey, or (rows, columns, 3) colours, 0 to 255.
    """

    box: tuple[float, float, float, float]
    pixels: np.ndarray


Role = Literal["Document", "Sect", "H1", "H2", "P", "L", "LI", "Lbl", "LBody", "Table", "TR", "TH", "TD", "Figure"]
"""What a part is to a reader, in the words of PDF for it (ISO 32000-1, 14.8.4)."""


@dataclass(frozen=True, slots=True)
class Part:
    """Marks that are one thing to whoever has a page read aloud.

    Parameters
    ----------
    role
        What it is.
    marks
        Its marks; or the parts it is made of, and decoration between them.
    alt
        What is read in place of a figure.
    scope
        Of the head of a table: ``Column`` or ``Row``.
    language
        Where it differs from that of the file; may be empty.
    """

    role: Role
    marks: tuple[Mark, ...]
    alt: str = ""
    scope: Literal["", "Column", "Row"] = ""
    language: str = ""


Mark = Line | Shape | Words | Picture | Part


def flat(marks: Iterable[Mark]) -> Iterator[Line | Shape | Words | Picture]:
    """Give marks without the parts they are in, in the order in which they are drawn."""
    for mark in marks:
        if isinstance(mark, Part):
            yield from flat(mark.marks)
        else:
            yield mark


@dataclass(frozen=True, slots=True)
class Page:
    """A page: its size [mm], its marks, and what its file says of it."""

    width: float
    height: float
    marks: tuple[Mark, ...]
    title: str
    subject: str
    language: str


def rectangle(left: float, low: float, right: float, high: float) -> Points:
    """Give the corners of a rectangle, (5, 2)."""
    return np.array([(left, low), (right, low), (right, high), (left, high), (left, low)], dtype=float)


def disc(at: Place, radius: float) -> Points:
    """Give a circle as a ring of 24 sides."""
    turn = np.linspace(0, 2 * np.pi, 25)
    return np.column_stack([at[0] + radius * np.cos(turn), at[1] + radius * np.sin(turn)])
