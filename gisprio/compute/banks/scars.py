"""Banks seen to erode: station sides along a scar, on a visit, or whose bank line moved between two dates."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.banks.constraints import strip_cells
from gisprio.compute.banks.retreat import find_retreat
from gisprio.compute.banks.sides import SIDE_KEY, station_sides
from gisprio.compute.visits.places import seen_to_erode
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings

LEAST_REACH_M = 10.0
"""A scar this far from the bank line is still the bank's; twice the line's error where that is more [own]."""


def find_scars(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Say which station sides lie along a scar, and how far the bank lines moved where there are several dates.

    Parameters
    ----------
    core
        ``stations``, ``bank_points`` and ``visit_places`` of the piece.
    halo
        ``eroding``, whole: without any row nobody looked for scars. ``bank_lines`` near the stations.
    sources
        None.
    settings
        Section ``streams``.

    Returns
    -------
    dict
        ``side_scars``. A scar is the bank's whose side of the centre line it lies on. Where bank lines of two dates lie
        along a part of a bank, nothing was seen on the rest of it; where a visit tells whether a bank erodes, it tells
        it of the stretch around it. ``scar_banks``: which scar lies along which banks.
    """
    scars = halo["eroding"]
    retreat = find_retreat(core["stations"], halo["bank_lines"], settings.streams.bank_line_error_m)
    sides = station_sides({**core, "retreat": retreat}, "retreat")
    looked = sides["least_retreat_m_y"].notna().groupby([sides["reach_no"], sides["side"]]).transform("any")
    seen = np.where(looked | bool(len(scars)), 0.0, np.nan)
    seen[(sides["retreat_m_y"] > 0).to_numpy()] = 1.0
    scar, row = shapely.STRtree(scar_cells(sides)).query(np.asarray(scars.geometry.array), predicate="intersects")
    seen[row] = 1.0
    if len(core["visit_places"]):
        seen = np.fmax(seen, seen_to_erode(sides, core["visit_places"]))
    order = sides.assign(seen=seen).sort_values(SIDE_KEY, ignore_index=True)
    return {
        "side_scars": order[[*SIDE_KEY, "seen", "retreat_m_y", "least_retreat_m_y"]],
        "scar_banks": _banks_of(scar, sides.iloc[row]),
    }


def _banks_of(scar: np.ndarray, sides: pd.DataFrame) -> pd.DataFrame:
    """Say along how much of which bank each scar lies, from pairs of a scar and a station side."""
    pairs = sides[["reach_no", "side"]].assign(scar_no=scar, length_m=sides["to_m"] - sides["from_m"])
    return pairs.groupby(["scar_no", "reach_no", "side"], as_index=False)["length_m"].sum()


def scar_cells(sides: pd.DataFrame) -> np.ndarray:
    """Give where a scar may lie to belong to each station side: from the centre line to beyond the bank line; (n,)."""
    inner = np.maximum(sides["offset_m"].to_numpy(float), 0.0)
    reach = np.maximum(LEAST_REACH_M, 2 * sides["line_error_m"].to_numpy(float))
    from_centre = sides.assign(x=sides["x"] - inner * sides["out_x"], y=sides["y"] - inner * sides["out_y"])
    return strip_cells(from_centre, inner + reach)
