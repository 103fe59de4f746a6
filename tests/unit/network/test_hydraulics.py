"""Curves as data, and bankfull flow on arrays: missing values, caps, findings, messages."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import gisprio
from gisprio.compute.network.curves import closes, closure, curve_from, curve_names, curve_set, own_curve, read_curve
from gisprio.compute.network.hydraulics import (
    CURVES,
    bankfull_depth,
    bankfull_discharge,
    bankfull_flow,
    bankfull_section,
    bankfull_width,
    curve_sources,
    froude_findings,
    range_findings,
    roughness_of,
    shortest_slope_length,
    slope_error,
    stream_power,
    unit_stream_power,
)
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Hydraulics, SteepRoughness
from gisprio.contracts.shipped import shipped

FLAT = {
    "name": "flat",
    "title": "Made for this test",
    "source": "own",
    "table": "none",
    "units": "si",
    "width": [4.0, 0.5],
    "depth": [0.5, 0.25],
    "range": [1, 100],
    "setting": "rural",
    "status": "made up",
}


def flow(curve, area, slope, manning_low=0.035, slope_cap=0.03):
    return bankfull_flow(curve, np.array(area), np.array(slope), manning_low=manning_low, slope_cap=slope_cap)


def test_own_curve_needs_only_units_width_and_depth():
    own = own_curve({"units": "us", "width": [10, 0.4], "depth": [2, 0.3], "return_period_y": 1.5}, "mine.toml")
    assert (own.name, own.source, own.range_km2, own.setting) == ("mine.toml", "config", None, "not stated")
    assert bankfull_width(own, np.array([2.589988110336]))[0] == pytest.approx(3.048, rel=1e-12)
    hydraulics = Hydraulics(curve="mine.toml", own_curve={"units": "si", "width": [4, 0.5], "depth": [0.5, 0.25]})
    assert bankfull_width(curve_set(hydraulics), np.array([4.0]))[0] == pytest.approx(8.0)
    assert curve_sources(hydraulics) == ("config", "bull1979", "jarrett1984")


def test_faults_of_an_own_curve_name_its_file():
    with pytest.raises(InputError) as told:
        own_curve({"units": "si", "width": [4, 0.5], "depht": [1, 1]}, "mine.toml")
    assert str(told.value) == (
        "Regional curve mine.toml: depth is missing; there is no key depht.\n"
        "  Wanted: name, title, source, table, units, width, depth, range, setting, status; perhaps area, discharge, "
        "closure_exception, caution, return_period_y.\n"
        "  Do: correct its file."
    )


def test_return_period_stands_beside_the_discharge():
    curve = curve_from({**FLAT, "discharge": [3.0, 0.7], "return_period_y": 1.5})
    assert flow(curve, [1.0, np.nan], [0.002, 0.002])["discharge_return_period_y"].tolist()[0] == 1.5
    assert np.isnan(flow(curve, [np.nan], [0.002])["discharge_return_period_y"][0])
    assert flow(curve_from(FLAT), [1.0], [0.002])["discharge_return_period_y"].isna().all()
    with pytest.raises(InputError, match="return_period_y = 0 is not right"):
        curve_from({**FLAT, "return_period_y": 0})


def test_roughness_follows_the_settings():
    one, steep = np.ones(1), SteepRoughness(factor=0.5, slope_power=0.5, radius_power=0.0)
    assert roughness_of(0.04 * one, one, manning_low=0.035, steep=steep)[0] == pytest.approx(0.1)
    slow = bankfull_flow(curve_from(FLAT), one, 0.04 * one, manning_low=0.01, slope_cap=1.0, steep=steep)
    fast = bankfull_flow(curve_from(FLAT), one, 0.04 * one, manning_low=0.1, slope_cap=1.0, steep=steep)
    assert slow["froude"][0] == pytest.approx(fast["froude"][0])  # both have n = .1
    assert SteepRoughness() == Hydraulics().steep_roughness
    assert roughness_of(0.01 * one, one, manning_low=0.0)[0] == pytest.approx(0.32 * 0.01**0.38)


def test_default_curve_is_shipped():
    assert Hydraulics().curve in CURVES
    assert list(CURVES) == curve_names()


def test_sources_are_listed_references():
    listed = tomllib.loads((Path(gisprio.__file__).parent / "contracts" / "references.toml").read_text())
    for name in CURVES:
        assert set(curve_sources(Hydraulics(curve=name))) <= set(listed), name
    assert curve_sources(Hydraulics()) == ("bieger2015", "bull1979", "jarrett1984")
    assert curve_sources(Hydraulics(curve="northeast-2013")) == ("bent_waite2013", "bull1979")


@pytest.mark.parametrize("name", curve_names())
def test_file_and_curve_agree_on_the_name(name):
    curve = read_curve(name)
    assert curve.name == name
    assert curve == CURVES[name]
    assert all(word for word in (curve.title, curve.table, curve.status))
    assert curve.range_km2 is None or curve.range_km2[0] < curve.range_km2[1]


def test_only_the_urban_curve_is_for_cities():
    assert [name for name, curve in CURVES.items() if curve.for_cities] == ["nc-urban-piedmont"]
    assert CURVES["usa"].setting == "not stated"


def test_us_units_become_si():
    """One mi2 gives 10 ft, 2 ft, 20 ft2, 100 ft3/s by the numbers of the file."""
    us = {"units": "us", "width": [10, 0.4], "depth": [2, 0.3], "area": [20, 0.7], "discharge": [100, 0.8]}
    curve = curve_from({**FLAT, **us})
    mile = np.array([2.589988110336])
    assert bankfull_width(curve, mile)[0] == pytest.approx(3.048, rel=1e-12)
    assert bankfull_depth(curve, mile)[0] == pytest.approx(0.6096, rel=1e-12)
    assert bankfull_section(curve, mile)[0] == pytest.approx(20 * 0.09290304, rel=1e-12)
    assert bankfull_discharge(curve, mile)[0] == pytest.approx(2.8316846592, rel=1e-12)
    assert (curve.width.b, curve.discharge.b) == (0.4, 0.8)
    assert curve.range_km2 == pytest.approx((2.589988110336, 258.9988110336), rel=1e-12)


def test_section_is_width_times_depth_where_the_curve_has_none():
    curve = curve_from(FLAT)
    assert bankfull_section(curve, np.array([16.0]))[0] == pytest.approx(16 * 1.0)  # W 16 m, D 1 m
    assert closure(curve) is None
    assert closes(curve)


def test_closure_finds_swapped_rows_and_a_slip_of_units():
    good = curve_from({**FLAT, "area": [2.0, 0.75]})
    assert closure(good) == pytest.approx((0.0, 0.0))
    assert closes(good)
    assert not closes(curve_from({**FLAT, "area": [2.0 / 3.281, 0.75]}))
    assert not closes(curve_from({**FLAT, "area": [2.0, 0.68]}))
    assert not closes(curve_from({**FLAT, "width": [2.0, 0.75], "area": [4.0, 0.5]}))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"units": "furlongs"}, "units = 'furlongs'"),
        ({"setting": "suburban"}, "setting = 'suburban'"),
        ({"width": [4.0]}, "width = [4.0] is not right"),
        ({"depth": [0.5, float("nan")]}, "depth = [0.5, nan] is not right"),
        ({"range": "unknown"}, "range = 'unknown' is not right"),
        ({"widht": [1, 1]}, "there is no key widht"),
    ],
)
def test_faulty_file_is_refused(change, says):
    with pytest.raises(InputError) as told:
        curve_from({**FLAT, **change})
    assert f"Regional curve flat: {says}" in str(told.value)
    assert "Wanted: " in str(told.value)


def test_missing_key_is_named():
    with pytest.raises(InputError, match="depth is missing"):
        curve_from({key: value for key, value in FLAT.items() if key != "depth"})


def test_unknown_name_is_told_with_the_nearest_and_all():
    with pytest.raises(SettingsError) as told:
        read_curve("vermont-2010")
    text = str(told.value)
    assert "[hydraulics] curve: there is no curve 'vermont-2010'." in text
    assert "write vermont-2001 if that is what you meant." in text
    assert all(name in text for name in curve_names())
    with pytest.raises(SettingsError):
        curve_sources(Hydraulics(curve="../usa"))


def test_every_curve_file_is_read():
    files = {path.stem for path in shipped("curves/usa.toml").parent.iterdir()}
    assert files == set(curve_names())
    assert len(files) == 53


def test_missing_area_or_slope_is_missing_after():
    table = flow(read_curve("usa"), [np.nan, 0.0, -1.0, 10.0, 10.0], [0.005, 0.005, 0.005, np.nan, -0.001])
    assert table["bankfull_width_m"].isna().tolist() == [True, True, True, False, False]
    assert table["bankfull_depth_m"].isna().tolist() == [True, True, True, False, False]
    for column in ("bankfull_discharge_m3_s", "discharge_from", "froude", "unit_stream_power_w_m2"):
        assert table[column].isna().all(), column


def test_discharge_of_the_curve_needs_no_slope_but_power_does():
    table = flow(read_curve("northeast-2013"), [25.899881, np.nan], [np.nan, 0.005])
    assert table["bankfull_discharge_m3_s"][0] == pytest.approx(9.2695, abs=1e-3)
    assert table["discharge_from"][0] == "curve"
    assert np.isnan(table["unit_stream_power_w_m2"][0])
    assert table.loc[1].isna().all()


def test_no_rows_give_the_columns():
    table = flow(read_curve("usa"), [], [])
    assert len(table) == 0
    assert list(table) == [
        "bankfull_width_m",
        "bankfull_depth_m",
        "bankfull_discharge_m3_s",
        "discharge_from",
        "discharge_return_period_y",
        "froude",
        "unit_stream_power_w_m2",
    ]
    assert isinstance(table["discharge_from"].dtype, pd.StringDtype)


def test_flat_stream_has_no_power():
    table = flow(read_curve("usa"), [10.0], [0.0])
    assert table["unit_stream_power_w_m2"][0] == 0
    assert table["discharge_from"][0] == "manning"


def test_manning_by_hand():
    """W 16 m, D 1 m: R = 16/18 m; at n .1 and S .01 V = .9245 x .1 / .1 = .9245 m/s."""
    table = flow(curve_from(FLAT), [16.0], [0.01], manning_low=0.1)
    velocity = (16 / 18) ** (2 / 3) * 0.1 / 0.1
    assert velocity == pytest.approx(0.9245, abs=1e-4)
    assert table["bankfull_discharge_m3_s"][0] == pytest.approx(16 * velocity, rel=1e-12)
    assert table["froude"][0] == pytest.approx(velocity / np.sqrt(9.81), rel=1e-12)
    assert table["unit_stream_power_w_m2"][0] == pytest.approx(9810 * velocity * 0.01, rel=1e-12)


def test_roughness_rises_with_slope_above_the_lowest():
    n = roughness_of(np.array([0.0, 0.0001, 0.01, 0.03]), np.ones(4), manning_low=0.035)
    assert n[:2].tolist() == [0.035, 0.035]
    assert n[2] == pytest.approx(0.32 * 0.1737801, rel=1e-6)  # .01^.38 = 10^-.76
    assert n[3] > n[2]


@pytest.mark.parametrize("name", ["usa", "northeast-2013"])
def test_slope_above_the_cap_adds_nothing(name):
    table = flow(read_curve(name), [5.0, 5.0, 5.0], [0.03, 0.3, 0.029])
    assert table["unit_stream_power_w_m2"][1] == table["unit_stream_power_w_m2"][0]
    assert table["bankfull_discharge_m3_s"][1] == table["bankfull_discharge_m3_s"][0]
    assert table["unit_stream_power_w_m2"][2] < table["unit_stream_power_w_m2"][0]


def test_froude_of_a_curve_discharge():
    """3 m3/s through 4 m x .5 m: 1.5 m/s; sqrt(9.81 x .5) = 2.2147."""
    curve = curve_from({**FLAT, "discharge": [3.0, 0.7]})
    assert flow(curve, [1.0], [0.002])["froude"][0] == pytest.approx(1.5 / 2.214723, rel=1e-6)
    assert flow(curve, [1.0], [0.002])["unit_stream_power_w_m2"][0] == pytest.approx(14.715)


def test_fast_reaches_are_a_finding():
    found = froude_findings(np.array([0.5, 1.0, np.nan, 1.2, 1.456]), ["a", "b", "c", "d", "e"])
    assert len(found) == 1
    assert (found[0].severity, found[0].layer, found[0].check) == ("warning", "reaches", "froude")
    assert "2 reaches have a Froude number above 1 at bankfull, up to 1.46 (d, e)" in found[0].says
    assert froude_findings(np.array([1.0, np.nan]), ["a", "b"]) == []


def test_reaches_outside_the_range_are_a_finding():
    found = range_findings(curve_from(FLAT), np.array([0.5, 1.0, 100.0, 101.0, np.nan]), list("abcde"))
    assert len(found) == 1
    assert "2 reaches have a drainage area outside the 1 to 100 km2 that the curve flat was fitted on (a, d)" in (
        found[0].says
    )
    assert range_findings(curve_from(FLAT), np.array([50.0]), ["a"]) == []
    assert range_findings(read_curve("usa"), np.array([1e6]), ["a"]) == []


def test_arguments_are_not_edited():
    area, slope = np.array([0.0, 10.0]), np.array([0.5, -1.0])
    bankfull_flow(read_curve("usa"), area, slope, manning_low=0.035, slope_cap=0.03)
    assert area.tolist() == [0.0, 10.0]
    assert slope.tolist() == [0.5, -1.0]


def test_power_on_arrays():
    q, s, w = np.array([1.0, np.nan]), np.array([0.001, 0.001]), np.array([5.0, 5.0])
    assert stream_power(q, s)[0] == pytest.approx(9.81, abs=1e-9)
    assert unit_stream_power(q, s, w)[0] == pytest.approx(1.962, abs=1e-9)
    assert np.isnan(unit_stream_power(q, s, w)[1])


def test_slope_error_shrinks_with_points_and_is_infinite_for_one():
    assert slope_error(0.1, 10.0, 2) == pytest.approx(np.sqrt(2) * 0.1 / 10)
    assert slope_error(0.1, 10.0, 3) == pytest.approx(0.1 / (10 * np.sqrt(2)))
    assert slope_error(0.1, 10.0, 1) == float("inf")
    assert shortest_slope_length(0.1, 0.0, 0.2) == float("inf")
