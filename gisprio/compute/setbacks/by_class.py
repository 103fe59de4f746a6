"""Setback by class of stream: a column of the data, the kind, the bankfull width or the drainage area."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.setbacks.asked import Asked, base_widths
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import ByClass


def by_class(sides: pd.DataFrame, rule: ByClass) -> Asked:
    """Ask for the width of each class; for ``width_m`` where the class is not known or not named."""
    return Asked.plain(*base_widths(sides, rule))


BY_CLASS = RuleForm("by_class", by_class, "A width for each class of stream, from the bank line outward.")
