"""What the hillslope sends, brought to stations; concentrated flows that cross a gap."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.gaps import SIDE_LETTERS
from gisprio.compute.banks.sides import SIDE_KEY, station_sides
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import FLOW_POINTS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import SIDES


def share_supply(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Give each station side the supply of its piece of bank, and each concentrated flow its station.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``bank_supply``, ``concentrated_flow``, ``side_cover``, ``side_gaps`` and
        ``reach_measures`` of the piece.
    halo, sources, settings
        None.

    Returns
    -------
    dict
        ``side_supply``: one row a station side; ``flow_points``: one row a concentrated flow.
    """
    sides = station_sides(core, "side_cover", "side_gaps").sort_values(SIDE_KEY, ignore_index=True)
    flows = core["concentrated_flow"]
    at = _rows_at(sides, flows)
    crosses = sides["gap"].to_numpy(bool)[at] if len(sides) else np.zeros(0, bool)
    unknown = sides["buffer_width_m"].isna().to_numpy()[at] if len(sides) else np.zeros(0, bool)
    pieces = core["bank_supply"]
    supply = pieces["delivery"].to_numpy(float)[_piece_of(pieces, sides)] if len(sides) else np.zeros(0)
    table = sides[SIDE_KEY].assign(
        delivery=supply,
        concentrated_flows=np.bincount(at, minlength=len(sides)),
        open_flows=np.bincount(at[crosses], minlength=len(sides)),
    )
    in_gap = pd.arrays.BooleanArray(crosses, unknown)
    return {"side_supply": table, "flow_points": _points(flows, sides.iloc[at], in_gap, core["reach_measures"])}


def _piece_of(pieces: pd.DataFrame, sides: pd.DataFrame) -> NDArray[np.int64]:
    """Give the row of ``bank_supply`` that holds each station side; (n,)."""
    return _last_below(pieces, pieces["from_m"].to_numpy(float), sides, sides["at_m"].to_numpy(float))


def _rows_at(sides: pd.DataFrame, flows: pd.DataFrame) -> NDArray[np.int64]:
    """Give the row of the station side in whose length each flow lies; (n,)."""
    return _last_below(sides, sides["from_m"].to_numpy(float), flows, flows["at_m"].to_numpy(float))


def _last_below(
    cut: pd.DataFrame, from_m: NDArray[np.floating], places: pd.DataFrame, at_m: NDArray[np.floating]
) -> NDArray[np.int64]:
    """Give the row of ``cut`` that begins last at or below each place, on the same segment and side; (n,)."""
    found = np.zeros(len(places), np.int64)
    groups = cut.groupby(["segment_no", "side"]).indices
    for key, rows in places.groupby(["segment_no", "side"]).indices.items():
        own = groups[key][np.argsort(from_m[groups[key]], kind="stable")]
        found[rows] = own[np.maximum(np.searchsorted(from_m[own], at_m[rows] + 1e-6, side="right") - 1, 0)]
    return found


def _points(
    flows: pd.DataFrame, sides: pd.DataFrame, in_gap: pd.arrays.BooleanArray, reaches: pd.DataFrame
) -> gpd.GeoDataFrame:
    crs = getattr(reaches, "crs", None)
    if not len(flows):
        return empty(FLOW_POINTS, crs)
    reach = reaches.set_index("reach_no").loc[sides["reach_no"].to_numpy()]
    side = flows["side"].to_numpy(int)
    table = pd.DataFrame(
        {
            "reach_id": reach["reach_id"].to_numpy(),
            "side": np.array(SIDES)[side],
            "from_m": np.maximum(0.0, flows["at_m"].to_numpy(float) - reach["from_m"].to_numpy(float)),
            "area_ha": flows["area_ha"].to_numpy(float),
            "in_gap": in_gap,
            "stream_like": flows["stream_like"].to_numpy(bool),
        }
    )
    table["bank_id"] = [f"{r}-{SIDE_LETTERS[s]}" for r, s in zip(table["reach_id"], side, strict=True)]
    order = np.lexsort((table["area_ha"], table["from_m"], table["bank_id"]))
    table = table.iloc[order].reset_index(drop=True)
    number = table.groupby("bank_id").cumcount() + 1
    table["flow_id"] = [f"{bank}-F{n:02d}" for bank, n in zip(table["bank_id"], number, strict=True)]
    points = gpd.GeoSeries(flows.geometry.to_numpy()[order], crs=crs)
    return gpd.GeoDataFrame(table[FLOW_POINTS.names()], geometry=points, crs=crs)
