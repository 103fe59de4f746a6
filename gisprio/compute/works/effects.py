"""What a site does: priority times metres, or what the strip it asks for would hold back."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.scoring.strip_meaning import trapped_by_equation, trapped_by_review

UNITS = {
    "priority_gap_m": "priority x m of gap",
    "priority_length_m": "priority x m of bank",
    "sediment": "relative supply x share held back x m",
}
"""Effects by name, and what a unit of each is."""


def site_effects(sites: pd.DataFrame, banks: pd.DataFrame, effect: str) -> pd.DataFrame:
    """Give what each site does.

    Parameters
    ----------
    sites
        Layer ``sites``.
    banks
        Layer ``banks``.
    effect
        A name of :data:`UNITS`.

    Returns
    -------
    DataFrame
        In the rows of ``sites``: ``effect``, ``effect_low``, ``effect_high`` (null where it cannot be told),
        ``effect_m`` (the metres in it) and ``effect_basis``: measured, modelled, or default where the length stands for
        metres of gap that the cover is too coarse to show.

    Notes
    -----
    - ``priority_gap_m``: priority times metres of gap, as properties are ranked.
    - ``priority_length_m``: priority times the length of the site.
    - ``sediment``: (T(w) - T(v)) / 100 q l, with w the setback, v the setback less the ground to plant per metre of the
      site, 0 at least, T the sediment of sheet flow that a strip so wide traps [%], q the relative supply of the
      hillslope behind the bank and l the length. T is taken from two published lines that do not agree, each against
      itself; the effect is the middle of the two. What ground may not be planted counts as if it held back its part
      already, which makes the effect smaller. q holds no rainfall: the sum ranks choices, it is no mass.
    """
    gap, length = sites["gap_length_m"].to_numpy(float), sites["length_m"].to_numpy(float)
    if effect == "sediment":
        low, high = _held_back(sites, banks)
        basis = np.where(np.isnan(low), "missing", "modelled")
        return _table(sites, low, high, length, basis)
    coarse = np.isnan(gap)
    metres = length if effect == "priority_length_m" else np.where(coarse, length, gap)
    basis = np.where(coarse & (effect == "priority_gap_m"), "default", "measured")
    reached = sites["priority"].to_numpy(float) * metres
    return _table(sites, reached, reached, metres, basis)


def _table(
    sites: pd.DataFrame, low: np.ndarray, high: np.ndarray, metres: np.ndarray, basis: np.ndarray
) -> pd.DataFrame:
    values = {"effect": (low + high) / 2, "effect_low": low, "effect_high": high, "effect_m": metres}
    return pd.DataFrame({**values, "effect_basis": basis}, index=sites.index)


def _held_back(sites: pd.DataFrame, banks: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Give the least and the most that the strip would hold back beyond what it does now (n,)."""
    setback, length = sites["setback_m"].to_numpy(float), sites["length_m"].to_numpy(float)
    now = np.maximum(setback - sites["plantable_area_m2"].to_numpy(float) / length, 0.0)
    supply = banks.set_index("bank_id")["delivery"].reindex(sites["bank_id"]).to_numpy(float)
    gains = [(line(setback) - line(now)) / 100 * supply * length for line in (trapped_by_equation, trapped_by_review)]
    return np.minimum(*gains), np.maximum(*gains)
