"""Reads every layer, draws streams where none are given, joins them, lists what it finds, and writes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from typing import Any

import pandas as pd

from gisprio.contracts.cards import Stage
from gisprio.contracts.errors import ContractError, GisprioError
from gisprio.contracts.findings import Finding, findings_from, findings_table
from gisprio.contracts.grids import ArraySource, Grid, GridSource
from gisprio.contracts.settings import Settings
from gisprio.run.engine import Given
from gisprio.run.promises import held_to_promise
from gisprio.run.shelf import Shelf
from gisprio.run.stages import STAGES, stage_function

CHECKED_STAGES = ("routing_grid", "channels", "network")
"""Stages whose findings are about the layers themselves."""


def check(settings: Settings) -> list[Finding]:
    """Read and check all layers, and the network they make.

    Parameters
    ----------
    settings
        From :func:`gisprio.read_settings`.

    Returns
    -------
    list of Finding
        Errors first, each once.

    Raises
    ------
    SettingsError
        Judgements in pairs are incomplete or contradict each other.
    InputError
        A layer cannot be read at all.
    """
    from gisprio.compute.scoring.weights import with_judged_weights
    from gisprio.inputs.checks import check_inputs
    from gisprio.inputs.project import read_inputs

    settings = with_judged_weights(settings)
    inputs = read_inputs(settings)
    with closing(inputs):
        findings = [*inputs.findings, *check_inputs(inputs, settings)]
        if not any(finding.severity == "error" for finding in findings):
            findings += stage_findings([s for s in STAGES if s.name in CHECKED_STAGES], inputs, settings)
    return findings_from(findings_table(findings))


def stage_findings(stages: Sequence[Stage], inputs: Given, settings: Settings) -> list[Finding]:
    """Run whole stages without keeping anything; give their findings.

    A stage that refuses its input gives an error finding, and the stages after it do not run.
    """
    from pyproj import CRS

    crs = CRS.from_user_input(inputs.crs)
    shelf = Shelf(inputs.tables, inputs.rasters, inputs.digests, crs)
    tables: dict[str, pd.DataFrame] = {}
    sources: dict[str, GridSource] = {}
    findings: list[Finding] = []
    for stage in stages:
        reads = {name: tables[name] if name in tables else shelf.table(name) for name in stage.reads}
        opened = {name: sources[name] if name in sources else shelf.source(name) for name in stage.sources}
        try:
            given: dict[str, Any] = stage_function(stage)(reads, opened, settings.part(stage.sections))
        except ContractError:
            raise
        except GisprioError as error:
            says = f"{error.says} Wanted: {error.wanted}" if error.wanted else error.says
            return [*findings, Finding("error", "streams", stage.name, "", says, error.do)]
        outcome, noticed = held_to_promise(stage, given, crs)
        findings += noticed
        for name, value in outcome.items():
            if isinstance(value, Grid):
                sources[name] = ArraySource(value)
            else:
                tables[name] = value
    return findings
