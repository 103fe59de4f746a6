"""What would change the rank of a property: its gap on one bank closed. Exact, by the keys of the run."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.land.ranks import whole_gaps
from gisprio.compute.scoring.chance import gap_keys
from gisprio.compute.scoring.changes import rank_among


def ranks_when_closed(properties: pd.DataFrame, frontages: pd.DataFrame) -> pd.Series | None:
    """Give the rank of a property when its gap on one bank is closed, priorities and other properties held.

    Parameters
    ----------
    properties
        Layer ``properties``.
    frontages
        Frontages of one property on ranked banks: ``property_id``, ``gap_length_m``.

    Returns
    -------
    Series or None
        Rank by row of ``frontages`` where there is a gap; None where the property has no rank, or the frontages do not
        give its rank again.
    """
    keys = properties["priority_gap_m"].mul(10).round()
    is_own = (properties["property_id"] == frontages["property_id"].iloc[0]) if len(frontages) else keys.isna()
    own = properties[is_own & keys.notna()]
    gap = whole_gaps(frontages)
    if not len(own) or not len(gap):
        return None
    mean = np.rint(own["priority"].to_numpy(float) * 100).astype(np.int64)
    if int(gap_keys(mean, gap.to_numpy())[0]) != int(keys[own.index[0]]):
        return None
    others = keys[keys.notna() & ~is_own].to_numpy(np.int64)
    closed = frontages[frontages["gap_length_m"] > 0]
    ranks = [
        rank_among(others, int(gap_keys(mean, gap.to_numpy() - whole_gaps(closed.loc[[row]]).to_numpy())[0]))
        for row in closed.index
    ]
    return pd.Series(ranks, closed.index, dtype="int64")
