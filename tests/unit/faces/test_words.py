"""What the commands print: findings, fields, closing tables; nothing in the data steers the terminal."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
from rich.console import Console

from gisprio.contracts.findings import Finding
from gisprio.contracts.layers import RESULT_LAYERS
from gisprio.faces.closing import banks_table, first_rows, properties_table, reasons, shortened
from gisprio.faces.fields import field_list, fields_as_json, fields_as_text
from gisprio.faces.words import counted, findings_as_json, findings_as_text
from unit.run.results_world import make_banks, make_properties

SNAPSHOT = Path(__file__).with_name("fields.json")
FINDINGS = [
    Finding("error", "dem", "crs", "", "dem.tif has no coordinate reference system.", "Assign one."),
    Finding("warning", "streams", "dangle", "s-4", "An end lies 1.4 m from a line.", "Snap it."),
    Finding("note", "water", "empty", "", "3 empty shapes were left out.", ""),
]


def printed(table) -> list[str]:
    console = Console(file=io.StringIO(), width=160)
    console.print(table)
    return console.file.getvalue().splitlines()


def test_findings_for_people():
    assert findings_as_text(FINDINGS).splitlines() == [
        "Errors",
        "  dem: dem.tif has no coordinate reference system.",
        "    Do: Assign one.",
        "",
        "Warnings",
        "  streams: An end lies 1.4 m from a line. (s-4)",
        "    Do: Snap it.",
        "",
        "Notes",
        "  water: 3 empty shapes were left out.",
        "",
        "1 error, 1 warning, 1 note.",
    ]
    assert findings_as_text([]) == "0 errors, 0 warnings, 0 notes."


def test_findings_for_machines():
    content = json.loads(findings_as_json(FINDINGS))
    assert content["counts"] == {"error": 1, "warning": 1, "note": 1}
    assert content["findings"][1] == {
        "severity": "warning", "layer": "streams", "check": "dangle", "feature_id": "s-4",
        "says": "An end lies 1.4 m from a line.", "do": "Snap it.",
    }  # fmt: skip


def test_counted():
    assert counted({"error": 0, "warning": 1, "note": 2}) == "0 errors, 1 warning, 2 notes"


def test_control_characters_do_not_reach_the_terminal():
    text = findings_as_text([Finding("note", "streams", "a", "\x1b[31m", "red \x1b]0;title\x07 text", "x\ny")])
    assert "\x1b" not in text
    assert "\x07" not in text
    assert "    Do: x y" in text


def test_a_message_with_text_from_data_does_not_steer_the_terminal(monkeypatch, capsys):
    from gisprio.contracts.errors import InputError
    from gisprio.faces.main import main

    def explain(folder):
        raise InputError("there is no bank 'a\x1b[2J'.", do="look.")

    monkeypatch.setattr("gisprio.run.explain.explain_run", explain)
    assert main(["explain", "there"]) == 2
    assert capsys.readouterr().err == "InputError: there is no bank 'a [2J'.\n  Do: look.\n"
    monkeypatch.setattr("gisprio.run.explain.explain_run", lambda folder: "Brook \x1b]0;x\x07\n  rank 1")
    assert main(["explain", "there"]) == 0
    assert capsys.readouterr().out == "Brook  ]0;x \n  rank 1\n"


def test_closing_table_of_banks():
    banks, _ = make_banks()
    banks.loc[1, "name"] = "[bold red]Brook[/] \x1b[2J"
    lines = printed(banks_table(banks))
    assert lines[0].strip() == "Most urgent banks"
    rows = [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if line.startswith("│")]
    assert rows == [
        ["1", "ab1-1-L", "Tansy Brook", "left", "200", "50", "80", "both", "Likely to erode and short of cover."],
        ["2", "ab1-1-R", "[bold red]Brook[/]  [2J", "right", "200", "30", "0", "none", "Neither score is high."],
    ]


def test_closing_table_of_properties():
    lines = printed(properties_table(make_properties()))
    rows = [[cell.strip() for cell in line.strip("│").split("│")] for line in lines if line.startswith("│")]
    assert rows == [["1", "P-17", "200", "120", "40.28"], ["2", "P-18", "80", "0", "17.32"]]


def test_ten_rows_at_most_and_equal_ranks_by_id():
    properties = make_properties().loc[[0] * 12].reset_index(drop=True)
    properties["property_id"] = [f"p{n:02d}" for n in range(12, 0, -1)]
    properties.loc[5, "rank"] = None
    ids = [row["property_id"] for row in first_rows(properties, "property_id")]
    assert ids == ["p01", "p02", "p03", "p04", "p05", "p06", "p08", "p09", "p10", "p11"]


@pytest.mark.parametrize(
    ("why", "short"),
    [
        ("Likely to erode: a bankfull flow", "Likely to erode: a…"),
        ("Likely to erode", "Likely to erode"),
        ("Likely to erode, so mend it", "Likely to erode, so…"),
        ("", ""),
    ],
)
def test_a_sentence_is_cut_at_a_word(why, short):
    assert shortened(why, 20) == short


def test_reasons_leave_out_what_need_says():
    assert reasons("Likely to erode: a flow of 40 W/m2, bare.") == "a flow of 40 W/m2, bare."
    assert reasons("Neither score is high.") == "Neither score is high."
    assert reasons(None) == ""


def test_every_result_layer_is_listed_with_its_factors():
    listed = field_list()
    assert list(listed)[: len(RESULT_LAYERS)] == [layer.name for layer in RESULT_LAYERS]
    assert list(listed)[len(RESULT_LAYERS) :] == [
        *("work_sites", "work_items", "work_warnings"),
        *("work_costs", "site_costs", "property_costs", "work_hours"),
        *("compared_inputs", "changed_gaps", "moved_ranks", "gap_totals", "works_between", "unmatched"),
    ]
    banks = {column["name"] for column in listed["banks"]["columns"]}
    assert {"bank_id", "unit_stream_power_w_m2", "unit_stream_power_basis", "unit_stream_power_score"} <= banks
    assert "missing_strip_score" in {column["name"] for column in listed["stations"]["columns"]}


def test_fields_as_text():
    lines = fields_as_text().splitlines()
    assert lines[0] == "reaches (ranked.gpkg, geometry: line): Reaches, drawn downstream."
    assert lines[1].split() == ["reach_id", "text", "segment_id", "and", "a", "running", "number", "upstream.",
                                "Never", "null."]  # fmt: skip


def test_names_are_kept():
    """A removed or renamed name breaks other people's scripts: it needs a line in the change log and a new snapshot.

    To write it again: ``gisprio fields --json > tests/unit/faces/fields.json``.
    """
    kept, now = json.loads(SNAPSHOT.read_text("utf-8")), field_list()
    for name, layer in kept.items():
        gone = {column["name"] for column in layer["columns"]} - {column["name"] for column in now[name]["columns"]}
        assert not gone, f"layer {name} lost {sorted(gone)}"
    assert json.loads(fields_as_json()) == kept, "the field list changed: write the snapshot again"
