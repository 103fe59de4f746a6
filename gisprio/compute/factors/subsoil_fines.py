"""Subsoil fines: how little silt and clay binds the bank. Off by default: soil maps are coarse beside a bank."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.factors.basis import with_basis
from gisprio.contracts.cards import Error, Factor
from gisprio.contracts.constants import FINES_SHEAR_0, FINES_SHEAR_1, FINES_SHEAR_2, FINES_SHEAR_3

Number = TypeVar("Number", float, NDArray[np.float64])

FULL_SHEAR_PA = 22.5
"""Critical shear stress that scores 0 [own]: about that of a bank all of silt and clay."""


def critical_shear_pa(silt_clay_pct: Number, cover: float = 1.0) -> Number:
    """Give the critical shear stress of a cohesive bank [Pa].

    Parameters
    ----------
    silt_clay_pct
        Silt plus clay, any shape [percent].
    cover
        Coefficient of the plants on it, 1 for bare soil.

    Notes
    -----
    tau_c = (0.1 + 0.1779 SC + 0.0028 SC^2 - 2.34e-5 SC^3) C, with SC silt plus clay in percent.

    References
    ----------
    julian_torres2006

    Examples
    --------
    >>> round(critical_shear_pa(50.0), 3)
    13.07
    """
    sc = silt_clay_pct
    return cover * (
        FINES_SHEAR_0.value + FINES_SHEAR_1.value * sc + FINES_SHEAR_2.value * sc**2 + FINES_SHEAR_3.value * sc**3
    )


CARD = Factor(
    key="subsoil_fines",
    group="erosion",
    unit="percent",
    suffix="_pct",
    title="Subsoil fines",
    says="Silt plus clay of the subsoil where the bank is, by the soil map: the fewer fines, the less shear it bears.",
    because="a subsoil of only {value} % silt and clay",
    nodes=tuple((sc, 1 - critical_shear_pa(sc) / FULL_SHEAR_PA) for sc in (float(pct) for pct in range(0, 101, 10))),
    source="julian_torres2006",
    status="critical shear stress by silt and clay published, scaled to 0..1 over 22.5 Pa [own], linear between every "
    "10 %. It is of cohesive soil: a bank of gravel or cobble has few fines, scores high and may stand well. Soil "
    "units are far larger than banks: no weight by default",
    digits=0,
    errors=(Error("single", 12.0, "value"),),  # percent of silt and clay within one soil unit [own]
)


def subsoil_fines(sides: pd.DataFrame) -> pd.DataFrame:
    """Give the silt plus clay of the soil unit each bank point lies in.

    Parameters
    ----------
    sides
        Station sides with ``silt_clay_pct`` (0..100).

    Returns
    -------
    DataFrame
        ``value`` [percent] and ``basis``: modelled, since it is read off a map; missing where that says nothing.
    """
    value = sides["silt_clay_pct"].to_numpy(float)
    return with_basis(value, "modelled")
