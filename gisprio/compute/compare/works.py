"""Works done between two runs: beside how much bank they lie, and what the cover shows there by now."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.compare.matching import KEY, LEAST_SHARE

Shapes = NDArray[np.object_]


def new_works(works: pd.DataFrame, shapes: Shapes, earlier: pd.DataFrame, old: Shapes) -> NDArray[np.bool_]:
    """Say which works the earlier run did not know: none there of the same kind and year on half of the ground.

    Parameters
    ----------
    works, earlier
        Layer ``works_done`` of both runs: ``kind``, ``year``.
    shapes, old
        Their polygons.

    Returns
    -------
    ndarray
        (n,) for each of ``works``.
    """
    row, other = shapely.STRtree(old).query(shapes, predicate="intersects")
    keys = [_named(table) for table in (works, earlier)]
    common = shapely.area(shapely.intersection(shapes[row], old[other]))
    larger = np.maximum(shapely.area(shapes[row]), shapely.area(old[other]))
    same = (keys[0][row] == keys[1][other]).all(axis=1) & (common >= LEAST_SHARE * larger)
    known = np.zeros(len(works), bool)
    known[row[same]] = True
    return ~known


def _named(works: pd.DataFrame) -> NDArray[np.object_]:
    """Give kind and year as texts; (n, 2). A file without nulls holds years in another kind than one with some."""
    year = pd.to_numeric(works["year"]).astype("Int64").astype("string")
    return np.column_stack([works["kind"].fillna("").to_numpy(object), year.fillna("").to_numpy(object)])


def stations_beside(stations: pd.DataFrame, shapes: Shapes, width_m: float) -> pd.DataFrame:
    """Give the stations beside works: those whose transect meets them within the strip.

    Parameters
    ----------
    stations
        ``segment_id``, ``station_no``, ``side``, ``x``, ``y``.
    shapes
        Polygons of works.
    width_m
        Width of the strip.

    Returns
    -------
    DataFrame
        ``work``, ``row``: places of works and stations that go together.

    Notes
    -----
    A transect goes outward from the station's bank, away from the same station's other bank.
    """
    across = _across(stations)
    place = stations[["x", "y"]].to_numpy(float)
    way = place - place[np.maximum(across, 0)]
    wide = np.hypot(way[:, 0], way[:, 1])
    known = np.flatnonzero((across >= 0) & (wide > 0))
    ends = place[known] + way[known] / wide[known, None] * width_m
    lines = np.asarray(shapely.linestrings(np.stack([place[known], ends], axis=1)), object)
    work, line = shapely.STRtree(lines).query(shapes, predicate="intersects")
    return pd.DataFrame({"work": work, "row": known[line]})


def _across(stations: pd.DataFrame) -> NDArray[np.int64]:
    """Give for each station the row of its other bank; -1 where there is none."""
    keys = pd.MultiIndex.from_frame(stations[KEY])
    other = stations["side"].map({"left": "right", "right": "left"})
    return keys.get_indexer(pd.MultiIndex.from_frame(stations[KEY].assign(side=other))).astype(np.int64)


def works_told(
    works: pd.DataFrame, beside: pd.DataFrame, stations: pd.DataFrame, closed: NDArray[np.bool_]
) -> pd.DataFrame:
    """Tell works one by one: metres of bank beside them, still in a gap by the cover, and closed since.

    Parameters
    ----------
    works
        ``kind``, ``year``, ``status``.
    beside
        Of :func:`stations_beside`.
    stations
        Of the later run: ``bank_id``, ``name``, ``length_m``, ``gap``.
    closed
        (n,) whether each station was in a gap before and is in none now.

    Returns
    -------
    DataFrame
        Rows of ``works``, newest first: ``kind``, ``year``, ``status``, ``streams``, ``banks``, ``length_m``,
        ``gap_m``, ``closed_m``.
    """
    length = stations["length_m"].to_numpy(float)
    gap = stations["gap"].to_numpy(bool)
    rows = beside["row"].to_numpy(int)
    metres = pd.DataFrame(
        {"length_m": length[rows], "gap_m": (length * gap)[rows], "closed_m": (length * closed)[rows]}
    )
    sums = metres.groupby(beside["work"].to_numpy()).sum().reindex(range(len(works)), fill_value=0.0)
    named = {name: _names(beside, stations[column]) for name, column in (("streams", "name"), ("banks", "bank_id"))}
    table = pd.DataFrame(works[["kind", "year", "status"]]).reset_index(drop=True)
    for name, texts in named.items():
        table[name] = [texts.get(work, "") for work in range(len(works))]
    table = pd.concat([table, sums.reset_index(drop=True)], axis=1)
    return table.sort_values(["year", "kind"], ascending=[False, True], na_position="last", kind="stable")


def _names(beside: pd.DataFrame, column: pd.Series) -> dict[int, str]:
    """Name what lies beside each of the works, once each, in order."""
    pairs = pd.DataFrame({"work": beside["work"], "name": column.to_numpy(object)[beside["row"]]}).dropna()
    pairs = pairs.drop_duplicates().sort_values(["work", "name"])
    return {int(work): ", ".join(map(str, names)) for work, names in pairs.groupby("work")["name"]}
