"""Holds what a stage gave to the stage table and to the layers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from gisprio.contracts.cards import Stage
from gisprio.contracts.errors import ContractError
from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.grids import Grid
from gisprio.contracts.schema import check
from gisprio.contracts.settings import Settings
from gisprio.run.stages import promised


def held_to_promise(
    stage: Stage, given: Mapping[str, Any], crs: CRS, settings: Settings | None = None
) -> tuple[dict[str, pd.DataFrame | Grid], list[Finding]]:
    """Hold what a stage gave to the stage table and to the layers; take the findings out.

    Parameters
    ----------
    stage
        The stage.
    given
        Its tables and grids; ``findings`` may be among them.
    crs
        Working system.
    settings
        Settings of the run, for the columns of the user's own factors.

    Returns
    -------
    tables and grids, checked, with a plain index; findings

    Raises
    ------
    ContractError
        Names are missing or were not promised, or a table breaks its layer.
    """
    names = set(given) - {"findings"}
    if names != set(stage.writes):
        raise ContractError(
            f"stage {stage.name} gave {_named(names)}, not {_named(stage.writes)}.",
            wanted="what run/stages.py says it writes.",
            do="report this as a fault of gisprio, with run.log.",
        )
    outcome: dict[str, pd.DataFrame | Grid] = {}
    for name in stage.writes:
        value = given[name]
        if isinstance(value, Grid):
            outcome[name] = value
            continue
        layer = promised(name, settings)
        frame = (check(layer, value) if layer else value).reset_index(drop=True)
        outcome[name] = frame.set_crs(crs, allow_override=True) if isinstance(frame, gpd.GeoDataFrame) else frame
    noticed = given.get("findings")
    if noticed is None:
        return outcome, []
    return outcome, findings_from(noticed) if isinstance(noticed, pd.DataFrame) else list(noticed)


def _named(names: Iterable[str]) -> str:
    return ", ".join(sorted(names)) or "nothing"
