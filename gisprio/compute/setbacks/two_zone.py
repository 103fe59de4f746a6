"""Setback of two zones: an inner one, and an outer one in which other cover counts as well."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import TwoZone


def two_zone(sides: pd.DataFrame, rule: TwoZone) -> Asked:
    """Ask for both zones everywhere; the outer one begins where the inner one ends."""
    here = np.ones(len(sides))
    return Asked(here * (rule.inner_m + rule.outer_m), here > 0, here * np.nan, here * rule.inner_m)


TWO_ZONE = RuleForm("two_zone", two_zone, "An inner and an outer strip, each with the cover that counts in it.")
