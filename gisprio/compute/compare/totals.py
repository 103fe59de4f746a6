"""Totals of gaps by sub-watershed, of both runs and of what closed and opened between them."""

from __future__ import annotations

import pandas as pd

from gisprio.contracts.compare import CHANGES, TOTALS

ALL = "all"
_OF = {change: f"{change}_m" for change in CHANGES}
COLUMNS = TOTALS.names()[1:]


def sub_watershed_totals(
    before: pd.DataFrame, after: pd.DataFrame, runs: pd.DataFrame, *, comparable: bool
) -> pd.DataFrame:
    """Sum up gaps by sub-watershed.

    Parameters
    ----------
    before, after
        Stations: ``sub_watershed_id`` (of one run's labels), ``length_m``, ``gap``, ``buffer_width_m``,
        ``woody_share``.
    runs
        What changed, as :func:`gisprio.compute.compare.gaps.change_runs` gives it.
    comparable
        Whether gaps were measured in the same way; else no number is given.

    Returns
    -------
    DataFrame
        ``sub_watershed_id`` and :data:`COLUMNS`; the last row, ``all``, is the sum. Stations without a label
        come before it as ``none``.
    """
    sums: dict[str, pd.Series] = {}
    for end, stations in (("_before", before), ("", after)):
        sums |= {name.format(end=end): values for name, values in _of_stations(stations).items()}
    label = runs["sub_watershed_id"].fillna("none").astype(str)
    for change, column in _OF.items():
        own = (runs["change"] == change).to_numpy(bool)
        sums[column] = runs[own].groupby(label[own])["length_m"].sum()
        if change in ("closed", "opened"):
            clear = own & (runs["certainty"] == "clear").to_numpy(bool)
            sums[f"{change}_clear_m"] = runs[clear].groupby(label[clear])["length_m"].sum()
    table = pd.DataFrame(sums).astype(float).fillna(0.0)
    table.index = table.index.astype(str)
    rest = sorted(set(table.index) - {"none"}) + [name for name in ("none",) if name in table.index]
    table = table.reindex(rest)
    table.loc[ALL] = table.sum()
    for end in ("_before", ""):
        seen = table[f"seen{end}_m"]
        table[f"woody_share{end}"] = (table[f"woody{end}_m"] / seen.where(seen > 0)).clip(0.0, 1.0)
    table = table[COLUMNS]
    if not comparable:
        table[:] = float("nan")
    return table.rename_axis("sub_watershed_id").reset_index()


def _of_stations(stations: pd.DataFrame) -> dict[str, pd.Series]:
    """Sum up lengths of stations by label: all, with a known width, with a known woody share, woody, in gaps [m]."""
    label = stations["sub_watershed_id"].fillna("none").astype(str)
    length, share = stations["length_m"], stations["woody_share"].astype(float)
    metres = {
        "bank{end}_m": length,
        "known{end}_m": length * stations["buffer_width_m"].notna(),
        "seen{end}_m": length * share.notna(),
        "woody{end}_m": (length * share).fillna(0.0),
        "gap{end}_m": length * stations["gap"].astype(bool),
    }
    return {name: values.groupby(label).sum() for name, values in metres.items()}
