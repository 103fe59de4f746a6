"""Slope along the flow path: a window as long as the error asks for, on raw heights made monotone downstream."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import isotonic_regression

from gisprio.compute.network.seams import lowest_of_own, seam_places, seams
from gisprio.contracts.constants import SLOPE_ERROR_SHARE, SLOPE_WIDTHS
from gisprio.contracts.grids import NO_SURVEY, Grid

Floats = NDArray[np.float64]
CROSSING_M = 15.0
"""Heights so near to a road that crosses are left out [own]: they are the road's."""
MAIN_SHARE = 0.8
"""A window passes a confluence only where the main stream brings this share of the area below it [own]."""
LONGEST_M = 5000.0
"""Longest window [own]."""
GROWTH = 1.25
LEAST_POINTS = 5
NOISE_POINTS = 60
"""Scatter is read off so many heights at least [own]: over fewer, an error that goes together looks like a slope."""
LEAST_ERROR_M = 0.05
"""No height is taken to be better than this, the error of the best survey flights: a flat profile is no sure one."""


@dataclass(frozen=True)
class Profile:
    """Heights along one segment, counted upstream.

    Parameters
    ----------
    at
        (n,) places, upstream from the segment's downstream end [m].
    height
        (n,) lowest raw height within one cell [m]; NaN where left out.
    barrier
        (n,) standing water, pipe: no window goes across.
    low
        (n,) lowest raw height within one cell [m], also where it is left out; NaN outside the DEM.
    kind
        (n,) what the stream is there.
    crossed
        (n,) so near to a road that crosses that the height is left out.
    crossings
        Where roads cross [m].
    survey
        (n,) survey the lowest height is from, -1 for none; empty where all are one.
    """

    at: Floats
    height: Floats
    barrier: NDArray[np.bool_]
    low: Floats = field(default_factory=lambda: np.empty(0))
    kind: NDArray[np.object_] = field(default_factory=lambda: np.empty(0, object))
    crossed: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    crossings: tuple[float, ...] = ()
    survey: NDArray[np.int16] = field(default_factory=lambda: np.empty(0, np.int16))


@dataclass(frozen=True)
class Slope:
    """A fitted slope: slope or NaN, standard error, window [m], upper bound where slope is NaN."""

    slope: float
    error: float
    window_m: float
    most: float


NO_SLOPE = Slope(np.nan, np.nan, np.nan, np.nan)


def lowest_around(elevation: Grid, survey: Grid | None = None) -> Grid:
    """Give the lowest height within one cell of each cell, of its own survey: the low of a channel beside a line."""
    height = np.where(elevation.valid(), elevation.values, np.inf)
    if survey is None or len(np.unique(survey.values[elevation.valid()])) < 2:
        low = ndimage.minimum_filter(height, size=3, mode="nearest")
    else:
        low = lowest_of_own(height, survey.values)
    return Grid(
        np.where(elevation.valid() & np.isfinite(low), low, np.nan),
        elevation.lattice,
        elevation.row,
        elevation.column,
        None,
    )


def segment_profiles(
    segments: pd.DataFrame, stretches: pd.DataFrame, roads: pd.DataFrame, lowest: Grid, survey: Grid | None = None
) -> dict[int, Profile]:
    """Read the long profile of every segment, a height a cell; ``survey`` holds the survey of each cell."""
    step = lowest.lattice.cell_m
    road_lines = np.asarray(roads.geometry.array) if len(roads) else np.empty(0, object)
    tree = shapely.STRtree(road_lines)
    profiles = {}
    by_segment = dict(list(stretches.groupby("segment_no")))
    for row in segments.itertuples(index=False):
        at = (np.arange(max(1, int(row.length_m / step))) + 0.5) * step
        at = at[at < row.length_m] if row.length_m > step else np.array([row.length_m / 2])
        points = shapely.get_coordinates(shapely.line_interpolate_point(row.geometry, row.length_m - at))
        height = np.asarray(lowest.nearest(points[:, 0], points[:, 1], np.nan), float)
        own = by_segment[row.segment_no]
        kind = own["kind"].to_numpy()[np.clip(np.searchsorted(own["from_m"], at, side="right") - 1, 0, None)]
        barrier = np.isin(kind, ("lake_path", "piped"))
        crossings = tuple(sorted(_crossings(row.geometry, row.length_m, road_lines, tree)))
        crossed = np.zeros(len(at), bool)
        for place in crossings:
            crossed |= np.abs(at - place) <= CROSSING_M
        known = np.where(barrier | crossed, np.nan, height)
        own_survey = np.zeros(len(at), np.int16)
        if survey is not None:
            own_survey = survey.nearest(points[:, 0], points[:, 1], NO_SURVEY).astype(np.int16)
        profiles[row.segment_no] = Profile(
            at.astype(np.float64), known, barrier, height, kind, crossed, crossings, own_survey
        )
    return profiles


def profile_points(profiles: Mapping[int, Profile]) -> pd.DataFrame:
    """Put the profiles of all segments into layer ``profile_points``."""
    numbers = sorted(profiles)
    parts = [profiles[number] for number in numbers]
    kind = pd.Series(np.concatenate([part.kind for part in parts]))
    return pd.DataFrame(
        {
            "segment_no": np.repeat(numbers, [len(part.at) for part in parts]),
            "at_m": np.concatenate([part.at for part in parts]),
            "low_m": np.concatenate([part.low for part in parts]),
            "crossing": np.concatenate([part.crossed for part in parts]),
            "barrier": kind.where(np.concatenate([part.barrier for part in parts])).astype("str"),
            "survey": surveys_along(parts).astype(np.int64),
        }
    )


def surveys_along(parts: Sequence[Profile]) -> NDArray[np.int16]:
    """Give the survey at each point of profiles put together; (n,)."""
    return np.concatenate([part.survey if len(part.survey) else np.zeros(len(part.at), np.int16) for part in parts])


def _crossings(
    line: shapely.LineString, length: float, roads: NDArray[np.object_], tree: shapely.STRtree
) -> list[float]:
    """Give where roads meet a line, upstream from its lower end [m]."""
    near = roads[tree.query(line, predicate="intersects")]
    points = shapely.get_coordinates(shapely.intersection(line, near)) if len(near) else np.empty((0, 2))
    return [length - float(shapely.line_locate_point(line, shapely.Point(p))) for p in points]


@dataclass(frozen=True)
class Path:
    """A flow path as one profile.

    Parameters
    ----------
    at
        (n,) places, 0 at the segment's lower end, downstream of it negative [m].
    height
        (n,) lowest raw height within one cell [m]; NaN where left out.
    barrier
        (n,) standing water, pipe: no window goes across.
    falling
        (n,) the heights made to fall downstream all along the path [m].
    faces
        Lower and upper end of the faces of steps [m], and twice the place of each seam between surveys: no window goes
        across.
    """

    at: Floats
    height: Floats
    barrier: NDArray[np.bool_]
    falling: Floats
    faces: tuple[tuple[float, float], ...] = ()


def falling(height: Floats, survey: NDArray[np.integer] | None = None) -> Floats:
    """Make heights, counted upstream, fall downstream by least squares, each survey for itself; NaN stays.

    Done once for a whole path: in a short window the same would read slope into noise, since a rising fit is never
    flatter than the plain one.
    """
    known = ~np.isnan(height)
    made = np.full(len(height), np.nan)
    stretch = np.zeros(len(height), int) if survey is None else np.cumsum(seams(survey))
    for number in np.unique(stretch[known]):
        own = known & (stretch == number)
        made[own] = isotonic_regression(height[own], increasing=True).x
    return made


def flow_path(
    number: int,
    segments: pd.DataFrame,
    profiles: dict[int, Profile],
    area_km2: Floats,
    inflow_km2: Floats,
    faces: Mapping[int, Sequence[tuple[float, float]]] | None = None,
) -> Path:
    """Put the profile of a segment together with those of the main stream above and below it.

    Parameters
    ----------
    number
        The segment.
    segments
        Layer ``segments``, row = segment_no.
    profiles
        Of :func:`segment_profiles`.
    area_km2
        (n,) drainage area at the lower end of each segment.
    inflow_km2
        (n,) area that flows in at the upper end of each segment.
    faces
        Lower and upper end of the faces of steps by segment, upstream from its lower end [m].
    """
    down = segments["downstream_no"].to_numpy()
    up = segments["main_upstream_no"].to_numpy()
    length = segments["length_m"].to_numpy()
    parts = [(0.0, number)]
    reach, at, here = 0.0, 0.0, number
    while (below := int(down[here])) >= 0 and reach < LONGEST_M:
        if int(up[below]) != here or area_km2[here] < MAIN_SHARE * inflow_km2[below]:
            break
        at -= length[below]
        parts.insert(0, (at, below))
        reach, here = reach + length[below], below
    reach, at, here = 0.0, float(length[number]), number
    while (above := int(up[here])) >= 0 and reach < LONGEST_M:
        if area_km2[above] < MAIN_SHARE * inflow_km2[here]:
            break
        parts.append((at, above))
        at, reach, here = at + length[above], reach + length[above], above
    height = np.concatenate([profiles[n].height for _, n in parts])
    along = np.concatenate([offset + profiles[n].at for offset, n in parts])
    survey = surveys_along([profiles[n] for _, n in parts])
    on_path = {(offset + low, offset + high) for offset, n in parts for low, high in (faces or {}).get(n, ())}
    on_path |= {(place, place) for place in seam_places(along, survey).tolist()}
    return Path(
        along,
        height,
        np.concatenate([profiles[n].barrier for _, n in parts]),
        falling(height, survey),
        tuple(sorted(on_path)),
    )


def reach_slope(path: Path, from_m: float, to_m: float, width_m: float, height_error_m: float | None) -> Slope:
    """Fit the slope of a reach in a window that grows until its error is a fifth of it.

    Parameters
    ----------
    path
        Of :func:`flow_path`.
    from_m, to_m
        The reach, upstream from its segment's lower end [m].
    width_m
        Bankfull width: the window is at least 20 of it long; NaN for none [m].
    height_error_m
        Standard error of one height, where it is known [m]; else the scatter about the fit.

    Notes
    -----
    Standard error sigma / (dx sqrt(n (n^2 - 1) / 12)), widened by sqrt((1 + rho) / (1 - rho)) where neighbouring
    residuals go together; both are read off 60 heights at least, of a wider window if need be. The window grows, and
    the slope is told from its error, by the plain fit of the raw heights; the slope given is that of the heights made
    to fall. Below its own error it is missing, with an upper bound.
    """
    low_end, high_end = _bounds(path, from_m, to_m)
    if low_end is None:
        return NO_SLOPE
    wanted = max(to_m - from_m, 0.0 if np.isnan(width_m) else SLOPE_WIDTHS.value * width_m)
    middle, span = (from_m + to_m) / 2, to_m - from_m
    apart = NOISE_POINTS / 2 * float(np.median(np.diff(path.at))) if len(path.at) > 1 else 0.0
    while True:
        low, high = max(low_end, middle - span / 2), min(high_end, middle + span / 2)
        noise = max(low_end, min(low, middle - apart)), min(high_end, max(high, middle + apart))
        plain, found = _fit(path, low, high, noise, height_error_m)
        long_enough = high - low >= min(wanted, high_end - low_end) - 1e-6
        stuck = low <= low_end + 1e-6 and high >= high_end - 1e-6
        sure = found.error <= SLOPE_ERROR_SHARE.value * plain
        if (long_enough and sure) or stuck or span >= LONGEST_M:
            break
        span *= GROWTH
    if np.isnan(found.slope) or plain <= found.error or found.slope <= 0:
        return Slope(np.nan, found.error, found.window_m, max(plain, found.slope) + 2 * found.error)
    return found


def _bounds(path: Path, from_m: float, to_m: float) -> tuple[float | None, float]:
    """Give how far a window may reach around a reach without crossing a barrier or the face of a step.

    A reach that a step parts is measured on the side that holds more of it.
    """
    inside = (path.at >= from_m) & (path.at <= to_m)
    if not inside.any():  # a reach shorter than a cell
        inside[np.argmin(np.abs(path.at - (from_m + to_m) / 2))] = True
    if path.barrier[inside].all():
        return None, np.nan
    blocked = path.at[path.barrier]
    half = 0.5 * (path.at[1] - path.at[0]) if len(path.at) > 1 else 0.0
    middle = (from_m + to_m) / 2
    on_face = np.zeros(len(path.at), bool)
    for low, high in path.faces:
        on_face |= (path.at > low) & (path.at < high)
    free = path.at[inside & ~path.barrier & ~on_face]
    if not len(free):
        return None, np.nan
    middle = free[np.argmin(np.abs(free - middle))]
    lows = [*blocked[blocked < middle], *(high for _, high in path.faces if high <= middle)]
    highs = [*blocked[blocked > middle], *(low for low, _ in path.faces if low >= middle)]
    return float(max(lows, default=path.at[0] - half)), float(min(highs, default=path.at[-1] + half))


def _scatter(path: Path, low: float, high: float) -> tuple[float, float]:
    """Give the scatter of the raw heights about a straight line [m], and how neighbours go together, 0 to .95."""
    inside = (path.at >= low) & (path.at <= high) & ~np.isnan(path.height)
    at, height = path.at[inside], path.height[inside]
    centred = at - at.mean()
    rough = height - height.mean() - float(centred @ height) / float((centred**2).sum()) * centred
    squares = float((rough**2).sum())
    together = float((rough[1:] * rough[:-1]).sum() / max(squares, 1e-12))
    return float(np.sqrt(squares / max(1, len(at) - 2))), min(max(together, 0.0), 0.95)


def _fit(
    path: Path, low: float, high: float, noise: tuple[float, float], height_error_m: float | None
) -> tuple[float, Slope]:
    """Give the slope of the raw heights in a window, and that of the falling ones with its error.

    The scatter is read off the window ``noise`` around it.
    """
    inside = (path.at >= low) & (path.at <= high) & ~np.isnan(path.height)
    at, height = path.at[inside], path.height[inside]
    count = len(at)
    if count < LEAST_POINTS:
        return np.nan, NO_SLOPE
    centred = at - at.mean()
    spread = float((centred**2).sum())
    plain = float(centred @ height) / spread
    scatter, together = _scatter(path, *noise)
    sigma = height_error_m if height_error_m is not None else max(scatter, LEAST_ERROR_M)
    error = sigma / np.sqrt(spread) * np.sqrt((1 + together) / (1 - together))
    slope = max(float(centred @ path.falling[inside]) / spread, 0.0)
    return plain, Slope(slope, float(error), float(high - low), np.nan)


def sinuosities(
    line: shapely.LineString, length: float, reaches: list[tuple[float, float]], width_m: Floats
) -> list[float]:
    """Give length over straight distance around each reach, over at least 20 widths, inside its segment.

    NaN where the segment is shorter than that.
    """
    found = []
    for (from_m, to_m), width in zip(reaches, width_m, strict=True):
        span = max(to_m - from_m, 0.0 if np.isnan(width) else SLOPE_WIDTHS.value * width)
        middle = (from_m + to_m) / 2
        low = min(max(0.0, middle - span / 2), max(0.0, length - span))
        high = min(length, low + span)
        ends = shapely.get_coordinates(shapely.line_interpolate_point(line, [length - high, length - low]))
        straight = float(np.hypot(*(ends[1] - ends[0])))
        told = straight > 1e-6 and span <= length + 1e-6
        found.append(max(1.0, (high - low) / straight) if told else np.nan)
    return found
