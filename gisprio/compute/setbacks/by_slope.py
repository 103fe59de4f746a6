"""Setback that widens with the slope of the ground behind the bank."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked, Floats, base_widths, step_at
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import BySlope


def by_slope(sides: pd.DataFrame, rule: BySlope) -> Asked:
    """Ask for the width of the class, and more of it where the ground rises steeply from the bank line.

    Parameters
    ----------
    sides
        Layer ``side_facts``: ``slope_percent``, and ``bank_height_m`` where the rule names a height of bank.

    Notes
    -----
    W = W0 + a(S) + r max(0, min(S, Smost) - S0), with S the slope [%], a the metres of the step it falls into, r the
    metres a percent. Where S is missing nothing is added: the rule asks for at least W0. So it is where the steps
    hold for banks over a height and that height is missing.
    """
    width, told = base_widths(sides, rule)
    slope = sides["slope_percent"].to_numpy(float)
    steps, high = _steps(slope, rule), np.ones(len(sides), bool)
    if rule.bank_over_m is not None:
        height = sides["bank_height_m"].to_numpy(float)
        told = told & ~(np.isnan(height) & (steps > 0))
        with np.errstate(invalid="ignore"):
            high = height > rule.bank_over_m
    steady = rule.add_per_percent_m * np.maximum(0.0, np.minimum(slope, rule.most_percent) - rule.above_percent)
    return Asked.plain(width + np.where(high, steps, 0.0) + np.nan_to_num(steady), told & ~np.isnan(slope))


def _steps(slope: Floats, rule: BySlope) -> Floats:
    """Give the metres of the step that each slope falls into."""
    metres = np.array([0.0, *(one.add_m for one in rule.slope_steps)])
    return np.asarray(metres[step_at(slope, rule.slope_steps) + 1])


BY_SLOPE = RuleForm(
    "by_slope", by_slope, "A width that grows with the slope of the ground behind the bank, from the bank line outward."
)
