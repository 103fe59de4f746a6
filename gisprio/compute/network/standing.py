"""Standing water and kinds along each segment: what part of it is stream, pipe, pond."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import square_to, transect_lines, water_span
from gisprio.contracts.constants import STANDING_LENGTH_WIDTHS, STANDING_WIDTHS
from gisprio.contracts.words import STREAM_KINDS

Floats = NDArray[np.float64]
Part = tuple[float, float, str]
"""Lower end, upper end [m] and kind of a part of a segment."""
NOT_PIPED = tuple(kind for kind in STREAM_KINDS if kind != "piped")
STEP_M = 10.0
LEAST_WIDTH_M = 15.0
"""Narrower water is not called standing by its shape, however small the stream [own]."""
STANDING_WORDS = ("pond", "lake", "reservoir", "standing", "lagoon")
CHANNEL_WORDS = ("channel", "river", "stream", "canal", "ditch")


def stretches_of(
    segments: pd.DataFrame, source_parts: pd.DataFrame, water: pd.DataFrame, width_m: Floats
) -> pd.DataFrame:
    """Say what each part of each segment is.

    Parameters
    ----------
    segments, source_parts
        Of the network.
    water
        Water polygons with ``kind``.
    width_m
        (n,) bankfull width of each segment; NaN where unknown.

    Returns
    -------
    DataFrame
        Layer ``stretches``: kinds of the drawn lines, and ``lake_path`` where water stands: named so, or wider than 4
        bankfull widths over 2 widths of length. A pipe stays a pipe.
    """
    standing = standing_places(segments, water, width_m)
    rows = []
    drawn: dict[int, list[Part]] = {}
    parts = source_parts.sort_values(["segment_no", "from_m"])
    for number, *part in zip(*(parts[name].tolist() for name in ("segment_no", "from_m", "to_m", "kind")), strict=True):
        drawn.setdefault(number, []).append(tuple(part))
    for number in segments["segment_no"].tolist():
        rows += laid_over(number, drawn[number], standing.get(number, []), "lake_path", NOT_PIPED)
    return pd.DataFrame(rows, columns=["segment_no", "from_m", "to_m", "kind"])


def laid_over(
    number: int, drawn: list[Part], places: list[tuple[float, float]], kind: str, over: Collection[str]
) -> list[tuple[int, float, float, str]]:
    """Lay a kind over places along a segment where it is one of the kinds ``over``; join parts of one kind that touch.

    Parameters
    ----------
    number
        The segment.
    drawn
        Its parts: lower end, upper end [m] and kind, upstream from its downstream end.
    places
        Lower and upper end of each place [m].
    kind, over
        The kind, and those that give way to it.

    Returns
    -------
    list
        Rows of layer ``stretches``.
    """
    starts, top = [low for low, _, _ in drawn], float(drawn[-1][1])
    borders = sorted({0.0, top, *starts, *(min(max(b, 0.0), top) for pair in places for b in pair)})
    rows: list[tuple[int, float, float, str]] = []
    for low, high in pairwise(borders):
        if high - low < 1e-6:
            continue
        middle = (low + high) / 2
        here = str(drawn[bisect_right(starts, middle) - 1][2])
        if here in over and any(a <= middle <= b for a, b in places):
            here = kind
        if rows and rows[-1][3] == here:
            rows[-1] = (number, rows[-1][1], high, here)
        else:
            rows.append((number, low, high, here))
    rows[-1] = (number, rows[-1][1], top, rows[-1][3])
    return rows


def standing_places(
    segments: pd.DataFrame, water: pd.DataFrame, width_m: Floats
) -> dict[int, list[tuple[float, float]]]:
    """Give the parts of each segment that lie in standing water, upstream from its lower end [m]."""
    if not len(water) or not len(segments):
        return {}
    words = [str(kind).lower() if isinstance(kind, str) else "" for kind in water["kind"]]
    named = np.array([any(word in text for word in STANDING_WORDS) for text in words], bool)
    channel = np.array([any(word in text for word in CHANNEL_WORDS) for text in words], bool) & ~named
    polygons = np.asarray(water.geometry.array)
    found: dict[int, list[tuple[float, float]]] = {}
    tree = shapely.STRtree(polygons)
    lines = np.asarray(segments.geometry.array)
    for row, hits in _near(tree, lines).items():
        segment = segments.iloc[row]
        in_pond = polygons[[h for h in hits if named[h]]]
        unnamed = water.iloc[[h for h in hits if not named[h] and not channel[h]]]
        at, wide = _wide_water(segment, unnamed, float(width_m[row]))
        places = _runs(
            at, wide, float(segment["length_m"]), STANDING_LENGTH_WIDTHS.value * float(np.nan_to_num(width_m[row]))
        )
        places += inside(segment, in_pond)
        if places:
            found[int(segment["segment_no"])] = places
    return found


def _near(tree: shapely.STRtree, lines: NDArray[np.object_]) -> dict[int, list[int]]:
    line, polygon = tree.query(lines, predicate="intersects")
    pairs = pd.DataFrame({"line": line, "polygon": polygon}).sort_values(["line", "polygon"])
    return {int(n): rows["polygon"].tolist() for n, rows in pairs.groupby("line")}


def square_along(segment: pd.Series, down: Floats) -> tuple[Floats, Floats]:
    """Give places on a segment, ``down`` from its upper end [m], and unit vectors to the left there; (n, 2) both."""
    behind, ahead = (np.clip(down + step, 0.0, float(segment["length_m"])) for step in (-STEP_M, STEP_M))
    return square_to(segment["geometry"], down, behind, ahead)


def _wide_water(segment: pd.Series, water: pd.DataFrame, width_m: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Say at places along a segment whether the water there is wider than 4 bankfull widths; islands are no water."""
    length = float(segment["length_m"])
    count = max(1, round(length / STEP_M))
    at = (np.arange(count) + 0.5) * length / count
    if not len(water) or np.isnan(width_m):
        return at, np.zeros(len(at), bool)
    here, left = square_along(segment, length - at)
    limit = max(STANDING_WIDTHS.value * width_m, LEAST_WIDTH_M)
    search = np.full(len(at), limit + 20.0)
    never = np.full(len(at), np.inf)
    polygons = shapely.get_parts(np.asarray(water.geometry.array))
    low, high = water_span(transect_lines(here, left, search), here, left, polygons, np.zeros(len(at)), never)
    return at, np.nan_to_num(high - low, nan=0.0) > limit


def _runs(at: Floats, wide: NDArray[np.bool_], length: float, least_m: float) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wide, [False]]).astype(np.int8))).reshape(-1, 2)
    half = 0.5 * length / len(at)
    runs = [(float(at[a]) - half, float(at[b - 1]) + half) for a, b in edges]
    return [(low, high) for low, high in runs if high - low >= least_m]


def inside(segment: pd.Series, polygons: NDArray[np.object_]) -> list[tuple[float, float]]:
    """Give the parts of a segment inside polygons, upstream from its lower end [m]."""
    if not len(polygons):
        return []
    length, line = float(segment["length_m"]), segment["geometry"]
    places = []
    for part in shapely.get_parts(shapely.intersection(line, shapely.union_all(polygons))):
        if shapely.length(part) <= 0:
            continue
        ends = [length - float(shapely.line_locate_point(line, shapely.get_point(part, n))) for n in (0, -1)]
        places.append((min(ends), max(ends)))
    return places
