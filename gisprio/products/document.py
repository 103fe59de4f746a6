"""A page of words, tables and figures: one file, no script, no network, made for reading and for print."""

from __future__ import annotations

import base64
from collections.abc import Callable, Iterable, Sequence
from html import escape
from importlib.resources import files
from typing import Self

import pandas as pd

from gisprio.contracts.words import CAUTION
from gisprio.products.svg import without_forbidden

How = int | str | Callable[[object], str]
"""How a cell is written: so many decimals, ``"text"``, or by a function of the value."""
Column = tuple[str, str, How]
"""Column of the frame, its head on the page, and how its cells are written."""
MISSING = "–"
"""What stands in a cell without a value."""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; base-uri 'none'"
_LEVELS = (2, 3)


class Document:
    """A page that is written from top to bottom.

    Parameters
    ----------
    title
        Its heading and its title in the window.
    subtitle
        Of which place and day, in a line below.
    language
        Of the words, as in ``en``.
    styles
        Files of ``assets`` for what is laid out by :meth:`markup`.

    Notes
    -----
    Every text is escaped, and signs that turn the direction of text or end it are left out: names may come from
    anybody's data. Only figures given as SVG, and :meth:`markup`, are taken as they are; they are made by gisprio. A
    policy in the page forbids scripts and whatever lies elsewhere. The caution stands on every page: at its end where
    :meth:`caution` was not called.

    Examples
    --------
    >>> page = Document("Works", "Tansy Brook").paragraph("Nine <sites>.")
    >>> "<p>Nine &lt;sites&gt;.</p>" in page.html()
    True
    """

    def __init__(self, title: str, subtitle: str = "", *, language: str = "en", styles: Sequence[str] = ()) -> None:
        self._title, self._subtitle, self._language = title, subtitle, language
        self._styles = ("document.css", *styles)
        self._parts: list[str] = []
        self._break = False
        self._cautioned = False

    def heading(self, text: str, level: int = 2, *, place: str = "") -> Self:
        """Begin a part.

        Parameters
        ----------
        text
            Of the heading.
        level
            2 for a part, 3 for a part of it.
        place
            Name by which a link leads there: letters, digits and hyphens.

        Raises
        ------
        ValueError
            For another level.
        """
        if level not in _LEVELS:
            raise ValueError(f"a heading of level {level}; the title is 1, parts are 2 and 3")
        mark = f' id="{escape(place)}"' if place else ""
        return self._add(f"<h{level}{mark}{self._begins()}>{plain(text)}</h{level}>")

    def paragraph(self, text: str, kind: str = "") -> Self:
        """Write a paragraph; ``kind`` is empty, ``answer``, ``quiet`` or ``warning``."""
        return self._add(f"<p{_class(kind)}>{plain(text)}</p>")

    def items(self, texts: Iterable[str], *, numbered: bool = False) -> Self:
        """Write a list; nothing where there are no texts."""
        lines = [f"<li>{plain(text)}</li>" for text in texts]
        tag = "ol" if numbered else "ul"
        return self._add(f"<{tag}>\n" + "\n".join(lines) + f"\n</{tag}>") if lines else self

    def table(self, frame: pd.DataFrame, columns: Sequence[Column], caption: str) -> Self:
        """Write a table: a row of the frame is a row of it, and its first column names the row.

        Parameters
        ----------
        frame
            The rows, in order.
        columns
            Name in the frame, head, and how cells are written; see :data:`How`.
        caption
            What the table shows.

        Raises
        ------
        KeyError
            Where the frame lacks a column.
        """
        kinds = [_class("number") if isinstance(how, int) else "" for _, _, how in columns]
        heads = [f'<th scope="col"{kind}>{plain(head)}</th>' for (_, head, _), kind in zip(columns, kinds, strict=True)]
        cells = [[_cell(value, how) for value in frame[name]] for name, _, how in columns]
        rows = [
            "<tr>" + "".join(map(_as_cell, range(len(kinds)), kinds, row)) + "</tr>" for row in zip(*cells, strict=True)
        ]
        return self._add(
            f'<div class="wide" role="region" tabindex="0" aria-label="{plain(caption)}"><table>\n'
            f"<caption>{plain(caption)}</caption>\n<thead><tr>{''.join(heads)}</tr></thead>\n"
            "<tbody>\n" + "\n".join(rows) + "\n</tbody>\n</table></div>"
        )

    def figure(self, picture: str | bytes, alt: str, caption: str = "") -> Self:
        """Show a picture.

        Parameters
        ----------
        picture
            SVG as text, made by gisprio; or the bytes of a PNG, a JPEG or a WebP.
        alt
            What it shows, for those who do not see it.
        caption
            Below it.

        Raises
        ------
        ValueError
            Where the bytes are of none of these.
        """
        if isinstance(picture, bytes):
            kind, data = _kind_of(picture), base64.b64encode(picture).decode("ascii")
            shown = f'<img src="data:image/{kind};base64,{data}" alt="{plain(alt)}">'
        else:
            shown = _with_words(picture, alt)
        below = f"\n<figcaption>{plain(caption)}</figcaption>" if caption else ""
        return self._add(f"<figure{self._begins()}>\n{shown}{below}\n</figure>")

    def markup(self, made: str) -> Self:
        """Add elements as they are; whoever makes them has put :func:`plain` around all text of data."""
        return self._add(made)

    def page_break(self) -> Self:
        """Begin a new page on paper with the next heading or figure."""
        self._break = True
        return self

    def caution(self, text: str = CAUTION) -> Self:
        """Write the caution in its box here, and not at the end."""
        self._cautioned = True
        return self._add(f'<p class="caution">{plain(text)}</p>')

    def footer(self, text: str) -> Self:
        """Close with a line, such as the digest of the run that the page was made from."""
        return self._add(f"<footer>{plain(text)}</footer>")

    def html(self) -> str:
        """Give the page as text; the same calls give the same text."""
        parts = [*self._parts]
        if not self._cautioned:
            at = next((row for row, part in enumerate(parts) if part.startswith("<footer>")), len(parts))
            parts.insert(at, f'<p class="caution">{plain(CAUTION)}</p>')
        assets = files("gisprio.products") / "assets"
        style = "".join((assets / name).read_text("utf-8") for name in self._styles)
        window = plain(f"{self._title}: {self._subtitle}" if self._subtitle else self._title)
        below = f'\n<p class="subtitle">{plain(self._subtitle)}</p>' if self._subtitle else ""
        return (
            f'<!DOCTYPE html>\n<html lang="{escape(self._language)}">\n<head>\n<meta charset="utf-8">\n'
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f"<title>{window}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
            f"<header>\n<h1>{plain(self._title)}</h1>{below}\n</header>\n<main>\n"
            + "\n".join(parts)
            + "\n</main>\n</body>\n</html>\n"
        )

    def _add(self, part: str) -> Self:
        self._parts.append(part)
        return self

    def _begins(self) -> str:
        """Give the mark of what begins a new page on paper."""
        begins, self._break = self._break, False
        return ' class="new-page"' if begins else ""


def plain(text: object) -> str:
    """Give text that may stand between tags and in attributes.

    Examples
    --------
    >>> plain('a <b> "c"')
    'a &lt;b&gt; &quot;c&quot;'
    """
    return escape(without_forbidden(str(text)))


def _class(kind: str) -> str:
    return f' class="{escape(kind)}"' if kind else ""


def _as_cell(column: int, kind: str, text: str) -> str:
    return f"<td{kind}>{text}</td>" if column else f'<th scope="row"{kind}>{text}</th>'


def _cell(value: object, how: How) -> str:
    """Write one value; a null is a dash."""
    if pd.isna(value):  # type: ignore[call-overload]  # a cell holds one value
        return MISSING
    if callable(how):
        return plain(how(value))
    if isinstance(how, int):
        text = f"{float(value):,.{how}f}"  # type: ignore[arg-type]  # a column of numbers
        return text.removeprefix("-") if not text.strip("-0.,") else text
    return plain(value)


def _kind_of(picture: bytes) -> str:
    if picture.startswith(b"\x89PNG"):
        return "png"
    if picture.startswith(b"\xff\xd8"):
        return "jpeg"
    if picture[:4] == b"RIFF" and picture[8:12] == b"WEBP":
        return "webp"
    raise ValueError("a picture that is no PNG, no JPEG and no WebP")


def _with_words(picture: str, alt: str) -> str:
    """Give an SVG its text alternative, where it has none of its own, and leave out what only files have."""
    inner = picture[picture.index("<svg") :].strip()
    if 'role="img"' in inner.split(">", 1)[0]:
        return inner
    return inner.replace("<svg", f'<svg role="img" aria-label="{plain(alt)}"', 1)
