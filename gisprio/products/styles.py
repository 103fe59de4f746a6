"""Styles of the layers in ranked.gpkg, as QML text that desktop GIS reads."""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import quoteattr

import pandas as pd

from gisprio.contracts.cards import Tables
from gisprio.contracts.words import MEASURES
from gisprio.products.classes import (
    CLOSED,
    COLOURS,
    CONSTRAINT,
    GAP,
    NOT_RANKED,
    OPENED,
    PROPERTY,
    SCAR,
    STEP,
    WORKS,
    urgency_classes,
)

_WIDTHS_MM = (1.5, 1.2, 1.0, 0.8, 0.6)


def layer_styles(tables: Tables) -> Mapping[str, str]:
    """Give the QML of each styled layer.

    Parameters
    ----------
    tables
        Result layers; the ranks of ``banks`` say where the classes end.

    Returns
    -------
    mapping of str to str
        Layer name to QML.
    """
    return {
        "reaches": reaches_qml(),
        "banks": banks_qml(tables["banks"]["rank"]),
        "gaps": gaps_qml(),
        "sites": sites_qml(),
        "properties": properties_qml(),
        "flow_points": flow_points_qml(),
        "crossings": crossings_qml(),
        "knickpoints": knickpoints_qml(),
        "constraints": constraints_qml(),
        "works_done": works_done_qml(),
        "scars": scars_qml(),
        "visits": visits_qml(),
    }


def reaches_qml() -> str:
    """Give the style of reaches: thin, in the colour of water."""
    return _document("singleSymbol", "", [_symbol(0, "line", _line(COLOURS["flow"], 0.35))], geometry=1)


def banks_qml(rank: pd.Series) -> str:
    """Give the style of banks: five classes by rank of priority, a dark casing, not ranked dashed grey."""
    rules, symbols = [], []
    classes = urgency_classes(int(rank.notna().sum()))
    for number, (kind, width) in enumerate(zip(classes, _WIDTHS_MM, strict=True)):
        where = f'"rank" >= {kind.low} AND "rank" <= {kind.high}'
        rules.append(_rule(number, where, f"Priority: {kind.says}"))
        casing = _line("#20242b", width + 0.5, order=2 * (4 - number))
        symbols.append(_symbol(number, "line", casing, _line(kind.colour, width, order=2 * (4 - number) + 1)))
    rules.append(_rule(len(symbols), '"rank" IS NULL', "Not ranked"))
    symbols.append(_symbol(len(symbols), "line", _line(NOT_RANKED, 0.4, dash="dash")))
    return _document("RuleRenderer", _rules(rules), symbols, geometry=1, levels=True)


def gaps_qml() -> str:
    """Give the style of gaps: hatched, the outline dashed where the gap is uncertain."""
    rules = [
        _rule(0, "\"certainty\" = 'clear'", "Gap"),
        _rule(1, "\"certainty\" = 'uncertain'", "Gap, uncertain"),
    ]
    symbols = [
        _symbol(0, "fill", _hatch(GAP, "solid")),
        _symbol(1, "fill", _hatch(GAP, "dash")),
    ]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=2)


def sites_qml() -> str:
    """Give the style of sites: an outline in the sites' colour, a hatch of its own for each measure."""
    rules = [_rule(n, f"\"measure\" = '{measure}'", f"Site: {measure}") for n, measure in enumerate(MEASURES)]
    patterns = ("dense7", "cross", "f_diagonal", "horizontal", "no")
    symbols = [_symbol(n, "fill", _hatch(COLOURS["site"], "solid", pattern)) for n, pattern in enumerate(patterns)]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=2)


def flow_points_qml() -> str:
    """Give the style of concentrated flows: filled where they cross a gap, hollow elsewhere."""
    rules = [
        _rule(0, '"in_gap" = true', "Concentrated flow that crosses a gap"),
        _rule(1, '"in_gap" = false OR "in_gap" IS NULL', "Concentrated flow"),
    ]
    symbols = [_symbol(0, "marker", _marker(GAP, GAP)), _symbol(1, "marker", _marker("#ffffff", GAP))]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=0)


def crossings_qml() -> str:
    """Give the style of crossings: a white square, of railways a dark one."""
    rules = [_rule(0, "\"kind\" = 'railway'", "Crossing of a railway"), _rule(1, "ELSE", "Crossing")]
    fills = ("#20242b", "#ffffff")
    symbols = [_symbol(n, "marker", _marker(fill, "#20242b", "square", 2.2)) for n, fill in enumerate(fills)]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=0)


def knickpoints_qml() -> str:
    """Give the style of steps in the bed: a diamond."""
    symbols = [_symbol(0, "marker", _marker(STEP, "#20242b", "diamond", 3.0))]
    return _document("singleSymbol", "", symbols, geometry=0)


def constraints_qml() -> str:
    """Give the style of constraints: dark grey, crossed."""
    return _document("singleSymbol", "", [_symbol(0, "fill", _hatch(CONSTRAINT, "solid", "cross"))], geometry=2)


def works_done_qml() -> str:
    """Give the style of works done: dots of blue with an outline, dashed where their year is not known."""
    rules = [
        _rule(0, '"year" IS NOT NULL', "Works done"),
        _rule(1, '"year" IS NULL', "Works done, year not known"),
    ]
    outlines = ("solid", "dash")
    symbols = [_symbol(n, "fill", _hatch(WORKS, outline, "dense5")) for n, outline in enumerate(outlines)]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=2)


def scars_qml() -> str:
    """Give the style of scars: a thick line with a dark casing."""
    layers = (_line("#20242b", 1.4), _line(SCAR, 0.8, order=1))
    return _document("singleSymbol", "", [_symbol(0, "line", *layers)], geometry=1, levels=True)


def visits_qml() -> str:
    """Give the style of visits: a circle, filled where the bank was seen to erode."""
    rules = [_rule(0, '"erodes" = 1', "Visit: erodes"), _rule(1, "ELSE", "Visit")]
    symbols = [_symbol(n, "marker", _marker(fill, "#20242b", "circle")) for n, fill in enumerate((SCAR, "#ffffff"))]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=0)


def shortlist_qml() -> str:
    """Give the style of a shortlist: sites filled, must-haves with a cross hatch."""
    rules = [_rule(0, '"must" = false', "Shortlist"), _rule(1, '"must" = true', "Shortlist: must-have")]
    symbols = [_symbol(n, "fill", _hatch(COLOURS["site"], "solid", fill)) for n, fill in enumerate(("solid", "cross"))]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=2)


def candidates_qml() -> str:
    """Give the style of candidates: a thick line where chosen, a thin dashed one elsewhere."""
    rules = [_rule(0, '"chosen" = true', "Chosen"), _rule(1, '"chosen" = false', "Not chosen")]
    chosen = (_line("#20242b", 1.6), _line(COLOURS["site"], 1.1, order=1))
    symbols = [_symbol(0, "line", *chosen), _symbol(1, "line", _line(COLOURS["site"], 0.4, dash="dash"))]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=1, levels=True)


def changed_gaps_qml() -> str:
    """Give the style of gaps that changed: closed dark and solid, opened orange with a white core, others dashed."""
    rules = [
        _rule(0, "\"change\" = 'closed'", "Gap closed"),
        _rule(1, "\"change\" = 'opened'", "Gap opened"),
        _rule(2, "ELSE", "Gap then or now; not known, or no bank, in the other run"),
    ]
    opened = (_line(OPENED, 1.8), _line("#ffffff", 0.7, order=1))
    marks = [(_line(CLOSED, 1.5),), opened, (_line(NOT_RANKED, 0.6, dash="dash"),)]
    symbols = [_symbol(n, "line", *lines) for n, lines in enumerate(marks)]
    return _document("RuleRenderer", _rules(rules), symbols, geometry=1, levels=True)


def properties_qml() -> str:
    """Give the style of properties: thin outline, no fill."""
    return _document("singleSymbol", "", [_symbol(0, "fill", _simple_fill(PROPERTY, "no", "solid", 0.25))], geometry=2)


def _document(renderer: str, rules: str, symbols: list[str], *, geometry: int, levels: bool = False) -> str:
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        '<qgis version="3.22" styleCategories="Symbology">\n'
        f'<renderer-v2 type="{renderer}" symbollevels="{int(levels)}" forceraster="0" enableorderby="0">\n'
        f"{rules}<symbols>\n{''.join(symbols)}</symbols>\n</renderer-v2>\n"
        f"<layerGeometryType>{geometry}</layerGeometryType>\n</qgis>\n"
    )


def _rules(rules: list[str]) -> str:
    return f'<rules key="{_key(0)}">\n{"".join(rules)}</rules>\n'


def _rule(number: int, where: str, label: str) -> str:
    words = f"filter={quoteattr(where)} label={quoteattr(label)}"
    return f'<rule key="{_key(number + 1)}" symbol="{number}" {words}/>\n'


def _key(number: int) -> str:
    return f"{{00000000-0000-4000-8000-{number:012d}}}"


def _symbol(number: int, kind: str, *layers: str) -> str:
    opening = f'<symbol name="{number}" type="{kind}" alpha="1" clip_to_extent="1" force_rhr="0">'
    return f"{opening}\n{''.join(layers)}</symbol>\n"


def _line(colour: str, width_mm: float, *, dash: str = "solid", order: int = 0) -> str:
    return _layer(
        "SimpleLine",
        {
            "line_color": _rgba(colour),
            "line_style": dash,
            "line_width": f"{width_mm:.2f}",
            "line_width_unit": "MM",
            "capstyle": "round",
            "joinstyle": "round",
        },
        order,
    )


def _simple_fill(colour: str, fill: str, outline: str, width_mm: float) -> str:
    return _layer(
        "SimpleFill",
        {
            "style": fill,
            "color": _rgba(colour),
            "outline_color": _rgba(colour),
            "outline_style": outline,
            "outline_width": f"{width_mm:.2f}",
            "outline_width_unit": "MM",
        },
    )


def _marker(fill: str, outline: str, shape: str = "triangle", size_mm: float = 2.6) -> str:
    return _layer(
        "SimpleMarker",
        {
            "name": shape,
            "color": _rgba(fill),
            "outline_color": _rgba(outline),
            "outline_width": "0.40",
            "outline_width_unit": "MM",
            "size": f"{size_mm:.2f}",
            "size_unit": "MM",
        },
    )


def _hatch(colour: str, outline: str, pattern: str = "b_diagonal") -> str:
    return _simple_fill(colour, pattern, outline, 0.4)


def _layer(kind: str, options: Mapping[str, str], order: int = 0) -> str:
    rows = "".join(f'<prop k="{key}" v="{value}"/>\n' for key, value in options.items())
    return f'<layer class="{kind}" enabled="1" locked="0" pass="{order}">\n{rows}</layer>\n'


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},255"
