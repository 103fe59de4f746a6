"""Setback as an average along a bank side, with a least width everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.setbacks.asked import Asked, Floats, Marks, base_widths
from gisprio.contracts.cards import RuleForm
from gisprio.contracts.setbacks import Average


def average(sides: pd.DataFrame, rule: Average) -> Asked:
    """Ask for an average width by class of stream, nowhere less than ``least_m``."""
    width, told = base_widths(sides, rule)
    least = np.minimum(width, rule.least_m)
    return Asked(width, told, least, np.full(len(sides), np.nan))


def short_of_average(width_m: Floats, asked_m: Floats, least_m: Floats, length_m: Floats, side: Floats) -> Marks:
    """Mark the stations that fall short of an average with a least width.

    Parameters
    ----------
    width_m
        (n,) width of the buffer [m]; NaN is not known and takes no part.
    asked_m, least_m
        (n,) average that is asked for, and the least width [m].
    length_m
        (n,) length of bank that each station stands for [m]; 0 where no buffer is asked for.
    side
        (n,) number of the bank side: sides never pool.

    Returns
    -------
    ndarray
        (n,) stations narrower than the least width; and, on a side whose mean width is below the mean that is asked
        for, those narrower than the average.

    Notes
    -----
    A side keeps the rule when sum(L w) / sum(L) >= sum(L a) / sum(L) and every w >= least; the limits are inclusive.
    A side is one bank of a segment, so that the answer does not hang on where reaches are cut [own].
    """
    known = ~np.isnan(width_m) & (length_m > 0)
    weight = np.where(known, length_m, 0.0)
    _, number = np.unique(side, return_inverse=True)
    there = np.bincount(number, weight * np.nan_to_num(width_m))
    wanted = np.bincount(number, weight * asked_m)
    below = (there < wanted - 1e-9 * np.maximum(1.0, wanted))[number]
    return known & ((width_m < least_m - 1e-9) | (below & (width_m < asked_m - 1e-9)))


AVERAGE = RuleForm("average", average, "An average width along each side of a stream, and a least width everywhere.")
