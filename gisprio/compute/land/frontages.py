"""Frontages: how much of each bank, and of its gaps, lies on which property."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.sides import SIDE_KEY, has_bank, station_sides
from gisprio.compute.land.neighbours import joint_gaps
from gisprio.compute.land.shared_ground import shared_areas
from gisprio.compute.setbacks.asked import strip_depth
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import FRONTAGES, JOINT_GAPS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings


def share_properties(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Give each station side to the property that holds most of its transect, and sum up by bank.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_setbacks``, ``side_cover``, ``side_gaps``, ``gap_pieces`` of the piece.
    halo
        ``parcels`` near it.
    sources
        None.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``frontages``: one row a property and bank. Metres are given to one property only, so that they add up;
        square metres by the part of each gap polygon that lies on it. ``joint_gaps``: properties whose gaps meet.

    Notes
    -----
    The transect runs from the bank line to the setback line. River, road and rail parcels are passed over: behind
    them the next property counts. Ground that is no parcel gives nobody a frontage.
    """
    parcels = halo["parcels"]
    parcels = parcels[parcels["passed_over"].isna()].sort_values("property_id", ignore_index=True)
    sides = station_sides(core, "side_setbacks", "side_gaps", "side_cover").sort_values(SIDE_KEY, ignore_index=True)
    sides = sides[has_bank(sides)].reset_index(drop=True)
    if not len(parcels) or not len(sides):
        return {"frontages": empty(FRONTAGES), "joint_gaps": empty(JOINT_GAPS)}
    areas, ids = np.asarray(parcels.geometry.array), parcels["property_id"].to_numpy()
    owner = owners(sides, areas, strip_depth(sides, settings.setback))
    sides["length_m"] = sides["to_m"] - sides["from_m"]
    sides["gap_length_m"] = np.where(sides["buffer_width_m"].isna(), np.nan, sides["length_m"] * sides["gap"])
    pairs, joint = joint_gaps(sides, owner)
    sides["joint_gap_m"] = np.where(sides["gap_length_m"].isna(), np.nan, sides["length_m"] * joint)
    sides = sides[owner >= 0].assign(property_id=ids[owner[owner >= 0]])
    bank = ["property_id", "reach_no", "side"]
    metres = sides.groupby(bank).agg(frontage_m=("length_m", "sum"))
    for column in ("gap_length_m", "joint_gap_m"):
        metres[column] = sides.groupby(bank)[column].sum(min_count=1)
    area = gap_areas(core["gap_pieces"], areas, ids)
    table = metres.join(area, how="left").reset_index()
    table["gap_area_m2"] = np.where(table["gap_length_m"].isna(), np.nan, table["gap_area_m2"].fillna(0.0))
    named = pairs.assign(property_id=ids[pairs["owner"]], neighbour_id=ids[pairs["neighbour"]])
    return {"frontages": table[FRONTAGES.names()], "joint_gaps": named[JOINT_GAPS.names()]}


def owners(sides: pd.DataFrame, areas: NDArray[np.object_], depth_m: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give the row of the parcel that holds most of each transect, ``depth_m`` (n,) long; -1 where none does. (n,)

    Of equal parts the first row wins, so parcels come sorted by id.
    """
    start = sides[["x", "y"]].to_numpy(float)
    ends = start + sides[["out_x", "out_y"]].to_numpy(float) * depth_m[:, None]
    transects = shapely.linestrings(np.stack([start, ends], axis=1))
    line, parcel = shapely.STRtree(areas).query(transects, predicate="intersects")
    held = np.round(shapely.length(shapely.intersection(transects[line], areas[parcel])), 3)
    pairs = pd.DataFrame({"line": line, "parcel": parcel, "held": held})
    pairs = pairs[pairs["held"] > 0].sort_values(["line", "held", "parcel"], ascending=[True, False, True])
    first = pairs.drop_duplicates("line")
    owner = np.full(len(sides), -1, np.int64)
    owner[first["line"].to_numpy()] = first["parcel"].to_numpy()
    return owner


def gap_areas(gaps: pd.DataFrame, areas: NDArray[np.object_], ids: NDArray[np.object_]) -> pd.Series:
    """Give gap ground by property, reach and side [m2]."""
    index = pd.MultiIndex.from_arrays([[], [], []], names=["property_id", "reach_no", "side"])
    if not len(gaps):
        return pd.Series([], index=index, name="gap_area_m2", dtype=float)
    shared = shared_areas(np.asarray(gaps.geometry.array), areas)
    gap = shared["strip"].to_numpy()
    rows = pd.DataFrame(
        {
            "property_id": ids[shared["property"].to_numpy()],
            "reach_no": gaps["reach_no"].to_numpy()[gap],
            "side": gaps["side"].to_numpy()[gap],
            "gap_area_m2": shared["area_m2"].to_numpy(),
        }
    )
    return rows.groupby(["property_id", "reach_no", "side"])["gap_area_m2"].sum()
