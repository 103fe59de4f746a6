"""Shares of the cover classes in bank strips, by transects: compiled, for many banks at once.

A share is an average along the bank: each transect counts the same, each metre of it too. Beside a straight bank that
is the share of the strip's area; in a bend the fan of transects is close on the inner side and wide on the outer.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from gisprio.compute.banks.cover import STEP_M, UNKNOWN, cover_classes
from gisprio.compute.terrain.cells import WORKERS, in_threads
from gisprio.contracts.grids import GridSource, box_around
from gisprio.contracts.words import COVERS

Floats = NDArray[np.float64]
_MOST_CODE = 65_535
"""Codes of legends are no larger."""


def strip_shares(
    points: pd.DataFrame, bank: NDArray[np.int64], land_cover: GridSource, legend: pd.DataFrame, width_m: float
) -> Floats:
    """Give the share of each cover class in the strip of each bank.

    Parameters
    ----------
    points
        ``x``, ``y`` [m] and ``out_x``, ``out_y`` (unit vector outward) of bank points, those of a bank together.
    bank
        (n,) number of the bank of each point, rising from 0.
    land_cover
        Codes.
    legend
        Layer ``legend``.
    width_m
        Width of the strips [m].

    Returns
    -------
    ndarray
        (banks, classes in COVERS), summing to 1; NaN for a bank without a known class.
    """
    banks = int(bank.max(initial=-1)) + 1
    counts = np.zeros((banks, len(COVERS)), np.int64)
    if not banks:
        return counts.astype(float)
    x, y, out_x, out_y = (np.ascontiguousarray(points[name], float) for name in ("x", "y", "out_x", "out_y"))
    lattice = land_cover.lattice
    step = min(STEP_M, lattice.cell_m / 2)
    samples = max(1, int(np.floor(width_m / step + 0.5)))
    grid = land_cover.window(box_around(x, y, width_m))
    column, row = (x - lattice.x0) / lattice.cell_m - grid.column, (lattice.y0 - y) / lattice.cell_m - grid.row
    right, down = out_x * (step / lattice.cell_m), -out_y * (step / lattice.cell_m)
    classes = cover_classes(np.arange(min(_MOST_CODE, int(legend["code"].max())) + 1), legend)
    nodata = UNKNOWN if grid.nodata is None else int(grid.nodata)
    if 0 <= nodata < len(classes):
        classes[nodata] = UNKNOWN
    cuts = np.searchsorted(bank, np.arange(WORKERS + 1) * banks // WORKERS)
    in_threads(
        lambda _, some: count_classes(grid.values, classes, column, row, right, down, bank, samples, counts, *some),
        list(pairwise(cuts.tolist())),
        WORKERS,
    )
    known = counts.sum(axis=1, keepdims=True)
    return np.divide(counts, known, out=np.full(counts.shape, np.nan), where=known > 0)


@njit(cache=True, nogil=True)
def count_classes(  # type: ignore[no-untyped-def]
    codes, classes, column, row, right, down, bank, samples, counts, first, after
) -> None:
    """Count the samples of each class along the transects ``first`` to ``after`` - 1.

    Parameters
    ----------
    codes
        (rows, columns) codes of the land cover.
    classes
        Class of each code, -1 unknown.
    column, row, right, down
        (n,) bank points and steps outward, in cells of ``codes``.
    bank
        (n,) bank of each point.
    samples
        Steps of a transect.
    counts
        (banks, classes); added to.
    first, after
        Points; no bank lies on both sides of a border.
    """
    rows, columns = codes.shape
    known = np.uint64(classes.size)
    for point in range(first, after):
        own = counts[bank[point]]
        r, c = row[point] + 0.5 * down[point], column[point] + 0.5 * right[point]
        for _ in range(samples):
            if r >= 0.0 and c >= 0.0 and r < rows and c < columns:
                code = np.uint64(codes[np.uint64(r), np.uint64(c)])  # one below 0 is beyond all that are known
                if code < known:
                    cover = classes[code]
                    if cover >= 0:
                        own[cover] += 1
            r += down[point]
            c += right[point]
