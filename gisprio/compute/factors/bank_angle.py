"""Bank angle: how steep the bank face is, at least."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor

CARD = Factor(
    key="bank_angle",
    group="erosion",
    unit="deg",
    suffix="_deg",
    title="Bank angle",
    says="Angle of the bank face, at least: by the steepest rise between neighbouring cells; only where the face spans "
    "3 cells or more.",
    because="a bank face of at least {value} degrees",
    nodes=(
        (0.0, 0.0),
        (20.0, 0.9 / 9),
        (60.0, 2.9 / 9),
        (80.0, 4.9 / 9),
        (90.0, 6.9 / 9),
        (119.0, 8 / 9),
        (120.0, 1.0),
    ),
    errors=(Error("single", 8.0, "value"),),
    source="rosgen2001",
    status="class breaks published (numbers from memory), index rescaled to 0..1; 120 own; no grid of heights shows an "
    "undercut bank, so nothing over 90 degrees is seen; one measure of several, read from a map: no field index",
    digits=0,
    shares="form of the bank",
)


def bank_angle(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the least angle of the bank face.

    Parameters
    ----------
    sides
        Station sides with ``bank_angle_deg`` [degrees], NaN where the face spans under 3 cells or no top is told.

    Returns
    -------
    DataFrame
        ``value`` [degrees] and ``basis``: measured or missing.
    """
    value = sides["bank_angle_deg"].to_numpy(float)
    return with_basis(value, "measured")
