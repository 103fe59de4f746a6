"""Where a rule asks for nothing: steep or flat ground, small streams, small properties, uses of the land."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.setbacks import Exempt

Marks = NDArray[np.bool_]


def exempt_words(sides: pd.DataFrame, exempt: Exempt) -> NDArray[np.object_]:
    """Say why each station side is exempt; None where it is not, nor where what it hangs on is not known.

    Parameters
    ----------
    sides
        Layer ``side_facts``.
    exempt
        ``[setback.exempt]``.
    """
    words = np.full(len(sides), None, object)
    for told, why in _exemptions(sides, exempt):
        words[told & (words == None)] = why  # noqa: E711 - elementwise
    return words


def _exemptions(sides: pd.DataFrame, exempt: Exempt) -> Iterator[tuple[Marks, str]]:
    slope, width, area, hectares = (
        sides[name].to_numpy(float)
        for name in ("slope_percent", "bankfull_width_m", "drainage_area_km2", "property_ha")
    )
    with np.errstate(invalid="ignore"):
        if exempt.kinds:
            yield sides["kind"].isin(exempt.kinds).to_numpy(), "kind of stream"
        if exempt.width_below_m is not None:
            yield width < exempt.width_below_m, f"stream narrower than {exempt.width_below_m:g} m"
        if exempt.area_below_km2 is not None:
            yield area < exempt.area_below_km2, f"stream drains under {exempt.area_below_km2:g} km2"
        if exempt.slope_below_percent is not None:
            yield slope < exempt.slope_below_percent, f"ground flatter than {exempt.slope_below_percent:g} %"
        if exempt.slope_over_percent is not None:
            yield slope > exempt.slope_over_percent, f"ground steeper than {exempt.slope_over_percent:g} %"
        if exempt.land_use:
            uses = [word.casefold() for word in exempt.land_use]
            yield sides["property_class"].str.casefold().isin(uses).to_numpy(), "use of the property"
        if exempt.property_ha is not None:
            yield hectares <= exempt.property_ha + 1e-9, f"property of {exempt.property_ha:g} ha or less"
