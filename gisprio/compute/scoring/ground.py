"""Constraints and works joined to the banks that are ranked."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.contracts.cards import Tables

GROUND_COLUMNS = ("constrained_length_m", "constraint", "plantable_area_m2", "done_kind", "done_year")


def ground_columns(measures: pd.DataFrame, tables: Tables) -> pd.DataFrame:
    """Give constraints, plantable ground and works of each bank, in the order of ``measures``.

    Parameters
    ----------
    measures
        Layer ``bank_measures``.
    tables
        ``bank_ground``; and ``constraints`` and ``roads`` whole, which say whether anything is known of constraints.

    Returns
    -------
    DataFrame
        (n rows) columns of ``GROUND_COLUMNS``, ``planted_year`` and ``island``: one bank of an island, or both of an
        inner thread, in words. Null is what is not known: constraints where
        neither layer is given, plantable ground where there was no measure of gaps.
    """
    key = ["reach_no", "side"]
    ground = measures[[*key, "gap_area_m2"]].merge(tables["bank_ground"], on=key, how="left", validate="one_to_one")
    if not len(tables["constraints"]) and not len(tables["roads"]):
        ground[["constrained_length_m", "plantable_area_m2"]] = np.nan
    both = ground.groupby("reach_no")["island"].transform("all")
    words = np.where(both, "an inner thread of a braid", "the side of an island")
    ground["island"] = pd.Series(words, dtype=object).where(ground["island"].to_numpy(bool), None)
    ground.loc[ground["gap_area_m2"].isna(), "plantable_area_m2"] = np.nan
    return ground[[*GROUND_COLUMNS, "planted_year", "island"]]
