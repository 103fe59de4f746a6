"""Outer bend: how tightly the stream turns against this bank."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.cards import Error, Factor

Floats = NDArray[np.float64]

LAG_FROM_WIDTHS, LAG_TO_WIDTHS = 0.5, 2.0
"""A bend works on its outer bank from half a width to two widths downstream too [own]."""

STRAIGHT_WIDTHS = 100.0
"""A radius of more widths than this is a straight bank [own]."""


def bend_shear_factor(radius_over_width: float) -> float:
    """Give the bend shear factor K_b of HEC-15: 2.00 up to 2, 1.05 from 10 on.

    >>> round(bend_shear_factor(4.0), 4)
    1.6728
    """
    x = radius_over_width
    if x <= 2:
        return 2.0
    return 1.05 if x >= 10 else 2.38 - 0.206 * x + 0.0073 * x * x


PEAKED = ((1.0, 0.4), (2.0, 0.8), (2.5, 1.0), (3.0, 1.0), (5.0, 0.5), (10.0, 0.0))
"""Other published form: highest at 2.5 to 3 widths (hickin_nanson1984); the other levels own, contested."""


def _score(radius_over_width: float) -> float:
    return (bend_shear_factor(radius_over_width) - 1.05) / 0.95


CARD = Factor(
    key="outer_bend",
    group="erosion",
    unit="widths",
    suffix="",
    title="Outer bend",
    says="Bend radius over bankfull width where the bank is the outer one, from the bend to two widths below it; "
    "null on straight and inner banks, which score 0.",
    because="the outer bank of a bend of {value} widths' radius",
    nodes=tuple((x, _score(x)) for x in (2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)),
    value_of="least",
    errors=(Error("curve", -0.15, "ratio"), Error("single", 0.2, "ratio")),
    source="hec15, sylvester2019, hickin_nanson1984",
    status="bend shear factor published, rescaled to 0..1. Published work disagrees on tight bends: one study of 189 "
    "bends found migration fastest at a radius of 2.5 to 3 widths and slower below (form peaked), a later one no "
    "slowing (form monotone, the default); levels of the peaked form other than its peak own",
    forms={"peaked": PEAKED},
)


def outer_bend(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the tightest bend that works on each station side.

    Parameters
    ----------
    sides
        Station sides sorted by segment, side and station, with ``curvature_1_m``, ``bankfull_width_m``, ``at_m``.

    Returns
    -------
    DataFrame
        ``value``: radius over width, infinite where the bank is straight or inner; ``basis``: measured; missing
        where the width is, or where the bend is tighter than the line's error can tell.

    Notes
    -----
    A line that bends to the left going downstream has its outer bank on the right.
    """
    curvature = sides["curvature_1_m"].to_numpy(float)
    width = sides["bankfull_width_m"].to_numpy(float)
    outward = np.where(sides["side"].to_numpy() == 0, -curvature, curvature)
    with np.errstate(divide="ignore"):
        own = np.where(outward > 0, 1.0 / (np.maximum(outward, 1e-12) * width), np.inf)
    missing = np.isnan(curvature) | np.isnan(width)
    own[missing] = np.inf
    value = own.copy()
    for rows in sides.groupby(["segment_no", "side"], sort=False).indices.values():
        value[rows] = _with_lag(own[rows], sides["at_m"].to_numpy()[rows], width[rows])
    value[value > STRAIGHT_WIDTHS] = np.inf
    basis = np.where(missing & ~np.isfinite(value), "missing", "measured")
    return pd.DataFrame({"value": np.where(basis == "missing", np.nan, value), "basis": basis})


def _with_lag(own: Floats, at: Floats, width: Floats) -> Floats:
    """Take the tightest of the station's own bend and those half to two widths upstream (at grows upstream)."""
    got = own.copy()
    wide = np.nan_to_num(width)
    first = np.searchsorted(at, at + LAG_FROM_WIDTHS * wide - 1e-9)
    after = np.searchsorted(at, at + LAG_TO_WIDTHS * wide + 1e-9, side="right")
    for place in range(len(own)):
        if after[place] > first[place] and wide[place] > 0:
            got[place] = min(got[place], own[first[place] : after[place]].min())
    return got
