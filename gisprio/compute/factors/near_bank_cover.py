"""Near-bank cover: how little the plants next to the bank hold it. Off by default: cover is judged on the gap side."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="near_bank_cover",
    group="erosion",
    unit="of bare",
    suffix="",
    title="Near-bank cover",
    says="Erodibility of the bank under the cover of the strip's inner third, over that of bare soil: bare 1, "
    "grass .508, trees .052.",
    because="cover that leaves it {value} of the erodibility of bare soil",
    nodes=((0.0, 0.0), (1.0, 1.0)),
    errors=(Error("legend", 0.15, "value"), Error("single", 0.1, "value")),
    source="julian_torres2006, nanson_hickin1986",
    status="critical shear coefficients published, a resistance, not a rate; on 18 rivers outer bank vegetation had "
    "little effect (Nanson and Hickin 1986): no weight by default, and it would count twice beside the missing strip",
    digits=2,
    shares="cover of the bank",
)


def near_bank_cover(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the erodibility that the cover next to each bank leaves.

    Parameters
    ----------
    sides
        Station sides with ``near_bank_cover`` (0..1) and ``coarse`` (bool).

    Returns
    -------
    DataFrame
        ``value`` (0..1) and ``basis``: modelled from the class of cover; missing where that is unknown.
    """
    value = sides["near_bank_cover"].to_numpy(float)
    return with_basis(value, "modelled")
