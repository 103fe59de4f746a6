"""Field forms brought back: monitoring columns, feet and inches, days after the one the run looks back from."""

import pytest
import shapely

from gisprio.contracts.visits import FORM, form_fields, us_field
from gisprio.inputs.config import read_settings
from gisprio.inputs.project import read_inputs
from unit.inputs.conftest import X0, Y0

POINTS = [shapely.Point(X0 + 300, Y0 + 200), shapely.Point(X0 + 300, Y0 + 400)]


def brought(world, *files, as_of=""):
    """Give layer ``visits`` and what was said of it."""
    for number, columns in enumerate(files):
        world.vector(f"v{number}.gpkg", POINTS, **{"side": ["left", "left"]} | columns)
    names = ", ".join(f'"v{number}.gpkg"' for number in range(len(files)))
    config = world.config(layers=f"visits = [{names}]")
    config.write_text(config.read_text().replace("[run]", f"[run]{as_of}"))
    inputs = read_inputs(read_settings(config))
    return inputs.tables["visits"], [found.says for found in inputs.findings if found.layer == "visits"]


def test_a_form_in_feet_is_metres_inside_and_beside_one_in_metres_each_stays_its_own(world):
    feet = {"bank_height_ft": [5.0, None], "pin_in": [4.0, None], "pin_length_ft": [5.0, None], "pin_id": ["A", None]}
    metres = {"bank_height_m": [5.0, None], "pin_m": [0.4, None]}
    table, says = brought(world, feet, metres)
    assert table["bank_height_m"].tolist() == [5 * 0.3048, 5.0]
    assert table["pin_m"].tolist() == pytest.approx([0.1016, 0.4])
    assert table["pin_length_m"].tolist()[0] == pytest.approx(1.524)
    assert table["pin_id"].fillna("").tolist() == ["A", ""]
    assert says == []


def test_what_is_out_of_bounds_or_told_twice_is_said_in_the_unit_of_the_form(world):
    table, says = brought(world, {"bank_height_ft": [400.0, 10.0], "bank_height_m": [None, 2.0]})
    assert table["bank_height_m"].isna().tolist() == [True, False]
    assert table["bank_height_m"].tolist()[1] == 2.0
    assert says == [
        "visits.bank_height_ft: 1 values are not a number from 0 to 328 and are taken as missing: 400.0.",
        "visits: 1 forms tell both bank_height_m and bank_height_ft; bank_height_m counts.",
    ]


def test_us_bounds_lie_within_those_of_the_form_and_names_differ():
    """So no bound is wider in feet, and no column of one unit can be taken for the other."""
    sizes = {"ft": 0.3048, "in": 0.0254, "m": 1.0}
    for field, us in zip(FORM, form_fields("us"), strict=True):
        if field.unit == "m":
            assert us.name != field.name
            assert 0.97 * field.high < us.high * sizes[us.unit] <= field.high
            assert us.label == field.label.removesuffix("m") + us.unit
        else:
            assert us == field == us_field(field)


def test_monitoring_alone_makes_a_visit_and_the_future_is_no_date(world):
    seen = {"date": ["2024-05-01", "2031-05-01"], "plants_alive": [3, None], "pin_lost": [None, "yes"]}
    table, says = brought(world, seen, as_of='\nas_of = "2026-01-01"')
    assert table["plants_alive"].tolist()[0] == 3
    assert table["pin_lost"].tolist()[1] == 1
    assert table["date_y"].isna().tolist() == [False, True]
    told = "visits.date: 1 values lie after [run] as_of 2026-01-01 and are taken as missing: 2031-05-01."
    assert says == [told]
