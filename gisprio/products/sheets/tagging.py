"""Writes pages as a tagged PDF: it looks the same, and can be read aloud, in order, with its figures told in words.

What a part of a page is (heading, list, figure) is written beside the marks it has on the page, as PDF/UA-1 (ISO
14289-1) wants it; what is in no part is marked as decoration. pikepdf adds the tree of parts to the file that reportlab
wrote.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import count, groupby
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from gisprio.contracts.errors import MissingPart
from gisprio.products.sheets.frame import Bounds
from gisprio.products.sheets.marks import POINT_MM, Line, Mark, Page, Part, Picture, Shape, Words, flat
from gisprio.products.sheets.pdf import Operator, drawable, pdf_of, text_width

AROUND_MM = 0.5
"""A figure reaches so much farther than the middle of its outermost lines [own]."""
_TO_UNICODE = re.compile(r"\d+ beginbfchar\n(.*)\nendbfchar", re.DOTALL)
_MOST_IN_BLOCK = 100
"""Letters in a block of a font's list, at most (ISO 32000-1, 9.10.3)."""
_XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<pdfuaid:part>1</pdfuaid:part>
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt></dc:title>
<dc:language><rdf:Bag><rdf:li>{language}</rdf:li></rdf:Bag></dc:language>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>"""


@dataclass(slots=True)
class Node:
    """A part in the tree of its page: what it is made of, or the number of its marked content on the page."""

    part: Part
    kids: list[Node] = field(default_factory=list)
    number: int | None = None


def pikepdf_library() -> Any:
    """Import pikepdf.

    Raises
    ------
    MissingPart
        It is not installed.
    """
    try:
        import pikepdf
    except ImportError:
        raise MissingPart(
            "tagged sheets: pikepdf is not installed.",
            wanted="the optional part gisprio[accessible].",
            do='pip install "gisprio[accessible]", or leave --tagged and [sheets] tagged out.',
        ) from None
    return pikepdf


def write_tagged_pdf(path: Path, page: Page, *more: Page) -> None:
    """Write a page, and more behind it, as a tagged PDF: the same pages give the same bytes.

    Parameters
    ----------
    path
        The file.
    page, more
        The pages; what the file says of itself is told by the first.

    Raises
    ------
    MissingPart
        pikepdf is not installed.
    """
    pikepdf = pikepdf_library()
    pages = [page, *more]
    trees = [Node(Part("Sect", each.marks, language=each.language)) for each in pages]
    drawn = [list(_marked(tree, count())) for tree in trees]
    with pikepdf.open(io.BytesIO(pdf_of(pages, drawn))) as pdf:
        _add_tree(pikepdf, pdf, trees)
        _tell_of_itself(pikepdf, pdf, page)
        _mend_letters(pikepdf, pdf)
        pdf.save(path, deterministic_id=True, min_version="1.7")


def _marked(node: Node, numbers: Iterator[int]) -> Iterator[Mark | Operator]:
    """Give the marks of a part, with where content of its parts begins and ends; add the parts to its node."""
    if not any(isinstance(mark, Part) for mark in node.part.marks):
        node.number = next(numbers)
        yield Operator(f"/{node.part.role} <</MCID {node.number}>> BDC")
        yield from node.part.marks
        yield Operator("EMC")
        return
    for are_parts, marks in groupby(node.part.marks, key=lambda mark: isinstance(mark, Part)):
        if not are_parts:
            yield from (Operator("/Artifact BMC"), *marks, Operator("EMC"))
            continue
        for part in marks:
            assert isinstance(part, Part)
            node.kids.append(Node(part))
            yield from _marked(node.kids[-1], numbers)


def _add_tree(pikepdf: Any, pdf: Any, trees: Sequence[Node]) -> None:
    """Add the tree of parts, and for each page the list from marked content back to parts."""
    make = partial(_element, pikepdf, pdf)
    root = pdf.make_indirect(pikepdf.Dictionary(Type=pikepdf.Name.StructTreeRoot))
    document = make(root, Part("Document", ()))
    root.K = pikepdf.Array([document])
    numbers = pikepdf.Array()
    for at, (page, tree) in enumerate(zip(pdf.pages, trees, strict=True)):
        owners: dict[int, Any] = {}
        document.K.append(_grown(make, document, tree, page.obj, owners))
        numbers.extend([at, pdf.make_indirect(pikepdf.Array([owners[number] for number in sorted(owners)]))])
        page.obj.StructParents = at
        page.obj.Tabs = pikepdf.Name.S
    root.ParentTree = pdf.make_indirect(pikepdf.Dictionary(Nums=numbers))
    root.ParentTreeNextKey = len(trees)
    pdf.Root.StructTreeRoot = root


def _grown(make: Any, parent: Any, node: Node, page: Any, owners: dict[int, Any]) -> Any:
    """Make the element of a node and of all below it; note which element has which marked content."""
    element = make(parent, node.part)
    element.Pg = page
    if node.number is not None:
        element.K = node.number
        owners[node.number] = element
    for kid in node.kids:
        element.K.append(_grown(make, element, kid, page, owners))
    return element


def _element(pikepdf: Any, pdf: Any, parent: Any, part: Part) -> Any:
    element = pikepdf.Dictionary(
        Type=pikepdf.Name.StructElem, S=pikepdf.Name(f"/{part.role}"), P=parent, K=pikepdf.Array()
    )
    if part.language:
        element.Lang = pikepdf.String(part.language)
    if part.scope:
        element.A = pikepdf.Dictionary(O=pikepdf.Name.Table, Scope=pikepdf.Name(f"/{part.scope}"))
    if part.role == "Figure":
        element.Alt = pikepdf.String(part.alt)
        box = pikepdf.Array([round(side / POINT_MM, 2) for side in box_of(part.marks)])
        element.A = pikepdf.Dictionary(O=pikepdf.Name.Layout, Placement=pikepdf.Name.Block, BBox=box)
    return pdf.make_indirect(element)


def box_of(marks: Iterable[Mark]) -> Bounds:
    """Give the least and greatest places of marks [mm], with a little around; letters count as tall as their size."""
    places = np.vstack([_corners(mark) for mark in flat(marks)])
    (left, low), (right, high) = places.min(axis=0).tolist(), places.max(axis=0).tolist()
    return left - AROUND_MM, low - AROUND_MM, right + AROUND_MM, high + AROUND_MM


def _corners(mark: Line | Shape | Words | Picture) -> np.ndarray:
    match mark:
        case Line():
            return mark.points
        case Shape():
            return np.vstack(mark.rings)
        case Picture():
            return np.reshape(mark.box, (2, 2))
        case Words():
            wide = text_width(mark.text, mark.size, mark.bold)
            left = mark.at[0] - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor]
            return np.array([(left, mark.at[1]), (left + wide, mark.at[1] + mark.size * POINT_MM)])


def _tell_of_itself(pikepdf: Any, pdf: Any, page: Page) -> None:
    """Say that the file is tagged, what it is called, and that viewers should show that name."""
    told = _XMP.format(title=escape(drawable(page.title)), language=escape(page.language))
    metadata = pikepdf.Stream(pdf, told.encode("utf-8"))
    metadata.Type, metadata.Subtype = pikepdf.Name.Metadata, pikepdf.Name.XML
    pdf.Root.Metadata = pdf.make_indirect(metadata)
    pdf.Root.MarkInfo = pikepdf.Dictionary(Marked=True)
    pdf.Root.Lang = pikepdf.String(page.language)
    pdf.Root.ViewerPreferences = pikepdf.Dictionary(DisplayDocTitle=True)


def _mend_letters(pikepdf: Any, pdf: Any) -> None:
    """Take codes that stand for no letter out of the fonts' lists of letters: reportlab gives them as letter 0."""
    for thing in pdf.objects:
        if not isinstance(thing, pikepdf.Dictionary) or "/ToUnicode" not in thing:
            continue
        listed = thing.ToUnicode.read_bytes().decode("ascii")
        thing.ToUnicode.write(_TO_UNICODE.sub(_only_letters, listed).encode("ascii"))


def _only_letters(found: re.Match[str]) -> str:
    lines = [line for line in found[1].split("\n") if not line.endswith("<0000>")]
    blocks = [lines[at : at + _MOST_IN_BLOCK] for at in range(0, len(lines), _MOST_IN_BLOCK)]
    return "\n".join(f"{len(block)} beginbfchar\n" + "\n".join(block) + "\nendbfchar" for block in blocks)
