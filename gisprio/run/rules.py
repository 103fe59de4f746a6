"""A bank under each of the setback rules that were judged in one run."""

from __future__ import annotations

import pandas as pd


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
