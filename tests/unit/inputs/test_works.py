"""Constraints, works, scars and their dates through read_inputs: what comes out, what is told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.inputs.config import read_settings
from gisprio.inputs.dates import as_years
from gisprio.inputs.project import read_inputs
from unit.inputs.conftest import X0, Y0

POINT = shapely.Point(X0 + 310, Y0 + 300)
LINE = shapely.LineString([(X0 + 310, Y0 + 100), (X0 + 310, Y0 + 200)])
BOX = shapely.box(X0 + 310, Y0 + 100, X0 + 340, Y0 + 200)
COLUMNS = 'done.kind = "what"\ndone.date = "when"\ndone.status = "state"'


def test_points_lines_and_polygons_stand_in_one_layer_in_the_order_of_the_file(world):
    mixed = [BOX, shapely.MultiPoint([POINT, shapely.Point(X0 + 320, Y0 + 300)]), LINE]
    world.vector("constraints.geojson", mixed, kind=["barn", "wells", "pipeline"])
    settings = world.settings(layers='constraints = "constraints.geojson"', columns='constraints.kind = "kind"')
    table = read_inputs(settings).tables["constraints"]
    assert table["kind"].tolist() == ["barn", "wells", "wells", "pipeline"]
    assert table.geom_type.tolist() == ["Polygon", "Point", "Point", "LineString"]


def works(world, text="", **columns):
    world.vector("done.gpkg", [BOX] * len(columns["what"]), **columns)
    return read_inputs(world.settings(text, layers='done = "done.gpkg"', columns=COLUMNS))


def test_age_is_told_from_the_newest_date_and_kinds_say_what_is_planting(world):
    inputs = works(
        world,
        what=["Tree planting", "fence", None],
        when=["2014-07-02", "2024-07-01", None],
        state=["done", None, "finished"],
    )
    table = inputs.tables["done"]
    assert table["planting"].tolist() == [True, False, True]
    assert table["year"].tolist() == [2014, 2024, pd.NA]
    assert table["status"].fillna("").tolist() == ["done", "", "finished"]
    np.testing.assert_allclose(table["age_y"], [10.0, 0.0, np.nan], atol=0.01)
    assert [f for f in inputs.findings if f.layer == "done"] == []


def test_what_is_not_done_or_done_later_is_left_out_and_told(world):
    inputs = works(
        world,
        '[works]\nplanting = ["alder"]',
        what=["alder", "alder", "alder", "willow"],
        when=["2014", "2030-01-01", "2019", "2018"],
        state=["done", "done", "Planned for 2019", "done"],
    )
    assert inputs.tables["done"]["planting"].tolist() == [True, True, False]
    told = [f for f in inputs.findings if f.layer == "done"]
    assert [f.says for f in told] == [
        "done: 1 of 4 works are not done by their status (planned for 2019) and are left out."
    ]


def test_as_of_is_a_setting_never_the_clock(world):
    path = world.config(layers='done = "done.gpkg"', columns=COLUMNS)
    path.write_text(path.read_text().replace("[run]", "[run]\nas_of = 2024-07-02"))
    world.vector("done.gpkg", [BOX] * 2, what=["trees"] * 2, when=["2014-07-02", "2030-01-01"], state=["", ""])
    inputs = read_inputs(read_settings(path))
    np.testing.assert_allclose(inputs.tables["done"]["age_y"], [10.0], atol=0.01)
    assert [f.says for f in inputs.findings if f.layer == "done"] == [
        "done: 1 of 2 works are of a date after [run] as_of 2024-07-02 and are left out."
    ]


def test_a_day_that_is_none_is_refused(world, message):
    path = world.config()
    path.write_text(path.read_text().replace("[run]", '[run]\nas_of = "2024-13-45"'))
    assert message(SettingsError, read_settings, path) == (
        'SettingsError: world.toml, [run] as_of: "2024-13-45" is not a date.\n'
        '  Wanted: a date, as in as_of = "2026-05-31".\n'
        "  Do: correct [run] as_of."
    )


def test_dates_that_are_none_are_missing_and_told():
    years, told = as_years("done", "date", pd.Series(["2021-03", "soon", 2020, None, "", "5/6/21"]))
    np.testing.assert_allclose(years, [2021.2, np.nan, 2020.5, np.nan, np.nan, np.nan], atol=0.01)
    assert [f"{f.says} {f.do}" for f in told] == [
        "done.date: 2 values are no date and are taken as missing: soon, 5/6/21. "
        "write them as 2021-05-31, 2021-05 or 2021."
    ]


@pytest.mark.parametrize("when", [pd.Timestamp("2021-07-02"), 2021, "2021"])
def test_a_date_of_any_type_is_read(when):
    assert as_years("done", "date", pd.Series([when]))[0][0] == pytest.approx(2021.5, abs=0.01)


def test_scars_keep_their_year_and_height(world):
    world.vector("scars.gpkg", [LINE, LINE], seen=["2023", "2019"], high=[1.8, -1.0])
    columns = 'eroding.date = "seen"\neroding.height_m = "high"'
    inputs = read_inputs(world.settings(layers='eroding = "scars.gpkg"', columns=columns))
    table = inputs.tables["eroding"]
    assert table["year"].tolist() == [2023, 2019]
    np.testing.assert_array_equal(table["height_m"], [1.8, np.nan])
    assert [f.says for f in inputs.findings if f.layer == "eroding"] == [
        "eroding.height_m: 1 values are not a number of at least 0 and are taken as missing: -1.0."
    ]


def test_bank_lines_keep_their_date_and_error(world):
    world.vector("banks.gpkg", [LINE] * 3, flown=["2010", "2020-07-02", None], error=[0.5, -1.0, 0.3])
    columns = 'bank_lines.date = "flown"\nbank_lines.error_m = "error"'
    inputs = read_inputs(world.settings(layers='bank_lines = "banks.gpkg"', columns=columns))
    table = inputs.tables["bank_lines"]
    np.testing.assert_allclose(table["date_y"], [2010.5, 2020.5, np.nan], atol=0.01)
    np.testing.assert_array_equal(table["error_m"], [0.5, np.nan, 0.3])
    assert [f"{f.says} {f.do}" for f in inputs.findings if f.layer == "bank_lines"] == [
        "bank_lines: 1 of 3 lines have no date: the setback is measured from them only where no dated line is, and no "
        "retreat is. give them a date.",
        "bank_lines.error_m: 1 values are not a number of at least 0 and are taken as missing: -1.0. "
        "correct them if error_m should count there.",
    ]


def test_of_visits_only_filled_forms_come_in_and_what_is_no_value_of_the_form_is_told(world):
    point = LINE.interpolate(1.0)
    world.vector(
        "visits.gpkg", [point] * 5, visit_id=["V1", "V2", "V3", "V4", "V5"],
        side=["left", "Right", "left", "up", "right"],
        chosen=["top", "random", "top", "top", "random"], date=["2026-05-02", None, None, "2026-05-02", None],
        erodes=["yes", "no", None, "no", "perhaps"], bank_height_m=[1.5, -2.0, None, 1.0, None],
        verdict=["OK", None, "", None, "fine"],
    )  # fmt: skip
    inputs = read_inputs(world.settings(layers='visits = "visits.gpkg"'))
    table = inputs.tables["visits"]
    assert table["visit_id"].tolist() == ["V1", "V2", "V5"]
    assert table[["side", "at_random"]].to_numpy().tolist() == [[0, False], [1, True], [1, True]]
    assert table["erodes"].fillna(-1).tolist() == [1.0, 0.0, -1.0]
    assert table["bank_height_m"].fillna(-1).tolist() == [1.5, -1.0, -1.0]
    assert table["verdict"].fillna("none").tolist() == ["ok", "none", "none"]
    assert table["date_y"].round(2).fillna(0).tolist() == [2026.33, 0.0, 0.0]
    assert [f.says for f in inputs.findings if f.layer == "visits"] == [
        "visits.side: 1 values are not of the form and are taken as missing: up.",
        "visits: 1 of 4 filled forms do not say left or right and are left out.",
        "visits.erodes: 1 values are not of the form and are taken as missing: perhaps.",
        "visits.bank_height_m: 1 values are not a number from 0 to 100 and are taken as missing: -2.0.",
        "visits.verdict: 1 values are not of the form and are taken as missing: fine.",
    ]


def test_an_untouched_form_is_no_layer(world):
    world.vector("visits.gpkg", [LINE.interpolate(1.0)], visit_id=["V1"], side=["left"], chosen=["top"], date=[None])
    inputs = read_inputs(world.settings(layers='visits = "visits.gpkg"'))
    assert inputs.tables["visits"].empty
    assert "visits" not in inputs.digests
    assert [f for f in inputs.findings if f.layer == "visits"] == []


def test_a_layer_that_is_no_form_is_refused(world, message):
    world.vector("visits.gpkg", [LINE.interpolate(1.0)], date=["2026-05-02"])
    assert message(InputError, read_inputs, world.settings(layers='visits = "visits.gpkg"')) == (
        'InputError: [layers] visits has no column "side".\n'
        "  Wanted: the form that gisprio visits wrote, filled in, with its columns side, date, erodes and the others.\n"
        "  Do: give that file; a layer of the same name in it is picked by file.gpkg|visits."
    )
