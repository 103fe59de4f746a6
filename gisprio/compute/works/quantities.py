"""Quantities as ranges: how they are made of facts, and how their formulas are written out."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from gisprio.contracts.works import WORK_BASES

Three = tuple[float, float, float]
"""Low, mid and high of one quantity."""
_TINY = 1e-9
"""Counts of a whole number of steps are not one more for the way computers hold fractions."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """So much of an item at a site.

    Parameters
    ----------
    item
        Key of ``ITEMS``.
    low, mid, high
        The range, in the unit of the item.
    formula
        ``expression = value unit``, then words: the middle, with its numbers. ``x`` multiplies, ``^`` is a power.
    basis
        Word of ``WORK_BASES``: of the least certain fact behind it.
    """

    item: str
    low: float
    mid: float
    high: float
    formula: str
    basis: str

    def __post_init__(self) -> None:
        """Hold the range in order.

        Raises
        ------
        ValueError
            Low, mid and high are not.
        """
        if not 0 <= self.low <= self.mid + _TINY or not self.mid <= self.high + _TINY:
            raise ValueError(f"{self.item} from {self.low} over {self.mid} to {self.high} is no range")

    @property
    def range(self) -> Three:
        """Low, mid and high."""
        return self.low, self.mid, self.high


def quantity(item: str, three: Three, formula: str, basis: str) -> Quantity:
    """Give a quantity of a range as it was computed: rounding may put low or high a hair on the wrong side of mid."""
    low, mid, high = three
    return Quantity(item, min(low, mid), mid, max(mid, high), formula, basis)


def whole_up(value: float) -> int:
    """Round up to a whole number; what is whole up to the way computers hold fractions stays.

    >>> whole_up(1.5 / 0.3), whole_up(5.001)
    (5, 6)
    """
    return math.ceil(value - _TINY * max(1.0, abs(value)))


def whole_down(value: float) -> int:
    """Round down likewise.

    >>> whole_down(0.3 / 0.1)
    3
    """
    return math.floor(value + _TINY * max(1.0, abs(value)))


def least_certain(bases: Iterable[str]) -> str:
    """Give the least certain of some bases.

    >>> least_certain(["given", "assumed", "measured"])
    'assumed'
    """
    return max(bases, key=WORK_BASES.index)


def told(value: float) -> str:
    """Write a number with four figures and without exponent.

    >>> told(248.3906), told(3), told(0.0061), told(123456.7)
    ('248.4', '3', '0.0061', '123457')
    """
    if abs(value) >= 1000:
        return f"{value:.0f}"
    text = f"{value:.4g}"
    return f"{value:.7f}".rstrip("0").rstrip(".") if "e" in text else text
