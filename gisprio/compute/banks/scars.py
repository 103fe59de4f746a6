"""Banks seen to erode: which station sides lie along a scar that somebody drew."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.banks.constraints import strip_cells
from gisprio.compute.banks.sides import SIDE_KEY, station_sides
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings

LEAST_REACH_M = 10.0
"""A scar this far from the bank line is still the bank's; twice the line's error where that is more [own]."""


def find_scars(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Say which station sides lie along a scar.

    Parameters
    ----------
    core
        ``stations`` and ``bank_points`` of the piece.
    halo
        ``eroding``, whole: without any row nothing is known.
    sources, settings
        None.

    Returns
    -------
    dict
        ``side_scars``: ``seen`` 1 or 0. A scar is the bank's whose side of the centre line it lies on.
    """
    sides, scars = station_sides(core), halo["eroding"]
    seen = np.full(len(sides), 0.0 if len(scars) else np.nan)
    _, row = shapely.STRtree(scar_cells(sides)).query(np.asarray(scars.geometry.array), predicate="intersects")
    seen[row] = 1.0
    order = sides[SIDE_KEY].assign(seen=seen).sort_values(SIDE_KEY, ignore_index=True)
    return {"side_scars": order}


def scar_cells(sides: pd.DataFrame) -> np.ndarray:
    """Give where a scar may lie to belong to each station side: from the centre line to beyond the bank line; (n,)."""
    inner = np.maximum(sides["offset_m"].to_numpy(float), 0.0)
    reach = np.maximum(LEAST_REACH_M, 2 * sides["line_error_m"].to_numpy(float))
    from_centre = sides.assign(x=sides["x"] - inner * sides["out_x"], y=sides["y"] - inner * sides["out_y"])
    return strip_cells(from_centre, inner + reach)
