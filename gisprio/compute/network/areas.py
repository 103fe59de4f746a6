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
    downstream
        (n,) segment each flows into; -1 at an outlet.
    """

    above_km2: Floats
    below_km2: Floats
    cut_above: NDArray[np.bool_]
    pieces: pd.DataFrame
    downstream: NDArray[np.int64]

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

        Notes
        -----
        The data's area holds at the lower end of a drawn line. Further up it is shared: between what is given for the
        lines that flow in (none at a source; where that is unknown, in proportion to the routed area) and what is given
        at the lower end, by the share of the line's own ground that lies above.
        """
        numbers = reaches["segment_no"].to_numpy(int)
        routed = self.routed(numbers, reaches["from_m"].to_numpy(float))
        given, given_at, shared = self._given(reaches, source_parts)
        missing = np.isnan(routed) & np.isnan(given)
        basis = np.where(missing, "missing", np.where(np.isnan(given), "modelled", "measured"))
        return pd.DataFrame(
            {
                "drainage_area_km2": np.where(np.isnan(given), routed, shared),
                "drainage_area_basis": basis,
                "routed_km2": self.routed(numbers, given_at),
                "given_km2": given,
            },
            index=reaches.index,
        )

    def _given(self, reaches: pd.DataFrame, source_parts: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Give the area the data hold for the line under each reach's lower end, where that line's own lower end is,
        and its share at the reach; NaN where none is given or it is not above 0.
        """
        given, given_at, shared = np.full(len(reaches), np.nan), np.zeros(len(reaches)), np.full(len(reaches), np.nan)
        if not (source_parts["area_km2"] > 0).any():
            return given, given_at, shared
        parts = _given_parts(source_parts, self.downstream)
        by_segment = {n: p.to_dict("list") for n, p in parts.groupby("segment_no")}
        pieces = {
            n: (p["from_m"].to_numpy(), p["area_m2"].to_numpy() / 1e6) for n, p in self.pieces.groupby("segment_no")
        }
        for row, (number, low) in enumerate(zip(reaches["segment_no"], reaches["from_m"], strict=True)):
            part = by_segment[number]
            place = int(np.searchsorted(part["from_m"], low + 1e-6, side="right")) - 1
            given[row], given_at[row] = part["area_km2"][place], part["from_m"][place]
            at, area = pieces[number]
            here, whole = (float(_above(at, end) @ area) for end in (low, part["from_m"][place]))
            top = place == len(part["from_m"]) - 1  # the last piece may be a short one: nothing lies above its end
            rest = 0.0 if top else float(_above(at, part["to_m"][place]) @ area)
            total = self.above_km2[number] + whole
            inflow = part["inflow_km2"][place]
            if np.isnan(inflow):
                inflow = given[row] * (1 - (whole - rest) / total) if total > 0 else given[row]
            inflow = min(inflow, given[row])
            share = (here - rest) / (whole - rest) if whole > rest else 1.0
            shared[row] = inflow + (given[row] - inflow) * min(share, 1.0)
        return given, given_at, np.where(shared > 0, shared, given)

    def routed(self, segment_no: NDArray[np.int64], from_m: Floats) -> Floats:
        """Give the area above places on segments [km2], (n,); NaN where some is cut off, or there is none at all."""
        area = np.empty(len(segment_no))
        by_segment = {
            number: (own["from_m"].to_numpy(), own["area_m2"].to_numpy(), own["cut"].to_numpy())
            for number, own in self.pieces.groupby("segment_no")
        }
        for row, (number, low) in enumerate(zip(segment_no.tolist(), from_m.tolist(), strict=True)):
            at, own, cut = by_segment[number]
            above = _above(at, low)
            area[row] = self.above_km2[number] + float(above @ own) / 1e6
            if self.cut_above[number] or cut[above > 0].any():
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
    return NetworkAreas(above, below, cut_above, catchments, downstream)


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


def _above(piece_from_m: Floats, place_m: float) -> Floats:
    """Give the share of each piece that lies above a place on its segment."""
    return np.clip((piece_from_m + PIECE_M - place_m) / PIECE_M, 0.0, 1.0)


def _given_parts(source_parts: pd.DataFrame, downstream: NDArray[np.int64]) -> pd.DataFrame:
    """Add to each drawn part the area given for what flows into its upper end: 0 at a source, NaN where unknown."""
    parts = source_parts.sort_values(["segment_no", "from_m"]).reset_index(drop=True)
    parts["area_km2"] = parts["area_km2"].where(parts["area_km2"] > 0)
    lowest = parts.drop_duplicates("segment_no").set_index("segment_no")["area_km2"]
    inflow = np.zeros(len(downstream))
    tributary = np.flatnonzero(downstream >= 0)
    np.add.at(inflow, downstream[tributary], lowest.reindex(tributary).to_numpy())
    top = ~parts["segment_no"].duplicated(keep="last")
    above = parts["area_km2"].shift(-1)
    return parts.assign(inflow_km2=above.where(~top, inflow[parts["segment_no"].to_numpy()]))


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
