"""Works already done beside each station: what was planted, when, and whether it counts as cover."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.constraints import strip_cells
from gisprio.compute.banks.sides import SIDE_KEY, station_sides
from gisprio.compute.setbacks.asked import strip_depth
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
Shapes = NDArray[np.object_]


def find_works(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Find the works already done in the strip beside each station.

    Parameters
    ----------
    core
        ``stations``, ``bank_points`` and ``side_setbacks`` of the piece.
    halo
        ``done``.
    sources
        None.
    settings
        Sections ``setback``, ``works``.

    Returns
    -------
    dict
        ``side_works``: the newest works, whether there is young planting, and from where to where on the transect
        old planting stands, which counts as cover.

    Notes
    -----
    A line of works stands for the whole strip beside it, a point for its station [own]: their depth is not told.
    """
    sides = station_sides(core, "side_setbacks")
    done, width = halo["done"], strip_depth(sides, settings.setback)
    table = sides[SIDE_KEY].assign(done_kind=None, done_year=pd.array([pd.NA] * len(sides), dtype="Int64"))
    table["planted"], table["cover_from_m"], table["cover_to_m"] = False, np.nan, np.nan
    shapes = np.asarray(done.geometry.array)
    work, row = shapely.STRtree(strip_cells(sides, width)).query(shapes, predicate="intersects")
    old = (done["planting"] & (done["age_y"] >= settings.works.cover_after_y)).to_numpy(bool)
    young = done["planting"].to_numpy(bool) & ~old
    newest = _newest(done, work, row)
    table.loc[newest.index, "done_kind"] = done["kind"].to_numpy(object)[newest]
    table.loc[newest.index, "done_year"] = done["year"].to_numpy()[newest]
    table.loc[np.unique(row[young[work]]), "planted"] = True
    grown = old[work]
    spans = planted_spans(sides.iloc[row[grown]], shapes[work[grown]], width[row[grown]])
    widest = pd.DataFrame({"row": row[grown], "from": spans[:, 0], "to": spans[:, 1]}).dropna()
    span = widest.groupby("row").agg({"from": "min", "to": "max"})
    table.loc[span.index, ["cover_from_m", "cover_to_m"]] = span.to_numpy()
    return {"side_works": table.sort_values(SIDE_KEY, ignore_index=True)}


def _newest(done: pd.DataFrame, work: NDArray[np.int64], row: NDArray[np.int64]) -> pd.Series:
    """Give the newest works of each row that has any; of one year the first in the layer, undated ones last."""
    pairs = pd.DataFrame({"row": row, "work": work, "year": done["year"].to_numpy()[work]})
    pairs = pairs.sort_values(["row", "year", "work"], ascending=[True, False, True], na_position="last")
    return pairs.drop_duplicates("row").set_index("row")["work"]


def planted_spans(sides: pd.DataFrame, shapes: Shapes, width_m: Floats) -> Floats:
    """Give where each shape begins and ends on the transect of its station side, from the bank line.

    Returns
    -------
    ndarray
        (n, 2) [m], 0 to ``width_m``, the (n,) depth of the strips; NaN where a polygon does not meet the
        transect itself.
    """
    place, out = sides[["x", "y"]].to_numpy(float), sides[["out_x", "out_y"]].to_numpy(float)
    lines = shapely.linestrings(np.stack([place, place + out * width_m[:, None]], axis=1))
    met = shapely.intersection(np.asarray(lines, dtype=object), shapes)
    points, owner = shapely.get_coordinates(met, return_index=True)
    at = ((points - place[owner]) * out[owner]).sum(axis=1)
    spans = np.full((len(sides), 2), np.nan)
    ends = pd.Series(at).groupby(owner).agg(["min", "max"])
    spans[ends.index] = np.clip(ends.to_numpy(), 0.0, width_m[ends.index.to_numpy(), None])
    flat = shapely.get_dimensions(shapes) < 2
    spans[flat] = np.column_stack([np.zeros(flat.sum()), width_m[flat]])
    return spans
