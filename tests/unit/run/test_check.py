"""Checking: findings of the network stages, and what a stage refuses, as findings; nothing is written."""

from __future__ import annotations

import pytest

from gisprio.contracts.errors import ContractError, InputError
from gisprio.contracts.findings import Finding
from gisprio.run.check import CHECKED_STAGES, stage_findings
from gisprio.run.stages import STAGES
from unit.run import fake_chain as fake

FIRST = fake.STAGES[:2]


def test_findings_of_stages_are_given(tmp_path):
    found = stage_findings(FIRST, fake.make_inputs(), fake.make_settings(tmp_path))
    assert found == [Finding("warning", "streams", "made_up", "", "Streams are made up.", "Nothing.")]
    assert list(tmp_path.iterdir()) == []


def test_what_a_stage_refuses_is_an_error_finding(tmp_path, monkeypatch):
    def refuse(tables, sources, settings):
        raise InputError("lines run in a ring: s1, s2.", wanted="lines that flow to an outlet.", do="cut the ring.")

    monkeypatch.setattr(fake, "join", refuse)
    assert stage_findings(FIRST, fake.make_inputs(), fake.make_settings(tmp_path)) == [
        Finding(
            "error", "streams", "network", "",
            "lines run in a ring: s1, s2. Wanted: lines that flow to an outlet.", "cut the ring.",
        )
    ]  # fmt: skip


def test_a_broken_promise_is_no_finding(tmp_path, monkeypatch):
    monkeypatch.setattr(fake, "join", lambda tables, sources, settings: {})
    with pytest.raises(ContractError, match="stage network gave nothing, not segments"):
        stage_findings(FIRST, fake.make_inputs(), fake.make_settings(tmp_path))


def test_the_checked_stages_are_whole_and_first():
    assert tuple(stage.name for stage in STAGES[: len(CHECKED_STAGES)]) == CHECKED_STAGES
    assert {stage.scope for stage in STAGES[: len(CHECKED_STAGES)]} == {"whole"}
