"""Settings, errors, findings, constants and references."""

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

import gisprio
from gisprio.contracts import constants
from gisprio.contracts.constants import Constant
from gisprio.contracts.errors import ContractError, GisprioError, InputError, MissingPart, RunError, SettingsError
from gisprio.contracts.findings import Finding, findings_from, findings_table, listed
from gisprio.contracts.shipped import shipped_names
from tables import settings

PACKAGE = Path(gisprio.__file__).parent
REFERENCES = tomllib.loads((PACKAGE / "contracts" / "references.toml").read_text("utf-8"))
CONSTANTS = {name: value for name, value in vars(constants).items() if isinstance(value, Constant)}


def test_defaults_are_those_that_users_were_promised():
    made = settings()
    assert (made.streams.reach_length_m, made.streams.station_spacing_m, made.streams.sub_watershed_km2) == (200, 5, 25)
    assert (made.setback.width_m, made.setback.counts, made.setback.opening_m) == (30, ("woody", "wetland"), 3)
    assert (made.setback.shortest_gap_m, made.setback.kind) == (20, "own target")
    assert (made.priority.combine, made.priority.weights.erosion, made.priority.weights.gap) == ("geometric", 50, 50)
    assert (made.robustness.draws, made.robustness.seed, made.robustness.top_n) == (2000, 1, 20)
    assert (made.report.units, made.streams.start_area_km2, made.priority.factor_coverage) == ("si", 0.25, 0.8)


@pytest.mark.parametrize(
    "section",
    [
        {"setback": {"with_m": 3}},
        {"setback": {"width_m": float("nan")}},
        {"setback": {"width_m": -3}},
        {"priority": {"weights": {"erosion": float("inf")}}},
        {"streams": {"reach_length_m": 0}},
        {"report": {"units": "imperial"}},
    ],
)
def test_unknown_keys_and_impossible_numbers_are_refused(section):
    with pytest.raises(ValidationError):
        settings(**section)


def test_settings_are_frozen_and_a_part_knows_its_sections_only():
    made = settings()
    with pytest.raises(ValidationError):
        made.setback.width_m = 3  # type: ignore[misc]
    part = made.part(("setback",))
    assert part.setback.width_m == 30
    with pytest.raises(AttributeError):
        _ = part.streams


def test_a_message_has_one_form():
    error = InputError("dem.tif is empty.", wanted="heights.", do="give another file.")
    assert error.report() == "InputError: dem.tif is empty.\n  Wanted: heights.\n  Do: give another file."
    codes = {SettingsError: 2, InputError: 2, MissingPart: 3, RunError: 4, ContractError: 1}
    assert {kind: kind("x").exit_code for kind in codes} == codes
    assert all(issubclass(kind, GisprioError) for kind in codes)


def test_findings_are_sorted_once_and_come_back():
    note = Finding("note", "streams", "parts", "", "two parts.", "nothing.")
    fault = Finding("error", "water", "crs", "", "none.", "give one.")
    table = findings_table([note, fault, note])
    assert table["severity"].tolist() == ["error", "note"]
    assert table["says"].tolist() == ["None.", "Two parts."]
    assert findings_from(table)[1].do == "Nothing."
    file = Finding("note", "streams", "z", "", "streams.gpkg has heights.", "nothing.")
    layer = Finding("note", "streams", "twice", "", "streams: 1 line is drawn twice.", "nothing.")
    assert findings_table([file, layer])["says"].tolist() == ["1 line is drawn twice.", "streams.gpkg has heights."]
    assert listed("abcdefg") == "a, b, c, d, e and 2 more"
    assert listed("ab") == "a, b"


@pytest.mark.parametrize("name", CONSTANTS)
def test_every_published_number_names_a_source_that_is_listed(name):
    constant = CONSTANTS[name]
    assert constant.source in {*REFERENCES, "exact", "own", "common practice, no source"}
    assert constant.status in ("verified", "memory", "own")
    assert constant.says.endswith((".", "..."))


def test_every_reference_is_used_and_whole():
    used = "\n".join(path.read_text("utf-8") for path in PACKAGE.rglob("*.py"))
    from gisprio.contracts.shipped import shipped

    used += "\n".join(
        shipped(name).read_text("utf-8")
        for folder in ("curves", "legends", "stream_kinds")
        for name in shipped_names(folder)
    )
    for key, entry in REFERENCES.items():
        assert re.search(rf"\b{key}\b", used), f"{key} is not used"
        assert {"authors", "year", "title", "venue", "doi", "taken", "seen"} <= set(entry), key


@pytest.mark.parametrize("name", CONSTANTS)
def test_every_published_number_is_used(name):
    code = "\n".join(p.read_text("utf-8") for p in PACKAGE.rglob("*.py") if p.name != "constants.py")
    assert re.search(rf"\b{name}\b", code), f"{name} is read by nothing"
