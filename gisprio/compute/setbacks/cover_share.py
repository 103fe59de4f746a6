"""Setback in which a share of the ground must have counting cover."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import CoverShare


def cover_share(sides: pd.DataFrame, rule: CoverShare) -> Asked:
    """Ask for ``width_m`` everywhere; a strip with at least ``least_share`` of counting cover has it."""
    return Asked.plain(np.full(len(sides), rule.width_m))


COVER_SHARE = RuleForm(
    "cover_share", cover_share, "A width in which a share of the ground must have counting cover."
)
