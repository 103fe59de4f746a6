"""Bankfull curves, stream power and slope errors against numbers worked from the publications' coefficients."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.network.curves import closes, closure, curve_names, read_curve
from gisprio.compute.network.hydraulics import (
    bankfull_depth,
    bankfull_discharge,
    bankfull_flow,
    bankfull_section,
    bankfull_width,
    hydraulic_radius,
    manning_velocity,
    shortest_slope_length,
    slope_error,
    stream_power,
    unit_stream_power,
)
from gisprio.contracts.constants import SQUARE_MILE_KM2

pytestmark = pytest.mark.reference

TEN_MI2 = 25.89988110336
EXCEPTIONS = {
    "nc-rural-piedmont",
    "bieger-interior-plains",
    "bieger-rocky-mountain-system",
    "bieger-pacific-mountain-system",
    "province-great-plains",
    "province-northern-rocky-mountains",
    "province-basin-and-range",
    "province-columbia-plateau",
    "province-pacific-border",
}


def at(measure, name, area_km2):
    return float(measure(read_curve(name), np.array([area_km2]))[0])


@pytest.mark.parametrize(
    ("name", "area_km2", "width", "depth", "section"),
    [
        ("usa", 1, 2.700, 0.3000, 0.950),
        ("usa", 10, 6.072, 0.4899, 3.294),
        ("usa", 100, 13.657, 0.8001, 11.422),
        ("usa", 1000, 30.716, 1.3065, 39.603),
        ("bieger-appalachian-highlands", 10, 8.112, 0.5035, 4.148),
        ("bieger-appalachian-highlands", 100, 21.094, 0.9749, 20.980),
        ("bieger-atlantic-plain", 10, 5.121, 0.5049, 2.489),
        ("bieger-interior-plains", 10, 5.744, 0.5899, 3.795),
        ("bieger-laurentian-upland", 10, 8.434, 0.4936, 4.100),
        ("bieger-interior-highlands", 10, 30.694, 0.4993, 15.309),
        ("bieger-rocky-mountain-system", 10, 3.376, 0.3861, 0.975),
        ("bieger-intermontane-plateaus", 10, 2.886, 0.1493, 0.395),
        ("bieger-pacific-mountain-system", 10, 6.917, 0.4526, 3.904),
    ],
)
def test_national_curve_and_divisions(name, area_km2, width, depth, section):
    """Bieger, Rathjens, Allen and Arnold 2015, supplementary regressions."""
    assert at(bankfull_width, name, area_km2) == pytest.approx(width, abs=1e-3)
    assert at(bankfull_depth, name, area_km2) == pytest.approx(depth, abs=1e-4)
    assert at(bankfull_section, name, area_km2) == pytest.approx(section, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "section_ft2", "width_ft", "depth_ft"),
    [
        ("dunne-leopold-eastern-usa", 2200, 205, 11),
        ("dunne-leopold-san-francisco-bay", 1900, 210, 9),
        ("dunne-leopold-upper-green-river", 800, 175, 4.2),
        ("dunne-leopold-upper-salmon-river", 440, 110, 4.0),
    ],
)
def test_readings_off_a_graph_at_a_thousand_square_miles(name, section_ft2, width_ft, depth_ft):
    """Dunne and Leopold 1978, figure 16-20: the other of the two points each line was laid through."""
    area_km2 = 1000 * SQUARE_MILE_KM2.value
    assert at(bankfull_section, name, area_km2) / 0.3048**2 == pytest.approx(section_ft2, rel=0.01)
    assert at(bankfull_width, name, area_km2) / 0.3048 == pytest.approx(width_ft, rel=0.01)
    assert at(bankfull_depth, name, area_km2) / 0.3048 == pytest.approx(depth_ft, rel=0.01)


def test_printed_value_of_an_open_code():
    """An open hydrology code tests this curve at 10 km2 with 6.07 m and 0.50 m; its depth is rounded up."""
    assert at(bankfull_width, "usa", 10) == pytest.approx(6.07, abs=0.005)
    assert at(bankfull_depth, "usa", 10) == pytest.approx(0.50, abs=0.02)


def test_north_carolina_rural_piedmont_at_ten_square_miles():
    """Harman and others 1999: 32.00 ft, 3.134 ft, 102.57 ft2, 467.29 ft3/s."""
    assert at(bankfull_width, "nc-rural-piedmont", TEN_MI2) == pytest.approx(9.754, abs=2e-3)
    assert at(bankfull_depth, "nc-rural-piedmont", TEN_MI2) == pytest.approx(0.955, abs=1e-3)
    assert at(bankfull_section, "nc-rural-piedmont", TEN_MI2) == pytest.approx(9.529, abs=2e-3)
    assert at(bankfull_discharge, "nc-rural-piedmont", TEN_MI2) == pytest.approx(13.232, abs=2e-3)


def test_northeast_regional_at_ten_square_miles():
    """Bent and Waite 2013, USGS SIR 2013-5155."""
    assert at(bankfull_width, "northeast-2013", TEN_MI2) == pytest.approx(12.157, abs=1e-3)
    assert at(bankfull_depth, "northeast-2013", TEN_MI2) == pytest.approx(0.6295, abs=1e-4)
    assert at(bankfull_discharge, "northeast-2013", 25.899881) == pytest.approx(9.2695, abs=1e-3)


def test_massachusetts_and_new_york_at_ten_square_miles():
    """Bent and Waite 2013: 38.12 ft, 234.10 ft3/s; USGS SIR 2004-5247, region 5: 325.16 ft3/s."""
    assert at(bankfull_width, "massachusetts-2013", TEN_MI2) / 0.3048 == pytest.approx(38.12, abs=0.005)
    assert at(bankfull_discharge, "massachusetts-2013", TEN_MI2) / 0.028316846592 == pytest.approx(234.10, abs=0.01)
    assert at(bankfull_discharge, "new-york-5", TEN_MI2) / 0.028316846592 == pytest.approx(325.16, abs=0.01)


@pytest.mark.parametrize(
    ("name", "width", "depth", "section", "discharge"),
    [
        ("nc-rural-piedmont", 2.4070, 0.3372, 1.0423, 1.2707),
        ("nc-mountains", 4.3061, 0.2496, 1.0852, 1.6356),
        ("massachusetts-2013", 3.1219, 0.2185, 0.6720, 0.4913),
        ("northeast-2013", 3.1092, 0.2380, 0.7298, 0.6417),
        ("new-hampshire-2013", 2.3738, 0.2866, 0.6742, 0.4894),
        ("vermont-2001", 1.9280, 0.2931, 0.5556, 0.1809),
        ("maine-coastal-central", 1.4253, 0.1310, 0.1865, 0.0541),
        ("new-york-1-2", 4.6434, 0.2362, 1.0703, 0.6261),
        ("new-york-3", 5.5404, 0.4143, 2.2910, 1.2435),
        ("new-york-5", 2.6840, 0.1712, 0.4585, 0.5680),
        ("new-york-6", 3.4572, 0.2513, 0.8708, 0.6099),
        ("new-york-7", 2.1289, 0.3708, 0.7912, 0.5073),
        ("maryland-piedmont", 3.1082, 0.2602, 0.8079, 1.1617),
    ],
)
def test_coefficients_in_si(name, width, depth, section, discharge):
    """At 1 km2 a curve gives its coefficient: a x unit x 2.589988110336^-b."""
    curve = read_curve(name)
    si = (curve.width.a, curve.depth.a, curve.section.a, curve.discharge.a)
    assert si == pytest.approx((width, depth, section, discharge), abs=6e-5)


@pytest.mark.parametrize("name", curve_names())
def test_closure(name):
    """Width times depth agrees with the section, or the file says why not."""
    curve = read_curve(name)
    assert closes(curve) == (name not in EXCEPTIONS), closure(curve)
    assert bool(curve.closure_exception) == (name in EXCEPTIONS)


@pytest.mark.parametrize("name", [name for name in curve_names() if read_curve(name).discharge])
def test_velocity_at_ten_square_miles_is_that_of_a_stream(name):
    """Q / X lies between .98 and 6.0 ft/s over all curves that have both."""
    velocity = at(bankfull_discharge, name, TEN_MI2) / at(bankfull_section, name, TEN_MI2) / 0.3048
    assert 0.97 <= velocity <= 6.05


@pytest.mark.parametrize("name", ["nc-rural-piedmont", "vermont-2001", "pacific-northwest"])
@pytest.mark.parametrize("area_mi2", [0.2, 1.0, 10.0, 139.0])
def test_square_miles_and_square_kilometres_give_the_same_width(name, area_mi2):
    """a A^b in ft over mi2, as printed, and the curve in SI over km2."""
    feet = {"nc-rural-piedmont": (11.89, 0.43), "vermont-2001": (10.18, 0.50), "pacific-northwest": (11.8, 0.38)}
    a, b = feet[name]
    width = at(bankfull_width, name, area_mi2 * SQUARE_MILE_KM2.value)
    assert width == pytest.approx(a * area_mi2**b * 0.3048, rel=1e-11)


@pytest.mark.parametrize(
    ("q", "s", "w", "power", "unit_power"),
    [
        (10, 0.005, 12, 490.50, 40.875),
        (3, 0.002, 8, 58.86, 7.3575),
        (20, 0.010, 15, 1962.0, 130.80),
        (1, 0.001, 5, 9.81, 1.962),
    ],
)
def test_stream_power(q, s, w, power, unit_power):
    """Rho g Q S and rho g Q S / w (Bagnold 1966, Bull 1979), worked by hand."""
    assert stream_power(np.array([q]), np.array([s]))[0] == pytest.approx(power, abs=1e-9)
    assert unit_stream_power(np.array([q]), np.array([s]), np.array([w]))[0] == pytest.approx(unit_power, abs=1e-9)


def test_chain_from_area_alone():
    """Bieger 2015 USA at 10 km2, S .005, Manning n .04, a rectangle."""
    curve, area = read_curve("usa"), np.array([10.0])
    width, depth = bankfull_width(curve, area), bankfull_depth(curve, area)
    radius = hydraulic_radius(width, depth)
    velocity = manning_velocity(0.04, radius, 0.005)
    discharge = velocity * width * depth
    assert radius[0] == pytest.approx(0.42185, abs=1e-5)
    assert velocity[0] == pytest.approx(0.99433, abs=1e-5)
    assert discharge[0] == pytest.approx(2.9581, abs=1e-4)
    assert stream_power(discharge, np.array([0.005]))[0] == pytest.approx(145.10, abs=0.01)
    assert unit_stream_power(discharge, np.array([0.005]), width)[0] == pytest.approx(23.894, abs=1e-3)


def test_chain_as_a_run_makes_it():
    """The same with n .08, above the roughness form (.049): half the discharge and half the power."""
    table = bankfull_flow(
        read_curve("usa"), np.array([10.0]), np.array([0.005]), manning_low=0.08, slope_cap=0.03
    ).iloc[0]
    assert table["bankfull_discharge_m3_s"] == pytest.approx(2.9581 / 2, abs=1e-4)
    assert table["unit_stream_power_w_m2"] == pytest.approx(23.894 / 2, abs=1e-3)
    assert table["froude"] == pytest.approx(0.99433 / 2 / np.sqrt(9.81 * 0.48992), abs=1e-5)
    assert table["discharge_from"] == "manning"


def test_power_with_a_curve_of_discharge():
    """Bent and Waite 2013 at 10 mi2, S .005: 454.67 W/m over 12.157 m is 37.40 W/m2."""
    table = bankfull_flow(
        read_curve("northeast-2013"), np.array([TEN_MI2]), np.array([0.005]), manning_low=0.035, slope_cap=0.03
    ).iloc[0]
    assert table["unit_stream_power_w_m2"] == pytest.approx(37.40, abs=5e-3)
    assert table["discharge_from"] == "curve"


@pytest.mark.parametrize(
    ("sigma_m", "slope", "length_m"),
    [(0.05, 0.001, 354), (0.10, 0.0005, 1414), (0.10, 0.001, 707.1), (0.10, 0.01, 71), (1.55, 0.01, 1096)],
)
def test_shortest_length_of_a_slope(sigma_m, slope, length_m):
    """Sqrt(2) sigma / (.2 S), derived for independent errors."""
    assert shortest_slope_length(sigma_m, slope, 0.2) == pytest.approx(length_m, abs=0.5)
    assert shortest_slope_length(0.10, 0.001, 0.2) == pytest.approx(707.1, abs=0.1)


def test_slope_error_of_least_squares():
    """51 heights 10 m apart with .10 m error, and what a fit to drawn heights scatters by."""
    assert slope_error(0.10, 10.0, 51) == pytest.approx(9.513e-5, abs=1e-8)
    at_m = np.arange(51) * 10.0
    noise = np.random.default_rng(7).normal(0.0, 0.10, (4000, 51))
    fitted = np.polyfit(at_m, (0.002 * at_m + noise).T, 1)[0]
    assert fitted.std() == pytest.approx(9.513e-5, rel=0.04)
