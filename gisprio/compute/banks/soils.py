"""The soil at each bank point, from the soil map."""

from __future__ import annotations

import pandas as pd

from gisprio.compute.banks.polygon_values import mean_inside
from gisprio.compute.banks.sides import SIDE_KEY
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings


def read_soils(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Read silt plus clay of the soil unit each bank point lies in.

    Parameters
    ----------
    core
        ``bank_points`` of the piece.
    halo
        ``soils``.
    sources, settings
        None.

    Returns
    -------
    dict
        ``side_soils``: one row a station side; the mean of units that overlap or meet there, null where none tells.
    """
    points, soils = core["bank_points"], halo["soils"]
    fines = mean_inside(
        points["x"].to_numpy(float),
        points["y"].to_numpy(float),
        soils["geometry"].to_numpy(),
        soils["silt_clay_pct"].to_numpy(float),
    )
    return {"side_soils": points[SIDE_KEY].assign(silt_clay_pct=fines)}
