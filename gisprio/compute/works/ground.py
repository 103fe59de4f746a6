"""Ground to plant at a site, and how far it may be off."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.works.quantities import Three, told
from gisprio.contracts.settings import Settings
from gisprio.contracts.works import Given

Floats = NDArray[np.float64]


def gap_errors(sites: pd.DataFrame, gaps: pd.DataFrame) -> Floats:
    """Give how far the ground that the strips of sites lack may be off: metres of gap times the error of its width.

    Parameters
    ----------
    sites
        ``bank_id``, ``from_m``, ``to_m``.
    gaps
        Layer ``gaps``.

    Returns
    -------
    ndarray
        (n,) [m2], 0 where no gap is known.
    """
    columns = ["bank_id", "from_m", "to_m"]
    own = pd.DataFrame(sites[columns]).reset_index(drop=True).reset_index(names="row")
    met = own.merge(pd.DataFrame(gaps[[*columns, "buffer_width_se_m"]]), on="bank_id")
    metres = np.minimum(met["to_m_x"], met["to_m_y"]) - np.maximum(met["from_m_x"], met["from_m_y"])
    off = metres.clip(lower=0.0) * met["buffer_width_se_m"].fillna(0.0)
    return off.groupby(met["row"]).sum().reindex(own["row"], fill_value=0.0).to_numpy(float)


def ground_to_plant(
    site: Mapping[Any, Any], woody: float, given: Given, settings: Settings, error_m2: float
) -> tuple[Three, str, str]:
    """Give the ground to plant: as given, as measured, or of a coarse look; how it was got, and in words.

    Parameters
    ----------
    site
        Its row of layer ``sites``.
    woody
        Share of its strip that is wooded, NaN where unknown.
    given
        What somebody measured there.
    settings
        Sections ``setback``, ``sizing``.
    error_m2
        Of :func:`gap_errors`.

    Notes
    -----
    Ground that was measured is off by one standard error of the gap's width along it: no more than the whole strip,
    and no less than what of an uncertain gap would be left.
    """
    if given.plantable_area_m2 is not None:
        area = given.plantable_area_m2
        return (area, area, area), "given", "measured on site"
    doubtful = settings.sizing.doubtful_share
    plantable, whole = site["plantable_area_m2"], float(site["area_m2"])
    if not pd.isna(plantable):
        area = float(plantable)
        most = max(area, min(area + error_m2, whole)) if area else 0.0
        if site["certainty"] == "clear":
            off = f", off by about {told(round(error_m2))} m2" if error_m2 else ""
            says = f"ground of the strip that lacks counting cover{off}"
            return (max(area - error_m2, doubtful * area), area, most), "measured", says
        says = f"ground that lacks counting cover, uncertain: perhaps only {told(doubtful)} of it"
        return (doubtful * area, area, most), "modelled", says
    lacking = 1.0 if math.isnan(woody) or "woody" not in settings.setback.counts else 1 - woody
    area = whole * lacking
    says = (
        f"{told(lacking)} of {told(whole)} m2 of strip, by land cover too coarse to measure it: perhaps only "
        f"{told(doubtful)} of that, at most the whole strip"
    )
    return (doubtful * area, area, whole), "modelled", says
