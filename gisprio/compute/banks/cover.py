"""Cover along each transect: the width of the buffer, and what of the strip is missing.

Metres count by place: the inner third of the strip half, the middle .3, the outer .2 [own], since a bank whose
first metres are bare is the emergency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.setbacks import setback_width
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.constants import GRASS_SHEAR, TREES_SHEAR
from gisprio.contracts.grids import GridSource
from gisprio.contracts.settings import Setback, Settings
from gisprio.contracts.words import COVERS

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
THIRDS = (0.5, 0.3, 0.2)
STEP_M = 1.0
"""Longest step along a transect; half a cell where that is shorter."""
UNKNOWN_MOST = 0.1
"""Share of a transect without a known class above which its width is missing [own]."""
COARSE_CELLS = 2.0
"""Width of the strip of a coarse look, in cells."""
UNKNOWN = -1
_WOODY, _WATER, _BARE = COVERS.index("woody"), COVERS.index("water"), COVERS.index("bare")


def measure_cover(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure cover from the bank line outward.

    Parameters
    ----------
    core
        ``bank_points`` and ``side_works`` of the piece.
    halo
        ``legend``.
    sources
        ``land_cover``.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``side_cover``: one row a station side. In a coarse look (cell, or the narrowest thing the legend can show,
        over a third of the setback) the width is null and the shares are those of the dry part of a strip two
        cells wide, missing where all of it is water.
    """
    points, legend = core["bank_points"], halo["legend"]
    width = setback_width(settings)
    grain = cover_grain(sources["land_cover"], legend)
    if is_coarse(grain, width):
        strip = _sampled(points, sources["land_cover"], legend, grain / 2, COARSE_CELLS * grain)
        strip = with_planting(strip, points, core["side_works"])
        return {"side_cover": _coarse_look(points, strip, settings.setback)}
    step = min(STEP_M, sources["land_cover"].lattice.cell_m / 2)
    strip = _sampled(points, sources["land_cover"], legend, step, width + settings.setback.opening_m)
    strip = with_planting(strip, points, core["side_works"])
    return {"side_cover": _close_look(points, strip, width, grain, settings.setback)}


def cover_grain(source: GridSource, legend: pd.DataFrame) -> float:
    """Give the narrowest thing the land cover can show: its cell, or the legend's own minimum width [m]."""
    least = legend["min_width_m"].max()
    return float(max(source.lattice.cell_m, 0.0 if np.isnan(least) else least))


def is_coarse(grain_m: float, setback_m: float) -> bool:
    """Say whether cover of this grain cannot carry a setback: over a third of it.

    >>> is_coarse(10.0, 30.0), is_coarse(30.0, 30.0)
    (False, True)
    """
    return grain_m > setback_m / 3 + 1e-9


@dataclass(frozen=True)
class Strip:
    """Cover classes along transects.

    Parameters
    ----------
    classes
        (n, k) positions in COVERS; -1 unknown.
    step_m
        Length each sample stands for [m].
    """

    classes: Codes
    step_m: float

    def inside(self, width_m: float) -> Codes:
        """Give the samples whose middle lies within ``width_m`` of the bank line."""
        return self.classes[:, : int(np.floor(width_m / self.step_m + 0.5))]


def _sampled(points: pd.DataFrame, source: GridSource, legend: pd.DataFrame, step: float, out: float) -> Strip:
    distance = (np.arange(max(1, int(np.ceil(out / step - 1e-6)))) + 0.5) * step
    x = points["x"].to_numpy()[:, None] + points["out_x"].to_numpy()[:, None] * distance
    y = points["y"].to_numpy()[:, None] + points["out_y"].to_numpy()[:, None] * distance
    if not len(points):
        return Strip(np.empty((0, len(distance)), np.int8), step)
    grid = source.window((float(x.min()), float(y.min()), float(x.max()), float(y.max())))
    row, column, inside = grid.index(x, y)
    if grid.values.size == 0:
        return Strip(np.full(x.shape, UNKNOWN, np.int8), step)
    codes = grid.values[row, column].astype(np.int64)
    known = inside & grid.valid()[row, column]
    return Strip(np.where(known, cover_classes(codes, legend), UNKNOWN).astype(np.int8), step)


def with_planting(strip: Strip, points: pd.DataFrame, works: pd.DataFrame) -> Strip:
    """Give the strip with old planting as wood, whatever the land cover shows; water stays.

    Parameters
    ----------
    strip
        Cover along the transects of ``points``.
    points, works
        Layers ``bank_points`` and ``side_works``.
    """
    if works["cover_to_m"].isna().all():
        return strip
    key = ["segment_no", "station_no", "side"]
    spans = points[key].merge(works, on=key, how="left", validate="one_to_one")[["cover_from_m", "cover_to_m"]]
    at = (np.arange(strip.classes.shape[1]) + 0.5) * strip.step_m
    low, high = spans.to_numpy(float).T[:, :, None]
    grown = (at >= low) & (at <= high) & (strip.classes != _WATER)
    return Strip(np.where(grown, _WOODY, strip.classes).astype(np.int8), strip.step_m)


def cover_classes(codes: NDArray[np.int64], legend: pd.DataFrame) -> Codes:
    """Translate codes of the land cover to positions in COVERS; -1 where the legend does not know the code."""
    known = legend["code"].to_numpy(np.int64)
    order = np.argsort(known)
    classes = legend["cover"].map({name: i for i, name in enumerate(COVERS)}).to_numpy(np.int8)[order]
    place = np.clip(np.searchsorted(known[order], codes), 0, len(known) - 1)
    return np.where(known[order][place] == codes, classes[place], UNKNOWN).astype(np.int8)


def _close_look(points: pd.DataFrame, strip: Strip, width: float, grain: float, setback: Setback) -> pd.DataFrame:
    inner = strip.inside(width)
    skip = skipped(inner, grain, strip.step_m)
    buffer = buffer_width(strip.classes, class_mask(setback.counts), skip, strip.step_m, setback.opening_m, width)
    first = slice(0, max(1, inner.shape[1] // len(THIRDS)))
    unknown = (inner == UNKNOWN).mean(axis=1) > UNKNOWN_MOST
    buffer[unknown] = np.nan
    absent = (inner != UNKNOWN) & ~np.isin(inner, _positions(setback.counts)) & ~skip
    natural = np.isin(inner, _positions(setback.natural))
    missing = missing_by_place(absent & ~natural, skip | (inner == UNKNOWN))
    missing[unknown] = np.nan
    return _table(
        points,
        buffer_width_m=buffer,
        missing_strip=missing,
        woody_share=_share(inner == _WOODY, inner != UNKNOWN),
        natural=(absent & natural).sum(axis=1) * 2 > absent.sum(axis=1),
        adjacent_cover=commonest(inner, absent),
        near_bank_cover=bank_erodibility(inner[:, first], skip[:, first]),
    )


def _coarse_look(points: pd.DataFrame, strip: Strip, setback: Setback) -> pd.DataFrame:
    classes = strip.classes
    known = (classes != UNKNOWN) & (classes != _WATER)
    counting = np.isin(classes, _positions(setback.counts)) | np.isin(classes, _positions(setback.natural))
    return _table(
        points,
        buffer_width_m=np.full(len(points), np.nan),
        missing_strip=1.0 - _share(counting, known),
        woody_share=_share(classes == _WOODY, known),
        natural=np.zeros(len(points), bool),
        adjacent_cover=commonest(classes, known & ~counting),
        near_bank_cover=bank_erodibility(classes, ~known),
    )


def _table(points: pd.DataFrame, **columns: object) -> pd.DataFrame:
    return pd.DataFrame({key: points[key].to_numpy() for key in ("segment_no", "station_no", "side")} | columns)


def class_mask(covers: tuple[str, ...]) -> NDArray[np.bool_]:
    """Give a lookup over COVERS and, last, unknown (False): which classes are among ``covers``."""
    return np.array([name in covers for name in COVERS] + [False])


def _positions(covers: tuple[str, ...]) -> list[int]:
    return [COVERS.index(name) for name in covers]


def skipped(classes: Codes, cell_m: float, step_m: float) -> NDArray[np.bool_]:
    """Mark water and bars that begin at the bank line, out to one cell: neither cover nor opening; (n, k)."""
    most = int(np.ceil(cell_m / step_m - 1e-6))
    wet = np.isin(classes, (_WATER, _BARE))
    water_first = np.cumprod(wet, axis=1).astype(bool)
    water_first[:, most:] = False
    touches_water = (classes[:, :most] == _WATER).any(axis=1, keepdims=True)
    return water_first & touches_water


def buffer_width(
    classes: Codes,
    counts: NDArray[np.bool_],
    skip: NDArray[np.bool_],
    step_m: float,
    opening_m: float,
    most_m: float,
) -> Floats:
    """Give the contiguous width of counting cover from the bank line outward.

    Parameters
    ----------
    classes
        (n, k) cover along the transect, out to the setback and one opening more.
    counts
        Lookup of :func:`class_mask`.
    skip
        (n, m) samples at the bank line that are neither cover nor opening, m <= k.
    step_m
        Length of a sample [m].
    opening_m
        Longest run without cover that is passed over when cover follows [m].
    most_m
        The setback: widths end there [m].

    Returns
    -------
    ndarray
        (n,) width [m]; ``most_m`` where the cover goes on to the setback line.
    """
    cover = counts[classes]
    first = skip.sum(axis=1)
    end = np.zeros(len(classes))
    opening = np.zeros(len(classes))
    alive = np.ones(len(classes), bool)
    for place in range(classes.shape[1]):
        here = alive & cover[:, place]
        end[here] = (place + 1) * step_m
        opening = np.where(here | (place < first), 0.0, opening + step_m)
        alive &= opening <= opening_m + 1e-9
    width = np.where(end >= most_m - 1e-9, most_m, np.maximum(0.0, end - first * step_m))
    return np.minimum(width, most_m)


def missing_by_place(absent: NDArray[np.bool_], left_out: NDArray[np.bool_]) -> Floats:
    """Give the share of the strip that is missing, thirds weighed .5, .3, .2 from the bank outward; (n,).

    A third without any sample that is known leaves its weight to the others; NaN where none is.
    """
    edges = np.round(np.linspace(0, absent.shape[1], len(THIRDS) + 1)).astype(int)
    total, weight = np.zeros(len(absent)), np.zeros(len(absent))
    for share, low, high in zip(THIRDS, edges[:-1], edges[1:], strict=True):
        asked = (~left_out[:, low:high]).sum(axis=1)
        gone = (absent[:, low:high] & ~left_out[:, low:high]).sum(axis=1)
        total += share * gone / np.maximum(asked, 1)
        weight += np.where(asked > 0, share, 0.0)
    return np.divide(total, weight, out=np.full(len(absent), np.nan), where=weight > 0)


def bank_erodibility(classes: Codes, left_out: NDArray[np.bool_]) -> Floats:
    """Give the mean erodibility under the cover of some samples, 1 for bare soil; (n,), NaN where none is known.

    The inverse of the coefficients of critical shear stress: grass 1.97, dense trees 19.2.

    References
    ----------
    julian_torres2006
    """
    grass, trees = 1 / GRASS_SHEAR.value, 1 / TREES_SHEAR.value
    by_cover = {"woody": trees, "herbaceous": grass, "pasture": grass, "wetland": grass, "water": np.nan}
    each = np.array([by_cover.get(name, 1.0) for name in COVERS] + [np.nan])[classes]
    each[left_out] = np.nan
    known = ~np.isnan(each)
    count = known.sum(axis=1)
    total = np.where(known, each, 0.0).sum(axis=1)
    return np.divide(total, count, out=np.full(len(each), np.nan), where=count > 0)


def _share(of: NDArray[np.bool_], among: NDArray[np.bool_]) -> Floats:
    count = among.sum(axis=1)
    return np.divide((of & among).sum(axis=1), count, out=np.full(len(of), np.nan), where=count > 0)


def commonest(classes: Codes, preferred: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Name the commonest class among the preferred samples, else among all; None where all are unknown. (n,)."""
    votes = np.stack([(preferred & (classes == i)).sum(axis=1) for i in range(len(COVERS))], axis=1)
    every = np.stack([(classes == i).sum(axis=1) for i in range(len(COVERS))], axis=1)
    votes = np.where(votes.any(axis=1, keepdims=True), votes, every)
    names = np.array([*COVERS, None], dtype=object)
    return np.asarray(names[np.where(votes.any(axis=1), votes.argmax(axis=1), len(COVERS))])
