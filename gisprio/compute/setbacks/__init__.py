"""Setback rules: one file a form, one line in SETBACK_RULES."""

from __future__ import annotations

from gisprio.compute.setbacks.fixed_width import FIXED_WIDTH
from gisprio.contracts.cards import SetbackRule
from gisprio.contracts.settings import Settings

SETBACK_RULES: tuple[SetbackRule, ...] = (FIXED_WIDTH,)


def setback_width(settings: Settings) -> float:
    """Give the setback [m] of the rule that ranks; the rule's name was checked when the config was read."""
    rule = next(rule for rule in SETBACK_RULES if rule.name == settings.setback.rule)
    return rule.width(settings)
