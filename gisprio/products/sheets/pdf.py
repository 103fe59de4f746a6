"""Writes a page of marks as a PDF: the same page gives the same bytes, with its fonts inside.

The font is Source Sans Pro (SIL Open Font License 1.1), from the package font-source-sans-pro.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path

import numpy as np
from PIL import Image
from reportlab.lib.colors import HexColor
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from gisprio.products.sheets.marks import POINT_MM, Line, Mark, Page, Picture, Points, Shape, Words, flat

FONTS = {False: "SourceSansPro-Regular", True: "SourceSansPro-Semibold"}
_MM = 1 / POINT_MM


@cache
def _fonts() -> None:
    """Make the fonts known to the writer, once a process."""
    for name in FONTS.values():
        with (files("font_source_sans_pro") / "files" / f"{name}.ttf").open("rb") as file:
            pdfmetrics.registerFont(TTFont(name, io.BytesIO(file.read())))


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Give the width of a text [mm]."""
    _fonts()
    width: float = pdfmetrics.stringWidth(drawable(text), FONTS[bold], size)
    return width * POINT_MM


@lru_cache(maxsize=4096)
def drawable(text: str) -> str:
    """Give a text with accents joined to their letters, without control signs, ``?`` for what the font lacks."""
    _fonts()
    known = pdfmetrics.getFont(FONTS[False]).face.charToGlyph
    joined = unicodedata.normalize("NFC", text)
    plain = "".join(sign if unicodedata.category(sign)[0] != "C" else " " for sign in joined)
    return "".join(sign if ord(sign) in known or sign == " " else "?" for sign in plain)


@dataclass(frozen=True, slots=True)
class Operator:
    """A line of PDF's own language, which draws nothing: where marked content begins or ends."""

    code: str


def write_pdf(path: Path, page: Page, *more: Page) -> None:
    """Write a page, and more behind it; what the file says of itself is told by the first.

    Parameters
    ----------
    path
        The file.
    page, more
        The pages.
    """
    path.write_bytes(pdf_of([page, *more], [flat(each.marks) for each in (page, *more)]))


def pdf_of(pages: Sequence[Page], drawn: Sequence[Iterable[Mark | Operator]]) -> bytes:
    """Give the bytes of a file.

    Parameters
    ----------
    pages
        Sizes of the pages; the first tells what the file says of itself.
    drawn
        What is drawn on each, without parts.
    """
    _fonts()
    first, made = pages[0], io.BytesIO()
    size = (first.width * _MM, first.height * _MM)
    canvas = Canvas(
        made, pagesize=size, initialFontName=FONTS[False], invariant=1, pageCompression=1, lang=first.language
    )
    canvas.setTitle(drawable(first.title))
    canvas.setSubject(first.subject)
    canvas.setAuthor("")
    canvas.setCreator("gisprio")
    for each, marks in zip(pages, drawn, strict=True):
        canvas.setPageSize((each.width * _MM, each.height * _MM))
        canvas.setLineJoin(1)
        for mark in marks:
            _draw(canvas, mark)
        canvas.showPage()
    canvas.save()
    return made.getvalue()


def _draw(canvas: Canvas, mark: Mark | Operator) -> None:
    match mark:
        case Operator():
            canvas.addLiteral(mark.code)
        case Line():
            _stroke(canvas, mark.colour, mark.width, mark.dash)
            canvas.drawPath(_path(canvas, (mark.points,), closed=False), stroke=1, fill=0)
        case Shape():
            _shape(canvas, mark)
        case Words():
            canvas.setFillColor(HexColor(mark.colour))
            canvas.setFont(FONTS[mark.bold], mark.size)
            write = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
            write[mark.anchor](mark.at[0] * _MM, mark.at[1] * _MM, drawable(mark.text))
        case Picture():
            left, low, right, high = (side * _MM for side in mark.box)
            canvas.drawImage(_picture(mark.pixels), left, low, right - left, high - low)


def _shape(canvas: Canvas, mark: Shape) -> None:
    if mark.edge:
        _stroke(canvas, mark.edge, mark.width, ())
    if mark.fill:
        canvas.setFillColor(HexColor(mark.fill))
        canvas.setFillAlpha(mark.opacity)
    path = _path(canvas, mark.rings, closed=True)
    canvas.drawPath(path, stroke=int(bool(mark.edge)), fill=int(bool(mark.fill)), fillMode=0)
    if mark.fill and mark.opacity < 1:
        canvas.setFillAlpha(1)


def _stroke(canvas: Canvas, colour: str, width: float, dash: tuple[float, ...]) -> None:
    canvas.setStrokeColor(HexColor(colour))
    canvas.setLineWidth(width * _MM)
    canvas.setDash([part * _MM for part in dash])


def _path(canvas: Canvas, rings: tuple[Points, ...], *, closed: bool) -> object:
    path = canvas.beginPath()
    for ring in rings:
        places = (ring * _MM).round(3).tolist()
        path.moveTo(*places[0])
        for place in places[1 : -1 if closed else None]:
            path.lineTo(*place)
        if closed:
            path.close()
    return path


def _picture(pixels: np.ndarray) -> ImageReader:
    """Hand a picture over as JPEG, which goes into the file as it is."""
    made = io.BytesIO()
    Image.fromarray(pixels).save(made, "JPEG", quality=80)
    made.seek(0)
    return ImageReader(made)
