"""Factors: one file each with the function and its card, one line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd

from gisprio.compute.factors import (
    adjacent_use,
    delivery,
    missing_strip,
    near_bank_cover,
    outer_bend,
    unit_stream_power,
)
from gisprio.contracts.cards import Factor
from gisprio.contracts.schema import Column, Layer
from gisprio.contracts.words import BASES


@dataclass(frozen=True, slots=True)
class Registered:
    """A factor's card and its function: station sides in, (value, basis) of each out."""

    card: Factor
    measure: Callable[[pd.DataFrame], pd.DataFrame]


FACTORS: tuple[Registered, ...] = (
    Registered(unit_stream_power.CARD, unit_stream_power.unit_stream_power),
    Registered(outer_bend.CARD, outer_bend.outer_bend),
    Registered(near_bank_cover.CARD, near_bank_cover.near_bank_cover),
    Registered(missing_strip.CARD, missing_strip.missing_strip),
    Registered(adjacent_use.CARD, adjacent_use.adjacent_use),
    Registered(delivery.CARD, delivery.delivery),
)
"""Every factor, in the order of columns."""

_SHOWN_ON = {"side_scores": False, "bank_measures": True, "banks": True, "stations": False}


def factor_columns(*, with_basis: bool) -> tuple[Column, ...]:
    """Give the columns every factor adds to a layer: value, score; for banks also basis and score apart."""
    columns: list[Column] = []
    for factor in (registered.card for registered in FACTORS):
        columns.append(Column(factor.value_column, "float", factor.says, factor.unit, null=True))
        if with_basis:
            columns.append(Column(factor.basis_column, "text", f"How {factor.title.lower()} was got.", among=BASES))
        columns.append(
            Column(factor.score_column, "float", f"Score of {factor.title.lower()}.", null=True, low=0, high=100)
        )
        if with_basis:
            says = f"Score of {factor.title.lower()} where the {factor.group} score alone is worst."
            columns.append(Column(factor.worst_column, "float", says, null=True, low=0, high=100))
    return tuple(columns)


def layer_with_factors(layer: Layer) -> Layer:
    """Add the factors' columns to a layer that carries them; give other layers back as they are."""
    with_basis = _SHOWN_ON.get(layer.name)
    if with_basis is None or (layer.name == "stations" and layer.geometry == "none"):
        return layer
    return replace(layer, columns=layer.columns + factor_columns(with_basis=with_basis))
