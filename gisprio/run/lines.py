"""Lines of text for a terminal."""

from __future__ import annotations

import textwrap

WIDTH = 96
_TIED = "\N{NO-BREAK SPACE}"


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
    return [line.replace(_TIED, " ") for line in lines]
