"""The pull of the water on bed and bank at bankfull, beside what materials are said to bear."""

from __future__ import annotations

from gisprio.contracts.constants import GRAVITY, WATER_DENSITY


def boundary_shear_pa(radius_m: float, slope: float) -> float:
    """Give the mean shear stress on bed and banks [Pa]; NaN where depth or slope is.

    Parameters
    ----------
    radius_m
        Hydraulic radius [m]; the mean depth of a wide channel is little more.
    slope
        Slope of the water, that of the stream [m/m].

    Notes
    -----
    tau = rho g R S. In bends and beside trees and rocks it is larger by far.

    Examples
    --------
    >>> round(boundary_shear_pa(0.8, 0.004), 1)
    31.4
    """
    return WATER_DENSITY.value * GRAVITY.value * radius_m * slope
