"""Setback rules: one file a form, one line in SETBACK_RULES."""

from __future__ import annotations

from gisprio.compute.setbacks.average import AVERAGE
from gisprio.compute.setbacks.by_class import BY_CLASS
from gisprio.compute.setbacks.by_slope import BY_SLOPE
from gisprio.compute.setbacks.by_stream_order import BY_STREAM_ORDER
from gisprio.compute.setbacks.cover_share import COVER_SHARE
from gisprio.compute.setbacks.fixed_width import FIXED_WIDTH
from gisprio.compute.setbacks.two_zone import TWO_ZONE
from gisprio.contracts.cards import RuleForm

SETBACK_RULES: tuple[RuleForm, ...] = (
    FIXED_WIDTH,
    BY_STREAM_ORDER,
    BY_CLASS,
    BY_SLOPE,
    TWO_ZONE,
    AVERAGE,
    COVER_SHARE,
)


def form_of(name: str) -> RuleForm:
    """Give the form of a rule; its name was checked when the config was read."""
    return next(form for form in SETBACK_RULES if form.name == name)
