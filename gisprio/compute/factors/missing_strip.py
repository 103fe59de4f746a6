"""Missing strip: how much of the riparian strip is without counting cover."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="missing_strip",
    group="gap",
    unit="share",
    suffix="",
    title="Missing strip",
    says="Share of the strip between bank and setback line without counting cover: inner third half the weight, "
    "middle .3, outer .2; in a coarse look the plain share of a strip two cells wide.",
    because="{value} of the strip has no cover that counts",
    nodes=((0.0, 0.0), (1.0, 1.0)),
    source="own",
    status="own: no published break; weights by place own",
    digits=2,
    errors=(Error("legend", 0.15, "value"), Error("line", 1.0, "value"), Error("single", 0.05, "value")),
)


def missing_strip(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the missing share measured along each transect.

    Parameters
    ----------
    sides
        Station sides with ``missing_strip`` (0..1) and ``coarse`` (bool).

    Returns
    -------
    DataFrame
        ``value`` (0..1) and ``basis``: measured; modelled in a coarse look; missing where the cover is unknown.
    """
    value = sides["missing_strip"].to_numpy(float)
    how = np.where(sides["coarse"].to_numpy(bool), "modelled", "measured")
    return with_basis(value, how)
