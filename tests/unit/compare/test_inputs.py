"""What differs between two runs, and which results it reaches, on records made by hand."""

from __future__ import annotations

import copy

import pytest

from gisprio.compute.compare.inputs import SUBJECTS, causes_of, doubtful, incomparable, input_differences
from gisprio.contracts.schema import Layer
from gisprio.run.stages import RESULT_TABLES, STAGES, promised

SETTINGS = {
    "run": {"name": "A", "output": "out", "crs": None, "as_of": None, "tile_m": 4000.0},
    "layers": {"dem": ["dem.tif"], "land_cover": ["data/cover.tif"], "streams": ["s.gpkg"]},
    "columns": {"streams": {"kind": None}},
    "land_cover": {"legend": "nlcd", "year": None},
    "streams": {"reach_length_m": 200.0, "station_spacing_m": 5.0},
    "setback": {"width_m": 30.0, "also": {}},
    "priority": {"weights": {"erosion": 50.0, "gap": 50.0}},
    "robustness": {"draws": 2000},
}
FACTORS = [{"key": "missing_strip", "group": "gap", "weight": 1000, "used": True}]


def record(**changes):
    """Give a record whose stages read what the stage table says, all of one digest."""
    parts = {
        stage.name: {
            **{f"table {name}": "0" for name in (*stage.reads, *stage.as_is)},
            **{f"halo {name}": "0" for name in stage.halo},
            **{f"source {name}": "0" for name in stage.sources},
            **{f"section {name}": "0" for name in stage.sections},
            "code": "0",
            "libraries": "0",
        }
        for stage in STAGES
    }
    stages = [{"name": name, "parts": own} for name, own in parts.items()]
    made = {
        "gisprio": "1", "settings": copy.deepcopy(SETTINGS),
        "inputs": {"dem": "a1", "land_cover": "b1", "legend": "c1"}, "crs": 'PROJCRS["One"]',
        "stages": stages, "factors": FACTORS,
        "references": ["x1"], "versions": {"numpy": "2"},
        "cells_m": {"land_cover": 4.0}, "routing_cell_m": 10.0,
    }  # fmt: skip
    return {**made, **changes}


def touched(made, *names):
    """Give a record in which these parts have another digest wherever they are read."""
    stages = [
        {**stage, "parts": {name: "1" if name in names else digest for name, digest in stage["parts"].items()}}
        for stage in made["stages"]
    ]
    return {**made, "stages": stages}


def reached(table, row=0):
    return set(table["reaches"].iloc[row].split(", ")) - {""}


def test_equal_records_differ_in_nothing():
    assert len(input_differences(record(), record(), STAGES)) == 0


def test_a_rule_reaches_gaps_and_not_slopes():
    after = touched(record(), "section setback", "table side_setbacks", "table side_cover", "table gap_pieces",
                    "table banks", "table bank_measures", "table reaches", "table judged_gaps")  # fmt: skip
    after["settings"]["setback"]["width_m"] = 20.0
    table = input_differences(record(), after, STAGES)
    assert table[["kind", "name", "before", "after", "meaning"]].to_numpy().tolist() == [
        ["setting", "setback.width_m", "30.0", "20.0", "measure"]
    ]
    assert {"asked", "strips", "gaps", "scores", "ranks"} <= reached(table)
    assert not {"streams", "heights"} & reached(table)
    assert [subject.key for subject in incomparable(table)] == [s.key for s in SUBJECTS if s.key in reached(table)]


def test_new_land_cover_is_what_is_compared():
    after = touched(record(inputs={"dem": "a1", "land_cover": "b2", "legend": "c1"}), "source land_cover",
                    "table side_cover", "table gap_pieces", "table bank_measures", "table banks")  # fmt: skip
    table = input_differences(record(), after, STAGES)
    assert table[["name", "before", "after", "meaning"]].to_numpy().tolist() == [
        ["land_cover", "cover.tif (b1)", "cover.tif (b2)", "state"]
    ]
    assert {"strips", "gaps", "scores"} <= reached(table)
    assert incomparable(table) == []


def test_a_layer_that_changed_no_strip_marks_no_gap():
    """Soils were drawn anew: stages that read them differ, what they wrote does not."""
    after = touched(record(inputs={**record()["inputs"], "soils": "d1"}), "halo soils", "table soils")
    table = input_differences(record(), after, STAGES)
    assert table[["name", "meaning"]].to_numpy().tolist() == [["soils", "none"]]
    assert reached(table) == set()


@pytest.mark.parametrize(
    ("inputs", "meaning"),
    [
        ({"canopy": "d1"}, "measure"),
        ({"done": "d1"}, "state"),
        ({"streams": "d1"}, "measure"),
        ({"legend": "c2"}, "measure"),
    ],
)
def test_what_a_layer_means(inputs, meaning):
    """Where a record tells no digests, all that a stage reads counts."""
    after = record(inputs={**record()["inputs"], **inputs}, stages=[])
    table = input_differences(record(), after, STAGES)
    assert table["meaning"].tolist() == [meaning]


def test_records_without_digests_hang_on_all_that_the_stages_read():
    bare = record(cells_m={"land_cover": 10.0}, stages=[{"name": stage.name} for stage in STAGES])
    table = input_differences(record(), bare, STAGES)
    assert table[["kind", "name", "before", "after"]].to_numpy().tolist() == [["cell", "land_cover", "4 m", "10 m"]]
    assert {"strips", "gaps", "ranks"} <= reached(table)
    assert "asked" not in reached(table)
    assert "layer land_cover" not in causes_of("side_setbacks", record(), bare, STAGES)


def test_where_reaches_are_cut_moves_ranks_and_no_gap():
    after = record()
    after["settings"]["streams"]["reach_length_m"] = 130.0
    table = input_differences(record(), after, STAGES)
    assert "ranks" in reached(table)
    assert not {"strips", "gaps", "asked"} & reached(table)


def test_idle_settings_reach_nothing_and_paths_are_not_told():
    after = record()
    after["settings"]["run"]["name"] = '<b>"=1+1"</b>'
    after["settings"]["layers"]["dem"] = ["elsewhere/dem.tif"]
    table = input_differences(record(), after, STAGES)
    assert table[["name", "meaning", "reaches"]].to_numpy().tolist() == [["run.name", "none", ""]]


def test_another_gisprio_is_a_doubt():
    after = touched(record(gisprio="2", references=["x1", "y2"]), "code")
    table = input_differences(record(), after, STAGES)
    assert set(table["meaning"]) == {"doubt"}
    assert table["name"].tolist() == ["gisprio", "code of gisprio", "y2"]
    assert incomparable(table) == []
    assert {subject.key for subject in doubtful(table)} == {subject.key for subject in SUBJECTS}


def test_another_working_system_marks_all():
    table = input_differences(record(), record(crs='PROJCRS["Two",BASE["x"]]'), STAGES)
    assert table[["name", "before", "after"]].to_numpy().tolist() == [["working system", "One", "Two"]]
    assert incomparable(table) == list(SUBJECTS)


def test_weights_reach_ranks_alone():
    other = [{**FACTORS[0], "weight": 700}]
    table = input_differences(record(), record(factors=other), STAGES)
    assert table[["before", "after"]].to_numpy().tolist() == [["100 % of gap", "70 % of gap"]]
    assert reached(table) == {"ranks", "intervals", "sites", "properties"}


def test_subjects_name_columns_and_tables_that_exist():
    written = {name for stage in STAGES for name in stage.writes}
    for subject in SUBJECTS:
        assert subject.table in written
        for column in subject.columns:
            layer, _, name = column.partition(".")
            promise = promised(RESULT_TABLES[layer])
            assert isinstance(promise, Layer)
            assert name == "*" or name in promise.names(), column


def test_a_setting_of_another_gisprio_is_a_doubt_or_nothing():
    after = touched(record(), "section setback")
    after["settings"]["setback"]["new_key"] = 3
    after["settings"]["shortlist"] = {"cost": "mid"}
    table = input_differences(record(), after, STAGES).set_index("name")
    assert table["meaning"].to_dict() == {"setback.new_key": "doubt", "shortlist.cost": "none"}
    assert "asked" in table["reaches"]["setback.new_key"]
