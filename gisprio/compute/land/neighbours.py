"""Neighbours whose gaps meet: properties that could close them in one piece of work."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.sides import SIDE_KEY, STATION_KEY

NEAR_M = 20.0
"""Ground without an owner on so much of a bank parts no neighbours [own]."""


def joint_gaps(sides: pd.DataFrame, owner: NDArray[np.int64]) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Find the properties whose gaps meet, and the station sides on which they do.

    Parameters
    ----------
    sides
        Station sides with ``gap``, ``from_m`` and ``to_m``.
    owner
        (n,) property of each, as a whole number; -1 for none.

    Returns
    -------
    pairs
        One row a segment and two properties, both ways round: ``segment_no``, ``owner``, ``neighbour``.
    joint
        (n,) bool: in the stretch of a property's gap that goes on onto a neighbour's, or opposite to a neighbour's.

    Notes
    -----
    Gaps meet where one gap runs over the border of two properties, or where two properties lie opposite each other and
    both banks have a gap there. Nothing is told across a confluence: a gap ends with its segment.
    """
    rows = sides[[*SIDE_KEY, "from_m", "to_m"]].reset_index(drop=True).assign(owner=owner)
    rows = rows[sides["gap"].to_numpy(bool)].sort_values(["segment_no", "side", "station_no"])
    apart = (rows["segment_no"].diff() != 0) | (rows["side"].diff() != 0) | (rows["station_no"].diff() != 1)
    rows = rows.assign(gap=apart.cumsum())[rows["owner"] >= 0]
    along, joint = _along(rows)
    across, opposite = _across(rows)
    pairs = pd.concat([along, across, *(_turned(one) for one in (along, across))])
    marked = np.zeros(len(sides), bool)
    marked[np.concatenate([joint, opposite])] = True
    return pairs.drop_duplicates().sort_values(["segment_no", "owner", "neighbour"], ignore_index=True), marked


def _along(rows: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Give the pairs that share a gap of one bank, and the rows of their stretches of it."""
    before = rows.shift()
    goes_on = (rows["gap"] == before["gap"]) & (rows["from_m"] - before["to_m"] <= NEAR_M + 1e-6)
    border = (goes_on & (rows["owner"] != before["owner"])).to_numpy(bool)
    stretch = (~goes_on.to_numpy(bool) | border).cumsum()
    met = np.union1d(stretch[border], stretch[border] - 1)
    pairs = _pairs(rows["segment_no"][border], before["owner"][border], rows["owner"][border])
    return pairs, rows.index.to_numpy()[np.isin(stretch, met)]


def _across(rows: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Give the pairs that have gaps opposite each other, and those rows."""
    left, right = (rows[rows["side"] == side].reset_index(names="row") for side in (0, 1))
    both = left.merge(right, on=STATION_KEY, suffixes=("", "_other"), validate="one_to_one")
    both = both[both["owner"] != both["owner_other"]]
    pairs = _pairs(both["segment_no"], both["owner"], both["owner_other"])
    return pairs, both[["row", "row_other"]].to_numpy(np.int64).ravel()


def _pairs(segment_no: pd.Series, owner: pd.Series, neighbour: pd.Series) -> pd.DataFrame:
    columns = {"segment_no": segment_no, "owner": owner, "neighbour": neighbour}
    return pd.DataFrame({name: column.to_numpy(np.int64) for name, column in columns.items()})


def _turned(pairs: pd.DataFrame) -> pd.DataFrame:
    return pairs.rename(columns={"owner": "neighbour", "neighbour": "owner"})


def neighbours_listed(pairs: pd.DataFrame) -> pd.Series:
    """Give the neighbours of each property, ids in order with commas between.

    Parameters
    ----------
    pairs
        Layer ``joint_gaps``.
    """
    once = pairs[["property_id", "neighbour_id"]].drop_duplicates().sort_values("neighbour_id")
    return once.groupby("property_id")["neighbour_id"].agg(", ".join)
