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
        Stations: ``sub_watershed_id`` (of one run's labels), ``length_m``, ``gap``.
    runs
        What changed, as :func:`gisprio.compute.compare.gaps.change_runs` gives it.
    comparable
        Whether gaps were measured in the same way; else no number is given.

    Returns
    -------
    DataFrame
        ``sub_watershed_id`` and :data:`COLUMNS` [m]; the last row, ``all``, is the sum. Stations without a label
        come before it as ``none``.
    """
    sums: dict[str, pd.Series] = {}
    for end, stations in (("_before", before), ("", after)):
        label = stations["sub_watershed_id"].fillna("none").astype(str)
        sums[f"bank{end}_m"] = stations.groupby(label)["length_m"].sum()
        sums[f"gap{end}_m"] = stations[stations["gap"].to_numpy(bool)].groupby(label)["length_m"].sum()
    label = runs["sub_watershed_id"].fillna("none").astype(str)
    for change, column in _OF.items():
        own = (runs["change"] == change).to_numpy(bool)
        sums[column] = runs[own].groupby(label[own])["length_m"].sum()
        if change in ("closed", "opened"):
            clear = own & (runs["certainty"] == "clear").to_numpy(bool)
            sums[f"{change}_clear_m"] = runs[clear].groupby(label[clear])["length_m"].sum()
    table = pd.DataFrame(sums).reindex(columns=COLUMNS).astype(float).fillna(0.0)
    table.index = table.index.astype(str)
    rest = sorted(set(table.index) - {"none"}) + [name for name in ("none",) if name in table.index]
    table = table.reindex(rest)
    table.loc[ALL] = table.sum()
    if not comparable:
        table[:] = float("nan")
    return table.rename_axis("sub_watershed_id").reset_index()
