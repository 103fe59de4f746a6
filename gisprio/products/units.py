"""Units at the edge: what people read, where columns stay SI."""

from __future__ import annotations

from collections.abc import Mapping
from functools import reduce
from types import MappingProxyType
from typing import Literal

import pandas as pd

from gisprio.contracts.constants import CUBIC_FOOT_M3, FOOT_M, SQUARE_MILE_KM2
from gisprio.contracts.phrases import PHRASES

ACRE_M2 = 43_560 * FOOT_M.value**2
"""One acre, by definition 43,560 square feet."""
MILE_FT = 5280
"""Feet in a mile, by definition."""

Shown = tuple[float, str]

_SI: Mapping[str, Shown] = MappingProxyType(
    {
        "m": (1.0, "m"),
        "km": (1.0, "km"),
        "m2": (1.0, "m²"),
        "ha": (1.0, "ha"),
        "km2": (1.0, "km²"),
        "m3/s": (1.0, "m³/s"),
        "m/m": (1.0, "m/m"),
        "W/m2": (1.0, "W/m²"),
        "m/y": (1.0, "m/y"),
    }
)
_US: Mapping[str, Shown] = MappingProxyType(
    {
        **_SI,
        "m": (1 / FOOT_M.value, "ft"),
        "km": (1 / (MILE_FT * FOOT_M.value / 1000), "mi"),
        "m2": (1 / ACRE_M2, "acres"),
        "ha": (10_000 / ACRE_M2, "acres"),
        "km2": (1 / SQUARE_MILE_KM2.value, "mi²"),
        "m3/s": (1 / CUBIC_FOOT_M3.value, "cfs"),
        "m/m": (1.0, "ft/ft"),
        "m/y": (1 / FOOT_M.value, "ft/y"),
    }
)


def shown_units(system: Literal["si", "us"]) -> Mapping[str, Shown]:
    """Give, for each SI unit of a column, the factor and the name people read.

    Examples
    --------
    >>> shown_units("us")["m"]
    (3.280839895013123, 'ft')
    """
    return _US if system == "us" else _SI


def sentences_in(sentences: pd.Series, system: Literal["si", "us"]) -> pd.Series:
    """Give the sentences of a column as people read them: their lengths in feet with US units.

    Parameters
    ----------
    sentences
        Column of a layer, in metres; null stays null.
    system
        ``si`` or ``us``.

    Examples
    --------
    >>> sentences_in(pd.Series(["the bank is 2.4 m high; a wall of kind 3 m stone"]), "us").tolist()
    ['the bank is 8 ft high; a wall of kind 3 m stone']
    """
    if system == "si":
        return sentences
    return sentences.map({told: sentence_in(told, system) for told in sentences.dropna().unique()}, na_action="ignore")


def sentence_in(sentence: str, system: Literal["si", "us"]) -> str:
    """Give one sentence of a layer as people read it; see :func:`sentences_in`."""
    return reduce(lambda told, phrase: phrase.in_feet(told), PHRASES if system == "us" else (), sentence)
