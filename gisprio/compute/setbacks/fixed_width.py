"""Setback of one fixed width, horizontal, from the bank line outward."""

from __future__ import annotations

from gisprio.contracts.cards import SetbackRule
from gisprio.contracts.settings import Settings


def fixed_width(settings: Settings) -> float:
    """Give ``[setback] width_m`` [m]."""
    return settings.setback.width_m


FIXED_WIDTH = SetbackRule(
    "fixed_width", fixed_width, "One width for every bank, horizontal, from the bank line outward."
)
