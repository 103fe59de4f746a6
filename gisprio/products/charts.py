"""Plots as SVG text, drawn by matplotlib's objects: text as text, colours of the house, the same bytes each time."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Callable
from hashlib import sha256
from itertools import count
from typing import Any

from matplotlib import rc_context, rcdefaults, rcParams
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from gisprio.products import svg
from gisprio.products.classes import GAP, VIRIDIS_5

INK, QUIET, LINE = "#1d2733", "#55606d", "#d9dee3"
"""Letters, what stands behind, and lines of a grid: as on the other pages."""
SERIES = ("#0b5a6b", "#d95f0e", VIRIDIS_5[1], "#7a8794", GAP)
"""Colours of series side by side: they differ in lightness too, for eyes that see fewer colours [own]."""
LETTERS_PT = 8.5
"""Size of the letters [pt]; none is under 8."""
MM_PER_INCH = 25.4

_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "gisprio",
    "text.parse_math": False,  # a name with two dollar signs is no formula
    "text.usetex": False,
    "font.family": ["DejaVu Sans"],  # comes with matplotlib: the layout is the same on every machine
    "font.size": LETTERS_PT,
    "axes.titlesize": LETTERS_PT + 1,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.labelsize": LETTERS_PT,
    "xtick.labelsize": LETTERS_PT,
    "ytick.labelsize": LETTERS_PT,
    "legend.fontsize": LETTERS_PT,
    "legend.frameon": False,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": LINE,
    "grid.linewidth": 0.8,
    "lines.linewidth": 1.8,
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.7,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "path.simplify": True,
}
_FONTS = "system-ui, 'Segoe UI', Helvetica, Arial, sans-serif"
_HEAD = re.compile(r"^.*?<svg\b[^>]*>", re.DOTALL)
_SHEET = re.compile(r"<style\b.*?</style>", re.DOTALL)
_TAG = re.compile(r"<[A-Za-z][^>]*>")
_ID = re.compile(r' id="([^"]*)"')
_USED = re.compile(r'(url\(#|href="#)([^)"]*)')
_BY_STYLE = re.compile(r' style="([^"]*)"')
_FONT = re.compile(r"(?:(?P<style>italic|oblique) )?(?:(?P<weight>\w+) )?(?P<size>[\d.]+px) ")


def chart_svg(draw: Callable[[Axes], None], *, width_mm: float, height_mm: float, alt: str) -> str:
    """Draw one plot as an ``svg`` element, to stand in a page or in a file of its own.

    Parameters
    ----------
    draw
        Draws on the axes it is given; it sets title, labels and limits, and leaves the figure alone.
    width_mm, height_mm
        Size on paper [mm]; letters have their size in points there.
    alt
        What the plot shows, in words, for those who do not see it: first sentence what it is, then what it says.

    Returns
    -------
    str
        From ``<svg`` to ``</svg>`` and a line end. No date, no version, no font file; letters are text. Ids begin with
        a digest of the plot, so several may stand in one page.

    Notes
    -----
    The style is that of this module alone, whatever the user's matplotlibrc says. Signs that the font lacks are left to
    the reader's fonts.
    """
    with rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font", category=UserWarning)
        _take_style()
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure.add_subplot())
        made = io.StringIO()
        figure.savefig(made, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    return _placed(made.getvalue(), width_mm, height_mm, alt)


def _take_style() -> None:
    """Take the style on top of matplotlib's own defaults, not of the user's file."""
    rcdefaults()
    rcParams.update(_STYLE)


def _placed(text: str, width_mm: float, height_mm: float, alt: str) -> str:
    """Give the element alone, with its text alternative, and with ids that no other plot has."""
    body = svg.without_forbidden(_SHEET.sub("", _HEAD.sub("", text, count=1)))
    body = _TAG.sub(lambda tag: _BY_STYLE.sub(_attributes, tag[0].replace("\n", " ")), body)
    body = _own_ids(body, "c" + sha256((alt + body).encode()).hexdigest()[:8])
    body = "\n".join(line.strip() for line in body.splitlines() if line.strip())
    width, height = 72 * width_mm / MM_PER_INCH, 72 * height_mm / MM_PER_INCH
    told, title = svg.plain(alt, 4000), svg.plain(alt.partition(". ")[0].rstrip("."))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {width:.2f} {height:.2f}" width="{width_mm:g}mm" height="{height_mm:g}mm" role="img" '
        f'aria-label="{told}" font-family="{_FONTS}" stroke-linejoin="round" stroke-linecap="butt">\n'
        f"<title>{title}</title>\n<desc>{told}</desc>\n{body}\n"
    )


def _attributes(style: re.Match[str]) -> str:
    """Give a style as attributes, which a page's policy need not allow; the family of letters stands at the top."""
    told = dict(part.strip().split(": ", 1) for part in style[1].split(";") if part.strip())
    told.pop("font-family", None)
    if font := _FONT.match(told.pop("font", "")):
        told |= {f"font-{name}": value for name, value in font.groupdict().items() if value}
    return "".join(f' {name}="{value}"' for name, value in told.items())


def _own_ids(body: str, prefix: str) -> str:
    """Keep the ids that are referred to, numbered behind a prefix, and drop the others; text is left as it is."""
    used = {name for tag in _TAG.findall(body) for _, name in _USED.findall(tag)}
    number = count()
    names: dict[str, str] = {}

    def id_of(name: str) -> str:
        if name not in names:
            names[name] = f"{prefix}-{next(number)}"
        return names[name]

    def renamed(tag: re.Match[str]) -> str:
        kept = _ID.sub(lambda found: f' id="{id_of(found[1])}"' if found[1] in used else "", tag[0])
        return _USED.sub(lambda found: found[1] + id_of(found[2]), kept)

    return _TAG.sub(renamed, body)
