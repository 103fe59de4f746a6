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


def rule_lines(bank_id: str, bank_setbacks: pd.DataFrame, ranks: str) -> list[str]:
    """Tell a bank under each rule, where several were judged; nothing where there is one."""
    own = bank_setbacks[bank_setbacks["bank_id"] == bank_id]
    if len(own) < 2:
        return []
    own = own.assign(other=own["rule"] != ranks).sort_values(["other", "rule"])
    return ["  under each rule:", *(f"    {row.rule}: {_bank_told(row)}" for row in own.itertuples())]


def _bank_told(row: object) -> str:
    setback, width, length, area = (
        getattr(row, name) for name in ("setback_m", "buffer_width_m", "gap_length_m", "gap_area_m2")
    )
    if not setback:
        return "asks for nothing here"
    if pd.isna(width):
        return f"setback {setback:.1f} m; the cover is too coarse or not known, so no width and no gap"
    return f"setback {setback:.1f} m, buffer {width:.1f} m (median), gap {length:.0f} m, {area:.0f} m2"
