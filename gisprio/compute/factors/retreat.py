"""Retreat: how fast the bank line moved outward between two dates. It was observed, so it holds the score up."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Factor
from gisprio.contracts.constants import BARE_RETREAT, HELD_RETREAT
from gisprio.contracts.phrases import RETREATED

CARD = Factor(
    key="retreat",
    group="erosion",
    unit="m/y",
    suffix="_m_y",
    title="Retreat",
    says="Outward move of the bank by year between the oldest and the newest of bank lines of several dates; negative "
    "where the bank grew; null where the move is below least_retreat_m_y, what the lines could show. The erosion score "
    "is never below this factor's score, whatever the modelled factors say and without any weight.",
    because=RETREATED.words,
    nodes=((0.0, 0.0), (HELD_RETREAT.value, 0.8), (BARE_RETREAT.value, 1.0)),
    neutral=0.0,
    digits=2,
    floors=True,
    source="micheli_kirchner2002",
    status="rates of banks with and without wet-meadow plants published; that they score 80, as a scar, and 100 own",
)


def retreat(sides: pd.DataFrame) -> pd.DataFrame:
    """Give how fast the bank retreats at each station side.

    Parameters
    ----------
    sides
        Station sides with ``retreat_m_y`` and ``least_retreat_m_y``.

    Returns
    -------
    DataFrame
        ``value``, minus infinite where there are two dates and nothing was detectable, which scores 0; ``basis``:
        measured; missing where there are no bank lines of two dates.
    """
    rate, least = sides["retreat_m_y"].to_numpy(float), sides["least_retreat_m_y"].to_numpy(float)
    return with_basis(np.where(np.isnan(rate) & ~np.isnan(least), -np.inf, rate), "measured")
