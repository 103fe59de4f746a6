"""Station sides made by hand, as setback rules see them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from gisprio.contracts.layers import SIDE_FACTS
from gisprio.contracts.schema import check

FLAT = {
    "kind": "natural", "stream_class": None, "strahler_order": 2, "drainage_area_km2": 10.0, "bankfull_width_m": 5.0,
    "bank_height_m": np.nan, "slope_percent": 0.0, "property_class": None, "property_ha": np.nan, "zone": None,
}  # fmt: skip


def sides(count: int = 1, **columns: object) -> pd.DataFrame:
    """Give ``count`` stations of 5 m on the left side of one segment, flat ground but for ``columns``."""
    count = next((len(value) for value in columns.values() if isinstance(value, Sequence | np.ndarray)
                  and not isinstance(value, str)), count)  # fmt: skip
    key = {"segment_no": 0, "station_no": range(count), "side": 0}
    table = pd.DataFrame({**key, **FLAT, **columns}).astype({"stream_class": object, "property_class": object})
    place = {"reach_no": 0, "from_m": 5.0 * np.arange(count), "to_m": 5.0 * np.arange(count) + 5.0}
    return check(SIDE_FACTS, table).assign(**place, bank_line_basis="given")
