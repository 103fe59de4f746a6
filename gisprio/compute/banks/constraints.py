"""What stands in the way of planting beside each station: constraints, and roads and railways along the bank."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.crossings import road_width
from gisprio.contracts.constants import CROSSING_ANGLE_DEG

Floats = NDArray[np.float64]
Shapes = NDArray[np.object_]
TOUCH_M = 0.01
"""Cells end this short of their neighbours: what begins where a cell ends does not lie in it [m]."""
NO_KIND = "constraint"
"""Word for a constraint whose kind is not told."""


def strip_cells(sides: pd.DataFrame, width_m: Floats | float) -> Shapes:
    """Give the part of the strip that belongs to each station side: a rectangle outward of the bank point.

    Parameters
    ----------
    sides
        ``x``, ``y``, ``out_x``, ``out_y`` and the length each stands for, ``from_m`` to ``to_m``.
    width_m
        Depth from the bank line; scalar or (n,) [m].

    Returns
    -------
    ndarray
        (n,) polygons.
    """
    place, out = sides[["x", "y"]].to_numpy(float), sides[["out_x", "out_y"]].to_numpy(float)
    half = (sides["to_m"] - sides["from_m"]).to_numpy()[:, None] / 2 - TOUCH_M
    along = np.column_stack([-out[:, 1], out[:, 0]]) * half
    deep = out * np.broadcast_to(np.asarray(width_m, float), len(sides))[:, None]
    corners = [place - along, place + along, place + along + deep, place - along + deep]
    return np.asarray(shapely.polygons(np.stack(corners, axis=1)), dtype=object)


def constraint_words(sides: pd.DataFrame, constraints: pd.DataFrame, roads: pd.DataFrame, width_m: Floats) -> pd.Series:
    """Name the kinds of constraint in the strip beside each station.

    Parameters
    ----------
    sides
        Station sides with their bank points.
    constraints, roads
        Layers near them.
    width_m
        (n,) depth of the strips [m].

    Returns
    -------
    Series
        (n,) kinds in order of name with commas between; None where there is none, and under crossings.
    """
    cells = strip_cells(sides, width_m)
    thing, row = shapely.STRtree(cells).query(np.asarray(constraints.geometry.array), predicate="intersects")
    kinds = constraints["kind"].fillna(NO_KIND).to_numpy(object)
    road, road_row = roads_along(sides, roads, width_m)
    classes = np.array([road_word(name) for name in roads["class"]], dtype=object)
    found = pd.DataFrame(
        {"row": np.concatenate([row, road_row]), "kind": np.concatenate([kinds[thing], classes[road]])}
    ).drop_duplicates()
    found = found[~sides["crossing"].to_numpy(bool)[found["row"]]].sort_values(["row", "kind"])
    words = found.groupby("row")["kind"].agg(", ".join)
    return words.reindex(range(len(sides))).astype(object).where(lambda s: s.notna(), None)


def road_word(road_class: object) -> str:
    """Give the word for a road along a bank by its class.

    >>> road_word("Railway, main line"), road_word(None)
    ('railway', 'road')
    """
    return "railway" if "rail" in str(road_class).lower() else "road"


def roads_along(
    sides: pd.DataFrame, roads: pd.DataFrame, width_m: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the roads that run along the bank in the strip of a station.

    Returns
    -------
    road, row
        Pairs. Half the road's width reaches into the strip, and its part beside the station lies at no more than 30
        degrees to the bank: one that is steeper is on its way to a crossing or from it [own].
    """
    if not len(roads) or not len(sides):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    lines = np.asarray(roads.geometry.array)
    half = np.array([road_width(name) / 2 for name in roads["class"]])
    tree = shapely.STRtree(strip_cells(sides, width_m + half.max()))
    road, row = tree.query(lines, predicate="intersects")
    near = sides.iloc[row]
    part = shapely.intersection(lines[road], strip_cells(near, width_m[row] + half[road]))
    along = angles(part, near[["out_x", "out_y"]].to_numpy(float)) <= CROSSING_ANGLE_DEG.value
    return road[along], row[along]


def angles(parts: Shapes, out: Floats) -> Floats:
    """Give the mean angle of lines to the bank whose outward direction is ``out``; (n,) [degrees], NaN without line."""
    points, of = shapely.get_coordinates(shapely.get_parts(parts), return_index=True)
    owner = shapely.get_parts(parts, return_index=True)[1]
    step = np.diff(points, axis=0)
    inside = of[1:] == of[:-1]
    step, owner = step[inside], owner[of[1:][inside]]
    across = np.abs((step * out[owner]).sum(axis=1))
    along = np.abs(step[:, 0] * out[owner, 1] - step[:, 1] * out[owner, 0])
    deep, long = (np.bincount(owner, each, len(parts)) for each in (across, along))
    return np.where(deep + long > 0, np.degrees(np.arctan2(deep, long)), np.nan)


def ground_taken(constraints: pd.DataFrame, roads: pd.DataFrame, water: pd.DataFrame, clear_m: float) -> Shapes:
    """Give the ground that cannot be planted: constraints with what is kept clear around them, roads, water."""
    things = as_ground(np.asarray(constraints.geometry.array), max(clear_m, 0.01))
    half = np.array([road_width(name) / 2 for name in roads["class"]])
    return np.concatenate(
        [things, shapely.buffer(np.asarray(roads.geometry.array), half), np.asarray(water.geometry.array)]
    )


def as_ground(shapes: Shapes, half_m: float) -> Shapes:
    """Give polygons: lines and points as wide as ``half_m`` to each side [m], polygons as they are; (n,)."""
    flat = shapely.get_dimensions(shapes) < 2
    return np.where(flat, shapely.buffer(shapes, np.where(flat, half_m, 0.0)), shapes)


def clear_area(ground: Shapes, taken: Shapes) -> Floats:
    """Give the area of each piece of ground that no ``taken`` covers; (n,) [m2]."""
    area = np.asarray(shapely.area(ground), float)
    if not len(ground) or not len(taken):
        return area
    piece, thing = shapely.STRtree(taken).query(ground, predicate="intersects")
    for one, hits in pd.Series(thing).groupby(piece):
        area[one] = shapely.area(shapely.difference(ground[one], shapely.union_all(taken[np.sort(hits)])))
    return area
