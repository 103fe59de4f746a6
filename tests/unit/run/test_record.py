"""The run record: reasons in words, references, the log."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from gisprio.contracts.cards import Stage
from gisprio.contracts.findings import Finding
from gisprio.run.chain import StageRun
from gisprio.run.record import findings_count, reason, references_of, stage_line, table_rows
from gisprio.run.stages import RESULT_TABLES, STAGES, promised


@pytest.mark.parametrize(
    ("run", "before", "fresh", "says"),
    [
        (StageRun("a", "piece"), {}, False, "nothing to do"),
        (StageRun("a", "whole", kept=1), None, False, "unchanged"),
        (StageRun("a", "whole", ran=1), {"code": "1"}, True, "asked for: --fresh"),
        (StageRun("a", "whole", ran=1), None, False, "first run in this folder"),
        (StageRun("a", "whole", ran=1, parts={"code": "1"}), {"code": "1"}, False, "nothing was kept of it"),
        (StageRun("a", "whole", ran=1, parts={"code": "2"}), {"code": "1"}, False,
         "changed: its code in gisprio"),
        (StageRun("a", "whole", ran=1, parts={"libraries": "2"}), {"libraries": "1"}, False, "changed: a library"),
        (StageRun("a", "piece", ran=1, parts={"section setback": "2", "halo water": "2", "source dem": "2"}),
         {"section setback": "1", "halo water": "1", "table reaches": "1"}, False,
         "changed: water near the tile, [setback], dem, reaches"),
    ],
)  # fmt: skip
def test_why_a_stage_ran(run, before, fresh, says):
    assert reason(run, before, fresh=fresh) == says


def test_line_of_a_stage():
    stage = {"name": "gaps", "scope": "piece", "ran": 0, "kept": 12, "seconds": 0.123, "why": "unchanged"}
    assert stage_line(stage) == "gaps             kept     0.12 s  unchanged (tiles: 0 ran, 12 kept)"


def test_references_are_those_of_what_was_ranked_on():
    factors = [
        {"source": "brookes1987", "used": True},
        {"source": "own", "used": True},
        {"source": "unused1999", "used": False},
    ]
    assert references_of(factors, ("bieger2015",)) == ["bieger2015", "brookes1987"]


def test_rows_are_plain_numbers():
    table = pd.DataFrame({"a": np.array([1, 2]), "b": [0.5, np.nan], "c": ["x", None], "d": np.array([True, False])})
    rows = table_rows(table)
    assert rows == [{"a": 1, "b": 0.5, "c": "x", "d": True}, {"a": 2, "b": None, "c": None, "d": False}]
    assert [type(value) for value in rows[0].values()] == [int, float, str, bool]


def test_equal_findings_count_once():
    found = Finding("warning", "dem", "a", "", "x", "y")
    assert findings_count([found, found]) == {"error": 0, "warning": 1, "note": 0}


# ---------------------------------------------------------------- the stage table


def made_before(stage: Stage) -> set[str]:
    return {name for earlier in STAGES[: STAGES.index(stage)] for name in earlier.writes}


def test_stages_read_inputs_or_what_was_made_before():
    lines = {"streams", "inflows", "water", "roads", "bank_lines", "constraints", "done", "eroding", "visits"}
    inputs = lines | {"properties", "watershed", "sub_watersheds", "soils", "legend", "wetlands", "setback_zones"}
    for stage in STAGES:
        for name in (*stage.reads, *stage.halo, *stage.as_is):
            assert name in inputs | made_before(stage), f"{stage.name} reads {name}"
        for name in stage.sources:
            assert name in {"dem", "land_cover", "canopy"} | made_before(stage), f"{stage.name} opens {name}"


def test_no_table_is_written_twice_and_halos_are_never_of_pieces():
    written = [name for stage in STAGES for name in stage.writes]
    assert len(written) == len(set(written))
    of_pieces = {name for stage in STAGES if stage.scope == "piece" for name in stage.writes}
    for stage in STAGES:
        assert not of_pieces & {*stage.halo, *stage.as_is}
        assert not stage.halo or stage.scope == "piece"


def test_result_layers_are_written():
    written = {name for stage in STAGES for name in stage.writes}
    assert set(RESULT_TABLES.values()) <= written
    grids = {"elevation", "survey", "lowest", "height_above_stream", "plain_area", "flow_direction"}
    for name in written - grids:
        assert promised(name) is not None, f"no layer promises {name}"
