"""Stages of the table, one after the other, on layers on disk: the chain without store, draws of ranks and products."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
from pyproj import CRS

import gisprio
from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import ArraySource, Grid
from gisprio.contracts.settings import Settings
from gisprio.inputs.project import read_inputs
from gisprio.run.promises import held_to_promise
from gisprio.run.stages import STAGES, stage_function, with_own_layers
from makers import World

Change = Callable[[dict[str, Any]], dict[str, Any]]


@dataclass
class Ran:
    """What the stages gave.

    Parameters
    ----------
    settings
        Of the run.
    tables, sources
        Inputs and everything made from them, by name.
    findings
        What stages noticed.
    """

    settings: Settings
    tables: dict[str, pd.DataFrame]
    sources: dict[str, Any]
    findings: list[Finding] = field(default_factory=list)

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]


def changed(settings: Settings, **sections: Mapping[str, object]) -> Settings:
    """Give settings with other values in some sections; they are held to the rules of the config."""
    given = settings.model_dump(by_alias=True)
    return Settings.model_validate(given | {name: given[name] | dict(own) for name, own in sections.items()})


def run_stages(
    settings: Settings, *, until: str = "property_ranks", spoiled: Mapping[str, Change] | None = None
) -> Ran:
    """Run the stage table on one tile up to a stage; every table is held to its contract.

    Parameters
    ----------
    settings
        Of :func:`gisprio.read_settings`.
    until
        The last stage.
    spoiled
        By stage: a planted fault, which gets what the stage gave and gives something else.
    """
    inputs = read_inputs(settings)
    with closing(inputs):
        ran = Ran(settings, dict(inputs.tables), dict(inputs.rasters), list(inputs.findings))
        for stage in with_own_layers(STAGES, inputs.tables, inputs.rasters):
            tables = {name: ran.tables[name] for name in stage.reads}
            near = {name: ran.tables[name] for name in (*stage.halo, *stage.as_is)}
            sources = {name: ran.sources[name] for name in stage.sources}
            given = (tables | near,) if stage.scope == "whole" else (tables, near)
            made = stage_function(stage)(*given, sources, settings.part(stage.sections))
            made = (spoiled or {}).get(stage.name, dict)(made)
            outcome, noticed = held_to_promise(stage, made, CRS(inputs.crs), settings)
            ran.findings += noticed
            for name, value in outcome.items():
                if isinstance(value, Grid):
                    ran.sources[name] = ArraySource(value)
                else:
                    ran.tables[name] = value
            if stage.name == until:
                break
        return ran


def run_world(world: World, folder: Path, *, until: str = "property_ranks", **sections: Mapping[str, object]) -> Ran:
    """Write a world into a folder and run its stages."""
    return run_stages(changed(gisprio.read_settings(world.write(folder)), **sections), until=until)
