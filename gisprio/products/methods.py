"""The methods of a run as one page for reading and print: no script, no network."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from html import escape
from itertools import groupby
from pathlib import Path

from gisprio.contracts.cards import Results

_STAGE = re.compile(r"\d+\. ")
_STYLE = """
body { font: 1rem/1.5 system-ui, "Helvetica Neue", Arial, sans-serif; color: #1a1a1a; background: #fff;
  max-width: 44rem; margin: 2rem auto; padding: 0 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.25; }
h2 { font-size: 1.15rem; margin: 1.8rem 0 .3rem; border-bottom: 1px solid #767676; break-after: avoid; }
p, ul { margin: .4rem 0; }
ul { padding-left: 1.3rem; }
.deep { margin-left: 1.3rem; }
.deeper { margin-left: 2.6rem; font-size: .94rem; }
.caution { margin-top: 2rem; padding: .8rem 1rem; border: 2px solid #1a1a1a; }
@media print { body { margin: 0; max-width: none; font-size: 10pt; } p, li { orphans: 3; widows: 3; } }
"""


def write_methods(path: Path, results: Results) -> None:
    """Write the page.

    Parameters
    ----------
    path
        The file to write.
    results
        ``methods`` and ``record`` are read.
    """
    path.write_text(methods_page(results.methods(), str(results.record.get("name", ""))), "utf-8")


def methods_page(items: Iterable[str], name: str) -> str:
    """Lay out the items of the methods as a page.

    Parameters
    ----------
    items
        One line each: the heading first, then paragraphs, stages ("1. ..."), what belongs to them with blanks before
        it, points ("- ..."), the caution last.
    name
        Of the run, for the title.

    Notes
    -----
    All text is escaped: names may come from anybody's data.
    """
    given = [item for item in items if item.strip()]
    body = "\n".join(_blocks(given))
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Methods: {escape(name)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n{body}\n</main>\n"
        "</body>\n</html>\n"
    )


def _blocks(items: list[str]) -> Iterator[str]:
    """Give the elements of the page; points that follow one another are one list."""
    yield f"<h1>{escape(items[0] if items else 'Methods')}</h1>"
    for is_point, group in groupby(items[1:-1], key=lambda item: item.lstrip().startswith("- ")):
        if is_point:
            yield "<ul>\n" + "\n".join(f"<li>{escape(item.strip()[2:])}</li>" for item in group) + "\n</ul>"
        else:
            yield from (_block(item) for item in group)
    if len(items) > 1:
        yield f'<p class="caution">{escape(items[-1])}</p>'


def _block(item: str) -> str:
    text, depth = escape(item.strip()), len(item) - len(item.lstrip())
    if depth == 0 and (_STAGE.match(item) or item == "Sources"):
        return f"<h2>{text}</h2>"
    style = ' class="deeper"' if depth > 5 else ' class="deep"' if depth > 3 else ""
    return f"<p{style}>{text}</p>"
