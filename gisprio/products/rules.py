"""Setback rules that were judged in one run, side by side."""

from __future__ import annotations

import pandas as pd


def rules_side_by_side(bank_setbacks: pd.DataFrame, ranks: str) -> pd.DataFrame:
    """Sum up what each rule asks and what is lacking, the rule that ranks first.

    Parameters
    ----------
    bank_setbacks
        Layer ``bank_setbacks`` of the results.
    ranks
        The rule that ranks.

    Returns
    -------
    DataFrame
        One row a rule: ``rule``, ``setback_least_m`` and ``setback_most_m`` of the banks where it asks for anything,
        ``banks``: how many these are, ``banks_with_gap``, ``gap_km``, ``gap_ha``, ``not_known``: banks where no width
        could be measured.
    """
    rows = []
    for rule, own in sorted(bank_setbacks.groupby("rule"), key=lambda pair: pair[0] != ranks):
        asked = own[own["setback_m"] > 0]
        rows.append(
            {
                "rule": rule,
                "setback_least_m": asked["setback_m"].min(),
                "setback_most_m": asked["setback_m"].max(),
                "banks": len(asked),
                "banks_with_gap": int((asked["gap_length_m"] > 0).sum()),
                "gap_km": own["gap_length_m"].sum() / 1000,
                "gap_ha": own["gap_area_m2"].sum() / 1e4,
                "not_known": int(asked["gap_length_m"].isna().sum()),
            }
        )
    return pd.DataFrame(rows)
