"""Landmarks: what people look for along the streams besides banks: crossings, steps, constraints, works done, scars."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.constraints import as_ground
from gisprio.compute.banks.crossings import crossing_kind
from gisprio.compute.banks.gaps import SIDE_LETTERS
from gisprio.compute.banks.strips import polygons_of
from gisprio.compute.network.profiles import places_on, reach_rows
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.layers import CROSSINGS, SCARS, SHOWN_CONSTRAINTS, SHOWN_KNICKPOINTS, WORKS_DONE
from gisprio.contracts.schema import Layer, check, empty
from gisprio.contracts.settings import Settings

Shapes = NDArray[np.object_]
BEYOND_M = 30.0
"""What lies farther from a bank than the widest setback and this is not shown [own]."""
DRAWN_M = 5.0
"""Works drawn as lines or points are shown so wide to each side, scars drawn as points as rings so far around [own]."""
THINNEST_M = 1.0
"""A line or point of constraints is shown at least so wide to each side, also where nothing is kept clear [own]."""
LINE_M = 5.0
"""Shapes are cut to bank lines of fewer vertices, which lie no farther off than this [own]."""


def place_landmarks(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Put together what a map shows along the streams.

    Parameters
    ----------
    tables
        ``segments``, ``reach_measures``, ``knickpoints``, ``crossing_places``, ``bank_measures``, ``constraints``,
        ``done``, ``eroding``, ``scar_banks``.
    sources
        None.
    settings
        Sections ``setback``, ``works``.

    Returns
    -------
    dict
        ``crossings`` and ``shown_knickpoints``: points on the line. ``shown_constraints`` and ``works_done``: polygons,
        ``scars``: lines; all three cut to what lies within the widest setback and 30 m of a bank.
    """
    reaches, near_m = tables["reach_measures"], settings.setback.widest_m + BEYOND_M
    banks = np.asarray(tables["bank_measures"].geometry.array)
    banks = banks[~(shapely.is_missing(banks) | shapely.is_empty(banks))]
    steps, crossings = tables["knickpoints"], tables["crossing_places"]
    kinds = crossings["class"].map(crossing_kind)
    constraints, done, eroding = tables["constraints"], tables["done"], tables["eroding"]
    lines = outlines(np.asarray(eroding.geometry.array))
    ground = as_ground(np.asarray(constraints.geometry.array), max(settings.works.clear_m, THINNEST_M))
    works = as_ground(np.asarray(done.geometry.array), DRAWN_M)
    scars = eroding.assign(**banks_of_scars(len(eroding), tables["scar_banks"], reaches))
    return {
        "crossings": _on_streams(CROSSINGS, crossings.assign(kind=kinds), tables["segments"], reaches),
        "shown_knickpoints": _on_streams(SHOWN_KNICKPOINTS, steps, tables["segments"], reaches),
        "shown_constraints": _near(SHOWN_CONSTRAINTS, constraints, ground, banks, near_m),
        "works_done": _near(WORKS_DONE, done, works, banks, near_m),
        "scars": _near(SCARS, scars, lines, banks, near_m),
    }


def _on_streams(layer: Layer, places: pd.DataFrame, segments: pd.DataFrame, reaches: pd.DataFrame) -> pd.DataFrame:
    """Make points on the centre line of places given by segment and metres upstream."""
    if not len(places):
        return empty(layer, getattr(reaches, "crs", None))
    places = places.sort_values(["segment_no", "at_m"], ignore_index=True)
    own = reaches.iloc[reach_rows(places, reaches)]
    made = places.assign(reach_id=own["reach_id"].to_numpy(), from_m=places["at_m"] - own["from_m"].to_numpy())
    columns = {name: made[name] for name in layer.names()}
    points = shapely.points(places_on(segments, places))
    return check(layer, gpd.GeoDataFrame(columns, geometry=points, crs=segments.crs))  # type: ignore[attr-defined]


def _near(layer: Layer, given: pd.DataFrame, shapes: Shapes, banks: Shapes, near_m: float) -> pd.DataFrame:
    """Make a layer of the shapes near banks, cut to what is near; rows in the order given."""
    cut = cut_to_banks(shapes, banks, near_m)
    kept = ~shapely.is_empty(cut)
    columns = {name: given[name].array[kept] for name in layer.names()}
    return check(layer, gpd.GeoDataFrame(columns, geometry=cut[kept], crs=given.crs))  # type: ignore[attr-defined]


def cut_to_banks(shapes: Shapes, banks: Shapes, near_m: float) -> Shapes:
    """Cut lines and polygons to what lies near a bank.

    Parameters
    ----------
    shapes
        (n,) lines or polygons.
    banks
        (m,) bank lines.
    near_m
        How near [m].

    Returns
    -------
    ndarray
        (n,) shapes of the same dimension; empty where nothing is near.
    """
    made = np.full(len(shapes), shapely.Polygon(), dtype=object)
    if not len(shapes) or not len(banks):
        return made
    shape, bank = shapely.STRtree(banks).query(shapes, predicate="dwithin", distance=near_m)
    around, bank = np.unique(bank, return_inverse=True)
    ground = shapely.buffer(shapely.simplify(banks[around], LINE_M), near_m, quad_segs=4)
    whole = np.unique(shape[shapely.covered_by(shapes[shape], ground[bank])])
    made[whole] = shapes[whole]
    over = ~np.isin(shape, whole)
    for one, hits in pd.Series(bank[over]).groupby(shape[over]):
        part = shapely.intersection(shapes[one], shapely.union_all(ground[np.sort(hits)]))
        made[one] = polygons_of(part) if shapely.get_dimensions(shapes[one]) == 2 else _lines_of(part)
    return made


def _lines_of(geometry: shapely.Geometry) -> shapely.Geometry:
    """Keep the lines of a geometry, put together where they touch."""
    parts = shapely.get_parts(shapely.get_parts(geometry))
    kept = parts[(shapely.get_dimensions(parts) == 1) & (shapely.length(parts) > 0)]
    return shapely.line_merge(shapely.multilinestrings(kept))


def outlines(shapes: Shapes) -> Shapes:
    """Give lines: outlines of polygons, rings around points, lines as they are; (n,)."""
    flat = shapely.get_dimensions(shapes)
    solid = np.where(flat == 0, shapely.buffer(shapes, DRAWN_M), shapes)
    return np.where(flat == 1, shapes, shapely.boundary(solid))


def banks_of_scars(count: int, scar_banks: pd.DataFrame, reaches: pd.DataFrame) -> dict[str, list[str | None]]:
    """Give reach and bank that most of each scar lies along, of equal ones the first; None where it is no bank's.

    Parameters
    ----------
    count
        How many scars there are.
    scar_banks
        Layer ``scar_banks``.
    reaches
        Layer ``reach_measures``.
    """
    order = scar_banks.sort_values(["scar_no", "length_m", "reach_no", "side"], ascending=[True, False, True, True])
    best = order.drop_duplicates("scar_no")
    ids = reaches.set_index("reach_no")["reach_id"].reindex(best["reach_no"]).tolist()
    reach: list[str | None] = [None] * count
    bank: list[str | None] = [None] * count
    for scar, name, side in zip(best["scar_no"].tolist(), ids, best["side"].tolist(), strict=True):
        reach[scar], bank[scar] = name, f"{name}-{SIDE_LETTERS[side]}"
    return {"reach_id": reach, "bank_id": bank}
