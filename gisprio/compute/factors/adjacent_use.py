"""Adjacent use: what the land beside the bank would send through the missing strip."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

USE_WEIGHTS = {
    "bare": 1.0,
    "crop": 0.9,
    "pasture": 0.8,
    "developed": 0.7,
    "herbaceous": 0.4,
    "other": 0.4,
    "woody": 0.0,
    "wetland": 0.0,
    "water": 0.0,
}
"""How much a use beside the bank makes a missing strip matter [own]: open soil most, cattle before mown grass."""

CARD = Factor(
    key="adjacent_use",
    group="gap",
    unit="weight",
    suffix="",
    title="Adjacent use",
    says="Weight of the commonest use in the strip, 0 to 1: bare 1, crop .9, pasture .8, developed .7, grass .4.",
    because="",
    nodes=((0.0, 0.0), (1.0, 1.0)),
    errors=(Error("legend", 0.15, "value"), Error("single", 0.05, "value")),
    source="own",
    status="own: order of uses common practice, levels own; [priority.adjacent_use] changes them",
    digits=2,
    scaled_by="missing_strip",
    scaled_says="the share of the strip that is missing: a use behind a whole strip does not count",
    shares="what the strip would meet",
)


def adjacent_use(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the weight of the use beside each station side.

    Parameters
    ----------
    sides
        Station sides with ``adjacent_cover``, ``adjacent_use_weight`` (0..1) and ``coarse_use`` (bool).

    Returns
    -------
    DataFrame
        ``value`` (0..1) and ``basis``: measured; modelled from a coarse map; missing where the cover is unknown.
    """
    value = sides["adjacent_use_weight"].to_numpy(float)
    how = np.where(sides["coarse_use"].to_numpy(bool), "modelled", "measured")
    return with_basis(value, how)
