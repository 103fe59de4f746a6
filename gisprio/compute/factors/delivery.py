"""Delivery: what the hillslope behind the bank sends towards the missing strip."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="delivery",
    group="gap",
    unit="relative",
    suffix="",
    title="Delivery",
    says="Relative supply of soil from the hillslope behind the bank: LS x C x K (US units) x share that arrives, "
    "summed over the ground that drains through the bank, by metre of bank; no rainfall in it, so no mass.",
    because="a hillslope behind it that sends much soil",
    nodes=((0.03, 0.0), (0.3, 0.5), (3.0, 1.0)),
    logarithmic=True,
    errors=(Error("legend", 0.3, "ratio"), Error("single", 0.7, "ratio")),
    source="mccool1987, mccool1989, desmet_govers1996, borselli2008, vigiak2012",
    status="formulae published; nodes own: 0.03 as below 200 m of wood, 3 as below a draw under maize",
    digits=2,
    scaled_by="missing_strip",
    scaled_says="the share of the strip that is missing: a whole strip meets what comes",
    shares="what the strip would meet",
)


def delivery(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the supply of the hillslope behind each station side.

    Parameters
    ----------
    sides
        Station sides with ``delivery`` (relative, by metre of bank).

    Returns
    -------
    DataFrame
        ``value`` and ``basis``: modelled; missing where the ground behind the bank is cut off or has no heights.
    """
    value = sides["delivery"].to_numpy(float)
    return with_basis(value, "modelled")
