"""Drainage area along the network: the ground of each piece, carried downstream by the lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.terrain.flow import PIECE_M
from gisprio.contracts.findings import Finding, listed

Floats = NDArray[np.floating]
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

        Returns
        -------
        DataFrame
            ``reach_no``, ``drainage_area_km2``, ``drainage_area_basis``, ``routed_km2``, ``given_km2``.
        """
        routed, cut = self._routed(reaches)
        given = _given(reaches, source_parts)
        area = np.where(np.isnan(given), np.where(cut, np.nan, routed), given)
        basis = np.where(np.isnan(given), np.where(cut, "missing", "modelled"), "measured")
        return pd.DataFrame(
            {
                "reach_no": reaches["reach_no"].to_numpy(),
                "drainage_area_km2": area,
                "drainage_area_basis": basis,
                "routed_km2": np.where(cut, np.nan, routed),
                "given_km2": given,
            }
        )

    def _routed(self, reaches: pd.DataFrame) -> tuple[Floats, NDArray[np.bool_]]:
        """Area in km2 at each reach's lower end, and whether some of it is cut off."""
        area, cut = np.empty(len(reaches)), np.empty(len(reaches), bool)
        by_segment = dict(list(self.pieces.groupby("segment_no")))
        for row, (number, from_m) in enumerate(zip(reaches["segment_no"], reaches["from_m"], strict=True)):
            own = by_segment[number]
            upper = own["from_m"].to_numpy() >= from_m - PIECE_M / 2
            area[row] = self.above_km2[number] + own["area_m2"].to_numpy()[upper].sum() / 1e6
            cut[row] = self.cut_above[number] or own["cut"].to_numpy()[upper].any()
        return area, cut


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


def _given(reaches: pd.DataFrame, source_parts: pd.DataFrame) -> Floats:
    """Give the area the data hold for the line under each reach's lower end; NaN where none or not above 0."""
    given = np.full(len(reaches), np.nan)
    if source_parts["area_km2"].isna().all():
        return given
    by_segment = {n: p.sort_values("from_m") for n, p in source_parts.groupby("segment_no")}
    for row, (number, from_m) in enumerate(zip(reaches["segment_no"], reaches["from_m"], strict=True)):
        parts = by_segment[number]
        place = int(np.searchsorted(parts["from_m"], from_m + 1e-6, side="right")) - 1
        given[row] = parts["area_km2"].iloc[place]
    return np.where(given > 0, given, np.nan)


def area_findings(reaches: pd.DataFrame) -> list[Finding]:
    """Say where areas are missing, and where given and routed ones disagree."""
    found = []
    lost = reaches[reaches["drainage_area_km2"].isna()]
    if len(lost):
        says = (
            f"The drainage area of {len(lost)} of {len(reaches)} reaches is missing: the ground above them meets the edge of the "
            "DEM while it still rises. Bankfull width, discharge and stream power are missing with it."
        )
        do = "Give a DEM that covers the watershed; [layers] watershed if it was cut along the divide; or an area column."
        found.append(Finding("warning", "reaches", "area_missing", "", says, do))
    both = reaches.dropna(subset=["given_km2", "routed_km2"])
    off = both[(both["routed_km2"] / both["given_km2"] - 1).abs() > DISAGREE]
    if len(off):
        says = (
            f"The drainage area in the data differs from the one routed on the DEM by over {DISAGREE:.0%} on {len(off)} of "
            f"{len(both)} reaches: {listed(off['reach_id'])}. The data's is used."
        )
        found.append(Finding("note", "reaches", "area_differs", "", says, "Look at the lines and the DEM there."))
    return found
