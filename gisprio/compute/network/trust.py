"""Drainage areas that cannot be trusted, told from the lines and the DEM alone, without any reference.

Two things go wrong. A side stream that the lines do not show joins near the place where the area is asked for, a little
above or below: which of the two decides. Or the line lies beside its channel by more than the routing made up for, and
the channel of the DEM carries the water past it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gisprio.compute.network.areas import NetworkAreas
from gisprio.compute.terrain.flow import PIECE_M
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Grid

Floats = NDArray[np.float64]
NEAR_CELLS = 3
"""So many cells off, a line and its channel are looked for together [own]."""
NEAR_LINE_ERRORS = 3.0
"""...and along the stream so many errors of the line's place [own]."""
DOUBTFUL_SHARE = 0.1
"""Share of the area that a side stream must bring to matter [own]."""
PAST_RATIO = 1.25
"""The DEM's own channel must carry so many times the area of the line to be another one [own]."""
MINOR_DOUBT = "a minor path: its own ground alone, and a share of the main path's water that is not known"
LEAST_PLACES = 5
"""Places along a reach, a cell apart, needed to judge it [own]."""


@dataclass(frozen=True)
class Doubts:
    """What speaks against the drainage area of each reach, row for row.

    Parameters
    ----------
    side_stream_km2
        (n,) area of the largest side stream without a line near the reach's lower end; 0 for none [km2].
    past_ratio
        (n,) area of the DEM's own channel near the line over that of the line, median along the reach; NaN where it
        cannot be told.
    """

    side_stream_km2: Floats
    past_ratio: Floats

    @property
    def side_stream(self) -> NDArray[np.bool_]:
        """Say which reaches have such a side stream."""
        return self.side_stream_km2 > 0

    @property
    def beside(self) -> NDArray[np.bool_]:
        """Say past which reaches the water runs."""
        return np.asarray(np.nan_to_num(self.past_ratio) > PAST_RATIO)

    def words(self, used: NDArray[np.bool_]) -> list[str | None]:
        """Say in words what speaks against each reach's area; None for nothing, or where that area is not used."""
        return [
            None
            if not asked
            else f"the DEM's own channel beside the line carries {ratio:.1f} times the area"
            if past
            else f"a side stream of {side:.2f} km2 without a line joins near its lower end"
            if side > 0
            else None
            for side, ratio, past, asked in zip(self.side_stream_km2, self.past_ratio, self.beside, used, strict=True)
        ]


def area_doubts(
    reaches: pd.DataFrame,
    segments: pd.DataFrame,
    areas: NetworkAreas,
    own_area: Grid,
    *,
    line_error_m: float,
    start_area_km2: float,
) -> Doubts:
    """Look for reasons not to trust the routed drainage area of each reach.

    Parameters
    ----------
    reaches
        ``segment_no``, ``from_m``, ``to_m``.
    segments
        Layer ``segments``, row = segment_no.
    areas
        Of :func:`network_areas`.
    own_area
        Drainage area of every cell by the raw heights alone, no line lowered [km2].
    line_error_m
        Standard error of the lines' place [m].
    start_area_km2
        Area from which on a side valley counts as a stream [km2].
    """
    near_m = max(NEAR_CELLS * own_area.lattice.cell_m, NEAR_LINE_ERRORS * line_error_m)
    return Doubts(
        side_streams(reaches, areas, near_m, start_area_km2),
        past_ratios(reaches, segments, areas, own_area),
    )


def side_streams(reaches: pd.DataFrame, areas: NetworkAreas, near_m: float, start_area_km2: float) -> Floats:
    """Give the largest area that one piece of line takes up near each reach's lower end, 0 where it does not matter.

    Parameters
    ----------
    reaches, areas
        See :func:`area_doubts`.
    near_m
        How far up and down the segment is looked [m].
    start_area_km2
        Smaller inflows are ground, not streams [km2].

    Returns
    -------
    ndarray
        (n,) [km2].
    """
    number, low = reaches["segment_no"].to_numpy(), reaches["from_m"].to_numpy(float)
    routed, ground = areas.routed(number, low), areas.ground
    pieces = ground.count[number]
    pieces = pieces - (areas.above_km2[number] <= 0)  # what enters at the head of a line is its own ground
    found = np.zeros(len(reaches))
    middle = np.floor(low / PIECE_M).astype(np.int64)
    for step in range(-int(np.ceil(near_m / PIECE_M)) - 1, int(np.ceil(near_m / PIECE_M)) + 2):
        at = (middle + step) * PIECE_M
        away = np.maximum(np.maximum(at - low, low - (at + PIECE_M)), 0.0)
        near = (away <= near_m) & (middle + step >= 0) & (middle + step < pieces)
        row = np.where(near, ground.first[number] + middle + step, 0)
        found = np.maximum(found, np.where(near, ground.own_km2[row], 0.0))
    matters = (found >= start_area_km2) & (found >= DOUBTFUL_SHARE * np.nan_to_num(routed))
    return np.where(matters, found, 0.0)


def past_ratios(reaches: pd.DataFrame, segments: pd.DataFrame, areas: NetworkAreas, own_area: Grid) -> Floats:
    """Compare the area of the DEM's own channel near each line with the line's; median along each reach, (n,).

    Places near another segment are left out: there the larger channel may be the neighbour's. So are minor paths, which
    carry their own ground alone.
    """
    cell = own_area.lattice.cell_m
    places = _places(reaches, cell)
    lines = np.asarray(segments.geometry.array)
    down = segments["length_m"].to_numpy()[places["segment_no"]] - places["at_m"].to_numpy()
    points = shapely.line_interpolate_point(lines[places["segment_no"]], down)
    alone = _alone(points, places["segment_no"].to_numpy(), lines, (NEAR_CELLS + 1) * cell)
    alone &= ~areas.minor[places["segment_no"]]
    x, y = shapely.get_coordinates(points).T
    largest = np.asarray(_largest_near(own_area).nearest(x, y, np.nan), float)
    routed = areas.routed(places["segment_no"].to_numpy(), places["at_m"].to_numpy())
    ratio = pd.Series(np.where(alone, largest / routed, np.nan))
    by_reach = ratio.groupby(places["row"].to_numpy())
    median = by_reach.median().where(by_reach.count() >= LEAST_PLACES)
    return median.reindex(range(len(reaches))).to_numpy(float)


def _places(reaches: pd.DataFrame, step_m: float) -> pd.DataFrame:
    """Lay places a step apart along each reach: row of the reach, segment, place upstream [m]."""
    low, high = reaches["from_m"].to_numpy(float), reaches["to_m"].to_numpy(float)
    count = np.maximum(1, ((high - low) / step_m).astype(int))
    row = np.repeat(np.arange(len(reaches)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    at = low[row] + (step + 0.5) * ((high - low) / count)[row]
    return pd.DataFrame({"row": row, "segment_no": reaches["segment_no"].to_numpy()[row], "at_m": at})


def _alone(
    points: NDArray[np.object_], segment_no: NDArray[np.int64], lines: NDArray[np.object_], away_m: float
) -> NDArray[np.bool_]:
    """Say which points lie farther than ``away_m`` from every segment but their own; (n,)."""
    point, line = shapely.STRtree(lines).query(points, predicate="dwithin", distance=away_m)
    others = np.bincount(point[line != segment_no[point]], minlength=len(points))
    return np.asarray(others == 0)


def _largest_near(own_area: Grid) -> Grid:
    """Give the largest area within three cells of each cell, NaN where there is none."""
    values = np.where(own_area.valid(), own_area.values, 0.0)
    largest = ndimage.maximum_filter(values, size=2 * NEAR_CELLS + 1, mode="constant")
    return Grid(np.where(largest > 0, largest, np.nan), own_area.lattice, own_area.row, own_area.column, None)


def doubt_findings(reach_ids: list[str], doubts: Doubts, used: NDArray[np.bool_]) -> list[Finding]:
    """Name the reaches whose routed area is in doubt, the worst kind first.

    Parameters
    ----------
    reach_ids
        (n,) ids.
    doubts
        Of :func:`area_doubts`.
    used
        (n,) whether the routed area is the one used: none in the data.
    """
    ids = np.asarray(reach_ids, object)
    found = []
    for these, what, do in (
        (
            doubts.beside & used,
            "the DEM's own channel beside the line carries over a quarter more water than the line was given: the line "
            "lies off its channel, or the DEM shows another way",
            "Look at the line and the DEM there; give an area column, or a better placed line.",
        ),
        (
            doubts.side_stream & ~doubts.beside & used,
            "a side stream without a line joins near the reach's lower end and brings over a tenth of the area: just "
            "above or below it the area is another one",
            "Add the side stream to the lines, or take the area of the next reach.",
        ),
    ):
        if these.any():
            says = f"The drainage area of {int(these.sum())} of {len(ids)} reaches is in doubt: {what}: "
            found.append(Finding("warning", "reaches", "area_doubt", "", f"{says}{listed(ids[these])}.", do))
    return found


def minor_findings(reaches: pd.DataFrame, minor: NDArray[np.bool_]) -> list[Finding]:
    """Tell minor paths apart from the streams whose flow is known; ``minor``: (n,) of the reaches."""
    if not minor.any():
        return []
    says = (
        f"{int(minor.sum())} of {len(reaches)} reaches ({reaches['length_m'][minor].sum() / 1000:.3f} km) are minor "
        "paths: how much of the main path's water they take is not known, so that their area is that of their own "
        "ground, their width is at least what it says and stream power is null. They are ranked as channels of their "
        "own; only where the ground between is an island, up to 10 widths wide, its sides are not."
    )
    do = "Look at them before their rank is believed; give the kind of those that are dry or closed."
    return [Finding("note", "reaches", "minor_path", "", says, do)]
