"""Rock: along the toe, by published weight for each metre, and in keys at both ends."""

from __future__ import annotations

import math

from gisprio.compute.works.heights import Heights
from gisprio.compute.works.quantities import Quantity, Three, quantity, told
from gisprio.contracts.constants import HEAP_SLOPE, ROCK_DENSITY, ROCK_VOIDS
from gisprio.contracts.settings import Sizing

ENDS = 2
"""Works are keyed in at both ends."""


def dumped_density() -> float:
    """Give the mass of a cubic metre of dumped rock: density x (1 - voids) [t/m3]."""
    return ROCK_DENSITY.value * (1 - ROCK_VOIDS.value)


def peaked_section(height: float, side: float = HEAP_SLOPE.value) -> float:
    """Give the section of a heap with a peak, both sides of one slope: z h2 [m2].

    >>> peaked_section(1.0)
    1.5
    """
    return side * height**2


def heap_height(weight_t_m: float) -> float:
    """Give the height of a peaked heap of so much rock a metre [m].

    >>> round(heap_height(2.9763), 2), round(heap_height(5.9527), 2)
    (1.09, 1.55)
    """
    return math.sqrt(weight_t_m / dumped_density() / HEAP_SLOPE.value)


def key_length(height: float, sizing: Sizing) -> float:
    """Give the length of a key: some bank heights, not under the shortest [m]."""
    return max(sizing.key_length_m, sizing.key_heights * height)


def size_toe(
    length: float, length_basis: str, heights: Heights | None, unknown_height: float, sizing: Sizing
) -> list[Quantity]:
    """Size the rock of toe and keys.

    Parameters
    ----------
    length, length_basis
        Of the bank [m], and how it was got.
    heights
        Of the bank, None where nobody knows them: keys are then as for a bank of up to ``unknown_height``.
    unknown_height
        That height [m].
    sizing
        Section ``sizing``.
    """
    least, most = sizing.toe_rock_t_m
    weights = (least, (least + most) / 2, most)
    rock = (length * weights[0], length * weights[1], length * weights[2])
    metres = told(length)
    heap = f"a heap {told(round(heap_height(least), 1))} to {told(round(heap_height(most), 1))} m high"
    found = [
        quantity("toe_length", (length, length, length), f"{metres} = {metres} m", length_basis),
        quantity(
            "toe_rock",
            rock,
            f"{metres} x {told(weights[1])} = {told(rock[1])} t; {told(least)} to {told(most)} t/m, about {heap}",
            length_basis,
        ),
    ]
    if heights is None:
        highs: Three = (0.0, unknown_height / 2, unknown_height)
        basis = "assumed"
    else:
        highs = (heights.low.highest, heights.mid.highest, heights.high.highest)
        basis = heights.basis
    keys = [key_length(height, sizing) for height in highs]
    rock = (ENDS * keys[0] * weights[0], ENDS * keys[1] * weights[1], ENDS * keys[2] * weights[2])
    longest = f"{told(sizing.key_heights)} bank heights long, at least {told(sizing.key_length_m)} m"
    unknown = f", height taken as up to {told(unknown_height)} m" if heights is None else ""
    found += [
        quantity("key", (ENDS, ENDS, ENDS), f"{ENDS} = {ENDS} keys; one at each end", "assumed"),
        quantity(
            "key_rock",
            rock,
            f"{ENDS} x {told(keys[1])} x {told(weights[1])} = {told(rock[1])} t; ends x length x weight; "
            f"a key is {longest}{unknown}",
            basis,
        ),
    ]
    return found
