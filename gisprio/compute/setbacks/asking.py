"""Asks the setback rule at every station side: how wide a strip, of what zones, and where it asks for nothing."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.setbacks import form_of
from gisprio.compute.setbacks.asked import Asked
from gisprio.compute.setbacks.exemptions import exempt_words
from gisprio.compute.setbacks.facts import find_side_facts
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import BANK_ASKED, SIDE_SETBACKS
from gisprio.contracts.schema import empty
from gisprio.contracts.setbacks import Average, Rule
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
BANK_KEY = ["reach_no", "side"]
LINES: Mapping[str, tuple[str, ...]] = {
    "top_of_bank": ("given", "lidar_top"),
    "bankfull": ("given", "lidar_top", "half_width"),
    "water_edge": ("water_edge",),
    "centre_line": ("given", "lidar_top", "water_edge", "half_width"),
}
"""Bank lines that may stand for the line a rule names; a width from the centre line becomes one from the bank."""


def ask_setbacks(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Ask the rule that ranks how wide a strip there should be at each station side.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_heights`` and ``reach_measures`` of the piece.
    halo
        ``parcels``, ``setback_zones``; ``source_parts``.
    sources
        ``dem``.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``side_setbacks``: one row a station side. ``bank_asked``: sums by bank, for what is told of the rule.

    Notes
    -----
    Where zones are given, the rule of the zone that holds the bank point is asked; outside all zones, and in a zone
    without a rule of its own, the rule of ``[setback]`` itself. A width from the centre line is less half the bankfull
    width from the bank: W - B / 2. A width along the slope is W cos(atan(S)) on the map.
    """
    if not len(core["bank_points"]):
        return {"side_setbacks": empty(SIDE_SETBACKS), "bank_asked": empty(BANK_ASKED)}
    rule, tables = settings.setback, []
    facts = find_side_facts(core, halo, sources, rule)
    zones = facts["zone"].fillna("")
    for name in sorted(zones.unique()):
        own = rule.zone.get(name, rule)
        rows = facts if own is rule else find_side_facts(core, halo, sources, own)
        table = asked_table(rows[zones == name], own)
        tables.append(table.assign(unzoned=bool(rule.zones) and name not in rule.zone))
    sides = pd.concat(tables).sort_index()
    return {"side_setbacks": sides[SIDE_SETBACKS.names()], "bank_asked": _by_bank(sides, rule)}


def asked_table(sides: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    """Give what a rule asks of station sides, on the map and from the bank line; rows and index of ``sides``.

    Parameters
    ----------
    sides
        Layer ``side_facts`` and the columns of the stations.
    rule
        One rule, whatever its zones.
    """
    asked: Asked = form_of(rule.rule).ask(sides, rule)  # type: ignore[attr-defined]
    shift, told = _from_centre(sides, rule)
    scale, level = _on_the_map(sides, rule)
    words = exempt_words(sides, rule.exempt)
    width = np.where(pd.isna(words), np.maximum(0.0, asked.width_m - shift) * scale, 0.0)
    counted = rule.most_m if isinstance(rule, Average) else 0.0
    return sides.assign(
        setback_m=width,
        least_m=np.minimum(np.maximum(0.0, asked.least_m - shift) * scale, width),
        inner_m=np.minimum(np.maximum(0.0, asked.inner_m - shift) * scale, width),
        counted_m=np.where(width > 0, np.maximum(width, counted), 0.0),
        exempt=words,
        setback_told=asked.told & told & level,
    )


def _from_centre(sides: pd.DataFrame, rule: Rule) -> tuple[Floats, NDArray[np.bool_]]:
    """Give what a width from the centre line is longer than one from the bank, and whether that is known."""
    if rule.reference_line != "centre_line":
        return np.zeros(len(sides)), np.ones(len(sides), bool)
    half = sides["bankfull_width_m"].to_numpy(float) / 2
    return np.nan_to_num(half), ~np.isnan(half)


def _on_the_map(sides: pd.DataFrame, rule: Rule) -> tuple[Floats, NDArray[np.bool_]]:
    """Give the length on the map of a metre along the slope, and whether the slope is known."""
    if rule.measure == "horizontal":
        return np.ones(len(sides)), np.ones(len(sides), bool)
    slope = sides["slope_percent"].to_numpy(float) / 100
    return 1.0 / np.sqrt(1.0 + np.nan_to_num(slope) ** 2), ~np.isnan(slope)


def _by_bank(sides: pd.DataFrame, rule: Rule) -> pd.DataFrame:
    """Sum up by bank: the median width, and the lengths that are exempt, untold, unzoned or along another line."""
    length = sides["to_m"] - sides["from_m"]
    lines = LINES.get(rule.reference_line or "", tuple(sides["bank_line_basis"].unique()))
    marks = {
        "exempt_length_m": sides["exempt"].notna(),
        "untold_length_m": ~sides["setback_told"],
        "unzoned_length_m": sides["unzoned"],
        "other_line_length_m": ~sides["bank_line_basis"].isin(lines),
    }
    keys = [sides[name] for name in BANK_KEY]
    sums = pd.DataFrame({name: (length * mark).groupby(keys).sum() for name, mark in marks.items()})
    sums["setback_m"] = sides["setback_m"].groupby(keys).median()
    words = sides[sides["exempt"].notna()]
    most = words.groupby([*BANK_KEY, "exempt"])["to_m"].size().reset_index(name="n")
    most = most.sort_values(["n", "exempt"], ascending=[False, True]).drop_duplicates(BANK_KEY)
    sums["exempt"] = most.set_index(BANK_KEY)["exempt"]
    sums["exempt"] = sums["exempt"].astype(object).where(sums["exempt"].notna(), None)
    return sums.reset_index()[BANK_ASKED.names()]
