"""Bankfull width, depth, discharge and stream power from drainage area and slope; error of a fitted slope."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.network.curves import Curve, Power, curve_names, curve_set, read_curve
from gisprio.contracts.constants import (
    GRAVITY,
    JARRETT_FACTOR,
    WATER_DENSITY,
)
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.settings import Hydraulics, SteepRoughness

Floats = NDArray[np.float64]
CURVES: Mapping[str, Curve] = MappingProxyType({name: read_curve(name) for name in curve_names()})
"""The curves that come with gisprio, by name."""
STEEP = SteepRoughness()


def curve_sources(hydraulics: Hydraulics) -> tuple[str, ...]:
    """Give the keys of the sources behind the hydraulics of a run.

    Parameters
    ----------
    hydraulics
        Section ``hydraulics``.

    Returns
    -------
    tuple of str
        Keys in references.toml: the curve (``config`` for the user's own), stream power, and the roughness form where
        the curve has no discharge.

    Raises
    ------
    SettingsError
        When there is no such curve.
    """
    curve = curve_set(hydraulics)
    roughness = () if curve.discharge else (JARRETT_FACTOR.source,)
    return (curve.source, "bull1979", *roughness)


def bankfull_width(curve: Curve, area_km2: Floats) -> Floats:
    """Give the bankfull width.

    Parameters
    ----------
    curve
        Regional curve.
    area_km2
        Drainage area [km2], (n,); NaN or not above 0 is missing.

    Returns
    -------
    array
        Width [m], (n,); NaN where the area is missing.
    """
    return _over_area(curve.width, area_km2)


def bankfull_depth(curve: Curve, area_km2: Floats) -> Floats:
    """Give the mean bankfull depth [m], (n,), from the drainage area [km2], (n,); NaN where that is missing."""
    return _over_area(curve.depth, area_km2)


def bankfull_section(curve: Curve, area_km2: Floats) -> Floats:
    """Give the bankfull cross-section [m2], (n,), from the drainage area [km2], (n,).

    Width times depth where the curve has no section of its own; NaN where the area is missing.
    """
    if curve.section is None:
        return bankfull_width(curve, area_km2) * bankfull_depth(curve, area_km2)
    return _over_area(curve.section, area_km2)


def bankfull_discharge(curve: Curve, area_km2: Floats) -> Floats:
    """Give the bankfull discharge of the curve [m3/s], (n,); all NaN where the curve has none."""
    if curve.discharge is None:
        return np.full(np.shape(area_km2), np.nan)
    return _over_area(curve.discharge, area_km2)


def bankfull_flow(
    curve: Curve,
    area_km2: Floats,
    slope: Floats,
    *,
    manning_low: float,
    slope_cap: float,
    steep: SteepRoughness = STEEP,
) -> pd.DataFrame:
    """Give size, discharge, Froude number and unit stream power of the bankfull flow.

    Parameters
    ----------
    curve
        Regional curve.
    area_km2
        Drainage area [km2], (n,); NaN or not above 0 is missing.
    slope
        Slope of the stream, downwards positive [m/m], (n,); NaN or below 0 is missing.
    manning_low
        Manning's n [s/m^(1/3)] is never below this.
    slope_cap
        Slope [m/m] above which neither discharge nor power rises further.
    steep
        Coefficients of the roughness form.

    Returns
    -------
    DataFrame
        (n) rows: ``bankfull_width_m``, ``bankfull_depth_m``, ``bankfull_discharge_m3_s``, ``discharge_from``
        (``curve``; ``manning`` where the curve has none; missing), ``discharge_return_period_y``, ``froude``,
        ``unit_stream_power_w_m2``.

    Notes
    -----
    S = min(slope, slope_cap). Discharge: of the curve, else Q = V W D in a rectangle, V = R^(2/3) S^(1/2) / n,
    R = W D / (W + 2 D), n = max(manning_low, a S^b R^c) with a, b, c of ``steep``. Froude number Q / (W D sqrt(g D)).
    Unit stream power rho g Q S / W. The section is width times depth throughout; the curve's own is not mixed in.

    References
    ----------
    jarrett1984, bull1979, and the source of the curve.
    """
    area_km2, slope = np.asarray(area_km2, float), np.asarray(slope, float)
    width, depth = bankfull_width(curve, area_km2), bankfull_depth(curve, area_km2)
    capped = np.minimum(np.where(slope >= 0, slope, np.nan), slope_cap)
    if curve.discharge is None:
        radius = hydraulic_radius(width, depth)
        roughness = roughness_of(capped, radius, manning_low=manning_low, steep=steep)
        discharge = manning_velocity(roughness, radius, capped) * width * depth
    else:
        discharge = bankfull_discharge(curve, area_km2)
    origin = pd.Series("manning" if curve.discharge is None else "curve", range(len(discharge)), dtype="str")
    return pd.DataFrame(
        {
            "bankfull_width_m": width,
            "bankfull_depth_m": depth,
            "bankfull_discharge_m3_s": discharge,
            "discharge_from": origin.mask(np.isnan(discharge)),
            "discharge_return_period_y": np.where(np.isnan(discharge), np.nan, curve.return_period_y or np.nan),
            "froude": discharge / (width * depth) / np.sqrt(GRAVITY.value * depth),
            "unit_stream_power_w_m2": unit_stream_power(discharge, capped, width),
        }
    )


def hydraulic_radius(width_m: Floats, depth_m: Floats) -> Floats:
    """Give the hydraulic radius R = W D / (W + 2 D) of a rectangle [m], (n,), from width and depth [m], (n,)."""
    return width_m * depth_m / (width_m + 2 * depth_m)


def roughness_of(slope: Floats, radius_m: Floats, *, manning_low: float, steep: SteepRoughness = STEEP) -> Floats:
    """Give Manning's n, which rises with slope.

    Parameters
    ----------
    slope
        Slope [m/m], (n,), 0 or more.
    radius_m
        Hydraulic radius [m], (n,).
    manning_low
        Lowest n [s/m^(1/3)].
    steep
        Coefficients a, b, c of the roughness form; the defaults .32, .38, -.16 are from memory, unverified.

    Notes
    -----
    n = max(manning_low, a S^b R^c).

    References
    ----------
    jarrett1984
    """
    rising = steep.factor * slope**steep.slope_power * radius_m**steep.radius_power
    return np.maximum(rising, manning_low)


def manning_velocity(roughness: Floats | float, radius_m: Floats, slope: Floats | float) -> Floats:
    """Give the mean velocity V = R^(2/3) S^(1/2) / n [m/s], (n,), from n [s/m^(1/3)], R [m] and S [m/m], (n,)."""
    return radius_m ** (2 / 3) * np.sqrt(slope) / roughness


def stream_power(discharge_m3_s: Floats, slope: Floats) -> Floats:
    """Give the stream power rho g Q S of a metre of channel [W/m], (n,), from Q [m3/s] and S [m/m], (n,)."""
    return WATER_DENSITY.value * GRAVITY.value * discharge_m3_s * slope


def unit_stream_power(discharge_m3_s: Floats, slope: Floats, width_m: Floats) -> Floats:
    """Give the stream power rho g Q S / W of a square metre of bed [W/m2], (n,); width W in m, (n,)."""
    return stream_power(discharge_m3_s, slope) / width_m


def froude_findings(froude: Floats, ids: Sequence[str]) -> list[Finding]:
    """Find reaches whose bankfull flow would be faster than a stream's is.

    Parameters
    ----------
    froude
        Froude number of each reach, (n,); NaN is passed over.
    ids
        Ids of the reaches, (n).

    Returns
    -------
    list of Finding
        One for all reaches with a Froude number above 1, or none.
    """
    fast = np.flatnonzero(np.asarray(froude, float) > 1).tolist()
    if not fast:
        return []
    worst = float(np.asarray(froude, float)[fast].max())
    return [
        Finding(
            "warning",
            "reaches",
            "froude",
            "",
            f"{_reaches(len(fast))} a Froude number above 1 at bankfull, up to {worst:.2f} "
            f"({listed(ids[i] for i in fast)}): slope, drainage area or the regional curve is likely wrong there.",
            "Look at the slope of these reaches, and set [hydraulics] curve to the one of your region.",
        )
    ]


def range_findings(curve: Curve, area_km2: Floats, ids: Sequence[str]) -> list[Finding]:
    """Find reaches smaller or larger than the streams a curve was fitted on.

    Parameters
    ----------
    curve
        Regional curve; one whose range is not known gives no finding.
    area_km2
        Drainage area of each reach [km2], (n,); NaN is passed over.
    ids
        Ids of the reaches, (n).

    Returns
    -------
    list of Finding
        One for all reaches outside, or none.
    """
    if curve.range_km2 is None:
        return []
    low, high = curve.range_km2
    area_km2 = np.asarray(area_km2, float)
    outside = np.flatnonzero((area_km2 < low) | (area_km2 > high)).tolist()
    if not outside:
        return []
    return [
        Finding(
            "note",
            "reaches",
            "curve_range",
            "",
            f"{_reaches(len(outside))} a drainage area outside the {low:.3g} to {high:.3g} km2 that the curve "
            f"{curve.name} was fitted on ({listed(ids[i] for i in outside)}): bankfull width, depth and discharge "
            "are stretched beyond it.",
            "Trust these reaches less, or choose a curve that was fitted on streams of this size.",
        )
    ]


def slope_error(sigma_m: float, dx_m: float, n: int) -> float:
    """Give the standard error of a slope fitted by least squares to equally spaced heights.

    Parameters
    ----------
    sigma_m
        Standard error of one height [m].
    dx_m
        Distance between heights [m].
    n
        Number of heights; with fewer than two there is no slope and the error is infinite.

    Returns
    -------
    float
        Standard error [m/m].

    Notes
    -----
    sigma / (dx sqrt(n (n^2 - 1) / 12)), errors independent: a best case, since those of a DEM go together.
    """
    if n < 2:
        return float("inf")
    return float(sigma_m / (dx_m * np.sqrt(n * (n * n - 1) / 12)))


def shortest_slope_length(sigma_m: float, slope: float, share: float) -> float:
    """Give the length between two heights from which their slope is known to a share of itself.

    Parameters
    ----------
    sigma_m
        Standard error of one height [m].
    slope
        Slope [m/m]; for 0 the length is infinite.
    share
        Standard error wanted, as a share of the slope.

    Returns
    -------
    float
        Length [m].

    Notes
    -----
    sqrt(2) sigma / (share S), errors independent.
    """
    if slope <= 0:
        return float("inf")
    return float(np.sqrt(2) * sigma_m / (share * slope))


def _over_area(power: Power, area_km2: Floats) -> Floats:
    """Give a A^b, NaN where the area is missing or not above 0."""
    area = np.asarray(area_km2, float)
    return power.a * np.where(area > 0, area, np.nan) ** power.b


def _reaches(count: int) -> str:
    return "1 reach has" if count == 1 else f"{count} reaches have"
