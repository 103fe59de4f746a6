"""Factors: one file each with the function and its card, one line here."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial

import pandas as pd

from gisprio.compute.factors import (
    adjacent_use,
    bank_angle,
    bank_height_ratio,
    delivery,
    missing_strip,
    near_bank_cover,
    observed_erosion,
    outer_bend,
    retreat,
    subsoil_fines,
    unit_stream_power,
)
from gisprio.compute.factors.own import own_card, own_values
from gisprio.contracts.cards import Factor
from gisprio.contracts.schema import Column, Layer
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import BASES


@dataclass(frozen=True, slots=True)
class Registered:
    """A factor's card and its function: station sides in, (value, basis) of each out."""

    card: Factor
    measure: Callable[[pd.DataFrame], pd.DataFrame]
    is_own: bool = False


FACTORS: tuple[Registered, ...] = (
    Registered(unit_stream_power.CARD, unit_stream_power.unit_stream_power),
    Registered(outer_bend.CARD, outer_bend.outer_bend),
    Registered(bank_height_ratio.CARD, bank_height_ratio.bank_height_ratio),
    Registered(bank_angle.CARD, bank_angle.bank_angle),
    Registered(near_bank_cover.CARD, near_bank_cover.near_bank_cover),
    Registered(subsoil_fines.CARD, subsoil_fines.subsoil_fines),
    Registered(observed_erosion.CARD, observed_erosion.observed_erosion),
    Registered(retreat.CARD, retreat.retreat),
    Registered(missing_strip.CARD, missing_strip.missing_strip),
    Registered(adjacent_use.CARD, adjacent_use.adjacent_use),
    Registered(delivery.CARD, delivery.delivery),
)
"""Every factor that comes with gisprio, in the order of columns."""


def factors_of(settings: Settings) -> tuple[Registered, ...]:
    """Give every factor of a run: those of :data:`FACTORS`, then the user's own by name; section ``factor``."""
    own = sorted(settings.factor.items())
    return FACTORS + tuple(Registered(own_card(name, one), partial(own_values, name=name), True) for name, one in own)

_SHOWN_ON = {"side_scores": False, "bank_measures": True, "banks": True, "stations": False, "site_pieces": True}


def factor_columns(factors: Iterable[Registered] = FACTORS, *, with_basis: bool) -> tuple[Column, ...]:
    """Give the columns every factor adds to a layer: value, score; for banks also basis and score apart."""
    columns: list[Column] = []
    for factor in (registered.card for registered in factors):
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


def layer_with_factors(layer: Layer, factors: Iterable[Registered] = FACTORS) -> Layer:
    """Add the factors' columns to a layer that carries them; give other layers back as they are."""
    with_basis = _SHOWN_ON.get(layer.name)
    if with_basis is None or (layer.name == "stations" and layer.geometry == "none"):
        return layer
    there = layer.names()
    columns = factor_columns(factors, with_basis=with_basis)
    return replace(layer, columns=layer.columns + tuple(column for column in columns if column.name not in there))
