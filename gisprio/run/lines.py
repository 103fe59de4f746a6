"""Lines of text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

WIDTH = 96
_TIED = "\N{NO-BREAK SPACE}"


class Continued(str):
    """A line that goes on with the item of the line before."""

    __slots__ = ()


def unwrapped(lines: Iterable[str]) -> list[str]:
    """Put broken items together again: one line an item, with the blanks of its first line.

    Examples
    --------
    >>> unwrapped([*wrapped("word " * 30, 2, 4), "end"])[1]
    'end'
    """
    items: list[str] = []
    for line in lines:
        if isinstance(line, Continued):
            items[-1] += f" {line.strip()}"
        else:
            items.append(line)
    return items


def wrapped(text: str, first: int = 0, then: int | None = None) -> list[str]:
    """Break a text into lines for a terminal; a number stays with its percent sign.

    Parameters
    ----------
    text
        Words with single blanks between.
    first, then
        Blanks before the first line and before the others; ``then`` as ``first`` when absent.

    Examples
    --------
    >>> wrapped("one", 2)
    ['  one']
    """
    lines = textwrap.wrap(
        text.replace(" %", f"{_TIED}%"),
        WIDTH,
        initial_indent=" " * first,
        subsequent_indent=" " * (first if then is None else then),
        break_long_words=False,
        break_on_hyphens=False,
    )
    plain = [line.replace(_TIED, " ") for line in lines]
    return [*plain[:1], *map(Continued, plain[1:])]
