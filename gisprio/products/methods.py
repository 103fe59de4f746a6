"""The methods of a run as one page for reading and print: no script, no network."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import groupby
from pathlib import Path

from gisprio.contracts.cards import Results
from gisprio.products.document import Document

_STAGE = re.compile(r"\d+\. ")


def write_methods(path: Path, results: Results) -> None:
    """Write the page.

    Parameters
    ----------
    path
        The file to write.
    results
        ``methods`` are read.
    """
    path.write_text(methods_page(results.methods()), "utf-8")


def methods_page(items: Iterable[str]) -> str:
    """Lay out the items of the methods as a page.

    Parameters
    ----------
    items
        One line each: the heading first, then paragraphs, stages ("1. ..."), what belongs to them with blanks before
        it, points ("- ..."), the caution last.

    Notes
    -----
    All text is escaped: names may come from anybody's data.
    """
    given = [item for item in items if item.strip()]
    page = Document(given[0] if given else "Methods")
    for is_point, group in groupby(given[1:-1], key=lambda item: item.lstrip().startswith("- ")):
        if is_point:
            page.items(item.strip()[2:] for item in group)
        else:
            for item in group:
                _write(page, item)
    return (page.caution(given[-1]) if len(given) > 1 else page).html()


def _write(page: Document, item: str) -> None:
    """Write a stage as a heading, and what belongs to it deeper."""
    text, depth = item.strip(), len(item) - len(item.lstrip())
    if depth == 0 and (_STAGE.match(item) or item == "Sources"):
        page.heading(text)
    else:
        page.paragraph(text, "deeper" if depth > 5 else "deep" if depth > 3 else "")
