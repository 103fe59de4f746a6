"""What the canopy and the wetlands say of the samples along transects, over what the land cover shows.

Canopy heights decide what is woody. A sample under canopy of at least ``[setback] canopy_m`` is woody whatever
the land cover shows, but for water and built ground: crowns over a channel, a road or a roof hold no bank, and a
surface model takes a roof for a crown. Where the canopy is known and lower, ground that the land cover calls woody is
not: it counts as herbaceous. Where the canopy has no data the land cover stands.

Ground inside a wetland polygon is wetland, unless it is woody, water or built: a wooded swamp stays woody, and what
was built is newer than the map of wetlands.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.contracts.constants import CANOPY_LEAST, CANOPY_MOST, SAME_CELL
from gisprio.contracts.grids import GridSource, box_around
from gisprio.contracts.setbacks import Rule
from gisprio.contracts.words import COVERS

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
Marks = NDArray[np.bool_]
_WOODY, _LOW, _WATER = COVERS.index("woody"), COVERS.index("herbaceous"), COVERS.index("water")
_WETLAND, _BUILT = COVERS.index("wetland"), COVERS.index("developed")


def class_mask(covers: tuple[str, ...]) -> Marks:
    """Give a lookup over COVERS and, last, unknown (False): which classes are among ``covers``."""
    return np.array([name in covers for name in COVERS] + [False])


def finer_canopy(canopy: GridSource | None, grain_m: float) -> GridSource | None:
    """Give the canopy where it has cells and they are no coarser than the land cover's grain [m]; else None."""
    if canopy is None or 0 in canopy.shape or canopy.lattice.cell_m > SAME_CELL.value * grain_m:
        return None
    return canopy


def canopy_heights(canopy: GridSource, x: Floats, y: Floats) -> Floats:
    """Give the height of the canopy in the cell each place lies in [m]; NaN where none is known. Shape of ``x``.

    Heights that no tree has, above 120 m or more than 2 m below the ground, are none.
    """
    if not x.size:
        return np.full(x.shape, np.nan)
    grid = canopy.window(box_around(x, y))
    height = np.asarray(grid.nearest(x, y, np.nan), np.float64)
    with np.errstate(invalid="ignore"):
        tree = (height >= CANOPY_LEAST.value) & (height <= CANOPY_MOST.value)
    return np.where(tree, height, np.nan)


def with_canopy(classes: Codes, height: Floats, tall_m: float, coarse: Marks) -> Codes:
    """Give the classes of samples with the canopy's word on what is woody.

    Parameters
    ----------
    classes
        (n, k) what the land cover shows, positions in COVERS, -1 unknown.
    height
        Canopy height, NaN where it is not known [m]; shape of ``classes``.
    tall_m
        From this height on it is woody [m].
    coarse
        (n,) the land cover's cells are too wide for the setback: what they call water or built may well be a bank with
        trees, so that the canopy wins there too.
    """
    with np.errstate(invalid="ignore"):
        tall, low = height >= tall_m, height < tall_m
    tall &= coarse[:, None] | ((classes != _WATER) & (classes != _BUILT))
    return np.select([tall, low & (classes == _WOODY)], [_WOODY, _LOW], classes).astype(np.int8)


def told_finely(classes: Codes, height: Floats, wetland: Marks, setback: Rule) -> Marks:
    """Mark samples of a coarser land cover whose part in the buffer the canopy tells at its own cell.

    That is where the canopy is tall; and where it is low, unless the land cover calls the ground water or a class that
    counts (or is no gap) besides woody: on which side of such an edge the sample lies only the coarse cell says.

    Parameters
    ----------
    classes
        What the land cover shows, positions in COVERS, -1 unknown; any shape.
    height
        Canopy height, NaN where it is not known [m]; shape of ``classes``.
    wetland
        In a wetland polygon; shape of ``classes``.
    setback
        ``counts``, ``natural`` and ``canopy_m`` are read.
    """
    hangs = class_mask((*setback.counts, *setback.natural, "water"))
    hangs[_WOODY] = False
    with np.errstate(invalid="ignore"):
        tall = height >= setback.canopy_m
    return ~np.isnan(height) & (tall | wetland | ~hangs[classes])


def inside_polygons(x: Floats, y: Floats, polygons: pd.DataFrame) -> Marks:
    """Mark the places of transects that lie inside polygons; only transects that meet one are looked at closely.

    Parameters
    ----------
    x, y
        (n, k) places along n transects [m].
    polygons
        Polygons near them.

    Returns
    -------
    ndarray
        (n, k) bool.
    """
    found = np.zeros(x.shape, bool)
    if not x.size or not len(polygons):
        return found
    assert isinstance(polygons, gpd.GeoDataFrame)
    shapes = np.asarray(polygons.geometry.array)
    ends = np.stack([np.column_stack([x[:, i], y[:, i]]) for i in (0, -1)], axis=1)
    shapely.prepare(shapes)
    transect, polygon = shapely.STRtree(shapes).query(shapely.linestrings(ends), predicate="intersects")
    if len(transect):
        inside = shapely.contains_xy(shapes[polygon][:, None], x[transect], y[transect])
        met, start = np.unique(transect, return_index=True)  # a query gives its transects in order
        found[met] = np.logical_or.reduceat(inside, start, axis=0)
    return found


def with_wetlands(classes: Codes, wetland: Marks) -> Codes:
    """Give the classes of samples with those inside a wetland polygon as wetland; woody, water and built ones stay."""
    stays = np.isin(classes, (_WOODY, _WATER, _BUILT))
    return np.where(wetland & ~stays, _WETLAND, classes).astype(np.int8)
