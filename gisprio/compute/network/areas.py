"""Drainage area along the network: the ground of each piece, carried downstream by the lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.terrain.flow import PIECE_M
from gisprio.contracts.constants import SQUARE_MILE_KM2
from gisprio.contracts.findings import Finding, listed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
DISAGREE = 0.1
"""Share by which a given area may differ from the routed one without a word [own]."""
HEALED_M = 200.0
"""Cut ground that follows below an inflow, without a longer stretch of whole ground between, is what the inflow stands
for [own]."""
GROUND_CUT, STREAM_CUT = 1, 2
FAR_TIMES = 2.0
"""Given and routed area so many times each other: one of them is of another place, or in another unit [own]."""
AREA_UNITS = {
    "hectares": 100.0,
    "acres": 640 / SQUARE_MILE_KM2.value,
    "square miles": 1 / SQUARE_MILE_KM2.value,
    "square metres": 1e6,
}
"""What 1 km2 is in units that area columns come in."""
UNIT_WITHIN, UNIT_SHARE, UNIT_LEAST = 0.15, 0.8, 5
"""Ratios so near to one unit's, on so much of at least so many reaches, are that unit [own]."""
CAUSES = (
    "outside the DEM",
    "the ground above meets the edge of the DEM",
    "a stream above comes in from beyond the DEM",
)
"""Why an area is missing: without a cut, by cut ground, by a cut stream."""


@dataclass(frozen=True)
class Ground:
    """Ground of the pieces of segments, summed down each segment.

    Parameters
    ----------
    first, count
        (n,) first piece of each segment, and how many it has.
    own_km2, from_top_km2
        (m,) ground of each piece, and of it and all above it on its segment.
    cut, cut_below
        (m,) whether it or one above it on its segment is cut; and the same for places below the segment's inflow.
    """

    first: Ints
    count: Ints
    own_km2: Floats
    from_top_km2: Floats
    cut: NDArray[np.bool_]
    cut_below: NDArray[np.bool_]

    def above(self, segment_no: Ints, place_m: Floats) -> Floats:
        """Give the ground of a segment that lies above a place on it [km2]; (r,)."""
        row, share, there, more = self._at(segment_no, place_m)
        upper = np.where(more, self.from_top_km2[np.where(more, row + 1, 0)], 0.0)
        return np.where(there, share * self.own_km2[row] + upper, 0.0)

    def is_cut(self, segment_no: Ints, place_m: Floats, below_inflow: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Say whether ground of a segment above a place on it is cut; (r,)."""
        row, _, there, _ = self._at(segment_no, place_m)
        return there & np.where(below_inflow, self.cut_below[row], self.cut[row])

    def _at(self, segment_no: Ints, place_m: Floats) -> tuple[Ints, Floats, NDArray[np.bool_], NDArray[np.bool_]]:
        """Give the piece at a place, its share above it, whether there is one, and whether another lies above."""
        number = np.maximum(np.floor(place_m / PIECE_M), 0).astype(np.int64)
        there = number < self.count[segment_no]
        row = np.where(there, self.first[segment_no] + number, 0)
        share = np.clip(1.0 - (place_m - number * PIECE_M) / PIECE_M, 0.0, 1.0)
        return row, share, there, there & (number + 1 < self.count[segment_no])


@dataclass(frozen=True)
class NetworkAreas:
    """Areas of segments, row = segment_no.

    Parameters
    ----------
    above_km2, below_km2
        (n,) area that flows in at the upper end, and at the lower end just above the confluence.
    cause_above
        (n,) what is cut off above the segment, place in ``CAUSES``; 0 for nothing.
    ground
        The ground of the segments' pieces.
    inflow_at_m, inflow_km2
        (n,) place of a known inflow and its area; NaN for none.
    downstream
        (n,) segment each flows into; -1 at an outlet.
    minor
        (n,) segments that carry only water that left a main path.
    lender
        (n,) of a minor way the main one beside it; -1 for none.
    """

    above_km2: Floats
    below_km2: Floats
    cause_above: NDArray[np.int8]
    ground: Ground
    inflow_at_m: Floats
    inflow_km2: Floats
    downstream: Ints
    minor: NDArray[np.bool_]
    lender: Ints

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
            Row for row: ``drainage_area_km2``, ``drainage_area_basis``, ``drainage_area_says``; ``given_km2`` of the
            drawn line, and ``routed_km2`` at that line's lower end, to compare with (NaN where cut).

        Notes
        -----
        The data's area holds at the lower end of a drawn line. Further up it is shared: between what is given for the
        lines that flow in (none at a source; where that is unknown, in proportion to the routed area) and what is given
        at the lower end, by the share of the line's own ground that lies above. A minor path carries its own ground
        alone: where the data count the water of the main path on it too, that is taken off.
        """
        numbers, low = reaches["segment_no"].to_numpy(np.int64), reaches["from_m"].to_numpy(float)
        routed = self.routed(numbers, low)
        given, given_at, shared = self._given(numbers, low, source_parts)
        missing = np.isnan(routed) & np.isnan(given)
        basis = np.where(missing, "missing", np.where(np.isnan(given), "modelled", "measured"))
        says = np.array(CAUSES, object)[self.causes(numbers, low)]
        says[~missing] = None
        return pd.DataFrame(
            {
                "drainage_area_km2": np.where(np.isnan(given), routed, shared),
                "drainage_area_basis": basis,
                "drainage_area_says": says,
                "routed_km2": self.routed(numbers, given_at),
                "given_km2": given,
            },
            index=reaches.index,
        )

    def _given(self, numbers: Ints, low: Floats, source_parts: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Give the area the data hold for the line under each reach's lower end, where that line's own lower end is,
        and its share at the reach; NaN where none is given or it is not above 0.
        """
        if not (source_parts["area_km2"] > 0).any():
            return np.full(len(low), np.nan), np.zeros(len(low)), np.full(len(low), np.nan)
        parts = self._given_parts(source_parts)
        places = pd.DataFrame({"segment_no": numbers, "low": low + 1e-6, "row": np.arange(len(low))})
        part = pd.merge_asof(
            places.sort_values("low"), parts.sort_values("from_m"), left_on="low", right_on="from_m", by="segment_no"
        ).sort_values("row")
        given, given_at = part["given_km2"].to_numpy(float), part["from_m"].to_numpy(float)
        here, whole = self.ground.above(numbers, low), self.ground.above(numbers, given_at)
        # the last piece may be a short one: nothing lies above the end of the segment
        rest = np.where(part["top"], 0.0, self.ground.above(numbers, part["to_m"].to_numpy(float)))
        total, own = self._carried(numbers, given_at), whole - rest
        with np.errstate(divide="ignore", invalid="ignore"):
            unknown = np.where(total > 0, given * (1 - own / total), given)
            share = np.where(own > 0, (here - rest) / own, 1.0)
        inflow = part["inflow_km2"].to_numpy(float)
        inflow = np.minimum(np.where(np.isnan(inflow), unknown, inflow), given)
        shared = inflow + (given - inflow) * np.minimum(share, 1.0)
        return given, given_at, np.where(shared > 0, shared, given)

    def _given_parts(self, source_parts: pd.DataFrame) -> pd.DataFrame:
        """Add to each drawn part the area given, without what was lent by a main path; the area that flows into its
        upper end, 0 at a source, NaN where unknown; and whether it is the uppermost.
        """
        count = len(self.downstream)
        parts = source_parts.sort_values(["segment_no", "from_m"]).reset_index(drop=True)
        number = parts["segment_no"].to_numpy()
        given = parts["area_km2"].where(parts["area_km2"] > 0).to_numpy(float)
        lowest = parts.assign(given=given).drop_duplicates("segment_no").set_index("segment_no")["given"]
        lent = self._lent(lowest.reindex(range(count)).to_numpy(float))[number]
        given = np.where((lent > 0) & (given >= lent), given - lent, given)
        parts["given_km2"] = np.where(given > 0, given, np.nan)
        low = parts.drop_duplicates("segment_no").set_index("segment_no")["given_km2"].reindex(range(count)).to_numpy()
        low = np.where(self.minor & np.isnan(low) & (self.causes(np.arange(count)) == 0), self.below_km2, low)
        inflow = np.zeros(count)
        tributary = np.flatnonzero(self.downstream >= 0)
        np.add.at(inflow, self.downstream[tributary], low[tributary])
        top = ~parts["segment_no"].duplicated(keep="last")
        return parts.assign(inflow_km2=parts["given_km2"].shift(-1).where(~top, inflow[number]), top=top)

    def _lent(self, given_km2: Floats) -> Floats:
        """Give the area of the main path that the data may count on a minor one too; 0 for none. (n,)"""
        lent = np.zeros(len(self.downstream))
        if not self.minor.any():
            return lent
        feeders: dict[int, list[int]] = {}
        for number in np.flatnonzero(self.downstream >= 0).tolist():
            feeders.setdefault(int(self.downstream[number]), []).append(number)
        for number in upper_first(self.downstream):
            if not self.minor[number]:
                continue
            if number in feeders:
                lent[number] = max(lent[feeder] for feeder in feeders[number])
            elif self.lender[number] >= 0:
                lent[number] = np.nan_to_num(sum(given_km2[feeder] for feeder in feeders.get(self.lender[number], [])))
        return lent

    def routed(self, segment_no: Ints, from_m: Floats) -> Floats:
        """Give the area above places on segments [km2], (r,); NaN where some is cut off, or there is none at all."""
        area = self._carried(segment_no, from_m)
        return np.where((self.causes(segment_no, from_m) == 0) & (area > 0), area, np.nan)

    def _carried(self, segment_no: Ints, from_m: Floats) -> Floats:
        """Give the area known above places on segments [km2], (r,), whatever else is cut off."""
        at, own = self.inflow_at_m[segment_no], self.ground.above(segment_no, from_m)
        counted = self.inflow_km2[segment_no] - self.ground.above(segment_no, np.nan_to_num(at))
        return np.where(self._below_inflow(segment_no, from_m), counted, self.above_km2[segment_no]) + own

    def causes(self, segment_no: Ints, from_m: Floats | None = None) -> Ints:
        """Give what is cut off above places on segments, at their lower ends unless told: place in ``CAUSES``. (r,)"""
        place = np.zeros(len(segment_no)) if from_m is None else from_m
        below = self._below_inflow(segment_no, place)
        ground = GROUND_CUT * self.ground.is_cut(segment_no, place, below)
        return np.maximum(ground, np.where(below, 0, self.cause_above[segment_no])).astype(np.int64)

    def _below_inflow(self, segment_no: Ints, from_m: Floats) -> NDArray[np.bool_]:
        return np.asarray(from_m <= self.inflow_at_m[segment_no] + 1e-6)  # false where there is none


def network_areas(
    segments: pd.DataFrame,
    catchments: pd.DataFrame,
    inflows: pd.DataFrame | None = None,
    clipped: NDArray[np.bool_] | None = None,
) -> NetworkAreas:
    """Carry the ground of the pieces down the network.

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.
    catchments
        Layer ``catchments``.
    inflows
        ``segment_no`` (each once), ``at_m`` and ``area_km2``: places where the whole area is known. It stands in for
        what is routed above, and for what is cut off there.
    clipped
        (n,) sources that come in from beyond the DEM; none unless told.
    """
    count = len(segments)
    at, known = np.full(count, np.nan), np.full(count, np.nan)
    if inflows is not None:
        at[inflows["segment_no"]], known[inflows["segment_no"]] = inflows["at_m"], inflows["area_km2"]
    downstream = segments["downstream_no"].to_numpy(np.int64)
    own = ground_of(catchments, at)
    areas = NetworkAreas(
        above_km2=np.zeros(count),
        below_km2=np.zeros(count),
        cause_above=np.where(np.zeros(count, bool) if clipped is None else clipped, STREAM_CUT, 0).astype(np.int8),
        ground=own,
        inflow_at_m=at,
        inflow_km2=known,
        downstream=downstream,
        minor=segments["minor"].to_numpy(bool),
        lender=_lenders(segments),
    )
    numbers = np.arange(count)
    below_inflow = ~np.isnan(at)
    whole = own.above(numbers, np.zeros(count))
    fresh = np.where(below_inflow, known - own.above(numbers, np.nan_to_num(at)), 0.0)
    own_cause = GROUND_CUT * own.is_cut(numbers, np.zeros(count), below_inflow)
    above, below, cause = areas.above_km2, areas.below_km2, areas.cause_above
    for segment in upper_first(downstream):
        starts_anew = below_inflow[segment]
        below[segment] = whole[segment] + (fresh[segment] if starts_anew else above[segment])
        if downstream[segment] >= 0:
            above[downstream[segment]] += below[segment]
            passed = max(own_cause[segment], 0 if starts_anew else cause[segment])
            cause[downstream[segment]] = max(cause[downstream[segment]], passed)
    return areas


def ground_of(catchments: pd.DataFrame, inflow_at_m: Floats) -> Ground:
    """Sum the ground of pieces down each segment.

    Parameters
    ----------
    catchments
        Layer ``catchments``: every segment has its pieces.
    inflow_at_m
        (n,) place of a known inflow on each segment; NaN for none.
    """
    pieces = catchments.sort_values(["segment_no", "from_m"], kind="stable").reset_index(drop=True)
    number = pieces["segment_no"].to_numpy()
    count = np.bincount(number, minlength=len(inflow_at_m))
    first = np.cumsum(count) - count
    healed = pieces["cut"].to_numpy(bool).copy()
    for segment in np.flatnonzero(~np.isnan(inflow_at_m)).tolist():
        own = slice(first[segment], first[segment] + count[segment])
        healed[own] = _healed(pieces["from_m"].to_numpy(float)[own], healed[own], float(inflow_at_m[segment]))
    area = pieces["area_m2"].to_numpy(float) / 1e6
    upward = pd.DataFrame({"segment": number, "area": area, "cut": pieces["cut"], "healed": healed}).iloc[::-1]
    summed = upward.groupby("segment")["area"].cumsum().to_numpy()[::-1]
    cut = upward.groupby("segment")[["cut", "healed"]].cummax().to_numpy(bool)[::-1]
    return Ground(first, count, area, summed, cut[:, 0], cut[:, 1])


def _healed(from_m: Floats, cut: NDArray[np.bool_], at_m: float) -> NDArray[np.bool_]:
    """Take back cuts above an inflow, and those that follow below it."""
    left, edge = cut.copy(), at_m
    for row in np.flatnonzero(cut)[::-1].tolist():
        if edge - (from_m[row] + PIECE_M) > HEALED_M:
            break
        left[row], edge = False, min(edge, float(from_m[row]))
    return left


def _lenders(segments: pd.DataFrame) -> Ints:
    """Give for each minor segment the main one that begins at the same place; -1 for none. (n,)"""
    lender = np.full(len(segments), -1, np.int64)
    minor = segments["minor"].to_numpy(bool)
    fed = np.isin(np.arange(len(segments)), segments["downstream_no"].to_numpy())
    if not (minor & ~fed).any():
        return lender
    start = shapely.get_coordinates(shapely.get_point(np.asarray(segments.geometry.array), 0))
    main = {tuple(start[n]): n for n in np.flatnonzero(fed).tolist()}
    for number in np.flatnonzero(minor & ~fed).tolist():
        lender[number] = main.get(tuple(start[number]), -1)
    return lender


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


def area_findings(reaches: pd.DataFrame) -> list[Finding]:
    """Say where areas are missing, and where given and routed ones disagree."""
    found = []
    lost = reaches[reaches["drainage_area_km2"].isna()]
    if len(lost):
        count = lost["drainage_area_says"].value_counts()
        why = ", ".join(f"{cause} ({count[cause]})" for cause in reversed(CAUSES) if cause in count)
        says = (
            f"The drainage area of {len(lost)} of {len(reaches)} reaches is missing: {why}. "
            "Bankfull width, discharge and stream power are missing with it."
        )
        do = (
            "Give a DEM of the whole watershed; [layers] watershed if it was cut along the divide; [layers] inflows "
            "where a stream comes in; or an area column."
        )
        found.append(Finding("warning", "reaches", "area_missing", "", says, do))
    both = reaches.dropna(subset=["given_km2", "routed_km2"])
    off = both[(both["routed_km2"] / both["given_km2"] - 1).abs() > DISAGREE]
    unit = _unit_of(both)
    if unit is not None:
        ratio = float((both["given_km2"] / both["routed_km2"]).median())
        says = (
            f"The drainage area in the data is about {ratio:.3g} times the one routed on the DEM, on {len(both)} "
            f"reaches alike: it is likely in {unit}, and km2 are wanted. Bankfull width, discharge and stream power "
            "follow the data's."
        )
        found.append(Finding("warning", "streams", "area_unit", "", says, "Give [columns] streams.area_km2 in km2."))
    elif len(off):
        says = (
            "The drainage area in the data differs from the one routed on the DEM to the same place by over "
            f"{DISAGREE:.0%} on {len(off)} of {len(both)} reaches: {listed(off['reach_id'])}. The data's is used."
        )
        found.append(Finding("note", "reaches", "area_differs", "", says, "Look at the lines and the DEM there."))
    return found


def _unit_of(both: pd.DataFrame) -> str | None:
    """Name the unit that given areas are in, where they are all as many times the routed as a unit is of km2."""
    ratio = both["given_km2"] / both["routed_km2"].where(both["routed_km2"] > 0)
    if len(ratio) < UNIT_LEAST:
        return None
    for unit, times in AREA_UNITS.items():
        if (ratio / times - 1).abs().le(UNIT_WITHIN).mean() >= UNIT_SHARE:
            return unit
    return None


def given_doubts(reaches: pd.DataFrame) -> list[str | None]:
    """Say in words where the area in the data and the routed one are over twice each other; None elsewhere; (n,)."""
    given, routed = reaches["given_km2"].to_numpy(float), reaches["routed_km2"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        far = np.abs(np.log(given / routed)) > np.log(FAR_TIMES)
    return [
        f"the DEM gives {area:.3g} km2 here" if doubted else None for area, doubted in zip(routed, far, strict=True)
    ]
