"""Unit stream power at bankfull: what the flow can do to the bank, where the valley leaves it room."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="unit_stream_power",
    group="erosion",
    unit="W/m2",
    suffix="_w_m2",
    title="Unit stream power",
    says="Power of the bankfull flow on each square metre of bed, at a slope of at most the cap.",
    because="a bankfull flow of {value} W/m2",
    nodes=((2.0, 0.0), (10.0, 0.05), (35.0, 0.5), (300.0, 1.0)),
    source="brookes1987, nanson_croke1992, nagel2014",
    status="breaks at 10, 35 and 300 W/m2 published (numbers from memory); 300 is a large-flood number; levels and the "
    "tail below 10 W/m2 own",
    logarithmic=True,
    scaled_by="freedom_to_move",
    errors=(Error("curve", 0.3, "ratio"), Error("slope", 1.0, "ratio"), Error("single", 0.2, "ratio")),
    scaled_says="freedom to move: valley width over channel width, 2 gives 0 and 10 gives 1",
)


def unit_stream_power(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the unit stream power of the reach each station side lies on.

    Parameters
    ----------
    sides
        Station sides with ``unit_stream_power_w_m2`` of the reach and ``freedom_to_move`` (0..1).

    Returns
    -------
    DataFrame
        ``value`` [W/m2] and ``basis``: modelled, or missing where discharge, slope or width is.

    Notes
    -----
    omega = rho g Q S / W, made with the reach; the score is multiplied by the freedom to move.
    """
    value = sides["unit_stream_power_w_m2"].to_numpy(float)
    return with_basis(value, "modelled")
