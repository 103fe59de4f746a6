"""Observed erosion: how much of the bank was seen to erode. What is observed beats what is modelled."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Factor

CARD = Factor(
    key="observed_erosion",
    group="erosion",
    unit="share",
    suffix="",
    title="Observed erosion",
    says="Share of the stretch of the bank where most was seen that lies along a scar of layer eroding, or where bank "
    "lines of two dates show retreat, or that a visit saw erode. The erosion "
    "score is never below this factor's score, whatever the modelled factors say and without any weight; where none "
    "of these is given it says nothing.",
    because="seen to erode along {value}",
    nodes=((0.0, 0.0), (1.0, 0.8)),
    neutral=0.0,
    floors=True,
    source="own",
    status="own: a stretch that erodes along its whole length scores at least 80",
)


def observed_erosion(sides: pd.DataFrame) -> pd.DataFrame:
    """Give whether each station side was seen to erode.

    Parameters
    ----------
    sides
        Station sides with ``seen`` (0 or 1, NaN where nobody looked).

    Returns
    -------
    DataFrame
        ``value`` (0 or 1) and ``basis``: measured; missing where nobody looked.
    """
    seen = sides["seen"].to_numpy(float)
    return with_basis(seen, "measured")
