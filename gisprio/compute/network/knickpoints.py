"""Knickpoints: places where the long profile takes a step that neither the stream above nor the one below explains."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.network.profile import Profile, surveys_along
from gisprio.compute.network.seams import seams
from gisprio.contracts.constants import SLOPE_WIDTHS
from gisprio.contracts.findings import Finding, listed

Floats = NDArray[np.float64]
FACE_CELLS = 3.0
"""A step is looked for over this many cells [own]..."""
FACE_WIDTHS = 2.0
"""...or this many bankfull widths, whichever is longer [own]."""
SIDE_CELLS = 10.0
"""The stream above and below is looked at over 20 bankfull widths, at least this many cells [own]."""
LEAST_SIDE = 5
"""Fewest heights on each side [own]."""
MOST_SIDE = 24
"""Of more heights on a side, this many evenly spaced ones are taken."""
LEAST_DROP_M = 0.5
"""Smaller steps are none [own]."""
HEIGHT_ERRORS = 3.0
"""A step is at least this many standard errors of one height [own]."""
SCATTERS = 5.0
"""A step is at least this many of its own standard errors, as the same measure scatters along all streams [own]."""
STEEPER = 3.0
"""A step is at least this many times as steep as the stream on either side [own]."""
FACE_SHARE = 0.25
"""Heights over this share above the lower stream, and as much below the upper one, are the step's face [own]."""
NEAR_CROSSING_M = 15.0
"""A step whose face is so near to a road that crosses is one at a crossing [own]."""


@dataclass(frozen=True)
class Knickpoint:
    """A step on a path: its middle, where its face begins and ends [m upstream], and its height [m]."""

    at: float
    low: float
    high: float
    drop: float


def main_paths(segments: pd.DataFrame) -> list[list[int]]:
    """Give the streams: from each outlet or mouth up the main path to its source, segments lowest first.

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.

    Returns
    -------
    list of list of int
        Each segment stands in one of them. Sorted by the lowest segment.
    """
    down, up = segments["downstream_no"].to_numpy(), segments["main_upstream_no"].to_numpy()
    paths = []
    for mouth in range(len(segments)):
        if down[mouth] >= 0 and up[down[mouth]] == mouth:
            continue
        path = [mouth]
        while up[path[-1]] >= 0:
            path.append(int(up[path[-1]]))
        paths.append(path)
    return paths


def path_offsets(path: list[int], length_m: Floats) -> Floats:
    """Give where each segment of a path begins, upstream from the path's lower end [m]; (n,)."""
    return np.concatenate([[0.0], np.cumsum(length_m[path][:-1])])


def find_knickpoints(
    segments: pd.DataFrame, profiles: Mapping[int, Profile], width_m: Floats, height_error_m: float | None
) -> pd.DataFrame:
    """Find the steps of all streams.

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.
    profiles
        Of :func:`~gisprio.compute.network.profile.segment_profiles`.
    width_m
        (n,) bankfull width of each segment [m]; NaN counts as 0.
    height_error_m
        Standard error of one height, where it is known [m].

    Returns
    -------
    DataFrame
        Layer ``knickpoints``: one row a step, by segment and place.

    Notes
    -----
    At each place between two heights a line is laid through the heights of the stream above and another through those
    below (Theil and Sen: the median of the slopes of all pairs, none upward), the nearest half of a face left out on
    each side. The step is how far the upper line stands above the lower one there: an even slope gives 0, a change of
    slope too. It counts where it is at least 0.5 m, at least three errors of one height (the larger of the one given
    and the scatter of the heights about the two lines), at least five times its own error as told by how the measure
    scatters along all streams of the run, and where its face is at least three times as steep as the stream on either
    side. All these limits are our own. Where a step is found the profile is cut and both parts are looked at again. A
    pond, a pipe or a seam between surveys of the DEM ends a profile as a source does.

    Limits: with independent errors of 0.3 m on 10 m cells, 0 false steps in 900 km; of steps of 2 m four in five are
    found, of 3 m all, to the cell. As heights are the lowest within one cell, a step shows one to two cells too far
    upstream. A step within five cells of another, of a pond or of the stream's end is not seen, and a DEM of 30 m shows
    hardly any. A rapid longer than a side is a steep stretch, and a fill over half as long as one looks like a step.
    """
    length = segments["length_m"].to_numpy(float)
    paths = main_paths(segments)
    pieces = [_pieces_of(path, path_offsets(path, length), profiles, np.nan_to_num(width_m)) for path in paths]
    scatter = _scatter([piece for some in pieces for piece in some])
    rows = []
    for path, some in zip(paths, pieces, strict=True):
        offset = path_offsets(path, length)
        crossing = [o + place for o, n in zip(offset, path, strict=True) for place in profiles[n].crossings]
        for step in (found for piece in some for found in _steps(piece, scatter, height_error_m or 0.0)):
            which = int(np.searchsorted(offset, step.at, side="right")) - 1
            near = any(step.low - NEAR_CROSSING_M <= place <= step.high + NEAR_CROSSING_M for place in crossing)
            start = offset[which]
            rows.append((path[which], step.at - start, step.low - start, step.high - start, step.drop, near))
    names = ["segment_no", "at_m", "face_from_m", "face_to_m", "drop_m", "near_crossing"]
    table = pd.DataFrame(rows, columns=names).sort_values(["segment_no", "at_m"], kind="stable", ignore_index=True)
    return table.astype({"segment_no": "int64", "near_crossing": bool} | dict.fromkeys(names[1:5], "float64"))


def faces_of(segments: pd.DataFrame, knickpoints: pd.DataFrame) -> dict[int, list[tuple[float, float]]]:
    """Give the faces of steps by segment, upstream from its lower end [m]; one across a confluence stands in both."""
    length = segments["length_m"].to_numpy(float)
    down, up = segments["downstream_no"].to_numpy(), segments["main_upstream_no"].to_numpy()
    faces: dict[int, list[tuple[float, float]]] = {}
    for row in knickpoints.itertuples(index=False):
        number = int(row.segment_no)
        faces.setdefault(number, []).append((row.face_from_m, row.face_to_m))
        if row.face_from_m < 0 and down[number] >= 0:
            under = int(down[number])
            faces.setdefault(under, []).append((row.face_from_m + length[under], row.face_to_m + length[under]))
        if row.face_to_m > length[number] and up[number] >= 0:
            above = int(up[number])
            faces.setdefault(above, []).append((row.face_from_m - length[number], row.face_to_m - length[number]))
    return faces


def knickpoint_findings(knickpoints: pd.DataFrame, reaches: pd.DataFrame) -> list[Finding]:
    """Say how many steps there are and where: they part the slopes, and someone may want to look at them."""
    if not len(knickpoints):
        return []
    ids = reaches["reach_id"].to_numpy(object)
    told = []
    for row in knickpoints.sort_values(["drop_m", "segment_no", "at_m"], ascending=[False, True, True]).itertuples():
        own = (reaches["segment_no"] == row.segment_no) & (reaches["from_m"] <= row.at_m)
        where = ids[np.flatnonzero(own.to_numpy())[-1]]
        told.append(f"{row.drop_m:.1f} m in {where}" + (" at a crossing" if row.near_crossing else ""))
    many = "1 step" if len(told) == 1 else f"{len(told)} steps"
    says = (
        f"The long profile has {many} too steep for the stream above and below: {listed(told)}. Slopes are not "
        "measured across them."
    )
    do = "Look there: a dam, a hanging culvert, a bedrock step or a headcut; or a fault of the DEM."
    return [Finding("note", "reaches", "knickpoint", "", says, do)]


@dataclass(frozen=True)
class _Piece:
    """Known heights between two barriers, and the lengths of face and side at each [m]."""

    at: Floats
    height: Floats
    face: Floats
    side: Floats

    def part(self, low: int, high: int) -> _Piece:
        return _Piece(self.at[low:high], self.height[low:high], self.face[low:high], self.side[low:high])

    def measure(self) -> Floats:
        """Give the rows of :func:`measure_steps`."""
        return measure_steps(self.at, self.height, self.face, self.side)


def _pieces_of(path: list[int], offset: Floats, profiles: Mapping[int, Profile], width_m: Floats) -> list[_Piece]:
    """Put the known heights of a stream together, cut at barriers and where the survey changes."""
    parts = [profiles[n] for n in path]
    at = np.concatenate([o + part.at for o, part in zip(offset, parts, strict=True)])
    height = np.concatenate([part.height for part in parts])
    barrier = np.concatenate([part.barrier for part in parts])
    width = np.repeat(width_m[path], [len(part.at) for part in parts])
    cell = max(2.0 * float(part.at[0]) for part in parts)  # a segment shorter than a cell has its middle alone
    known = ~np.isnan(height) & ~barrier
    whole = _Piece(
        at[known],
        height[known],
        np.maximum(FACE_CELLS * cell, FACE_WIDTHS * width)[known],
        np.maximum(SIDE_CELLS * cell, SLOPE_WIDTHS.value * width)[known],
    )
    group = np.cumsum(barrier | seams(surveys_along(parts)))[known]
    borders = [0, *(np.flatnonzero(np.diff(group)) + 1).tolist(), len(group)]
    return [whole.part(low, high) for low, high in pairwise(borders) if high - low >= 2 * LEAST_SIDE]


def _scatter(pieces: list[_Piece]) -> float:
    """Give the standard error of a height that explains how steps scatter along all streams, by the median [m]."""
    measures = np.concatenate([piece.measure() for piece in pieces] or [np.empty((0, 6))])
    told = measures[:, 0] / measures[:, 5]
    told = told[~np.isnan(told)]
    return 1.4826 * float(np.median(np.abs(told - np.median(told)))) if len(told) else 0.0


def _steps(piece: _Piece, scatter: float, height_error_m: float) -> list[Knickpoint]:
    """Find the largest step of a piece, cut there, look at both parts again; upstream in order."""
    if len(piece.at) < 2 * LEAST_SIDE:
        return []
    measures = piece.measure()
    drop, _, below, above, rough, unsure = measures.T
    least = np.maximum(LEAST_DROP_M, HEIGHT_ERRORS * np.maximum(rough, height_error_m))
    least = np.maximum(least, SCATTERS * scatter * unsure)
    steep = (STEEPER - 1) * np.maximum(np.maximum(below, above), 0.0) * piece.face[:-1]
    counts = drop >= np.maximum(least, steep)  # never of NaN
    if not counts.any():
        return []
    best = np.flatnonzero(counts & (drop >= drop[counts].max() - 1e-9))
    place = int(best[len(best) // 2])
    at, low, high = _face(piece, place, measures[place])
    step = Knickpoint(at, float(piece.at[low]), float(piece.at[high]), float(drop[place]))
    return [
        *_steps(piece.part(0, low + 1), scatter, height_error_m),
        step,
        *_steps(piece.part(high, len(piece.at)), scatter, height_error_m),
    ]


def _face(piece: _Piece, place: int, measure: Floats) -> tuple[float, int, int]:
    """Give where a step is [m], the last height of the stream below it and the first of the stream above it."""
    drop, lower, below, above = measure[:4]
    here, reach = (piece.at[place] + piece.at[place + 1]) / 2, piece.face[place]
    first, last = np.searchsorted(piece.at, (here - reach, here + reach))
    near = np.arange(min(first, place), max(last, place + 2))
    x = piece.at[near] - here
    share = (piece.height[near] - lower - below * x) / np.maximum(drop + (above - below) * x, 1e-9)
    low = min(int(np.argmin(np.cumsum(share - 0.5))), len(near) - 2)  # parts low heights and high ones best
    high = low + 1
    at = float(piece.at[near[low]] + piece.at[near[high]]) / 2
    while low > 0 and share[low] > FACE_SHARE:
        low -= 1
    while high < len(near) - 1 and share[high] < 1 - FACE_SHARE:
        high += 1
    return at, int(near[low]), int(near[high])


@njit(cache=True, nogil=True)
def measure_steps(at: Floats, height: Floats, face: Floats, side: Floats) -> Floats:
    """Measure the step between each two neighbouring heights of a profile.

    Parameters
    ----------
    at, height
        (n,) places and heights, upstream [m].
    face, side
        (n,) length left out around a place, and length of the stream above and below it that is looked at [m].

    Returns
    -------
    array
        (n - 1, 6): step [m], level of the lower stream at the place [m], its slope, slope of the upper stream, scatter
        of the heights about both lines [m], standard error of a step over that of a height; NaN where a side has fewer
        than five heights.
    """
    count = len(at)
    found = np.full((max(count - 1, 0), 6), np.nan)
    for place in range(count - 1):
        here = 0.5 * (at[place] + at[place + 1])
        half, reach = 0.5 * face[place] - 1e-6, 0.5 * face[place] + side[place]
        low_end = np.searchsorted(at, here - half)
        low = low_end - np.searchsorted(at, here - reach)
        high_start = np.searchsorted(at, here + half)
        high = np.searchsorted(at, here + reach) - high_start
        if low < LEAST_SIDE or high < LEAST_SIDE:
            continue
        level_low, slope_low, rest_low, unsure_low = _line(at, height, low_end - low, low, here)
        level_high, slope_high, rest_high, unsure_high = _line(at, height, high_start, high, here)
        used = min(low, MOST_SIDE) + min(high, MOST_SIDE)
        found[place, 0] = level_high - level_low
        found[place, 1], found[place, 2], found[place, 3] = level_low, slope_low, slope_high
        found[place, 4] = np.sqrt((rest_low + rest_high) / (used - 4))
        found[place, 5] = np.sqrt(unsure_low + unsure_high)
    return found


@njit(cache=True, nogil=True)
def _line(at: Floats, height: Floats, start: int, count: int, here: float) -> tuple[float, float, float, float]:
    """Lay a line through heights by medians; give level at a place, slope, sum of squares, variance of the level."""
    used = min(count, MOST_SIDE)
    x, z = np.empty(used), np.empty(used)
    for k in range(used):
        which = start + (k * (count - 1)) // (used - 1)
        x[k], z[k] = at[which] - here, height[which]
    slopes = np.empty(used * (used - 1) // 2)
    n = 0
    for i in range(used):
        for j in range(i):
            slopes[n] = (z[i] - z[j]) / (x[i] - x[j])
            n += 1
    slope = max(np.median(slopes), 0.0)  # a fill at one end would tilt the line up
    level = np.median(z - slope * x)
    rest = z - level - slope * x
    middle = x.mean()
    return level, slope, (rest * rest).sum(), 1.0 / used + middle**2 / ((x - middle) ** 2).sum()
