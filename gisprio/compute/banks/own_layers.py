"""Layers of the user's own, measured at each bank point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.banks.polygon_values import Floats, mean_inside, mean_of_pairs, pairs_inside
from gisprio.compute.banks.sides import SIDE_KEY, places_out
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.grids import GridSource, box_around
from gisprio.contracts.layers import OWN_PREFIX, SIDE_OWN_VALUES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import OwnFactor, Settings

STEP_M = 1.0
"""Step along a transect over polygons; over a raster it is half a cell."""
MOST_STEPS = 200
"""A transect has no more steps than this: they grow longer instead."""
KNOWN_LEAST = 0.5
"""Share of a transect on which a layer must tell something [own]."""


def measure_own_layers(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure every layer of ``[factor]`` at each bank point.

    Parameters
    ----------
    core
        ``bank_points`` of the piece.
    halo
        ``own_NAME`` of each factor whose layer is of features; whole, since the nearest one may be far.
    sources
        ``own_NAME`` of each factor whose layer is a raster.
    settings
        Sections ``factor`` and ``setback``.

    Returns
    -------
    dict
        ``side_own_values``: one row a station side and factor, null where the layer tells nothing.
    """
    points, own, width = core["bank_points"], settings.factor, settings.setback.most_m
    parts = []
    for name in sorted(own) if len(points) else ():
        table, within = OWN_PREFIX + name, own[name].within_m or width
        if table in sources:
            value = raster_values(points, sources[table], own[name], within)
        else:
            value = feature_values(points, halo[table], own[name], within)
        parts.append(points[SIDE_KEY].assign(factor=name, value=value))
    return {"side_own_values": pd.concat(parts, ignore_index=True) if parts else empty(SIDE_OWN_VALUES)}


def raster_values(points: pd.DataFrame, source: GridSource, own: OwnFactor, within_m: float) -> Floats:
    """Give the mean of a raster along each transect, or the share of it that is not 0; (n,)."""
    x, y = transects(points, within_m, source.lattice.cell_m / 2)
    grid = source.window(box_around(x, y))
    values = grid.nearest(x, y, np.nan).astype(float)
    return mean_known(np.where(np.isnan(values), np.nan, values != 0) if own.measure == "share" else values)


def feature_values(points: pd.DataFrame, layer: pd.DataFrame, own: OwnFactor, within_m: float) -> Floats:
    """Give what features tell of each bank point: mean, share, distance or column; (n,)."""
    shapes, values = layer["geometry"].to_numpy(), layer["value"].to_numpy(float)
    if own.measure in ("mean", "share"):
        x, y = transects(points, within_m, STEP_M)
        if own.measure == "share":
            covered = np.zeros(x.size)
            covered[pairs_inside(x.ravel(), y.ravel(), shapes)[0]] = 1.0
            return covered.reshape(x.shape).mean(axis=1)
        return mean_known(mean_inside(x.ravel(), y.ravel(), shapes, values).reshape(x.shape))
    x, y = points["x"].to_numpy(float), points["y"].to_numpy(float)
    if own.measure == "distance":
        return distance_to(x, y, shapes)
    if len(shapes) and shapely.get_dimensions(shapes).max() == 2:
        return mean_inside(x, y, shapes, values)
    known = ~np.isnan(values)
    pairs = shapely.STRtree(shapes[known]).query_nearest(shapely.points(x, y), max_distance=within_m)
    return mean_of_pairs(pairs[0], values[known][pairs[1]], len(x))


def transects(points: pd.DataFrame, within_m: float, step_m: float) -> tuple[Floats, Floats]:
    """Give the middles of even steps of about ``step_m`` from the bank line outward; (n, k) x and y [m]."""
    count = int(np.clip(np.ceil(within_m / step_m - 1e-6), 1, MOST_STEPS))
    out = (np.arange(count) + 0.5) * (within_m / count)
    return places_out(points, out)


def mean_known(values: Floats) -> Floats:
    """Give the mean of each row's known values; NaN where under half of them is known.

    >>> mean_known(np.array([[1.0, 3.0, np.nan], [np.nan, 5.0, np.nan]])).tolist()
    [2.0, nan]
    """
    known = ~np.isnan(values)
    count = known.sum(axis=1)
    total = np.where(known, values, 0.0).sum(axis=1)
    enough = count >= max(1.0, KNOWN_LEAST * values.shape[1])
    return np.divide(total, count, out=np.full(len(values), np.nan), where=enough)


def distance_to(x: Floats, y: Floats, shapes: np.ndarray) -> Floats:
    """Give the distance from each place to the nearest shape [m], 0 inside a polygon; NaN without shapes."""
    if not len(shapes):
        return np.full(len(x), np.nan)
    (place, _), distance = shapely.STRtree(shapes).query_nearest(
        shapely.points(x, y), all_matches=False, return_distance=True
    )
    got = np.full(len(x), np.nan)
    got[place] = distance
    return got
