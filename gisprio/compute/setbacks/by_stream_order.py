"""Setback by Strahler order: a wider strip along larger streams."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked, step_at
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import ByStreamOrder


def by_stream_order(sides: pd.DataFrame, rule: ByStreamOrder) -> Asked:
    """Ask for the width of the step that each order falls into; for nothing below the first.

    Notes
    -----
    The order is that of the lines of this run. A rule that names the order of an official map means that map's lines.
    """
    step = step_at(sides["strahler_order"].to_numpy(float), rule.steps)
    widths = np.array([one.width_m for one in rule.steps])[step]
    return Asked.plain(np.where(step < 0, 0.0, widths))


BY_STREAM_ORDER = RuleForm(
    "by_stream_order", by_stream_order, "A width for each Strahler order, from the bank line outward."
)
