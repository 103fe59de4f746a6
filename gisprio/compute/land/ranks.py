"""Ranks of properties: where their banks are urgent and there are metres of gap to close."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.land.neighbours import neighbours_listed
from gisprio.compute.scoring.chance import frontage_means, gap_keys
from gisprio.compute.scoring.keys import ranks
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.layers import PROPERTIES, SHOWN_FRONTAGES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings


def rank_properties(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Rank properties by priority times metres of gap.

    Parameters
    ----------
    tables
        ``frontages``, ``joint_gaps``, ``banks``, ``reach_measures``, ``properties``, ``sites``.
    sources, settings
        None.

    Returns
    -------
    dict
        ``ranked_properties`` and ``shown_frontages`` (layers ``properties`` and ``frontages`` of the results), and
        ``findings``.

    Notes
    -----
    priority = sum(priority of bank x frontage) / sum(frontage), over ranked banks; priority_gap_m = priority x metres
    of gap on ranked banks, kept to 0.1, which is what ranks. All in whole numbers (hundredths, millimetres), so that
    the draws of the ranking get the same.
    """
    frontages = frontages_with_banks(tables)
    if not len(frontages):
        return {
            "ranked_properties": empty(PROPERTIES, tables["properties"].crs),
            "shown_frontages": empty(SHOWN_FRONTAGES),
            "findings": findings_table([]),
        }
    table = frontages.groupby("property_id").agg(frontage_m=("frontage_m", "sum"))
    for column in ("gap_length_m", "gap_area_m2", "joint_gap_m"):
        table[column] = frontages.groupby("property_id")[column].sum(min_count=1)
    table["joint_neighbours"] = neighbours_listed(tables["joint_gaps"]).reindex(table.index)
    orders = rank_frontages(frontages).reindex(table.index)
    table[orders.columns] = orders
    for absent in ("rank_p05", "rank_p95", "top_share"):
        table[absent] = np.nan
    counts = tables["sites"]["property_id"].value_counts()
    table["site_count"] = counts.reindex(table.index, fill_value=0).astype("Int64")
    shapes = tables["properties"][["property_id", "geometry"]]
    result = shapes.merge(table.reset_index(), on="property_id", validate="one_to_one")
    result = result.sort_values("property_id", ignore_index=True)
    return {
        "ranked_properties": result[[*PROPERTIES.names(), "geometry"]],
        "shown_frontages": frontages.sort_values(list(SHOWN_FRONTAGES.key))[SHOWN_FRONTAGES.names()],
        "findings": findings_table(_findings(table)),
    }


def rank_properties_again(frontages: pd.DataFrame, banks: pd.DataFrame) -> pd.DataFrame:
    """Rank properties of a finished run by other priorities of its banks.

    Parameters
    ----------
    frontages
        Result layer ``frontages``: ``property_id``, ``bank_id``, ``frontage_m``, ``gap_length_m``.
    banks
        ``bank_id`` and ``priority``, as :func:`gisprio.compute.scoring.again.rank_again` gives them.

    Returns
    -------
    DataFrame
        ``property_id``, ``priority``, ``priority_gap_m`` and ``rank``, ordered by id.
    """
    priority = banks.set_index("bank_id")["priority"]
    return rank_frontages(pd.DataFrame(frontages).assign(priority=frontages["bank_id"].map(priority))).reset_index()


def rank_frontages(frontages: pd.DataFrame) -> pd.DataFrame:
    """Give priority, priority_gap_m and rank of properties, by id, from the priorities of the banks on them.

    Parameters
    ----------
    frontages
        One row a property and bank: ``property_id``, ``priority`` of the bank, null where it is not ranked,
        ``frontage_m``, ``gap_length_m``.

    Returns
    -------
    DataFrame
        Of every property there is a frontage of; see :func:`rank_properties` for the formula.
    """
    table = pd.DataFrame(index=pd.Index(np.unique(frontages["property_id"].to_numpy(object)), name="property_id"))
    ranked = frontages[frontages["priority"].notna()]
    weighed = ranked[ranked["frontage_m"] > 0]
    rows, of = pd.factorize(weighed["property_id"])
    hundredths = np.rint(weighed["priority"].to_numpy(float) * 100).astype(np.int64)
    means = frontage_means(hundredths, rows, np.arange(len(rows)), whole_millimetres(weighed["frontage_m"]), len(of))
    mean, gap = pd.Series(means, of).reindex(table.index), whole_gaps(ranked).reindex(table.index)
    table["priority"] = mean / 100
    known = (mean.notna() & gap.notna()).to_numpy()
    keys = gap_keys(mean[known].to_numpy(np.int64), gap[known].to_numpy(np.int64))
    table["priority_gap_m"] = np.nan
    table.loc[known, "priority_gap_m"] = keys / 10
    table["rank"] = pd.array([pd.NA] * len(table), dtype="Int64")
    table.loc[known, "rank"] = ranks(keys)
    return table


def whole_millimetres(metres: pd.Series) -> NDArray[np.int64]:
    """Give lengths in whole millimetres, so that sums of them are the same in whatever order."""
    return np.rint(metres.to_numpy(float) * 1000).astype(np.int64)


def whole_gaps(frontages: pd.DataFrame) -> pd.Series:
    """Give the millimetres of gap of each property, by id; properties of which nothing is known are left out."""
    known = frontages[frontages["gap_length_m"].notna()]
    return pd.Series(whole_millimetres(known["gap_length_m"]), known.index).groupby(known["property_id"]).sum()


def frontages_with_banks(tables: Tables) -> pd.DataFrame:
    """Join each frontage to its bank's priority."""
    reach_ids = tables["reach_measures"][["reach_no", "reach_id"]]
    frontages = tables["frontages"].merge(pd.DataFrame(reach_ids), on="reach_no", validate="many_to_one")
    frontages["side"] = np.where(frontages["side"] == 0, "left", "right")
    banks = pd.DataFrame(tables["banks"][["bank_id", "reach_id", "side", "priority"]])
    return frontages.merge(banks, on=["reach_id", "side"], validate="many_to_one")


def _findings(table: pd.DataFrame) -> list[Finding]:
    if table["priority_gap_m"].notna().any():
        return []
    if table["priority"].isna().all():
        says = "Properties are not ranked: no bank on them is."
        do = "See the findings about banks: they hold the reasons."
        return [Finding("warning", "properties", "not_ranked", "", says, do)]
    return [
        Finding(
            "warning",
            "properties",
            "not_ranked",
            "",
            "Properties are not ranked: their rank follows metres of gap, and no gap could be measured.",
            "See the findings about land cover; until then use the ranked banks.",
        )
    ]
