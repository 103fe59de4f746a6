"""Drainage area along the network: the ground of each piece, carried downstream by the lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.terrain.flow import PIECE_M
from gisprio.contracts.findings import Finding, listed

Floats = NDArray[np.float64]
DISAGREE = 0.1
"""Share by which a given area may differ from the routed one without a word [own]."""


@dataclass(frozen=True)
class NetworkAreas:
    """Areas of segments, row = segment_no.

    Parameters
    ----------
    above_km2, below_km2
        (n,) area that flows in at the upper end, and at the lower end just above the confluence.
    cut_above
        (n,) whether ground is cut off somewhere above the segment.
    pieces
        Layer ``catchments``.
    """

    above_km2: Floats
    below_km2: Floats
    cut_above: NDArray[np.bool_]
    pieces: pd.DataFrame

    def at_reaches(self, reaches: pd.DataFrame, source_parts: pd.DataFrame) -> pd.DataFrame:
        """Give the area at the lower end of every reach: of the data where given, else routed, else missing.

        Parameters
        ----------
        reaches
            ``segment_no`` and ``from_m``, the lower end [m].
        source_parts
            Layer ``source_parts``.

        Returns
        -------
        DataFrame
            Row for row: ``drainage_area_km2``, ``drainage_area_basis``; ``given_km2`` of the drawn line, and
            ``routed_km2`` at that line's lower end, to compare with (NaN where cut).
        """
        numbers = reaches["segment_no"].to_numpy(int)
        routed = self.routed(numbers, reaches["from_m"].to_numpy(float))
        given, given_at = _given(reaches, source_parts)
        missing = np.isnan(routed) & np.isnan(given)
        basis = np.where(missing, "missing", np.where(np.isnan(given), "modelled", "measured"))
        return pd.DataFrame(
            {
                "drainage_area_km2": np.where(np.isnan(given), routed, given),
                "drainage_area_basis": basis,
                "routed_km2": self.routed(numbers, given_at),
                "given_km2": given,
            },
            index=reaches.index,
        )

    def routed(self, segment_no: NDArray[np.int64], from_m: Floats) -> Floats:
        """Give the area above places on segments [km2], (n,); NaN where some is cut off, or there is none at all."""
        area = np.empty(len(segment_no))
        by_segment = dict(list(self.pieces.groupby("segment_no")))
        for row, (number, low) in enumerate(zip(segment_no.tolist(), from_m.tolist(), strict=True)):
            own = by_segment[number]
            at = own["from_m"].to_numpy()
            above = np.clip((at + PIECE_M - low) / PIECE_M, 0.0, 1.0)
            area[row] = self.above_km2[number] + float(above @ own["area_m2"].to_numpy()) / 1e6
            if self.cut_above[number] or own["cut"].to_numpy()[above > 0].any():
                area[row] = np.nan
        return np.where(area > 0, area, np.nan)


def network_areas(segments: pd.DataFrame, catchments: pd.DataFrame) -> NetworkAreas:
    """Carry the ground of the pieces down the network.

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.
    catchments
        Layer ``catchments``.
    """
    count = len(segments)
    own = np.bincount(catchments["segment_no"], catchments["area_m2"], count) / 1e6
    own_cut = np.bincount(catchments["segment_no"], catchments["cut"].astype(float), count) > 0
    downstream = segments["downstream_no"].to_numpy()
    above, below = np.zeros(count), np.zeros(count)
    cut_above, cut_below = np.zeros(count, bool), np.zeros(count, bool)
    for segment in upper_first(downstream):
        below[segment] = above[segment] + own[segment]
        cut_below[segment] = cut_above[segment] or own_cut[segment]
        if downstream[segment] >= 0:
            above[downstream[segment]] += below[segment]
            cut_above[downstream[segment]] |= cut_below[segment]
    return NetworkAreas(above, below, cut_above, catchments)


def upper_first(downstream: NDArray[np.int64]) -> list[int]:
    """Give segments in an order in which each comes before the one it flows into."""
    waiting = np.bincount(downstream[downstream >= 0], minlength=len(downstream))
    ready = np.flatnonzero(waiting == 0).tolist()
    order = []
    while ready:
        segment = ready.pop()
        order.append(segment)
        below = int(downstream[segment])
        if below >= 0:
            waiting[below] -= 1
            if waiting[below] == 0:
                ready.append(below)
    return order


def _given(reaches: pd.DataFrame, source_parts: pd.DataFrame) -> tuple[Floats, Floats]:
    """Give the area the data hold for the line under each reach's lower end, and where that line's own lower end is.

    The area is NaN where there is none or it is not above 0.
    """
    given, given_at = np.full(len(reaches), np.nan), np.zeros(len(reaches))
    if source_parts["area_km2"].isna().all():
        return given, given_at
    by_segment = {n: p.sort_values("from_m") for n, p in source_parts.groupby("segment_no")}
    for row, (number, from_m) in enumerate(zip(reaches["segment_no"], reaches["from_m"], strict=True)):
        parts = by_segment[number]
        place = int(np.searchsorted(parts["from_m"], from_m + 1e-6, side="right")) - 1
        given[row], given_at[row] = parts["area_km2"].iloc[place], parts["from_m"].iloc[place]
    return np.where(given > 0, given, np.nan), given_at


def area_findings(reaches: pd.DataFrame) -> list[Finding]:
    """Say where areas are missing, and where given and routed ones disagree."""
    found = []
    lost = reaches[reaches["drainage_area_km2"].isna()]
    if len(lost):
        says = (
            f"The drainage area of {len(lost)} of {len(reaches)} reaches is missing: the ground above them meets the "
            "edge of the DEM while it still rises, or they lie outside it. Bankfull width, discharge and stream power "
            "are missing with it."
        )
        do = "Give a DEM of the whole watershed; [layers] watershed if it was cut along the divide; or an area column."
        found.append(Finding("warning", "reaches", "area_missing", "", says, do))
    both = reaches.dropna(subset=["given_km2", "routed_km2"])
    off = both[(both["routed_km2"] / both["given_km2"] - 1).abs() > DISAGREE]
    if len(off):
        says = (
            "The drainage area in the data differs from the one routed on the DEM to the same place by over "
            f"{DISAGREE:.0%} on {len(off)} of {len(both)} reaches: {listed(off['reach_id'])}. The data's is used."
        )
        found.append(Finding("note", "reaches", "area_differs", "", says, "Look at the lines and the DEM there."))
    return found
