"""Mat on the finished face: in courses, one above the other, or wrapped around lifts of soil."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.works.heights import Heights, Profile
from gisprio.compute.works.quantities import Quantity, least_certain, quantity, told, whole_up
from gisprio.compute.works.stakes import row_count
from gisprio.contracts.settings import Sizing

Floats = NDArray[np.float64]


def layer_count(height: float, rise: float) -> int:
    """Give how many layers of one rise a bank of some height takes.

    >>> layer_count(1.40, 0.30), layer_count(2.05, 0.30)
    (5, 7)
    """
    return whole_up(height / rise)


def layer_lengths(profile: Profile, rise: float) -> Floats:
    """Give the length of each layer from the lowest up, as far as the bank is high enough for it. (k,) [m]."""
    levels = np.arange(layer_count(profile.highest, rise), dtype=np.float64) * rise
    return profile.higher_than(levels)


def largest_lift(mat_width: float, anchor: float, finished: float) -> float:
    """Give the highest lift whose face and tread the fold covers: (mat - anchor) / (1 + z) [m].

    >>> round(largest_lift(2.0, 0.70, 3), 4)
    0.325
    """
    return (mat_width - anchor) / (1 + finished)


def course_rise(mat_width: float, lap: float, finished: float) -> float:
    """Give how far up a course of mat reaches on a face of slope z: (mat - lap) / sqrt(1 + z2) [m]."""
    return (mat_width - lap) / math.sqrt(1 + finished**2)


def roll_count(length: float, roll: float, lap: float) -> int:
    """Give the rolls that a layer of some length takes, each lapped on the one before.

    >>> roll_count(58, 50, 0.5), roll_count(50, 50, 0.5), roll_count(50.1, 50, 0.5)
    (2, 1, 2)
    """
    return max(1, whole_up((length - lap) / (roll - lap)))


def rise_of(sizing: Sizing, finished: float) -> float:
    """Give the rise of a layer, as ``[sizing] face`` lays it [m]."""
    if sizing.face == "lifts":
        return sizing.lift_height_m
    return course_rise(sizing.mat_width_m, sizing.course_lap_m, finished)


def size_mat(heights: Heights, finished: float, length_basis: str, sizing: Sizing) -> list[Quantity]:
    """Size layers of mat, the mat itself, its rolls and its stakes.

    Parameters
    ----------
    heights
        Of the bank.
    finished
        Slope after the works.
    length_basis
        How the length was got.
    sizing
        Section ``sizing``.
    """
    basis = least_certain([heights.basis, length_basis])
    rise = rise_of(sizing, finished)
    low, mid, high = (_Layers(profile, rise, sizing) for profile in (heights.low, heights.mid, heights.high))
    counts = tuple(layer_count(height, rise) for height in (heights.low.lowest, heights.mid.mean, heights.high.highest))
    what = "lift" if sizing.face == "lifts" else "course of mat"
    returns, layers = 2 * sizing.key_return_m, len(mid.lengths)
    spacing = told(sizing.stake_spacing_m)
    return [
        quantity(
            "lift",
            (counts[0], counts[1], counts[2]),
            f"ceil({told(heights.mid.mean)} / {told(rise)}) = {counts[1]} lifts; a {what} rises {told(rise)} m, "
            "low and high are at the lowest and the highest place",
            basis,
        ),
        quantity(
            "lift_length",
            (low.length, mid.length, high.length),
            f"{' + '.join(told(length) for length in mid.lengths) or '0'} = {told(mid.length)} m; each {what} where "
            "the bank is high enough for it",
            basis,
        ),
        quantity(
            "mat",
            (low.area, mid.area, high.area),
            f"({told(mid.length)} + {layers} x {told(returns)} + {mid.laps} x {told(sizing.roll_lap_m)}) x "
            f"{told(sizing.mat_width_m)} = {told(mid.area)} m2; {told(mid.length * sizing.mat_width_m)} m2 without "
            "returns and laps of rolls",
            basis,
        ),
        quantity(
            "mat_roll",
            (low.rolls, mid.rolls, high.rolls),
            f"{' + '.join(str(count) for count in mid.rolls_each) or '0'} = {mid.rolls} rolls; each {what} of "
            f"{told(returns)} m more than its bank begins a new roll of {told(sizing.roll_m)} m, lapped "
            f"{told(sizing.roll_lap_m)} m",
            basis,
        ),
        quantity(
            "wood_stake",
            (low.stakes, mid.stakes, high.stakes),
            f"{' + '.join(str(count) for count in mid.stakes_each) or '0'} = {mid.stakes} stakes; a row along each "
            f"{what}, {spacing} m apart",
            basis,
        ),
    ]


class _Layers:
    """What layers along one profile take."""

    def __init__(self, profile: Profile, rise: float, sizing: Sizing) -> None:
        returns = 2 * sizing.key_return_m
        self.lengths = [float(length) for length in layer_lengths(profile, rise) if length > 0]
        self.length = sum(self.lengths)
        self.rolls_each = [roll_count(length + returns, sizing.roll_m, sizing.roll_lap_m) for length in self.lengths]
        self.rolls = sum(self.rolls_each)
        self.laps = self.rolls - len(self.lengths)
        whole = self.length + returns * len(self.lengths) + self.laps * sizing.roll_lap_m
        self.area = whole * sizing.mat_width_m
        self.stakes_each = [row_count(length, sizing.stake_spacing_m) for length in self.lengths]
        self.stakes = sum(self.stakes_each)
