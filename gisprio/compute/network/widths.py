"""Width of the water as mapped, held against the bankfull width that drainage area and regional curve give."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import outer_rings, search_length, square_to, transect_lines, water_span
from gisprio.contracts.findings import Finding

Floats = NDArray[np.float64]
PLACES = 5
"""Places along each reach where the mapped water is measured."""
UNLIKE = 3.0
"""Mapped and computed width differ so many times: streams of one area scatter by less about a curve of theirs [own]."""
LEAST_REACHES = 5
"""So many reaches with mapped water are needed to judge [own]."""
STANDING_SHARE = 0.5
"""Share of the stream length in standing water from which the polygons are doubted [own]."""
NO_CHANNEL = ("lake_path", "tidal", "piped")


def mapped_widths(reaches: pd.DataFrame, water: pd.DataFrame, width_m: Floats) -> Floats:
    """Measure the mapped water across each reach.

    Parameters
    ----------
    reaches
        ``geometry``, drawn downstream.
    water
        Water polygons; their islands count as water.
    width_m
        (n,) bankfull width, for how far to look; NaN where unknown [m].

    Returns
    -------
    array
        (n,) median width at five places [m]; NaN where fewer than three of them lie in water.
    """
    lines = np.repeat(np.asarray(reaches["geometry"], object), PLACES)
    at = np.tile((np.arange(PLACES) + 0.5) / PLACES, len(reaches))
    here, left = square_to(lines, at, at - 0.05, at + 0.05, normalized=True)
    search = np.repeat(search_length(width_m), PLACES)
    transects = transect_lines(here, left, search)
    low, high = water_span(transects, here, left, outer_rings(water), np.zeros(len(here)), search)
    found = (high - low).reshape(-1, PLACES)
    enough = np.isfinite(found).sum(axis=1) > PLACES // 2
    middle = np.full(len(found), np.nan)
    middle[enough] = np.nanmedian(found[enough], axis=1)
    return middle


def width_findings(reaches: pd.DataFrame, water: pd.DataFrame, width_m: Floats, curve: str) -> list[Finding]:
    """Say where the mapped water is many times wider or narrower than the stream is computed to be.

    Parameters
    ----------
    reaches, water, width_m
        See :func:`mapped_widths`; ``kind`` besides.
    curve
        Name of the regional curve, for the sentence.
    """
    if not len(water):
        return []
    mapped = mapped_widths(reaches, water, width_m)
    known = np.isfinite(mapped) & np.isfinite(width_m) & ~reaches["kind"].isin(NO_CHANNEL).to_numpy()
    if known.sum() < LEAST_REACHES:
        return []
    ratio = float(np.median(mapped[known] / width_m[known]))
    if 1 / UNLIKE <= ratio <= UNLIKE:
        return []
    times = f"{ratio:.1f} times as wide as" if ratio > 1 else f"{1 / ratio:.1f} times narrower than"
    says = (
        f"On {int(known.sum())} reaches the water polygons are {times} the bankfull width that drainage area and the "
        f"regional curve {curve} give (medians {np.median(mapped[known]):.1f} and {np.median(width_m[known]):.1f} m): "
        "the curve is of other streams, the areas given are in another unit, or the polygons are not the channel. "
        "Discharge and stream power are uncertain."
    )
    do = "Check [hydraulics] curve, the areas in streams and inflows (km2), and the water layer."
    return [Finding("warning", "water", "width_unlike", "", says, do)]


def standing_findings(stretches: pd.DataFrame, source_parts: pd.DataFrame) -> list[Finding]:
    """Say where most of the streams lie in water so wide that it counts as standing.

    Parameters
    ----------
    stretches
        Layer ``stretches``.
    source_parts
        Kinds as drawn.
    """
    length, still = stretches["to_m"] - stretches["from_m"], stretches["kind"] == "lake_path"
    drawn = source_parts["kind"] == "lake_path"
    share = (length[still].sum() - (source_parts["to_m"] - source_parts["from_m"])[drawn].sum()) / length.sum()
    if share <= STANDING_SHARE:
        return []
    says = (
        f"{share:.0%} of the stream length lies in water polygons that are named standing, or so wide that they count "
        "as it: no bank there is ranked. Flood zones and parcels of rivers are wide everywhere, channels are not."
    )
    do = "Check that the water layer holds the open channel, and name its kind in [columns] water.kind."
    return [Finding("warning", "water", "standing", "", says, do)]
