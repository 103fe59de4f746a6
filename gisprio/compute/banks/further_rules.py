"""Judges further setback rules at the same banks: widths, gaps and their ground, as for the rule that ranks."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pandas as pd

from gisprio.compute.banks.cover import measure_cover
from gisprio.compute.banks.gaps import find_gaps
from gisprio.compute.banks.ownership import share_ground
from gisprio.compute.banks.sides import has_bank, station_sides
from gisprio.compute.banks.works import find_works
from gisprio.compute.setbacks.asking import ask_setbacks
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import FURTHER_SETBACKS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

BANK_KEY = ["reach_no", "side"]


def judge_further_rules(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Judge each rule of ``[setback.also]`` as the rule that ranks is judged.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_heights``, ``valleys`` and ``reach_measures`` of the piece.
    halo
        What the stages ``setbacks``, ``ownership``, ``works``, ``cover`` and ``gaps`` get.
    sources
        ``dem``, ``land_cover`` and ``canopy``.
    settings
        Sections ``setback``, ``streams`` and ``works``.

    Returns
    -------
    dict
        ``further_setbacks``: one row a bank and rule.
    """
    tables = []
    for name, rule in settings.setback.also.items() if len(core["bank_points"]) else ():
        own = cast(Settings, SimpleNamespace(setback=rule, streams=settings.streams, works=settings.works))
        judged = dict(core)
        for stage in (ask_setbacks, share_ground, find_works, measure_cover, find_gaps):
            judged |= stage(judged, halo, sources, own)
        tables.append(bank_sums(judged).assign(rule=name))
    if not tables:
        return {"further_setbacks": empty(FURTHER_SETBACKS)}
    table = pd.concat(tables).sort_values([*BANK_KEY, "rule"], ignore_index=True)
    return {"further_setbacks": table[FURTHER_SETBACKS.names()]}


def bank_sums(judged: Tables) -> pd.DataFrame:
    """Sum up a rule by bank: what it asks, what is there, what is lacking.

    Parameters
    ----------
    judged
        ``stations``, ``bank_points``, ``bank_asked``, ``side_cover`` and ``gap_pieces``.
    """
    sides = station_sides(judged, "side_cover")
    wide = sides["buffer_width_m"].where(has_bank(sides)).groupby([sides[name] for name in BANK_KEY]).median()
    gaps = judged["gap_pieces"]
    lengths = (gaps["to_m"] - gaps["from_m"]).rename("gap_length_m")
    lacking = pd.concat([gaps[BANK_KEY], lengths, gaps["area_m2"].rename("gap_area_m2")], axis=1)
    sums = lacking.groupby(BANK_KEY).sum().reindex(wide.index, fill_value=0.0)
    sums[wide.isna().to_numpy()] = np.nan
    table = sums.join(wide).reset_index()
    return table.merge(judged["bank_asked"][[*BANK_KEY, "setback_m"]], on=BANK_KEY, validate="one_to_one")
