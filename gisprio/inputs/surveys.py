"""Surveys of a DEM: which of its files belong together, and how far the surveys lie above each other.

A survey is made of files on one lattice whose heights agree where they overlap, such as the tiles of one flight. Where
the heights pass from one survey to another there is a seam. What is measured across it would measure the offset.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pyproj import Transformer
from shapely import STRtree, box

from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.findings import Finding, Severity, listed
from gisprio.inputs import raster_files, rasters, warp
from gisprio.inputs.crs import same, transform_bounds
from gisprio.inputs.digests import file_digest, text_digest
from gisprio.inputs.raster_files import RasterFile
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.warp import pick_bilinear

AGREE_M = 0.1
"""Files of one lattice are one survey where their heights differ by no more than this, by the median [own]."""
LARGE_M = 0.5
"""An offset over this is a warning [own]."""
LEAST_CELLS = 50
"""From fewer common cells no offset is told [own]."""
FEET_SHARE = 0.02
"""Heights are taken for feet where their ratio is that of a metre to a foot within this share [own]."""
WINDOW_CELLS = 32
"""Side of the windows that overlaps are sampled by, in cells of the coarser file."""
MOST_FINE_CELLS = 1000
"""A window's side in cells of the finer file stays below this, so that it is small."""
WINDOWS = 8
"""Windows along each side of an overlap."""
CLOSE_WINDOWS = 32
"""The same where the first look met too few common cells."""
TILE_WINDOWS = 2
"""The same between files of one lattice."""
MOST_OVERLAPS = 16
"""Of more overlaps between two surveys so many are sampled, evenly."""
MOST_TILE_PAIRS = 1500
"""Of more overlaps between files of one lattice so many are sampled, evenly."""
MOST_TOLD = 9
"""Offsets told one by one; the rest in one finding."""
_DECIDING = (__file__, rasters.__file__, raster_files.__file__, warp.__file__)
"""Code that surveys are found by: after a change of it they are found again."""


@dataclass(frozen=True, slots=True)
class Offset:
    """How far one set of heights lies above another where both have data.

    Parameters
    ----------
    median_m
        Median of the differences [m]; NaN where there are too few common cells.
    spread_m
        1.4826 times their median distance from it [m].
    cells
        Number of common cells that were looked at.
    ratio
        Median height over median height.
    """

    median_m: float
    spread_m: float
    cells: int
    ratio: float

    @property
    def known(self) -> bool:
        """Whether there are enough common cells."""
        return self.cells >= LEAST_CELLS


def find_surveys(heights: RasterSource) -> tuple[tuple[int, ...], list[Finding]]:
    """Say which survey each file of a DEM belongs to, and how the surveys lie to each other.

    Parameters
    ----------
    heights
        The DEM.

    Returns
    -------
    surveys, findings
        Number of the survey of each file, in the order in which surveys are first met.

    Raises
    ------
    InputError
        When a file can no longer be read.

    Notes
    -----
    Files of one system, cell and lattice are one survey. A file whose heights differ by over 0.1 m (median) from one it
    overlaps is of another. Differences are taken at the centres of the coarser file's cells, the finer file bilinear
    there, in windows spread evenly over the overlaps: the same places in every run, never whole files.
    """
    if len(heights.files) < 2:
        return (0,) * len(heights.files), []
    near = _near_pairs(heights)
    surveys, left_out = _group(heights, near)
    findings = [_pairs_left_out(left_out)] if left_out else []
    return surveys, [*findings, *_offset_findings(heights, surveys, near)]


def survey_key(heights: RasterSource, digest: str) -> str:
    """Digest what decides the surveys of a DEM: its files and their names, the working system, and how it is done.

    Parameters
    ----------
    heights
        The DEM.
    digest
        Of its files and its unit.
    """
    names = [file.place.path for file in heights.files]
    return text_digest([digest, heights.crs.to_wkt(), *names, *(file_digest(path) for path in _DECIDING)])


def offset_between(heights: RasterSource, pairs: Sequence[tuple[int, int]], windows: int = WINDOWS) -> Offset:
    """Measure how far the first files of some pairs lie above the second ones.

    Parameters
    ----------
    heights
        The DEM.
    pairs
        Numbers of two files each.
    windows
        Windows along each side of an overlap.
    """
    met = [_common_heights(heights, first, second, windows) for first, second in pairs]
    first, second = (np.concatenate([part[k] for part in met] or [np.empty(0)]) for k in (0, 1))
    if len(first) < LEAST_CELLS:
        return Offset(math.nan, math.nan, len(first), math.nan)
    apart = first - second
    median = float(np.median(apart))
    high, low = float(np.median(first)), float(np.median(second))
    ratio = high / low if high and low else math.nan
    return Offset(median, 1.4826 * float(np.median(np.abs(apart - median))), len(first), ratio)


def _common_heights(
    heights: RasterSource, first: int, second: int, windows: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give heights of two files at common places; (n,), (n,) [m]."""
    turned = heights.cells_m[second] < heights.cells_m[first]
    coarse, fine = (first, second) if turned else (second, first)
    one, other = heights.files[coarse], heights.files[fine]
    assert one.crs is not None
    assert other.crs is not None
    side = int(MOST_FINE_CELLS * heights.cells_m[fine] / heights.cells_m[coarse])
    met: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = [(np.empty(0), np.empty(0))]
    looked = list(_windows(_overlap_cells(one, other), max(2, min(WINDOW_CELLS, side)), windows))
    if not looked:
        return met[0]
    to_fine = Transformer.from_crs(one.crs, other.crs, always_xy=True)
    for r0, r1, c0, c1 in looked:
        values, valid = heights.file_cells(coarse, r0, r1, c0, c1)
        row, column = np.nonzero(valid)
        if not len(row):
            continue
        x, y = to_fine.transform(*_places(one, row + r0 + 0.5, column + c0 + 0.5))
        there, ok = _heights_at(heights, fine, np.asarray(x), np.asarray(y))
        met.append((values[row, column][ok].astype(np.float64), there[ok]))
    found = (np.concatenate([part[0] for part in met]), np.concatenate([part[1] for part in met]))
    return found if turned else found[::-1]


def _heights_at(
    heights: RasterSource, number: int, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Give heights of one file between its cell centres at places of its own system, and whether there are any."""
    a, b, c, d, e, f = _inverse(heights.files[number])
    column, row = a * x + b * y + c, d * x + e * y + f
    lost = ~(np.isfinite(row) & np.isfinite(column))
    row, column = np.where(lost, -1.0, row), np.where(lost, -1.0, column)
    file = heights.files[number]
    r0, r1 = max(0, math.floor(row.min()) - 1), min(file.rows, math.ceil(row.max()) + 1)
    c0, c1 = max(0, math.floor(column.min()) - 1), min(file.columns, math.ceil(column.max()) + 1)
    if r0 >= r1 or c0 >= c1:
        return np.full(row.shape, np.nan), np.zeros(row.shape, bool)
    values, valid = heights.file_cells(number, r0, r1, c0, c1)
    return pick_bilinear(values, valid, row - r0, column - c0)


def _places(
    file: RasterFile, row: NDArray[np.floating], column: NDArray[np.floating]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    a, b, c, d, e, f = file.transform
    return a * column + b * row + c, d * column + e * row + f


def _inverse(file: RasterFile) -> tuple[float, ...]:
    """Give the six numbers that make cells of places."""
    a, b, c, d, e, f = file.transform
    size = a * e - b * d
    return e / size, -b / size, (b * f - c * e) / size, -d / size, a / size, (c * d - a * f) / size


def _overlap_cells(one: RasterFile, other: RasterFile) -> tuple[int, int, int, int]:
    """Give row0, row1, column0, column1 of a file's cells whose centres may lie in the extent of another."""
    assert one.crs is not None
    assert other.crs is not None
    x0, y0, x1, y1 = other.bounds if same(one.crs, other.crs) else transform_bounds(other.bounds, other.crs, one.crs)
    a, b, c, d, e, f = _inverse(one)
    x, y = np.array([x0, x1, x0, x1]), np.array([y0, y0, y1, y1])
    column, row = a * x + b * y + c, d * x + e * y + f
    rows = np.clip(np.round([row.min(), row.max()]), 0, one.rows).astype(int)
    columns = np.clip(np.round([column.min(), column.max()]), 0, one.columns).astype(int)
    return int(rows[0]), int(rows[1]), int(columns[0]), int(columns[1])


def _windows(cells: tuple[int, int, int, int], side: int, most: int) -> Iterator[tuple[int, int, int, int]]:
    """Lay up to ``most`` x ``most`` windows evenly over a box of cells, none over another."""
    rows, columns = _starts(cells[0], cells[1], side, most), _starts(cells[2], cells[3], side, most)
    for row in rows:
        for column in columns:
            yield row, min(row + side, cells[1]), column, min(column + side, cells[3])


def _starts(low: int, high: int, side: int, most: int) -> list[int]:
    if high <= low:
        return []
    count = min(most, max(1, (high - low) // side))
    return [round(start) for start in np.linspace(low, max(low, high - side), count)]


def _near_pairs(heights: RasterSource) -> list[tuple[int, int]]:
    """Give pairs of files that touch or come within two cells of the coarser, lower number first."""
    held = [(number, bounds) for number, bounds in enumerate(heights.boxes) if bounds is not None]
    numbers = np.array([number for number, _ in held], int)
    x0, y0, x1, y1 = np.array([bounds for _, bounds in held]).reshape(-1, 4).T
    reach = 2 * np.array(heights.cells_m)[numbers]
    around = box(x0 - reach, y0 - reach, x1 + reach, y1 + reach)
    pairs = numbers[STRtree(box(x0, y0, x1, y1)).query(around, predicate="intersects")]
    pairs = np.unique(np.sort(pairs[:, pairs[0] != pairs[1]], axis=0), axis=1)
    return [(int(one), int(other)) for one, other in pairs.T]


def _one_lattice(one: RasterFile, other: RasterFile) -> bool:
    """Say whether cells of two files are cells of one lattice."""
    assert one.crs is not None
    assert other.crs is not None
    if not all(math.isclose(one.transform[k], other.transform[k], rel_tol=1e-6, abs_tol=1e-12) for k in (0, 1, 3, 4)):
        return False
    a, b, c, d, e, f = _inverse(one)
    x, y = other.transform[2], other.transform[5]
    column, row = a * x + b * y + c, d * x + e * y + f
    return abs(column - round(column)) < 0.01 and abs(row - round(row)) < 0.01 and same(one.crs, other.crs)


def _group(heights: RasterSource, near: Sequence[tuple[int, int]]) -> tuple[tuple[int, ...], int]:
    """Give the survey of each file, and how many overlaps of files on one lattice were not looked at."""
    files = heights.files
    lattices = _lattices(files)
    pairs = [
        (one, other) for one, other in near if lattices[one] == lattices[other] and _overlap(files[one], files[other])
    ]
    looked = _evenly(pairs, MOST_TILE_PAIRS)
    apart: dict[int, list[int]] = {}
    for one, other in looked:
        offset = offset_between(heights, [(one, other)], TILE_WINDOWS)
        if offset.known and abs(offset.median_m) > AGREE_M:
            apart.setdefault(other, []).append(one)
    surveys: list[int] = []
    of_lattice: dict[int, list[int]] = {}
    count = 0
    for number, lattice in enumerate(lattices):
        unlike = {surveys[other] for other in apart.get(number, ())}
        own = of_lattice.setdefault(lattice, [])
        survey = next((survey for survey in own if survey not in unlike), count)
        if survey == count:
            own.append(survey)
            count += 1
        surveys.append(survey)
    return tuple(surveys), len(pairs) - len(looked)


def _overlap(one: RasterFile, other: RasterFile) -> bool:
    """Say whether two files of one lattice may have a cell in common, not only a border."""
    half = max(abs(one.transform[0]), abs(one.transform[1])) / 2
    (x0, y0, x1, y1), (left, bottom, right, top) = one.bounds, other.bounds
    return min(x1, right) - max(x0, left) > half and min(y1, top) - max(y0, bottom) > half


def _lattices(files: Sequence[RasterFile]) -> list[int]:
    """Give each file the number of the first lattice that its cells are cells of."""
    firsts: list[RasterFile] = []
    steps = np.array([file.transform for file in files])[:, [0, 1, 3, 4]]
    known = np.empty_like(steps)
    lattices: list[int] = []
    for file, own in zip(files, steps, strict=True):
        alike = np.isclose(known[: len(firsts)], own, rtol=2e-6, atol=1e-11).all(axis=1)
        tried = (int(k) for k in np.flatnonzero(alike))
        lattice = next((k for k in tried if _one_lattice(firsts[k], file)), len(firsts))
        if lattice == len(firsts):
            known[lattice] = own
            firsts.append(file)
        lattices.append(lattice)
    return lattices


def _evenly(pairs: list[tuple[int, int]], most: int) -> list[tuple[int, int]]:
    if len(pairs) <= most:
        return pairs
    return [pairs[at] for at in np.unique(np.linspace(0, len(pairs) - 1, most).astype(int))]


def _pairs_left_out(count: int) -> Finding:
    says = (
        f"{count} overlaps between files of the DEM on one lattice were not compared, {MOST_TILE_PAIRS} were; what was "
        "not compared is taken for one survey."
    )
    return Finding("note", "dem", "dem_offset", "", says, "if they differ, put the files of each survey in one file.")


def _offset_findings(
    heights: RasterSource, surveys: Sequence[int], near: Sequence[tuple[int, int]]
) -> Iterator[Finding]:
    """Tell the offset of each pair of surveys that meet."""
    between: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for one, other in near:
        if surveys[one] != surveys[other]:
            low_first = surveys[one] < surveys[other]
            key = (surveys[one], surveys[other]) if low_first else (surveys[other], surveys[one])
            between.setdefault(key, []).append((one, other) if low_first else (other, one))
    members: list[list[int]] = [[] for _ in range(max(surveys) + 1)]
    for number, own in enumerate(surveys):
        members[own].append(number)
    names = [listed((heights.files[n].place.name for n in own), most=1) for own in members]
    told = []
    for key in sorted(between):
        pairs = _evenly(between[key], MOST_OVERLAPS)
        offset = offset_between(heights, pairs)
        if not offset.known:
            offset = offset_between(heights, pairs, CLOSE_WINDOWS)
        told.append((names[key[0]], names[key[1]], offset))
    told.sort(key=lambda row: -abs(row[2].median_m) if row[2].known else -math.inf)
    yield from (_told(*row) for row in told[:MOST_TOLD])
    rest = told[MOST_TOLD:]
    if rest:
        most = max((abs(offset.median_m) for _, _, offset in rest if offset.known), default=0.0)
        says = f"{len(rest)} more pairs of surveys of the DEM meet; none of them lies over {most:.2f} m apart."
        yield Finding("note", "dem", "dem_offset", "", says, "nothing to do; no slope or section crosses a seam.")


def _told(first: str, second: str, offset: Offset) -> Finding:
    """Say how two surveys lie to each other."""
    crosses = "No slope, step or section is measured across the seam, but water is routed over it"
    lies = "lie" if first.endswith(" more") else "lies"
    if not offset.known:
        says = (
            f"how far {first} {lies} above or below {second} is not known: {offset.cells} common cells were met, "
            f"{LEAST_CELLS} are needed. {crosses}."
        )
        return Finding("note", "dem", "dem_offset", "", says, "give files that overlap, to have it measured.")
    way = "above" if offset.median_m >= 0 else "below"
    says = (
        f"{first} {lies} {abs(offset.median_m):.2f} m {way} {second} where they overlap (median of {offset.cells} "
        f"cells, spread {offset.spread_m:.2f} m)."
    )
    severity: Severity = "warning" if abs(offset.median_m) > LARGE_M else "note"
    if severity == "note":
        return Finding(severity, "dem", "dem_offset", "", f"{says} {crosses}.", "nothing to do.")
    feet = next((a for a, ratio in ((first, offset.ratio), (second, 1 / offset.ratio)) if _in_feet(ratio)), None)
    if feet is not None:
        says += f" Heights of {feet} are {1 / FOOT_M.value:.2f} times as large, as feet are to metres."
        do = "bring both to one unit; [dem] vertical_unit holds for all files."
    else:
        do = "check the vertical datum and the unit of both; bring them to one, or leave one of them out."
    return Finding(severity, "dem", "dem_offset", "", f"{says} {crosses}.", do)


def _in_feet(ratio: float) -> bool:
    return abs(ratio * FOOT_M.value - 1) < FEET_SHARE
