"""Published setback rules: each rule file asks for the widths its source prints, at its limits and just beside them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from gisprio.compute.setbacks.asking import asked_table
from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.setbacks import Average, Rule
from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.inputs.config import read_settings
from makers import straight_valley
from setback_sides import sides

NAMES = [Path(name).stem for name in shipped_names("setbacks")]
FT = FOOT_M.value


@pytest.fixture(scope="module")
def rules(tmp_path_factory) -> dict[str, Rule]:
    """Every rule file, read as a config reads it."""
    config = straight_valley().write(tmp_path_factory.mktemp("rules"))
    text = config.read_text()
    config.write_text(text + "".join(f'[setback.also.{name}]\nrule_file = "{name}"\n' for name in NAMES))
    return dict(read_settings(config).setback.also)


CHECKS = (
    # check, rule file, what the station is like, width expected [m]
    ("2", "minnesota-public-waters", {}, 15.240),
    ("2", "minnesota-drainage-ditches", {"kind": "ditch"}, 5.0292),
    ("2", "minnesota-drainage-ditches", {"kind": "natural"}, 0.0),
    ("4", "michigan-nrcs-391", {"slope_percent": 8.0}, 100 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 9.99}, 100 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 10.0}, 115 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 15.0}, 115 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 25.0}, 135 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 35.0}, 155 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 40.0}, 175 * FT),
    ("4", "michigan-nrcs-391", {"slope_percent": 45.0}, 175 * FT),
    ("5", "columbia-missouri", {"stream_class": "II", "slope_percent": 14.0}, 50 * FT),
    ("5", "columbia-missouri", {"stream_class": "II", "slope_percent": 15.0}, 75 * FT),
    ("5", "columbia-missouri", {"stream_class": "II", "slope_percent": 20.0}, 75 * FT),
    ("5", "columbia-missouri", {"stream_class": "II", "slope_percent": 25.0}, 75 * FT),
    ("5", "columbia-missouri", {"stream_class": "II", "slope_percent": 26.0}, 100 * FT),
    ("5", "columbia-missouri", {"stream_class": "I"}, 100 * FT),
    ("5", "columbia-missouri", {"stream_class": "iii"}, 30 * FT),
    ("6", "germany-whg-38a", {"slope_percent": 4.99}, 0.0),
    ("6", "germany-whg-38a", {"slope_percent": 5.00}, 5.0),
    ("7", "germany-fertiliser-bands", {"slope_percent": 4.9}, 0.0),
    ("7", "germany-fertiliser-bands", {"slope_percent": 5.0}, 3.0),
    ("7", "germany-fertiliser-bands", {"slope_percent": 10.0}, 5.0),
    ("7", "germany-fertiliser-bands", {"slope_percent": 15.0}, 10.0),
    ("8", "quebec-riparian-strip", {"slope_percent": 25.0, "bank_height_m": 6.0}, 10.0),
    ("8", "quebec-riparian-strip", {"slope_percent": 30.0, "bank_height_m": 6.0}, 10.0),
    ("8", "quebec-riparian-strip", {"slope_percent": 35.0, "bank_height_m": 6.0}, 15.0),
    ("8", "quebec-riparian-strip", {"slope_percent": 35.0, "bank_height_m": 5.0}, 10.0),
    ("9", "new-south-wales-vulnerable-land", {"bankfull_width_m": 5.0}, 20.0),
    ("10", "new-zealand-stock-exclusion", {"bankfull_width_m": 0.8}, 0.0),
    ("10", "new-zealand-stock-exclusion", {"bankfull_width_m": 1.0}, 0.0),
    ("10", "new-zealand-stock-exclusion", {"bankfull_width_m": 1.2}, 3.0),
    ("10", "new-zealand-stock-exclusion", {"slope_percent": 100 * np.tan(np.radians(10.0))}, 3.0),
    ("10", "new-zealand-stock-exclusion", {"slope_percent": 100 * np.tan(np.radians(10.1))}, 0.0),
    ("11", "prince-edward-island", {}, 15.0),
    ("12", "maine-shoreland", {"drainage_area_km2": 64.7}, 22.86),
    ("12", "maine-shoreland", {"drainage_area_km2": 64.75}, 76.2),
    ("13", "north-carolina-neuse", {}, 50 * FT),
    ("14", "pennsylvania-special-protection", {}, 150 * FT),
    ("15", "brazil-narrow-rivers", {"bankfull_width_m": 9.9}, 30.0),
    ("15", "brazil-narrow-rivers", {"bankfull_width_m": 12.0}, 0.0),
    ("16", "england-gaec-1", {"property_ha": 2.00}, 0.0),
    ("16", "england-gaec-1", {"property_ha": 2.01}, 1.0),
    ("rule 5", "nova-scotia-forestry", {"bankfull_width_m": 0.49}, 0.0),
    ("rule 5", "nova-scotia-forestry", {"bankfull_width_m": 0.50}, 20.0),
    ("rule 9", "virginia-resource-protection-area", {}, 30.48),
    ("rule 11", "georgia-erosion-act", {}, 7.62),
    ("rule 14", "new-south-wales-waterfront-land", {}, 40.0),
    ("rule 20", "austria-gloez-4", {}, 3.0),
    ("rule 23", "baden-wuerttemberg", {}, 10.0),
    ("rule 26", "nrcs-391-by-order", {"strahler_order": 2}, 50 * FT),
    ("rule 26", "nrcs-391-by-order", {"strahler_order": 3}, 100 * FT),
)


@pytest.mark.parametrize(("number", "name", "station", "expected"), CHECKS, ids=lambda value: str(value))
def test_a_rule_asks_what_its_source_prints(rules, number, name, station, expected):
    got = asked_table(sides(**{key: [value] for key, value in station.items()}), rules[name])
    assert got["setback_m"].iloc[0] == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("slope", "feet"), [(5, 50), (10, 50), (15, 60), (20, 70), (27, 84), (30, 90)])
def test_filter_strips_of_minnesota_widen_along_the_slope(rules, slope, feet):
    """27 % gives 84 ft is printed in the guidelines; the strip lies along the slope, the map shows W cos(slope)."""
    rule = rules["minnesota-forest-filter-strip"]
    got = asked_table(sides(slope_percent=[float(slope)]), rule)["setback_m"].iloc[0]
    assert got == pytest.approx(feet * FT * np.cos(np.arctan(slope / 100)), abs=1e-3)
    along = asked_table(sides(slope_percent=[float(slope)]), rule.model_copy(update={"measure": "horizontal"}))
    assert along["setback_m"].iloc[0] == pytest.approx(feet * FT, abs=1e-3)


@pytest.mark.parametrize(("width", "centre"), [(5.0, 22.5), (8.0, 24.0)])
def test_a_width_from_the_centre_line_is_half_a_stream_longer(rules, width, centre):
    """New South Wales: 20 m from the bank are 22.5 m from the centre line of a stream of 5 m."""
    rule = rules["new-south-wales-vulnerable-land"].model_copy(update={"width_m": centre})
    assert asked_table(sides(bankfull_width_m=[width]), rule)["setback_m"].iloc[0] == pytest.approx(20.0)


def test_zones_of_the_neuse(rules):
    got = asked_table(sides(), rules["north-carolina-neuse"]).iloc[0]
    assert (got["inner_m"], got["setback_m"]) == (pytest.approx(30 * FT), pytest.approx(50 * FT))


def test_average_and_least_of_minnesota(rules):
    rule = rules["minnesota-public-waters"]
    assert isinstance(rule, Average)
    got = asked_table(sides(), rule).iloc[0]
    assert (got["setback_m"], got["least_m"]) == (pytest.approx(15.24), pytest.approx(9.144))


# ---------------------------------------------------------------- what every file says


def test_there_are_rules_of_many_countries(rules):
    assert len(rules) >= 12
    assert len({rule.about.country for rule in rules.values()}) >= 6


@pytest.mark.parametrize("name", NAMES)
def test_a_rule_file_says_where_it_comes_from(rules, name):
    rule, about = rules[name], rules[name].about
    told = about.model_dump()
    assert [key for key in told if not told[key]] == []
    assert about.leaves_out.endswith("Check with the local authority.")
    assert name in {file for _, file, _, _ in CHECKS} | {"minnesota-forest-filter-strip"}
    if rule.kind == "statute":
        assert about.verified != "memory"
    text = shipped(f"setbacks/{name}.toml").read_text("utf-8")
    assert "# A snapshot for screening. Check with the local authority." in text
    assert "rule_file" not in tomllib.loads(text)
