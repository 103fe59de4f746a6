"""What was observed: the score that a group has at least, whatever the weights and whatever is modelled."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.keys import TOP

Whole = NDArray[np.int64]


def observed_least(banks: pd.DataFrame, group: str, *, apart: bool = False) -> Whole:
    """Give the least score of a group that was observed at each bank; 0 where nothing was.

    Parameters
    ----------
    banks
        With the score columns of the factors that floor their group.
    group
        erosion or gap.
    apart
        Where the group alone is worst, instead of on the shared stretch.

    Returns
    -------
    ndarray
        (n,) whole 0 to 10,000.
    """
    least = np.zeros(len(banks), np.int64)
    for card in (registered.card for registered in FACTORS):
        if card.floors and card.group == group:
            score = banks[card.worst_column if apart else card.score_column].fillna(0.0).to_numpy(float)
            least = np.maximum(least, np.rint(score * TOP / 100).astype(np.int64))
    return least
