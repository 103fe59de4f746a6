"""What setback rules go by at each station side: stream, ground, property, zone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.polygon_values import pairs_inside
from gisprio.compute.banks.sides import SIDE_KEY, places_out, station_sides
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.grids import GridSource, bilinear_within, box_around, surveyed_window
from gisprio.contracts.layers import SIDE_FACTS
from gisprio.contracts.schema import empty
from gisprio.contracts.setbacks import Rule

Floats = NDArray[np.float64]
HECTARE_M2 = 1e4


def find_side_facts(core: Tables, halo: Tables, sources: Sources, rule: Rule) -> pd.DataFrame:
    """Find what setback rules go by at each station side.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_heights`` and ``reach_measures`` of the piece.
    halo
        ``parcels`` and ``setback_zones`` near it; ``source_parts``.
    sources
        ``dem``: heights [m].
    rule
        The rule that will be asked: slopes and properties are looked up only where it goes by them.

    Returns
    -------
    DataFrame
        Layer ``side_facts``, and ``bank_line_basis``, ``from_m``, ``to_m``, ``reach_no`` beside it.
    """
    sides = station_sides(core, "side_heights").sort_values(SIDE_KEY, ignore_index=True)
    if not len(sides):
        return empty(SIDE_FACTS)
    reaches = core["reach_measures"].set_index("reach_no")[["strahler_order", "drainage_area_km2"]]
    sides = sides.join(reaches, on="reach_no")
    sides["stream_class"] = classes_at(sides, halo["source_parts"])
    sides["slope_percent"] = np.nan
    if rule.asks_slope:
        sides["slope_percent"] = ground_slope(sides, sources["dem"], rule.slope_within_m)
    parcels = halo["parcels"] if rule.asks_property else halo["parcels"].iloc[:0]
    row = first_inside(sides, parcels, "property_id")
    sides["property_class"] = _picked(parcels["class"].to_numpy(object), row)
    sides["property_ha"] = _picked(shapely.area(np.asarray(parcels.geometry.array)) / HECTARE_M2, row).astype(float)
    zones = halo["setback_zones"]
    sides["zone"] = _picked(zones["zone"].to_numpy(object), first_inside(sides, zones, "zone"))
    return sides


def classes_at(sides: pd.DataFrame, parts: pd.DataFrame) -> NDArray[np.object_]:
    """Give the class that the data name for the line at each station; None where they name none.

    Parameters
    ----------
    sides
        ``segment_no`` and ``at_m``.
    parts
        Layer ``source_parts``.
    """
    found = np.full(len(sides), None, object)
    if parts["class"].isna().all():
        return found
    own = parts[parts["segment_no"].isin(sides["segment_no"].unique())].sort_values("from_m")
    rows = sides[["segment_no", "at_m"]].assign(row=np.arange(len(sides))).sort_values("at_m")
    near = pd.merge_asof(
        rows, own[["segment_no", "from_m", "class"]], left_on="at_m", right_on="from_m", by="segment_no"
    )
    found[near["row"].to_numpy()] = near["class"].astype(object).where(near["class"].notna(), None).to_numpy()
    return found


def ground_slope(points: pd.DataFrame, dem: GridSource, within_m: float) -> Floats:
    """Give the mean slope of the ground from each bank point outward; (n,) [%], 0 where it falls away from the water.

    Parameters
    ----------
    points
        Layer ``bank_points``.
    dem
        Heights [m]; both ends are of one survey.
    within_m
        Length over which it is read [m].

    Returns
    -------
    ndarray
        100 (z(within) - z(0)) / within; NaN where heights are missing.
    """
    x, y = places_out(points, np.array([0.0, within_m]))
    heights, surveys = surveyed_window(dem, box_around(x, y, 2 * dem.lattice.cell_m))
    if not heights.values.size:
        return np.full(len(points), np.nan)
    own = surveys.nearest(x[:, 0], y[:, 0], -1).astype(np.int64)
    z = bilinear_within(heights, surveys, x, y, own)
    return np.asarray(np.maximum(0.0, 100.0 * (z[:, 1] - z[:, 0]) / within_m))


def first_inside(sides: pd.DataFrame, polygons: pd.DataFrame, key: str) -> NDArray[np.int64]:
    """Give the row of the polygon that each bank point lies in, -1 for none; of several the first by ``key``."""
    shapes = np.asarray(polygons.geometry.array)
    point, polygon = pairs_inside(sides["x"].to_numpy(float), sides["y"].to_numpy(float), shapes)
    order = polygons[key].astype(str).rank(method="first").to_numpy()
    pairs = pd.DataFrame({"point": point, "polygon": polygon, "order": order[polygon]})
    first = pairs.sort_values(["point", "order"]).drop_duplicates("point")
    found = np.full(len(sides), -1, np.int64)
    found[first["point"].to_numpy()] = first["polygon"].to_numpy()
    return found


def _picked(values: NDArray[np.generic], row: NDArray[np.int64]) -> NDArray[np.object_]:
    """Give the value of each row, missing where there is none."""
    if not len(values):
        return np.full(len(row), None, object)
    picked = values[row].astype(object)
    picked[(row < 0) | pd.isna(picked)] = None
    return picked
