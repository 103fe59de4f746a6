"""Factors of the user's own: the card of each ``[factor.NAME]``, and the names that are taken already."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts import layers
from gisprio.contracts.cards import Factor
from gisprio.contracts.settings import OwnFactor

_UNITS = {"share": "share", "distance": "m"}
_SAYS = {
    "mean": "Mean of {what} along the transect, {within} outward of the bank line; your own layer.",
    "share": "Share of the transect, {within} outward of the bank line, that {what} covers; your own layer.",
    "distance": "Distance from the bank line to the nearest feature of {what}; your own layer.",
    "column": "Value of {what} where the bank line is: of the polygons there, or the nearest feature {within} around; "
    "your own layer.",
}
_JOINED = ("SIDE_SCORES", "BANK_MEASURES", "BANKS", "STATION_RESULTS", "STATIONS", "BANK_POINTS", "SIDE_COVER",
           "SIDE_GAPS", "SIDE_SOILS", "SIDE_SUPPLY", "SIDE_SCARS", "SIDE_CONSTRAINTS", "VALLEYS", "SIDE_HEIGHTS",
           "REACH_MEASURES")  # fmt: skip
_AT_WORK = {
    "coarse", "has_bank", "adjacent_use_weight", "reach_valley_m", "reach_from_m", "reach_to_m", "erosion", "gap",
    "fid", "ogc_fid", "rowid", "geom", "geometry",
}  # fmt: skip
"""Columns that scoring or a GeoPackage makes besides those of the contracts."""


def own_column(name: str) -> str:
    """Give the column of station sides that holds the values of a factor of the user's own: no name of a factor."""
    return f"own {name}"


def own_card(name: str, own: OwnFactor) -> Factor:
    """Give the card of a factor of the user's own."""
    title = own.title or name.replace("_", " ").capitalize()
    unit = own.unit or _UNITS.get(own.measure, "")
    within = "the setback" if own.within_m is None else f"{own.within_m:g} m"
    what = f"{own.column} of {own.layer}" if own.column else own.layer
    written = "" if unit == "share" or not unit else f" {unit}"
    return Factor(
        key=name,
        group=own.group,
        unit=unit,
        suffix="",
        title=title,
        says=_SAYS[own.measure].format(what=what, within=within),
        because=(title[:1].lower() + title[1:] + " of ").replace("{", "{{").replace("}", "}}") + "{value}" + written,
        nodes=own.value_function(),
        source="config",
        status=f"your own, from [factor.{name}]",
        digits=2 if own.measure == "share" else 1,
    )


def own_values(sides: pd.DataFrame, name: str) -> pd.DataFrame:
    """Give value and basis of a factor of the user's own, as its layer was measured at each station side."""
    value = sides[own_column(name)].to_numpy(float)
    return with_basis(value, "measured")


def taken_names(cards: Iterable[Factor]) -> set[str]:
    """Give the columns that no factor of the user's own may have, with those of the cards that come with gisprio."""
    names = {name for layer in _JOINED for name in getattr(layers, layer).names()} | _AT_WORK
    for card in cards:
        names |= {card.key, card.value_column, card.basis_column, card.score_column, card.worst_column}
    return names
