"""Setback of one fixed width, horizontal, from the bank line outward."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import FixedWidth


def fixed_width(sides: pd.DataFrame, rule: FixedWidth) -> Asked:
    """Ask for ``width_m`` everywhere."""
    return Asked.plain(np.full(len(sides), rule.width_m))


FIXED_WIDTH = RuleForm("fixed_width", fixed_width, "One width for every bank, from the bank line outward.")
