"""Sentences of works as people with US units read them; tables and formulas stay SI."""

from __future__ import annotations

import re
from typing import Literal

from gisprio.contracts.constants import CUBIC_YARD_M3, FOOT_M, POUND_KG, SHORT_TON_T, SQUARE_MILE_KM2
from gisprio.products.units import ACRE_M2

_UNITS = {
    "m": (1 / FOOT_M.value, "ft"),
    "m2": (1 / FOOT_M.value**2, "ft²"),
    "m3": (1 / CUBIC_YARD_M3.value, "yd³"),
    "t": (1 / SHORT_TON_T.value, "US tons"),
    "kg": (1 / POUND_KG.value, "lb"),
    "t/m": (FOOT_M.value / SHORT_TON_T.value, "US tons/ft"),
    "m3/m": (FOOT_M.value / CUBIC_YARD_M3.value, "yd³/ft"),
    "kg/ha": (ACRE_M2 / 10_000 / POUND_KG.value, "lb/acre"),
    "m/s": (1 / FOOT_M.value, "ft/s"),
    "km2": (1 / SQUARE_MILE_KM2.value, "mi²"),
}
_NUMBER = r"\d+(?:\.\d+)?"
_NAMES = "|".join(sorted(_UNITS, key=len, reverse=True))
_LENGTHS = re.compile(rf"(?<![\w.])({_NUMBER}(?:(?: to |, | and ){_NUMBER})*) ({_NAMES})(?![\w/])")


def told_in(text: str, units: Literal["si", "us"]) -> str:
    """Tell a sentence in the units that people read: each number before a unit of works, and those listed with it.

    >>> told_in("A cut of 1.4, 1.72 and 2.05 m on 55 m at 2:1.", "us")
    'A cut of 4.59, 5.64 and 6.73 ft on 180 ft at 2:1.'
    >>> told_in("The same 2 m.", "si")
    'The same 2 m.'
    """
    return _LENGTHS.sub(_converted, text) if units == "us" else text


def shown_unit(unit: str, units: Literal["si", "us"], item: str = "") -> tuple[float, str]:
    """Give the factor and the name by which people read a unit of works, ground to plant in acres."""
    if units == "us" and item == "planting_area":
        return 1 / ACRE_M2, "acres"
    if units == "us":
        return _UNITS.get(unit, (1.0, unit))
    return 1.0, {"m2": "m²", "m3": "m³"}.get(unit, unit)


def _converted(found: re.Match[str]) -> str:
    factor, name = _UNITS[found[2]]
    return re.sub(_NUMBER, lambda number: _figures(float(number[0]) * factor), found[1]) + f" {name}"


def _figures(value: float) -> str:
    """Write three figures, without exponent."""
    return f"{float(f'{value:.3g}'):.0f}" if value >= 100 else f"{value:.3g}"
