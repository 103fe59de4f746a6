"""Dates in vector layers, as years with decimals; today is a setting or the newest date, never the clock."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd

from gisprio.contracts.findings import Finding, listed

FIRST_YEAR, LAST_YEAR = 1700, 2200
"""A bare number outside these is no year [own]."""


def year_of(value: Any) -> float | None:
    """Give a date as years with decimals; the middle of the year or month where no more is told; None for none.

    Examples
    --------
    >>> year_of("2021"), year_of(2021), year_of("2021-01-01"), round(year_of("2021-07"), 2), year_of("spring")
    (2021.5, 2021.5, 2021.0, 2021.54, None)
    """
    if isinstance(value, (int, float, np.number)):
        return float(value) + 0.5 if float(value).is_integer() and FIRST_YEAR <= value <= LAST_YEAR else None
    text = str(value).strip()
    if text.isdigit():
        return year_of(int(text)) if len(text) == 4 else None
    if len(text) == 7:
        text += "-16"
    try:
        day = dt.date.fromisoformat(text[:10])
    except ValueError:
        return None
    days = 366 if day.year % 4 == 0 and (day.year % 100 != 0 or day.year % 400 == 0) else 365
    return day.year + (day.timetuple().tm_yday - 1) / days


def as_years(layer: str, key: str, values: pd.Series) -> tuple[pd.Series, list[Finding]]:
    """Give dates as years with decimals; what is none is missing and a finding.

    Parameters
    ----------
    layer, key
        Names for the finding.
    values
        Dates, ISO text or whole years.
    """
    blank = values.isna() | (values.astype(str).str.strip() == "")
    years = pd.Series([None if gone else year_of(v) for v, gone in zip(values, blank, strict=True)], values.index)
    years = years.astype("float64")
    wrong = ~blank & years.isna()
    if not wrong.any():
        return years, []
    says = (
        f"{layer}.{key}: {int(wrong.sum())} values are no date and are taken as missing: "
        f"{listed(dict.fromkeys(values[wrong].tolist()))}."
    )
    return years, [Finding("warning", layer, "value", "", says, "write them as 2021-05-31, 2021-05 or 2021.")]
