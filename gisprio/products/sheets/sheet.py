"""Lays one property's sheet on a page: title, map, legend, locator, strips, what could be done, caution, contact."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely

from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.errors import InputError
from gisprio.products.sheets import drawing
from gisprio.products.sheets.frame import Bounds, Frame, bar_length, frame_for
from gisprio.products.sheets.layout import Blank, Block, Column, Table, Text, set_blocks, table_width
from gisprio.products.sheets.marks import Line, Mark, Measure, Page, Part, Picture, Shape, rectangle
from gisprio.products.sheets.plots import Plot, Strip
from gisprio.products.sheets.spoken import locator_told, map_told
from gisprio.products.sheets.texts import Texts

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height of the papers [mm]."""
MARGIN = 13.0
SIZES = (9.5, 9.0, 8.5, 8.0, 7.5, 7.0)
"""Sizes that the text is tried in, until all of it fits [pt, own]."""
MOST_ROWS = 12
"""Rows of the table of strips; those beyond are told together in the last one [own]."""
SIDE_MM, BETWEEN = 44.0, 3.5
LEGEND_MM = 66.0
"""Room for legend, scale and north arrow below the locator [own]."""
LEAST_MAP_MM = 92.0
"""Least height of the map [own]."""
BAR_MM = 32.0
"""A scale bar is no longer [own]."""

Backdrop = Callable[[Frame], np.ndarray | None]


@dataclass(frozen=True, slots=True)
class Setting:
    """What all sheets of a run share.

    Parameters
    ----------
    texts
        The sentences.
    place
        Name of the watershed.
    paper
        ``a4`` or ``letter``.
    streams
        Lines of all streams, drawn downstream.
    overview
        Simplified streams for the locator, with their width [mm].
    bounds
        Bounds of all streams [m].
    rule, kind
        Form of the setback rule and what stands behind it, as the settings name them.
    rule_title
        Title of a published rule; may be empty.
    counts
        Classes of cover that count as a strip.
    date, cover_year
        When the run was done, and of when the land cover is.
    digest
        Digest of the run.
    contact
        Lines of the contact block; may be empty.
    logo
        (rows, columns, 3) colours; None for none.
    backdrop
        Gives the picture below a window; None where there is none.
    measure
        Width of a text.
    tagged
        Whether figures are told in words too.
    """

    texts: Texts
    place: str
    paper: str
    streams: np.ndarray
    overview: tuple[tuple[shapely.Geometry, float], ...]
    bounds: Bounds
    rule: str
    kind: str
    rule_title: str
    counts: tuple[str, ...]
    date: str
    cover_year: int | None
    digest: str
    contact: str
    measure: Measure
    logo: np.ndarray | None = None
    backdrop: Backdrop | None = None
    tagged: bool = False

    def figure(self, marks: Sequence[Mark], told: Callable[[], str]) -> Part:
        """Make a figure of marks, told in words where sheets are tagged."""
        return Part("Figure", tuple(marks), alt=told() if self.tagged else "")


def make_sheet(plot: Plot, setting: Setting) -> Page:
    """Lay the sheet of a property on its page.

    Parameters
    ----------
    plot
        The property.
    setting
        What all sheets share.

    Raises
    ------
    InputError
        The texts are too long for the page even in the smallest letters.
    """
    width, height = PAPERS[setting.paper]
    head, top = _head(plot, setting, width, height - MARGIN)
    for size in SIZES:
        foot, low = _foot(setting, width, size)
        body, text_top = _body(plot, setting, width, size, low)
        room = top - text_top
        if room >= LEAST_MAP_MM + BETWEEN:
            upper = _map_block(plot, setting, (MARGIN, text_top + BETWEEN, width - MARGIN, top), size)
            title = _title(plot, setting)
            marks = (*head, *body[0], *upper, *body[1], *foot)
            return Page(width, height, marks, title, f"run {setting.digest}", setting.texts.language)
    raise InputError(
        f"the sheet of property {plot.property_id} does not fit on one page: its texts are too long.",
        wanted=f"texts that leave {LEAST_MAP_MM:g} mm for the map in letters of {SIZES[-1]:g} points.",
        do="shorten the sentences in [sheets] texts, or [report] contact.",
    )


def _title(plot: Plot, setting: Setting) -> str:
    return setting.texts.say("title", property=plot.property_id)


def _head(plot: Plot, setting: Setting, width: float, top: float) -> tuple[list[Mark], float]:
    """Set title and subtitle, and the logo at the right; give the marks and their lower edge."""
    texts = setting.texts
    marks: list[Mark] = []
    right = width - MARGIN
    if setting.logo is not None:
        rows, columns = setting.logo.shape[:2]
        high = min(14.0, 34.0 * rows / columns)
        wide = high * columns / rows
        logo = Picture((right - wide, top - high, right, top), setting.logo)
        marks.append(setting.figure([logo], lambda: texts.say("spoken.logo")))
        right -= wide + 4
    named = f"{texts.listed(list(plot.streams))}" if plot.streams else ""
    under = texts.say("subtitle" if named else "subtitle_unnamed", stream=named, place=setting.place)
    size = 17.0
    while size > 11 and setting.measure(_title(plot, setting), size, True) > right - MARGIN:
        size -= 0.5
    column = Column(MARGIN, right - MARGIN, size - 1.5, setting.measure)
    made, low = set_blocks([Text("title", _title(plot, setting))], column, top)
    more, low = set_blocks([Text("paragraph", under)], Column(MARGIN, right - MARGIN, 10.5, setting.measure), low + 1.6)
    return [*made, *more, *marks], min(low, top - 14.5 if setting.logo is not None else low)


def _map_block(plot: Plot, setting: Setting, box: Bounds, size: float) -> list[Mark]:
    """Draw the map, and beside it locator and legend."""
    left, low, right, high = box
    frame = frame_for((left, low, right - SIDE_MM - BETWEEN, high), [s.shape for s in plot.strips], plot.outline)
    pixels = setting.backdrop(frame) if setting.backdrop is not None else None
    below: list[Mark] = [] if pixels is None else [Picture(frame.box, pixels)]
    reach = shapely.STRtree(setting.streams).query(shapely.box(*frame.ground))
    drawn = drawing.map_marks(frame, plot, setting.streams[np.sort(reach)], 8.5)
    shown = setting.figure([*below, *drawn], lambda: _map_told(plot, frame, drawn, setting.texts))
    return [shown, *_beside(plot, frame, setting, (right - SIDE_MM, low, right, high))]


def _map_told(plot: Plot, frame: Frame, drawn: Sequence[Mark], texts: Texts) -> str:
    arrows = [mark.rings[0] for mark in drawn if isinstance(mark, Shape) and mark.fill == drawing.FLOW]
    lengths = [texts.metres(_by_fives(strip.length_m, texts)) for strip in plot.strips]
    return map_told(plot, frame, arrows, _setback(plot, texts), lengths, texts)


def _bar(frame: Frame, setting: Setting, left: float, top: float) -> Part:
    """Draw scale bar and north arrow beside each other."""
    unit_m, unit = (FOOT_M.value, "ft") if setting.texts.units == "us" else (1.0, "m")
    length = bar_length(frame, BAR_MM, unit_m)
    middle = setting.texts.number(length / 2, 0 if length % 2 == 0 else 1)
    labels = ("0", middle, f"{setting.texts.number(length)}\u00a0{unit}")
    bar = drawing.scale_bar((left + 1.5, top - 10), length * unit_m * 1000 / frame.scale, labels, 7.5)
    north = drawing.north_arrow((left + SIDE_MM - 2.4, top - 12), setting.texts.say("north"), 9.0)
    return setting.figure([*bar, *north], lambda: setting.texts.say("spoken.bar", length=labels[2]))


def _beside(plot: Plot, frame: Frame, setting: Setting, box: Bounds) -> list[Mark]:
    """Draw locator and legend."""
    left, low, right, high = box
    x0, y0, x1, y1 = setting.bounds
    tall = min(48.0, high - low - LEGEND_MM, max(26.0, SIDE_MM * (y1 - y0) / max(x1 - x0, 1e-9)))
    column = Column(left, right - left, 8.0, setting.measure)
    marks, y = set_blocks([Text("heading", setting.texts.say("locator"))], column, high)
    at = (left, y - tall, right, y)
    marks.append(
        setting.figure(
            drawing.locator(at, setting.overview, setting.bounds, frame.ground),
            lambda: locator_told(at, setting.bounds, frame.ground, setting.place, setting.texts),
        )
    )
    y -= tall + 2.5
    made, y = set_blocks([Text("heading", setting.texts.say("legend"))], column, y)
    return marks + made + _legend(plot, frame, setting, column, y)


def _legend(plot: Plot, frame: Frame, setting: Setting, column: Column, top: float) -> list[Mark]:
    """Draw an entry for each thing that is on the map, and the scale."""
    say, lines, y = setting.texts.say, [], top
    entries = ["outline", "strip", "stream", "setback", *(["works"] if plot.works else []), "place"]
    if plot.setback_line.is_empty:
        entries.remove("setback")
    inset = Column(column.left + 11, column.width - 11, column.size, setting.measure)
    for entry in entries:
        made, below = set_blocks([Text("paragraph", say(f"legend_{entry}"))], inset, y)
        look = setting.figure(_sample(entry, column.left, y - 2.0), partial(say, f"looks.{entry}"))
        lines.append(Part("LI", (Part("Lbl", (look,)), Part("LBody", tuple(made)))))
        y = min(below, y - 4.6)
    scale = say("scale", scale=setting.texts.number(frame.scale))
    notes: list[Block] = [Text("note", scale)]
    if not shapely.covers(shapely.box(*frame.ground), plot.outline):
        notes.append(Text("note", say("shows_part")))
    made, y = set_blocks(notes, column, y - 0.5)
    return [Part("L", tuple(lines)), *made, _bar(frame, setting, column.left, y)]


def _sample(entry: str, x: float, y: float) -> list[Mark]:
    """Draw how something looks on the map, 9 mm wide around a height."""
    line = np.array([(x, y), (x + 9, y)])
    box = shapely.box(x, y - 1.5, x + 9, y + 1.5)
    match entry:
        case "outline":
            return [Line(line, drawing.OUTLINE, 0.55, (3.2, 1.0, 0.6, 1.0))]
        case "strip":
            filled = drawing.shapes_of(box, drawing.STRIP, drawing.HATCH, 0.25)
            return filled + drawing.lines_of(drawing.hatching(box), drawing.HATCH, 0.18)
        case "stream":
            head = np.array([(x + 6.6, y), (x + 2.4, y + 1.35), (x + 3.4, y), (x + 2.4, y - 1.35), (x + 6.6, y)])
            return [Line(line, drawing.STREAM, 0.9), Shape((head,), drawing.FLOW, "#ffffff", 0.15)]
        case "setback":
            return [Line(line, drawing.SETBACK, 0.35, (1.6, 0.9))]
        case "works":
            filled = drawing.shapes_of(box, "#cfe8cf", drawing.WORKS, 0.3)
            return filled + drawing.lines_of(drawing.hatching(box, 1.6, -45), drawing.WORKS, 0.12)
    return [Shape((rectangle(x + 3, y - 1.3, x + 5.6, y + 1.3),), "", drawing.PLACE, 0.6)]


def _body(
    plot: Plot, setting: Setting, width: float, size: float, low: float
) -> tuple[tuple[list[Mark], list[Mark]], float]:
    """Set the two columns of text so that the longer one ends at ``low``; give their marks and their upper edge."""
    table = _strip_table(plot.strips, setting.texts)
    whole = width - 2 * MARGIN
    left = max((whole - 6) * 0.5, table_width(table, size, setting.measure))
    one = _left_blocks(plot, setting, table), Column(MARGIN, left, size, setting.measure)
    other = _right_blocks(plot, setting), Column(MARGIN + left + 6, whole - left - 6, size, setting.measure)
    top = low + max(-set_blocks(*column, 0.0)[1] for column in (one, other))
    return (set_blocks(*one, top)[0], set_blocks(*other, top)[0]), top


def _left_blocks(plot: Plot, setting: Setting, table: Table) -> list[Block]:
    texts = setting.texts
    letters = [strip.letter for strip in plot.strips]
    told = {
        "letters": texts.listed(letters) if len(letters) < 4 else f"{letters[0]} {texts.say('to')} {letters[-1]}",
        "setback": _setback(plot, texts),
        "length": texts.say("about", value=texts.metres(sum(_by_fives(s.length_m, texts) for s in plot.strips))),
        "cover": texts.listed([texts.say(f"covers.{cover}") for cover in setting.counts], "or"),
    }
    return [
        Text("heading", texts.say("shows_title")),
        Text("paragraph", texts.say("shows_one" if len(letters) == 1 else "shows", **told)),
        Text("paragraph", _setback_told(plot, setting)),
        Text("paragraph", texts.say("uncertain")),
        Text("heading", texts.say("strips_title")),
        table,
        Text("note", texts.say("strips_note")),
    ]


def _right_blocks(plot: Plot, setting: Setting) -> list[Block]:
    texts = setting.texts
    beside = {cover for strip in plot.strips for cover in strip.covers}
    points = ["plant", "grow", *(cover for cover in ("pasture", "crop", "developed") if cover in beside), "keep"]
    blocks: list[Block] = [Text("heading", texts.say("could_title"))]
    blocks += [Text("point", texts.say(f"could_{point}")) for point in points]
    blocks.append(Text("paragraph", texts.say("could_choice")))
    if plot.works:
        blocks.append(Text("heading", texts.say("done_title")))
        told = dict.fromkeys(_work_told(work.kind, work.year, texts) for work in plot.works)
        blocks += [Text("point", line) for line in told]
    return blocks


def _work_told(kind: str | None, year: int | None, texts: Texts) -> str:
    if kind is None:
        return texts.say("done_plain") if year is None else texts.say("done_no_kind", year=str(year))
    return texts.say("done_no_year", kind=kind) if year is None else texts.say("done", kind=kind, year=str(year))


def _setback(plot: Plot, texts: Texts) -> str:
    least, most = (texts.metres(metres) for metres in plot.setbacks_m)
    return most if least == most else f"{least} {texts.say('to')} {most}"


def _setback_told(plot: Plot, setting: Setting) -> str:
    texts = setting.texts
    rule = texts.say(f"rules.{setting.rule}")
    if setting.rule_title:
        rule = f"{setting.rule_title} ({rule})"
    return texts.say("setback", setback=_setback(plot, texts), rule=rule, kind=texts.say(f"kinds.{setting.kind}"))


def _strip_table(strips: Sequence[Strip], texts: Texts) -> Table:
    """Give the table of strips; those beyond the most rows are told together."""
    head = tuple(texts.say(f"column_{name}") for name in ("letter", "side", "length", "width", "area"))
    cut = len(strips) if len(strips) <= MOST_ROWS else MOST_ROWS - 1
    rows = [
        (
            s.letter,
            texts.say(s.side),
            texts.metres(_by_fives(s.length_m, texts)),
            texts.metres(s.width_m),
            texts.area(s.area_m2),
        )
        for s in strips[:cut]
    ]
    rest = strips[cut:]
    if rest:
        length, area = sum(_by_fives(s.length_m, texts) for s in rest), sum(s.area_m2 for s in rest)
        letters = texts.say("strips_more", letters=f"{rest[0].letter}–{rest[-1].letter}")
        rows.append((letters, "", texts.metres(length), texts.metres(area / length), texts.area(area)))
    return Table(head, tuple(rows))


def _by_fives(metres: float, texts: Texts) -> float:
    """Round a length [m] to fives of what people read: maps are no finer."""
    unit = FOOT_M.value if texts.units == "us" else 1.0
    return 5 * unit * max(1, math.floor(metres / unit / 5 + 0.5))


def _foot(setting: Setting, width: float, size: float) -> tuple[list[Mark], float]:
    """Set caution, contact and dates at the lower edge of the page; give the marks and their upper edge."""
    texts, whole = setting.texts, width - 2 * MARGIN
    small = max(7.0, size - 1)
    cover = texts.say("cover_no_year")
    if setting.cover_year is not None:
        cover = texts.say("cover_year", year=str(setting.cover_year))
    dates = f"{texts.say('dates', date=setting.date, cover=cover)} {texts.say('run', digest=setting.digest)}"
    dated, low = _from_below([Text("note", dates)], Column(MARGIN, whole, 8.0, setting.measure), MARGIN)
    wide = whole * 0.62
    inner = Column(MARGIN + 2.5, wide - 5, small, setting.measure)
    caution: list[Block] = [Text("heading", texts.say("caution_title")), Text("paragraph", texts.say("caution"))]
    other = Column(MARGIN + wide + 5, whole - wide - 7.5, small, setting.measure)
    lines: Block = Text("paragraph", setting.contact) if setting.contact else Blank(texts.say("contact_none"), 2)
    contact: list[Block] = [Text("heading", texts.say("contact_title")), lines]
    tall = max(-set_blocks(blocks, column, 0.0)[1] for blocks, column in ((caution, inner), (contact, other)))
    top = low + 1.0 + tall + 3.0
    boxes = ((MARGIN, MARGIN + wide), (MARGIN + wide + 2.5, MARGIN + whole))
    marks: list[Mark] = []
    for (left, right), fill in zip(boxes, ("#fff6dd", "#eef3f6"), strict=True):
        marks.append(Shape((rectangle(left, low + 1.0, right, top),), fill, "#777777", 0.2))
    for blocks, column in ((caution, inner), (contact, other)):
        marks += set_blocks(blocks, column, top - 1.5)[0]
    return [*marks, *dated], top + BETWEEN


def _from_below(blocks: Sequence[Block], column: Column, low: float) -> tuple[list[Mark], float]:
    """Set blocks so that they end at ``low``; give the marks and their upper edge."""
    top = low - set_blocks(blocks, column, 0.0)[1]
    return set_blocks(blocks, column, top)[0], top
