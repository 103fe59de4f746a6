"""Strips that mirror each other: short on one bank, full on the other, as beside a line that lies off its channel."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.sides import NO_BANK, SIDE_KEY, station_sides
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import MIRRORS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
LEAST_DIFFERENCE = 1 / 3
"""A strip counts as short beside a full one where it is narrower by this share of the setback [own]."""
LEAST_OF_SHIFT = 0.5
"""The low of the channel agrees with a shift where it lies at least so much of it towards the full strip [own]."""


def sum_mirrors(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Sum up, for each reach, how the strip of one bank goes with that of the other.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_setbacks``, ``side_cover`` and ``valleys`` of the piece.
    halo, sources
        None.
    settings
        None.

    Returns
    -------
    dict
        ``mirrors``: two rows a reach, one for each bank as the short one; sums over stations, weighed by length, that
        add up to those of any run of reaches.

    Notes
    -----
    Were both strips alike, a line that lies s metres to the left of its channel would have a strip narrower by s on
    the left and wider by s on the right: s is half the difference of the widths.
    """
    sides = station_sides(core, "side_setbacks", "side_cover", "valleys").sort_values(SIDE_KEY, ignore_index=True)
    if not len(sides):
        return {"mirrors": empty(MIRRORS)}
    two = {name: sides[name].to_numpy().reshape(-1, 2) for name in sides.columns}
    strip = two["buffer_width_m"].astype(float)
    no_bank = two["crossing"] | two["island"] | two["natural"] | np.isin(two["kind"].astype(str), NO_BANK)
    length = np.where((~no_bank & ~np.isnan(strip)).all(axis=1), (two["to_m"] - two["from_m"])[:, 0], 0.0)
    beside = (two["line_offset_m"] - two["recentred_m"])[:, 0]
    width = two["setback_m"].mean(axis=1)
    beside = np.where((two["bank_line_basis"] == "half_width").all(axis=1), beside, np.nan)
    reach_no, reach = np.unique(two["reach_no"][:, 0], return_inverse=True)
    tables = []
    for side in (0, 1):
        sums = _weights(strip[:, side], strip[:, 1 - side], beside * (2 * side - 1), length, width)
        table = pd.DataFrame({name: np.bincount(reach, weight, len(reach_no)) for name, weight in sums.items()})
        tables.append(table.assign(reach_no=reach_no, side=side))
    made = pd.concat(tables).sort_values(["reach_no", "side"], ignore_index=True)
    return {"mirrors": made[MIRRORS.names()]}


def _weights(own: Floats, other: Floats, towards: Floats, length: Floats, setback_m: Floats) -> dict[str, Floats]:
    """Give what each station adds to the sums of a bank.

    Parameters
    ----------
    own, other
        (n,) width of the strip of this bank and of the other [m].
    towards
        (n,) how far the low lies from the middle of the bank lines, towards the other bank [m]; NaN where not told.
    length
        (n,) length each station stands for [m]; 0 where there is no bank or no width.
    setback_m
        (n,) the setback [m]: mean of both banks.
    """
    own, other = np.where(length > 0, own, 0.0), np.where(length > 0, other, 0.0)
    shift = (other - own) / 2
    short = np.where(2 * shift >= LEAST_DIFFERENCE * setback_m - 1e-9, length, 0.0)
    told = np.where(np.isnan(towards), 0.0, short)
    agrees = np.where(np.nan_to_num(towards) >= LEAST_OF_SHIFT * shift, told, 0.0)
    return {
        "known_m": length,
        "short_m": short,
        "shift_m2": short * shift,
        "told_m": told,
        "agrees_m": agrees,
        "agreed_m2": agrees * np.nan_to_num(towards),
        "own_m2": length * own,
        "other_m2": length * other,
        "own_own_m3": length * own**2,
        "other_other_m3": length * other**2,
        "own_other_m3": length * own * other,
    }
