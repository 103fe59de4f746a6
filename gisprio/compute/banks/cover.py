"""Cover along each transect: the width of the buffer, and what of the strip is missing.

Metres count by place: the inner third of the strip half, the middle .3, the outer .2 [own], since a bank whose
first metres are bare is the emergency.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.overlays import (
    Marks,
    canopy_heights,
    class_mask,
    finer_canopy,
    inside_polygons,
    told_finely,
    with_canopy,
    with_wetlands,
)
from gisprio.compute.banks.sides import SIDE_KEY, places_out
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.constants import GRASS_SHEAR, TREES_SHEAR
from gisprio.contracts.grids import GridSource, box_around
from gisprio.contracts.setbacks import CoverShare, Rule, TwoZone
from gisprio.contracts.settings import Settings
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
TOLD_LEAST = 0.8
"""Share of a strip that the canopy must tell, so that its cell is the grain of what is woody [own]."""
TOPS = ("given", "lidar_top")
"""Bank lines along the top of the bank: bare ground outward of them is no bar."""
UNKNOWN = -1
_WOODY, _WATER, _BARE = COVERS.index("woody"), COVERS.index("water"), COVERS.index("bare")


def measure_cover(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure cover from the bank line outward.

    Parameters
    ----------
    core
        ``bank_points``, ``side_setbacks``, ``side_ground`` and ``side_works`` of the piece.
    halo
        ``legend``; ``wetlands`` near the piece.
    sources
        ``land_cover``; ``canopy``: heights of the canopy [m], without cells where none are given.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``side_cover``: one row a station side. In a coarse look (cell, or the narrowest thing the legend can show,
        over a third of the setback) the width is null and the shares are those of the dry part of a strip two
        cells wide, missing where all of it is water.

    Notes
    -----
    Over the land cover lie, in this order, the canopy, the wetlands and old planting; a canopy coarser than the
    land cover is not used. Beside a coarse land cover a transect gets a close look all the same where the canopy tells
    at least 80 % of its strip [own]: what is woody there is known at the canopy's cell, while what the land cover
    alone says (the use of the ground, ``adjacent_cover``) stays as coarse as it is: ``coarse_use`` marks it. Where
    other classes than woody count, the canopy does not tell their coarse cells: much of them keeps the look coarse.

    What lies beyond ``owned_m`` is another bank's: neither cover nor opening nor missing. Cover that goes on to where
    the own ground ends is a buffer as wide as the setback; without own ground the width is missing. A coarse look
    does not ask whose the ground is. Where the rule asks for nothing, the width is 0 and nothing is missing.

    Which rule is judged is decided station by station (layer ``side_setbacks``): of two zones the outer one has cover
    of its own that counts besides; where an average is asked for, cover counts beyond the setback, out to
    ``counted_m``; where a share of the strip must be covered, a strip that has it is as good as covered.
    """
    points = core["bank_points"].merge(core["side_ground"], on=SIDE_KEY, how="left", validate="one_to_one")
    points = points.merge(core["side_setbacks"], on=SIDE_KEY, how="left", validate="one_to_one")
    ground = Ground(sources["land_cover"], halo["legend"], halo["wetlands"], core["side_works"], settings.setback)
    canopy = finer_canopy(sources.get("canopy"), ground.grain_m)
    coarse = is_coarse(ground.grain_m, points["setback_m"].to_numpy(float))
    near = points[~coarse] if canopy is None else points
    strip = ground.strip(near, canopy)
    told = ~is_coarse(strip.grain_m, near["setback_m"].to_numpy(float))
    close = _close_look(near[told], strip.of(told), ground)
    far = points.drop(index=near.index[told])
    looks = [look for look in (close, _coarse_look(far, ground)) if len(look)] or [close]
    return {"side_cover": pd.concat(looks).sort_index().assign(coarse_use=coarse)}


def cover_grain(source: GridSource, legend: pd.DataFrame) -> float:
    """Give the narrowest thing the land cover can show: its cell, or the legend's own minimum width [m]."""
    least = legend["min_width_m"].max()
    return float(max(source.lattice.cell_m, 0.0 if np.isnan(least) else least))


def is_coarse(grain_m: Floats | float, setback_m: Floats) -> Marks:
    """Say where cover of this grain cannot carry a setback: over a third of it. No setback is carried by any; (n,).

    >>> is_coarse(10.0, np.array([30.0, 29.0, 0.0])).tolist()
    [False, True, False]
    """
    return (grain_m > setback_m / 3 + 1e-9) & (setback_m > 0)


@dataclass(frozen=True)
class Strip:
    """Cover classes along transects.

    Parameters
    ----------
    classes
        (n, k) positions in COVERS; -1 unknown.
    step_m
        Length each sample stands for [m].
    grain_m
        (n,) narrowest thing that the layers which tell the buffer can show [m].
    wet_inward
        (n,) whether the land cover shows water within one cell on the channel's side of the bank line.
    """

    classes: Codes
    step_m: float
    grain_m: Floats
    wet_inward: Marks

    @property
    def middles_m(self) -> Floats:
        """Distance of the middle of each sample from the bank line; (k,) [m]."""
        return np.asarray((np.arange(self.classes.shape[1]) + 0.5) * self.step_m)

    def within(self, width_m: Floats) -> Marks:
        """Mark the samples whose middle lies within a width of the bank line; (n, k) for (n,) widths [m]."""
        return np.arange(self.classes.shape[1]) < samples_in(width_m, self.step_m)[:, None]

    def of(self, rows: Marks) -> Strip:
        """Give the strip of some of the transects."""
        return Strip(self.classes[rows], self.step_m, self.grain_m[rows], self.wet_inward[rows])


@dataclass(frozen=True)
class Ground:
    """The layers that say what covers the ground of a piece.

    Parameters
    ----------
    land_cover, legend
        Codes, and what they mean.
    wetlands
        Polygons.
    works
        Layer ``side_works``: old planting.
    setback
        Section of the settings.
    """

    land_cover: GridSource
    legend: pd.DataFrame
    wetlands: pd.DataFrame
    works: pd.DataFrame
    setback: Rule

    @property
    def grain_m(self) -> float:
        """The narrowest thing the land cover can show [m]."""
        return cover_grain(self.land_cover, self.legend)

    def classes(self, x: Floats, y: Floats) -> Codes:
        """Give what the land cover shows at places, positions in COVERS; shape of ``x``."""
        if not x.size:
            return np.empty(x.shape, np.int8)
        grid = self.land_cover.window(box_around(x, y))
        row, column, inside = grid.index(x, y)
        if grid.values.size == 0:
            return np.full(x.shape, UNKNOWN, np.int8)
        codes = grid.values[row, column].astype(np.int64)
        known = inside & grid.valid()[row, column]
        return np.where(known, cover_classes(codes, self.legend), UNKNOWN).astype(np.int8)

    def strip(self, points: pd.DataFrame, canopy: GridSource | None) -> Strip:
        """Give the cover out to where it counts and one opening more, the canopy, wetlands and old planting on it."""
        cells = [source.lattice.cell_m for source in (self.land_cover, canopy) if source is not None]
        step = min(STEP_M, min(cells) / 2)
        width = points["setback_m"].to_numpy(float)
        x, y = transects(points, step, points["counted_m"].max() + self.setback.opening_m if len(points) else 0.0)
        classes, wetland = self.classes(x, y), inside_polygons(x, y, self.wetlands)
        grain = np.full(len(points), self.grain_m)
        if canopy is not None:
            height = canopy_heights(canopy, x, y)
            told = told_finely(classes, height, wetland, self.setback)
            inside = np.arange(classes.shape[1]) < samples_in(width, step)[:, None]
            share = (told & inside).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
            grain[share >= TOLD_LEAST - 1e-9] = min(self.grain_m, canopy.lattice.cell_m)
            classes = with_canopy(classes, height, self.setback.canopy_m, is_coarse(self.grain_m, width))
        inward = self.classes(*transects(points, -step, self.grain_m))
        wet = (inward == _WATER).any(axis=1) & ~points["bank_line_basis"].isin(TOPS).to_numpy()
        return self._planted(Strip(with_wetlands(classes, wetland), step, grain, wet), points)

    def coarse_strip(self, points: pd.DataFrame) -> Strip:
        """Give the cover of a strip two cells wide, with wetlands and old planting on it."""
        x, y = transects(points, self.grain_m / 2, COARSE_CELLS * self.grain_m)
        classes = with_wetlands(self.classes(x, y), inside_polygons(x, y, self.wetlands))
        none = np.zeros(len(points), bool)
        return self._planted(Strip(classes, self.grain_m / 2, none + self.grain_m, none), points)

    def _planted(self, strip: Strip, points: pd.DataFrame) -> Strip:
        return replace(strip, classes=with_planting(strip.classes, strip.step_m, points, self.works))


def transects(points: pd.DataFrame, step: float, out: float) -> tuple[Floats, Floats]:
    """Give the middles of steps from the bank line outward, inward where ``step`` is below 0; (n, k) x and y [m]."""
    distance = (np.arange(max(1, int(np.ceil(out / abs(step) - 1e-6)))) + 0.5) * step
    return places_out(points, distance)


def with_planting(classes: Codes, step_m: float, points: pd.DataFrame, works: pd.DataFrame) -> Codes:
    """Give the classes along transects with old planting as wood, whatever the maps show; water stays.

    Parameters
    ----------
    classes
        (n, k) classes along the transects of ``points``.
    step_m
        Length each sample stands for [m].
    points, works
        Layers ``bank_points`` and ``side_works``.
    """
    if works["cover_to_m"].isna().all():
        return classes
    spans = points[SIDE_KEY].merge(works, on=SIDE_KEY, how="left", validate="one_to_one")
    at = (np.arange(classes.shape[1]) + 0.5) * step_m
    low, high = spans[["cover_from_m", "cover_to_m"]].to_numpy(float).T[:, :, None]
    grown = (at >= low) & (at <= high) & (classes != _WATER)
    return np.where(grown, _WOODY, classes).astype(np.int8)


def cover_classes(codes: NDArray[np.int64], legend: pd.DataFrame) -> Codes:
    """Translate codes of the land cover to positions in COVERS; -1 where the legend does not know the code."""
    known = legend["code"].to_numpy(np.int64)
    order = np.argsort(known)
    classes = legend["cover"].map({name: i for i, name in enumerate(COVERS)}).to_numpy(np.int8)[order]
    place = np.clip(np.searchsorted(known[order], codes), 0, len(known) - 1)
    return np.where(known[order][place] == codes, classes[place], UNKNOWN).astype(np.int8)


def samples_in(width_m: Floats, step_m: float) -> NDArray[np.int64]:
    """Give how many samples have their middle within a width of the bank line; (n,)."""
    return np.floor(width_m / step_m + 0.5).astype(np.int64)


def own_samples(points: pd.DataFrame, strip: Strip, width_m: Floats) -> Marks:
    """Mark the samples within a width whose middle lies on the bank's own ground; (n, k)."""
    return strip.within(np.minimum(points["owned_m"].fillna(np.inf).to_numpy(float), width_m))


def counting(strip: Strip, points: pd.DataFrame, rule: Rule, also: tuple[str, ...] = ()) -> Marks:
    """Mark the samples whose cover counts where they lie; (n, k). ``also`` names further classes."""
    counts = class_mask((*rule.counts, *also))[strip.classes]
    if not isinstance(rule, TwoZone):
        return counts
    outer = strip.middles_m > points["inner_m"].to_numpy(float)[:, None]
    return counts | (outer & class_mask(rule.outer_counts)[strip.classes])


def _close_look(points: pd.DataFrame, strip: Strip, ground: Ground) -> pd.DataFrame:
    rule, width, counted = ground.setback, *(points[name].to_numpy(float) for name in ("setback_m", "counted_m"))
    own, far = own_samples(points, strip, width), own_samples(points, strip, counted)
    inner = np.where(own, strip.classes, UNKNOWN).astype(np.int8)
    end = np.minimum(far.sum(axis=1) * strip.step_m, counted)
    chord = cell_chord(points, ground.grain_m)
    skip = skipped(inner, chord, strip.step_m, strip.wet_inward)
    counts, natural = counting(strip, points, rule), class_mask(rule.natural)[strip.classes]
    place = (skip, strip.step_m, rule.opening_m, end)
    buffer = buffer_width(counts, *place)
    covered = buffer_width(counting(strip, points, rule, rule.natural), *place) if rule.natural else buffer.copy()
    full = covered_by_share(counts & own, (inner != UNKNOWN) & ~skip, rule)
    for measure in (buffer, covered):
        measure[measure >= end - 1e-9] = np.maximum(end, width)[measure >= end - 1e-9]
        measure[full] = width[full]
    nothing = width <= 0
    unknown = ((inner == UNKNOWN) & own).sum(axis=1) > UNKNOWN_MOST * own.sum(axis=1)
    unknown |= ~own.any(axis=1) & ~nothing
    absent = (inner != UNKNOWN) & ~counts & ~skip
    missing = missing_by_place(absent & ~natural, skip | (inner == UNKNOWN), samples_in(width, strip.step_m))
    missing[full | nothing] = 0.0
    for measure in (buffer, covered, missing):
        measure[unknown] = np.nan
    third = np.maximum(1, samples_in(width, strip.step_m) // len(THIRDS))
    first, most = strip.within(strip.step_m * third), third.max(initial=1)
    return _table(
        points,
        buffer_width_m=buffer,
        covered_width_m=covered,
        edge_error_m=edge_error(strip.grain_m, skip),
        missing_strip=missing,
        woody_share=_share(inner == _WOODY, inner != UNKNOWN),
        natural=(covered >= width - 1e-9) & (buffer < width - 1e-9),
        adjacent_cover=commonest(inner, absent),
        near_bank_cover=bank_erodibility(inner[:, :most], (skipped(inner, chord, strip.step_m) | ~first)[:, :most]),
    )


def covered_by_share(counts: Marks, known: Marks, rule: Rule) -> Marks:
    """Mark the strips that a rule of shares calls covered; (n,), none where the rule is another.

    Parameters
    ----------
    counts
        (n, k) samples inside the strip whose cover counts.
    known
        (n, k) samples inside the strip whose class is known.
    rule
        The rule; its least share is inclusive.
    """
    if not isinstance(rule, CoverShare):
        return np.zeros(len(counts), bool)
    share = _share(counts, known)
    with np.errstate(invalid="ignore"):
        return np.asarray(share >= rule.least_share - 1e-9)


def _coarse_look(points: pd.DataFrame, ground: Ground) -> pd.DataFrame:
    classes, setback = ground.coarse_strip(points).classes, ground.setback
    known = (classes != UNKNOWN) & (classes != _WATER)
    counting = class_mask((*setback.counts, *setback.natural))[classes]
    nothing = np.full(len(points), np.nan)
    return _table(
        points,
        buffer_width_m=nothing,
        covered_width_m=nothing,
        edge_error_m=nothing,
        missing_strip=1.0 - _share(counting, known),
        woody_share=_share(classes == _WOODY, known),
        natural=np.zeros(len(points), bool),
        adjacent_cover=commonest(classes, known & ~counting),
        near_bank_cover=bank_erodibility(classes, ~known),
    )


def _table(points: pd.DataFrame, **columns: object) -> pd.DataFrame:
    return pd.DataFrame({key: points[key].to_numpy() for key in SIDE_KEY} | columns, index=points.index)


def cell_chord(points: pd.DataFrame, cell_m: float) -> Floats:
    """Give how far each transect may run inside one square cell: a cell, 1.41 cells on the diagonal; (n,) [m]."""
    return cell_m / np.maximum(np.abs(points["out_x"]), np.abs(points["out_y"])).to_numpy(float)


def edge_error(grain_m: Floats, skip: Marks) -> Floats:
    """Give the standard error that the cover's grain leaves on the width of the buffer; (n,) [m].

    Parameters
    ----------
    grain_m
        (n,) narrowest thing the cover can show [m].
    skip
        (n, k) samples at the bank line that were skipped.

    Notes
    -----
    The true edge of a patch lies anywhere within half a grain of the edge that is drawn, all places alike likely: a
    uniform error of standard deviation grain / sqrt(12). The width runs from the bank line, which is not read off the
    cover, to one such edge. Where water was skipped it runs between two, and the errors add in squares: sqrt(2) times
    as much [own]. Errors of neighbouring stations are not averaged out: they share the cells.
    """
    edges = 1.0 + skip.any(axis=1)
    return np.asarray(grain_m) / np.sqrt(12.0) * np.sqrt(edges)


def skipped(classes: Codes, cell_m: Floats | float, step_m: float, wet_inward: Marks | None = None) -> Marks:
    """Mark water and bars that begin at the bank line, out to one cell: neither cover nor opening.

    Parameters
    ----------
    classes
        (n, k) cover along the transect.
    cell_m
        How far one cell goes along each transect [m].
    step_m
        Length of a sample [m].
    wet_inward
        (n,) whether there is water within one cell inward of the bank line; None: nowhere.

    Returns
    -------
    ndarray
        (n, k) bool. Bare ground is a bar only where it touches water: in the same run, or inward of the bank line.
    """
    most = np.ceil(np.broadcast_to(cell_m, len(classes)) / step_m - 1e-6)
    run = np.cumprod(np.isin(classes, (_WATER, _BARE)), axis=1).astype(bool)
    run &= np.arange(classes.shape[1]) < most[:, None]
    wet = (run & (classes == _WATER)).any(axis=1)
    return run & (wet if wet_inward is None else wet | wet_inward)[:, None]


def buffer_width(cover: Marks, skip: Marks, step_m: float, opening_m: float, most_m: Floats | float) -> Floats:
    """Give the contiguous width of counting cover from the bank line outward.

    Parameters
    ----------
    cover
        (n, k) samples along the transect whose cover counts, out to the setback and one opening more.
    skip
        (n, m) samples at the bank line that are neither cover nor opening, m <= k.
    step_m
        Length of a sample [m].
    opening_m
        Longest run without cover that is passed over when cover follows [m].
    most_m
        Where widths end: the setback, or where the own ground ends; scalar or (n,) [m].

    Returns
    -------
    ndarray
        (n,) width [m]; ``most_m`` where the cover goes on to the setback line.
    """
    first = skip.sum(axis=1)
    end = np.zeros(len(cover))
    opening = np.zeros(len(cover))
    alive = np.ones(len(cover), bool)
    for place in range(cover.shape[1]):
        here = alive & cover[:, place]
        end[here] = (place + 1) * step_m
        opening = np.where(here | (place < first), 0.0, opening + step_m)
        alive &= opening <= opening_m + 1e-9
    width = np.where(end >= most_m - 1e-9, most_m, np.maximum(0.0, end - first * step_m))
    return np.minimum(width, most_m)


def missing_by_place(absent: Marks, left_out: Marks, count: NDArray[np.int64]) -> Floats:
    """Give the share of the strip that is missing, thirds weighed .5, .3, .2 from the bank outward; (n,).

    A third without any sample that is known leaves its weight to the others; NaN where none is.

    Parameters
    ----------
    absent, left_out
        (n, k) samples that are missing, and those that do not count.
    count
        (n,) samples of each strip; those beyond do not count.
    """
    edges = np.round(count[:, None] * (np.arange(len(THIRDS) + 1) / len(THIRDS))).astype(int)
    place = np.arange(absent.shape[1])
    total, weight = np.zeros(len(absent)), np.zeros(len(absent))
    for number, share in enumerate(THIRDS):
        third = (place >= edges[:, number, None]) & (place < edges[:, number + 1, None]) & ~left_out
        asked, gone = third.sum(axis=1), (third & absent).sum(axis=1)
        total += share * (gone / np.maximum(asked, 1))  # a whole third is then exactly its share
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
