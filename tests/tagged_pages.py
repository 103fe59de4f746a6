"""Reads a tagged PDF back as who has it read aloud meets it, and holds it to what PDF/UA-1 wants of such a file.

``python -m tests.tagged_pages FILE ...`` does so for files, and has page-validation, a checker of PDF/UA-1, look too.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pikepdf

PAINTING = {"f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "Do", "sh", "Tj", "TJ", "'", '"'}
"""Operators that put something on a page."""
WITHIN = {
    "LI": {"L"},
    "Lbl": {"LI"},
    "LBody": {"LI"},
    "TR": {"Table"},
    "TH": {"TR"},
    "TD": {"TR"},
    "Sect": {"Document"},
}


@dataclass
class Element:
    """An element of the tree: what it is, its words in place of a figure, its language, what is in it."""

    role: str
    alt: str | None
    language: str
    scope: str
    box: list[float] | None
    kids: list[Element] = field(default_factory=list)
    content: list[tuple[int, int]] = field(default_factory=list)

    def all(self) -> Iterator[Element]:
        yield self
        for kid in self.kids:
            yield from kid.all()


def tree_of(pdf: pikepdf.Pdf) -> Element:
    """Give the element at the root, walked from the catalogue; content as number of the page and of the mark."""
    pages = {page.obj.objgen: number for number, page in enumerate(pdf.pages)}
    (document,) = pdf.Root.StructTreeRoot.K
    return _element(document, pdf.Root.StructTreeRoot, pages)


def _element(given: Any, parent: Any, pages: dict[Any, int]) -> Element:
    assert given.Type == "/StructElem"
    assert given.P.objgen == parent.objgen
    attributes = given.get("/A", {})
    box = attributes.get("/BBox")
    alt = given.get("/Alt")
    made = Element(
        str(given.S)[1:], None if alt is None else str(alt), str(given.get("/Lang", "")),
        str(attributes.get("/Scope", "/"))[1:], None if box is None else [float(side) for side in box],
    )  # fmt: skip
    kids = given.K
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary):
            made.kids.append(_element(kid, given, pages))
        else:
            made.content.append((pages[given.Pg.objgen], int(kid)))
    return made


def marked_on(page: pikepdf.Page) -> tuple[list[tuple[int, str]], list[str]]:
    """Give number and role of the marked content of a page, as it is drawn, and what is painted outside of any."""
    marked: list[tuple[int, str]] = []
    outside: list[str] = []
    inside: list[str] = []
    for operands, operator in pikepdf.parse_content_stream(page):
        name = str(operator)
        if name in ("BDC", "BMC"):
            inside.append(str(operands[0]))
            if name == "BDC":
                marked.append((int(operands[1].MCID), str(operands[0])[1:]))
        elif name == "EMC":
            inside.pop()
        elif name in PAINTING and len(inside) != 1:
            outside.append(name)
    assert inside == []
    return marked, outside


def tag_faults(path: Path) -> list[str]:
    """Give what is wrong with a tagged file; nothing where it is as it should be."""
    with pikepdf.open(path) as pdf:
        root = tree_of(pdf)
        return [*_faults_of_file(pdf), *_faults_of_tree(root), *_faults_of_content(pdf, root), *_faults_of_fonts(pdf)]


def _faults_of_file(pdf: pikepdf.Pdf) -> list[str]:
    catalogue = pdf.Root
    metadata = catalogue.Metadata.read_bytes().decode("utf-8")
    title = re.search(r'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">([^<]+)</rdf:li>', metadata)
    checks = {
        "marked": bool(catalogue.MarkInfo.Marked),
        "language": bool(str(catalogue.get("/Lang", ""))),
        "title shown": bool(catalogue.ViewerPreferences.DisplayDocTitle),
        "title": title is not None and bool(str(pdf.docinfo.get("/Title", ""))),
        "says that it is PDF/UA-1": "<pdfuaid:part>1</pdfuaid:part>" in metadata,
        "order of tabs": all(page.obj.Tabs == "/S" for page in pdf.pages),
    }
    return [name for name, held in checks.items() if not held]


def _faults_of_tree(root: Element) -> list[str]:
    faults = []
    for element in root.all():
        misplaced = [kid for kid in element.kids if kid.role in WITHIN and element.role not in WITHIN[kid.role]]
        faults += [f"{kid.role} in {element.role}" for kid in misplaced]
        if element.kids and element.content:
            faults.append(f"{element.role} holds both parts and content")
        if element.role == "Figure" and (not element.alt or element.box is None or element.box[2] <= element.box[0]):
            faults.append("a figure without words or place")
        if element.role == "TH" and element.scope not in ("Row", "Column"):
            faults.append("a head of nothing")
        if element.role == "Table" and len({len(row.kids) for row in element.kids}) != 1:
            faults.append("a table of uneven rows")
    for page in root.kids:
        heads = [int(element.role[1]) for element in page.all() if re.fullmatch(r"H\d", element.role)]
        if heads[:1] != [1] or any(after > before + 1 for before, after in pairwise(heads)):
            faults.append("headings that leave out a step")
    return faults


def _faults_of_content(pdf: pikepdf.Pdf, root: Element) -> list[str]:
    """Hold content to the tree: each piece in one element, of the same role, read in the order in which it is drawn."""
    roles = {place: element.role for element in root.all() for place in element.content}
    read = [place for element in root.all() for place in element.content]
    drawn: dict[tuple[int, int], str] = {}
    faults = []
    for number, page in enumerate(pdf.pages):
        marked, outside = marked_on(page)
        faults += [f"{name} outside of content" for name in outside]
        drawn |= {(number, mark): role for mark, role in marked}
        owners = _owners(pdf, int(page.obj.StructParents))
        if [str(owner.S)[1:] for owner in owners] != [role for _, role in sorted(marked)]:
            faults.append("the list back from content to elements is wrong")
    if drawn != roles or len(read) != len(set(read)):
        faults.append("content and tree differ")
    if read != list(drawn):
        faults.append("read in another order than drawn")
    return faults


def _owners(pdf: pikepdf.Pdf, key: int) -> list[Any]:
    listed = pdf.Root.StructTreeRoot.ParentTree.Nums
    return list({int(listed[at]): listed[at + 1] for at in range(0, len(listed), 2)}[key])


def _faults_of_fonts(pdf: pikepdf.Pdf) -> list[str]:
    faults = []
    for page in pdf.pages:
        for name in page.Resources.Font:
            font = page.Resources.Font[name]
            letters = re.findall(r"<[0-9A-F]+> <([0-9A-F]+)>\n", font.ToUnicode.read_bytes().decode())
            if not letters or set(letters) & {"0000", "FEFF", "FFFE"}:
                faults.append("codes that stand for no letter")
            if "/FontFile2" not in font.FontDescriptor:
                faults.append("a font that is not in the file")
    return faults


def heard(path: Path) -> list[tuple[str, str]]:
    """Give what a screen reader meets, in order: the role and text of all that has content; figures by their words."""
    with pikepdf.open(path) as pdf:
        texts = {(n, mark): text for n, page in enumerate(pdf.pages) for mark, text in _texts(page).items()}
        elements = [element for element in tree_of(pdf).all() if element.content]
        told = [(one.role, one.alt if one.alt is not None else texts.get(one.content[0], "")) for one in elements]
        return [(role, text.replace("\u00a0", " ")) for role, text in told]


def _texts(page: pikepdf.Page) -> dict[int, str]:
    letters = {name: _letters(font) for name, font in page.Resources.Font.items()}
    texts: dict[int, str] = {}
    number, font = -1, {}
    for operands, operator in pikepdf.parse_content_stream(page):
        match str(operator):
            case "BDC":
                number = int(operands[1].MCID)
            case "BMC" | "EMC":
                number = -1
            case "Tf":
                font = letters.get(str(operands[0]), {})
            case "Tj" if number >= 0:
                texts[number] = texts.get(number, "") + "".join(font[code] for code in bytes(operands[0]))
    return texts


def _letters(font: Any) -> dict[int, str]:
    listed = re.findall(r"<([0-9A-F]{2})> <([0-9A-F]{4})>\n", font.ToUnicode.read_bytes().decode())
    return {int(code, 16): chr(int(letter, 16)) for code, letter in listed}


def main(paths: list[str]) -> int:
    """Tell what is wrong with files by our own reading and by the checker, and how much was checked."""
    import page

    wrong = rules = 0
    for path in paths:
        report = page.validate_pdf(path, profile=page.ValidationProfile.PDF_UA_1)
        faults = [*tag_faults(Path(path)), *(f"{one.rule_id}: {one.message}" for one in report.failures)]
        wrong, rules = wrong + bool(faults), report.rules.total
        sys.stdout.writelines(f"{path}: {fault}\n" for fault in faults)
    sys.stdout.write(f"{len(paths)} files, {rules} rules of PDF/UA-1, {wrong} files with faults\n")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
