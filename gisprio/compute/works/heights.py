"""Heights of a bank along a site, and how far they may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.works.quantities import told
from gisprio.contracts.settings import Sizing

Floats = NDArray[np.float64]
SEEN_HEIGHTS = ("top", "low", "visit")
"""Codes of heights that were seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Heights along a bank, in pieces; within each the height changes evenly.

    Parameters
    ----------
    length, first, last
        (n,) of each piece: its length, and the heights at its ends [m].
    """

    length: Floats
    first: Floats
    last: Floats

    @property
    def total(self) -> float:
        """Length of the bank [m]."""
        return float(self.length.sum())

    @property
    def lowest(self) -> float:
        """Lowest height [m]."""
        return float(np.minimum(self.first, self.last).min())

    @property
    def highest(self) -> float:
        """Highest height [m]."""
        return float(np.maximum(self.first, self.last).max())

    @property
    def mean(self) -> float:
        """Mean height along the bank [m]."""
        return float((self.length * (self.first + self.last)).sum() / 2 / self.total)

    @property
    def mean_square(self) -> float:
        """Mean of the squared height along the bank, exact for heights that change evenly [m2]."""
        squares = self.first**2 + self.first * self.last + self.last**2
        return float((self.length * squares).sum() / 3 / self.total)

    @property
    def tapers(self) -> bool:
        """Whether it is one piece whose ends differ."""
        return len(self.length) == 1 and float(self.first[0]) != float(self.last[0])

    def higher_than(self, level: Floats) -> Floats:
        """Give the length of bank that is higher than each level; (k,) of (k,) [m]."""
        low, high = np.minimum(self.first, self.last), np.maximum(self.first, self.last)
        rise = np.where(high > low, high - low, 1.0)
        above = (high - level[:, None] - 1e-9) / rise
        share = np.where(high > low, np.clip(above, 0, 1), above > 0)
        return np.asarray(share @ self.length, float)


@dataclass(frozen=True, slots=True)
class Heights:
    """Heights of a bank as a range of profiles of the same length.

    Parameters
    ----------
    low, mid, high
        The profiles.
    basis
        Word of ``WORK_BASES``.
    says
        Where they come from, in words.
    """

    low: Profile
    mid: Profile
    high: Profile
    basis: str
    says: str

    @property
    def means(self) -> tuple[float, float, float]:
        """Mean height of each profile [m]."""
        return self.low.mean, self.mid.mean, self.high.mean


def even(length: float, first: float, last: float | None = None) -> Profile:
    """Give a profile of one piece, level when only one height is given."""
    end = first if last is None else last
    return Profile(np.array([length]), np.array([first]), np.array([end]))


def given_heights(length: float, lowest: float, highest: float, sizing: Sizing) -> Heights:
    """Give the range of heights of which somebody measured the lowest and the highest.

    Notes
    -----
    In the middle the height changes evenly from one to the other. At least, the bank is as low as its lowest place all
    along; at most, as high as its highest. One height alone may be off by ``height_error_m``.
    """
    off = sizing.height_error_m if lowest == highest else 0.0
    words = f"{told(lowest)} m" if lowest == highest else f"{told(lowest)} to {told(highest)} m"
    return Heights(
        even(length, max(lowest - off, 0.0)),
        even(length, lowest, highest),
        even(length, highest + off),
        "given",
        f"measured on site: {words}",
    )


def seen_heights(
    length: Floats, height: Floats, code: NDArray[np.object_], error_m: float, sizing: Sizing
) -> Heights | None:
    """Give the range of heights that were seen at the stations of a site; None where too few were.

    Parameters
    ----------
    length, height, code
        (n,) of each station: length it stands for [m], bank height [m], code of the height.
    error_m
        How far one height from a flight may be off.
    sizing
        Section ``sizing``.

    Notes
    -----
    A height from a flight ends at the water, not at the toe: it is low by up to ``water_depth_m``. One that a visit
    measured is off by ``height_error_m``, and stands in its stretch in the place of those from the flight. Stations
    without a height take the lowest, the mean and the highest of the others.
    """
    seen = np.isin(code, SEEN_HEIGHTS) & np.isfinite(height)
    total = float(length.sum())
    if not total or float(length[seen].sum()) < sizing.known_share * total or not seen.any():
        return None
    visit = code == "visit"
    off = np.where(visit, sizing.height_error_m, error_m)
    depth = np.where(visit, 0.0, sizing.water_depth_m)
    weights = length[seen]

    def laid(heights: Floats, others: float) -> Profile:
        along = np.where(seen, heights, others)
        return Profile(length, along, along)

    low, mid, high = np.maximum(height - off, 0), height + depth / 2, height + depth + off
    profiles = (
        laid(low, float(low[seen].min())),
        laid(mid, float(np.average(mid[seen], weights=weights))),
        laid(high, float(high[seen].max())),
    )
    return Heights(*profiles, "measured", _where_from(length, height, seen, visit))


def _where_from(length: Floats, height: Floats, seen: NDArray[np.bool_], visit: NDArray[np.bool_]) -> str:
    """Say where heights of stations come from, and on how much of the bank."""
    low, high = told(round(float(height[seen].min()), 2)), told(round(float(height[seen].max()), 2))
    parts = []
    for some, words in ((seen & visit, "on visits"), (seen & ~visit, "on heights from flights, above the water")):
        if some.any():
            parts.append(f"{words} along {told(float(length[some].sum()))} m")
    return f"{low} to {high} m, seen {' and '.join(parts)} of {told(float(length.sum()))} m"
