"""Marks of a picture as SVG text: the few that plots need, with numbers written shortly and text as text."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from html import escape

_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff\ud800-\udfff\u202a-\u202e\u2066-\u2069]")
Place = tuple[float, float]


def number(value: float) -> str:
    """Write a length in the picture: one decimal, none where it is whole."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def plain(text: object, most: int = 200) -> str:
    """Give text that may stand in the file: no mark-up, no control signs, no longer than ``most``."""
    clean = without_forbidden(str(text))
    return escape(clean if len(clean) <= most else clean[: most - 1] + "…")


def without_forbidden(text: str) -> str:
    """Give text without control signs, and without those that turn the direction of writing."""
    return _FORBIDDEN.sub("", text)


def words(at: Place, text: object, *, kind: str = "", anchor: str = "start", most: int = 200) -> str:
    """Write text; ``anchor`` start, middle or end."""
    x, y = at
    klass = f' class="{kind}"' if kind else ""
    side = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{number(x)}" y="{number(y)}"{klass}{side}>{plain(text, most)}</text>'


def line(start: Place, end: Place, kind: str) -> str:
    """Draw a straight line."""
    (x1, y1), (x2, y2) = start, end
    return f'<line class="{kind}" x1="{number(x1)}" y1="{number(y1)}" x2="{number(x2)}" y2="{number(y2)}"/>'


def path(places: Iterable[Place], kind: str) -> str:
    """Draw a line through places."""
    points = " ".join(f"{number(x)},{number(y)}" for x, y in places)
    return f'<polyline class="{kind}" points="{points}"/>'


def shape(places: Iterable[Place], kind: str) -> str:
    """Draw a closed shape."""
    points = " ".join(f"{number(x)},{number(y)}" for x, y in places)
    return f'<polygon class="{kind}" points="{points}"/>'


def box(at: Place, width: float, height: float, kind: str, says: str = "") -> str:
    """Draw a rectangle; ``says`` is shown where the pointer rests on it."""
    x, y = at
    size = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
    if not says:
        return f'<rect class="{kind}" {size}/>'
    return f'<rect class="{kind}" {size}><title>{plain(says)}</title></rect>'


def page(width: float, height: float, style: str, title: str, marks: Sequence[str]) -> str:
    """Put marks on a white page."""
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(width)} {number(height)}" '
            f'width="{number(width)}" height="{number(height)}" role="img">',
            f"<title>{plain(title)}</title>",
            f"<style>{style}</style>",
            '<rect width="100%" height="100%" fill="#ffffff"/>',
            *marks,
            "</svg>\n",
        ]
    )


def ticks(low: float, high: float, about: int) -> list[float]:
    """Give round numbers from ``low`` to ``high``, about so many.

    >>> ticks(0.0, 8.3, 5), ticks(211.0, 262.0, 4)
    ([0.0, 2.0, 4.0, 6.0, 8.0], [220.0, 240.0, 260.0])
    """
    span = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(span / about))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0, 20.0) if span / (m * power) <= about * 1.001)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]
