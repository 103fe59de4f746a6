"""Kinds that no attribute tells: pipes under buildings, and water that the tide reaches."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.valleys import LEAST_RELIEF_M, heights_across
from gisprio.compute.network.profile import Profile, falling
from gisprio.compute.network.standing import STEP_M, inside, laid_over, square_along
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Grid

Floats = NDArray[np.float64]
Places = dict[int, list[tuple[float, float]]]
"""By segment: parts of it, lower and upper end upstream from its downstream end [m]."""
BUILDING = re.compile(r"build|houses?\b|\bhall|hall\b|\bbarn|\bsheds?\b|garage|\broof|factory", re.IGNORECASE)
"""Kinds of constraint that are buildings [own]."""
LEAST_PIPE_M = 30.0
"""A line that runs farther than this under buildings is looked at [own]."""
TOUCH_M = 5.0
"""Buildings nearer to each other along the line are one [own]."""
ACROSS_M = 30.0
"""A channel is looked for so far to each side, its low in the inner half [own]."""
OPEN_KINDS = ("natural", "ditch", "canal", "unconfirmed")
"""What a line may turn out to be otherwise; ponds and pipes stay what they are."""


def with_pipes(
    stretches: pd.DataFrame, segments: pd.DataFrame, constraints: pd.DataFrame, elevation: Grid, survey: Grid | None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Call ``piped`` what runs over 30 m under buildings, where the DEM shows no channel.

    Parameters
    ----------
    stretches, segments
        Of the network.
    constraints
        Polygons whose kind says building are looked at.
    elevation, survey
        Raw heights of the routing grid, and which survey each is from; None for one.

    Returns
    -------
    tuple
        Layer ``stretches``, and what was found.

    Notes
    -----
    There is a channel where the ground on both sides rises by 1 m or more over the low along the line, in the median of
    sections across it: no pipe, whatever the map of buildings says.
    """
    pipes = {
        number: found
        for number, places in under_buildings(segments, constraints).items()
        if (found := [place for place in places if not _channel(segments.iloc[number], place, elevation, survey)])
    }
    made = laid_over_some(stretches, pipes, "piped", (*OPEN_KINDS, "tidal"))
    metres = _length(made, "piped") - _length(stretches, "piped")
    if metres < 1e-6:
        return stretches, []
    at = [_place(segments.iloc[number], sum(place) / 2) for number, places in pipes.items() for place in places]
    says = (
        f"{metres / 1000:.3f} km of stream run over {LEAST_PIPE_M:g} m under buildings where the DEM shows no channel, "
        f"at {listed(at)}: taken as piped, without bank, slope and rank."
    )
    do = "Give the kind in streams.kind; where the stream is open, correct the line or the kind of the building."
    return made, [Finding("warning", "streams", "under_buildings", "", says, do)]


def under_buildings(segments: pd.DataFrame, constraints: pd.DataFrame) -> Places:
    """Give where lines run over 30 m under one building, or under several that nearly touch along the line."""
    kinds = constraints["kind"].fillna("").astype(str)
    told = kinds.str.contains(BUILDING).to_numpy(bool) & (shapely.get_dimensions(constraints.geometry.array) == 2)
    polygons = np.asarray(constraints.geometry.array, object)[told]
    line, polygon = shapely.STRtree(polygons).query(np.asarray(segments.geometry.array), predicate="intersects")
    found: Places = {}
    for row, hits in pd.Series(polygon).groupby(line):
        segment = segments.iloc[int(row)]
        runs = _joined(inside(segment, polygons[np.sort(hits.to_numpy())]))
        if long := [run for run in runs if run[1] - run[0] > LEAST_PIPE_M]:
            found[int(segment["segment_no"])] = long
    return found


def _joined(places: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Join parts of a line that nearly touch, in order along it."""
    runs: list[tuple[float, float]] = []
    for low, high in sorted(places):
        if runs and low - runs[-1][1] <= TOUCH_M:
            runs[-1] = (runs[-1][0], max(high, runs[-1][1]))
        else:
            runs.append((low, high))
    return runs


def _channel(segment: pd.Series, place: tuple[float, float], elevation: Grid, survey: Grid | None) -> bool:
    """Say whether the heights show a channel along a part of a segment; where there are none it may be one."""
    count = max(1, round((place[1] - place[0]) / STEP_M))
    down = float(segment["length_m"]) - (place[0] + (np.arange(count) + 0.5) * (place[1] - place[0]) / count)
    here, left = square_along(segment, down)
    steps = max(6, 2 * int(np.ceil(ACROSS_M / elevation.lattice.cell_m)))
    out = np.linspace(-ACROSS_M, ACROSS_M, 2 * steps + 1)
    sections = pd.DataFrame({"x": here[:, 0], "y": here[:, 1], "left_x": left[:, 0], "left_y": left[:, 1]})
    heights = heights_across(sections, elevation, out, survey)
    heights = heights[np.isfinite(heights).all(axis=1)]
    if not len(heights):
        return True
    lowest = np.where(np.abs(out) <= ACROSS_M / 2, heights, np.inf).argmin(axis=1)[:, None]
    column = np.arange(len(out))
    banks = [np.where(beyond, heights, -np.inf).max(axis=1) for beyond in (column <= lowest, column >= lowest)]
    low = np.take_along_axis(heights, lowest, axis=1)[:, 0]
    return bool(np.median(np.minimum(*banks) - low) >= LEAST_RELIEF_M)


def with_tide(
    stretches: pd.DataFrame, segments: pd.DataFrame, profiles: Mapping[int, Profile], below_m: float | None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Call ``tidal`` what lies below a height, from an outlet upward without a break.

    Parameters
    ----------
    stretches, segments
        Of the network.
    profiles
        The long profile of every segment.
    below_m
        The height [m]; None: no tide is told by heights.

    Returns
    -------
    tuple
        Layer ``stretches``, and what was found.
    """
    if below_m is None or not len(segments):
        return stretches, []
    made = laid_over_some(stretches, tidal_places(segments, profiles, below_m), "tidal", OPEN_KINDS)
    metres, total = _length(made, "tidal") - _length(stretches, "tidal"), float(segments["length_m"].sum())
    if metres < 1e-6:
        outlet = _outlet(profiles, segments)
        says = f"No stream lies below [streams] tidal_below_m = {below_m:g} m from an outlet upward{outlet}."
        do = "Nothing, if no tide reaches the streams; else give the height over the zero of the DEM."
        return stretches, [Finding("note", "streams", "tidal_below", "", says, do)]
    says = (
        f"{metres / 1000:.3f} of {total / 1000:.3f} km of stream lie below [streams] tidal_below_m = {below_m:g} m, "
        "from an outlet upward: taken as tidal, without stream power and rank."
    )
    do = "Nothing, if the tide reaches as far; else correct the height, which is over the zero of the DEM."
    return made, [Finding("note", "streams", "tidal_below", "", says, do)]


def tidal_places(segments: pd.DataFrame, profiles: Mapping[int, Profile], below_m: float) -> Places:
    """Give the parts of segments below a height that nothing higher parts from an outlet.

    The heights are those of the long profile, made to fall downstream; crossings, ponds and pipes are passed.
    """
    length = segments["length_m"].to_numpy(float)
    above = segments.groupby("downstream_no").indices
    found: Places = {}
    ahead = above.get(-1, np.empty(0, int)).tolist()
    while ahead:
        number = int(ahead.pop())
        high = _tide_to(profiles[number], float(length[number]), below_m)
        if high > 0:
            found[number] = [(0.0, high)]
        if high >= length[number]:
            ahead += above.get(number, np.empty(0, int)).tolist()
    return found


def _tide_to(profile: Profile, length: float, below_m: float) -> float:
    """Give how far up a segment its bed lies below a height, from its lower end [m]."""
    known = ~np.isnan(profile.height)
    if not known.any():
        return length if profile.barrier.all() else 0.0
    at = profile.at[known]
    low = falling(profile.height, profile.survey if len(profile.survey) else None)[known] < below_m
    if low.all():
        return length
    first = int(np.argmin(low))
    return 0.0 if first == 0 else float((at[first - 1] + at[first]) / 2)


def _outlet(profiles: Mapping[int, Profile], segments: pd.DataFrame) -> str:
    """Say how high the lowest outlet lies, where that is known."""
    ends = [profiles[number].low[:1] for number in segments.loc[segments["downstream_no"] < 0, "segment_no"]]
    heights = np.concatenate(ends)
    return "" if np.isnan(heights).all() else f"; the lowest outlet is at {np.nanmin(heights):.1f} m"


def laid_over_some(stretches: pd.DataFrame, places: Places, kind: str, over: tuple[str, ...]) -> pd.DataFrame:
    """Lay a kind over parts of some segments, where they are one of the kinds ``over``; the other segments stay."""
    touched = stretches["segment_no"].isin(list(places)).to_numpy(bool)
    if not touched.any():
        return stretches
    rows = []
    for number, own in stretches[touched].groupby("segment_no", sort=False):
        drawn = list(own[["from_m", "to_m", "kind"]].itertuples(index=False, name=None))
        rows += laid_over(int(number), drawn, places[int(number)], kind, over)
    made = pd.DataFrame(rows, columns=["segment_no", "from_m", "to_m", "kind"])
    return pd.concat([stretches[~touched], made]).sort_values(["segment_no", "from_m"], ignore_index=True)


def _length(stretches: pd.DataFrame, kind: str) -> float:
    own = stretches[stretches["kind"] == kind]
    return float((own["to_m"] - own["from_m"]).sum())


def _place(segment: pd.Series, at_m: float) -> str:
    point = shapely.line_interpolate_point(segment["geometry"], float(segment["length_m"]) - at_m)
    return f"{point.x:.0f}, {point.y:.0f}"
