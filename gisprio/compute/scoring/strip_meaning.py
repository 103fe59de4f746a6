"""What a strip of a width does, as ranges between published lines that do not agree; never one number."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from gisprio.contracts.constants import (
    REVIEW_SEDIMENT_NARROW,
    REVIEW_SEDIMENT_WIDE,
    REVIEW_WIDTH_NARROW,
    REVIEW_WIDTH_WIDE,
    SHADE_RATIO_LEAST,
    SHADE_RATIO_MOST,
    TRAPPED_MOST,
    TRAPPED_RATE,
)

Floats = NDArray[np.float64]

MEANING_COLUMNS = (
    "sediment_now_low_pct",
    "sediment_now_high_pct",
    "sediment_asked_low_pct",
    "sediment_asked_high_pct",
    "shade_tree_low_m",
    "shade_tree_high_m",
)
"""Columns of ``banks`` that are made here."""


SUNWARD = 0.5
"""Cosine of the angle to the sun's side from which a bank counts as lying on it [own]."""


def trapped_by_equation(width_m: ArrayLike) -> Floats:
    """Give the sediment of sheet flow that a strip traps, by the equation fitted to width alone.

    Parameters
    ----------
    width_m
        (n,) width of the strip [m].

    Returns
    -------
    ndarray
        (n,) trapped [%]; NaN where the width is missing.

    Notes
    -----
    K (1 - exp(-b w)), Zhang and others 2010.
    """
    return TRAPPED_MOST.value * -np.expm1(-TRAPPED_RATE.value * np.asarray(width_m, float))


def width_by_equation(trapped_pct: ArrayLike) -> Floats:
    """Give the width at which the equation traps so much.

    Parameters
    ----------
    trapped_pct
        (n,) trapped [%].

    Returns
    -------
    ndarray
        (n,) width [m]; NaN where no width traps as much: from K on.
    """
    share = np.asarray(trapped_pct, float) / TRAPPED_MOST.value
    return -np.log1p(-np.where(share < 1, share, np.nan)) / TRAPPED_RATE.value


def trapped_by_review(width_m: ArrayLike) -> Floats:
    """Give what a review of many strips found at the widths it names, nothing read in between.

    Parameters
    ----------
    width_m
        (n,) width of the strip [m].

    Returns
    -------
    ndarray
        (n,) trapped [%] at the widest of its widths that the strip reaches; 0 where it reaches none, NaN where missing.
    """
    width = np.asarray(width_m, float)
    reached = np.where(width >= REVIEW_WIDTH_NARROW.value, REVIEW_SEDIMENT_NARROW.value, 0.0)
    reached = np.where(width >= REVIEW_WIDTH_WIDE.value, REVIEW_SEDIMENT_WIDE.value, reached)
    return np.where(np.isnan(width), np.nan, reached)


def trapped_range(width_m: ArrayLike) -> tuple[Floats, Floats]:
    """Give the lower and the upper of the two published lines at each width.

    Parameters
    ----------
    width_m
        (n,) width of the strip [m].

    Returns
    -------
    tuple
        (n,) least and (n,) most trapped [%]; NaN where the width is missing.
    """
    both = np.stack([trapped_by_review(width_m), trapped_by_equation(width_m)])
    return both.min(axis=0), both.max(axis=0)


def shading_heights(stream_width_m: ArrayLike) -> tuple[Floats, Floats]:
    """Give how tall trees must be for 70 % shade: by orientation and form of the trees.

    Parameters
    ----------
    stream_width_m
        (n,) width of the stream [m].

    Returns
    -------
    tuple
        (n,) least and (n,) most height [m]; NaN where the width is missing.
    """
    width = np.asarray(stream_width_m, float)
    return SHADE_RATIO_LEAST.value * width, SHADE_RATIO_MOST.value * width


def sun_side(outward_north: float, latitude_deg: float) -> str:
    """Say whether the trees of a bank stand between the water and the midday sun.

    Parameters
    ----------
    outward_north
        Northward part of the unit vector from the stream to the bank, -1 to 1.
    latitude_deg
        Of the place, south negative.
    """
    sunward = -outward_north if latitude_deg >= 0 else outward_north
    if abs(sunward) < SUNWARD:
        return "beside the sun"
    return "on the sun's side" if sunward > 0 else "away from the sun"


def strip_meaning(buffer_width_m: pd.Series, setback_m: pd.Series, stream_width_m: pd.Series) -> pd.DataFrame:
    """Give what the strip does now, and what that which is asked for would do.

    Parameters
    ----------
    buffer_width_m
        (n,) width of the strip now [m].
    setback_m
        (n,) width asked for [m].
    stream_width_m
        (n,) bankfull width of the stream [m].

    Returns
    -------
    DataFrame
        ``MEANING_COLUMNS``, index of ``buffer_width_m``; null where a width is missing, and of the strip asked for
        where none is.
    """
    setback = setback_m.to_numpy(float)
    ranges = (
        *trapped_range(buffer_width_m.to_numpy(float)),
        *trapped_range(np.where(setback > 0, setback, np.nan)),
        *shading_heights(stream_width_m.to_numpy(float)),
    )
    return pd.DataFrame(dict(zip(MEANING_COLUMNS, ranges, strict=True)), index=buffer_width_m.index)
