"""Hours of volunteers: quantities over published rates, as a range."""

from __future__ import annotations

import pandas as pd

from gisprio.contracts.labour import RATES
from gisprio.contracts.layers import WORK_HOURS
from gisprio.contracts.schema import check


def volunteer_hours(items: pd.DataFrame) -> pd.DataFrame:
    """Give the hours of one person that what is done by hand takes.

    Parameters
    ----------
    items
        Layer ``work_items``.

    Returns
    -------
    DataFrame
        Layer ``work_hours``, sites and items in their order; sites without handwork have no row.

    Notes
    -----
    hours_low = quantity_low / fastest rate, hours_high = quantity_high / slowest rate. No way, no break, no training.
    """
    rates = pd.DataFrame([(rate.item, rate.task, rate.low, rate.high, rate.says) for rate in RATES])
    rates.columns = pd.Index(["item", "task", "slow", "fast", "rate"])
    found = items.merge(rates, on="item")
    found["hours_low"] = found["quantity_low"] / found["fast"]
    found["hours_high"] = found["quantity_high"] / found["slow"]
    return check(WORK_HOURS, found[WORK_HOURS.names()])
