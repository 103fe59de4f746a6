"""Bank height ratio: how high the bank stands for the size of the stream."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="bank_height_ratio",
    group="erosion",
    unit="bankfull depths",
    suffix="",
    title="Bank height ratio",
    says="Height of the bank above the water over the mean bankfull depth. Two datums: the height, from the water on "
    "the day of the flight, is low by the depth of the water; the depth is that of the regional curve.",
    because="a bank {value} bankfull depths above the water",
    nodes=((1.0, 0.0), (1.1, 0.9 / 9), (1.2, 3 / 9), (1.5, 4.9 / 9), (2.0, 6.9 / 9), (2.8, 8 / 9), (3.0, 1.0)),
    errors=(Error("curve", 0.25, "ratio"), Error("single", 0.25, "value")),
    source="rosgen2001",
    status="class breaks published (numbers from memory), index rescaled to 0..1; 3.0 own; one measure of several, "
    "read from a map: no field index; errors own: 0.14 m of height on 0.6 m of depth",
    shares="form of the bank",
)


def bank_height_ratio(sides: pd.DataFrame) -> pd.DataFrame:
    """Give bank height over mean bankfull depth.

    Parameters
    ----------
    sides
        Station sides with ``bank_height_m`` [m] and ``bankfull_depth_m`` of the reach [m].

    Returns
    -------
    DataFrame
        ``value`` and ``basis``: modelled, since the depth is; missing where height or depth is.
    """
    depth = sides["bankfull_depth_m"].to_numpy(float)
    value = sides["bank_height_m"].to_numpy(float) / np.where(depth > 0, depth, np.nan)
    return with_basis(value, "modelled")
