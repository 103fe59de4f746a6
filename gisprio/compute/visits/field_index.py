"""The published field index of bank erosion hazard, from what a visit saw; kept apart from every desktop score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.visits import FIELD_CLASSES

Floats = NDArray[np.float64]
SOURCE = "rosgen2001"
STATUS = "numbers from memory; a university exercise agrees with some class edges and with most of what is added"


@dataclass(frozen=True, slots=True)
class Part:
    """One of the measures that the index adds up.

    Parameters
    ----------
    key, title
        Column of the measure, and its name for people.
    nodes
        (value, index), values ascending, through the class edges of the published table; linear between [own].
    worst_above, worst_below
        Beyond these the index is 10.
    """

    key: str
    title: str
    nodes: tuple[tuple[float, float], ...]
    worst_above: float = np.inf
    worst_below: float = -np.inf

    def index(self, value: Floats) -> Floats:
        """Give the index of values of any shape, 1 to 10; NaN stays."""
        at, index = np.array(self.nodes, float).T
        worst = (value > self.worst_above) | (value < self.worst_below)
        between = np.interp(np.nan_to_num(value), at, index)
        return np.where(np.isnan(value), np.nan, np.where(worst, WORST, between))


WORST = 10.0
_ROOTS = ((5.0, 9.0), (15.0, 7.9), (30.0, 5.9), (55.0, 3.9), (80.0, 1.9), (100.0, 1.0))
PARTS = (
    Part(
        "height_ratio",
        "bank height over bankfull height",
        ((1.0, 1.0), (1.1, 1.9), (1.2, 4.0), (1.5, 5.9), (2.0, 7.9), (2.8, 9.0)),
        worst_above=2.8,
    ),
    Part(
        "root_depth_ratio",
        "root depth over bank height",
        ((0.05, 9.0), (0.15, 7.9), (0.3, 5.9), (0.5, 3.9), (0.9, 1.9), (1.0, 1.0)),
        worst_below=0.05,
    ),
    Part("root_density_pct", "root density", _ROOTS, worst_below=5.0),
    Part(
        "bank_angle_deg",
        "bank angle",
        ((0.0, 1.0), (20.0, 1.9), (60.0, 3.9), (80.0, 5.9), (90.0, 7.9), (119.0, 9.0)),
        worst_above=119.0,
    ),
    Part("surface_protection_pct", "surface protection", ((10.0, 9.0), *_ROOTS[1:]), worst_below=10.0),
)
CLASS_FROM = (10.0, 20.0, 30.0, 40.0)
EXTREME_ABOVE = 45.0
"""The printed classes leave gaps (9.5 to 10): a class begins at its printed lower end [own]."""
MATERIAL_ADDS = {
    "bedrock": 0.0, "boulders": 0.0, "cobble": -10.0, "gravel": 7.5, "sand": 10.0, "silt": 0.0, "clay": 0.0,
}  # fmt: skip
"""Added for the material of the bank. Gravel is published as 5 to 10: the middle [own]."""
STRATIFICATION_ADDS = {"none": 0.0, "above bankfull": 5.0, "at or below bankfull": 10.0}
"""Added for layers of unlike material. Published as 5 to 10 by position: which position takes which is [own]."""
MATERIAL_WITHIN = {"bedrock": (5.0, 9.5), "boulders": (10.0, 19.5)}
"""Bedrock is always very low, boulders always low."""


def field_index(seen: pd.DataFrame) -> pd.DataFrame:
    """Give the field index of bank erosion hazard of each visit, its class, or why there is none.

    Parameters
    ----------
    seen
        One row a visit: ``bank_height_m``, ``bankfull_height_m``, ``root_depth_m`` [m], ``root_density_pct``,
        ``surface_protection_pct`` [percent], ``bank_angle_deg`` [degrees], null where not seen; ``material``, a key of
        :data:`MATERIAL_ADDS`; ``stratification``, a key of :data:`STRATIFICATION_ADDS`.

    Returns
    -------
    DataFrame
        ``field_hazard_index``, ``field_hazard_class`` and ``field_hazard_says`` (what is missing), one of index and
        reason null; index of ``seen``.

    Notes
    -----
    Index = sum of five indices of 1 to 10 + what material and layers add. A sum of four would be no index: one missing
    measure leaves it null.

    References
    ----------
    rosgen2001
    """
    measures = _measures(seen)
    total = np.sum([part.index(measures[part.key].to_numpy(float)) for part in PARTS], axis=0)
    for column, adds in (("material", MATERIAL_ADDS), ("stratification", STRATIFICATION_ADDS)):
        total = total + seen[column].map(adds).to_numpy(float)
    for material, (low, high) in MATERIAL_WITHIN.items():
        total = np.where(seen["material"] == material, np.clip(total, low, high), total)
    says = _missing(seen, measures).where(np.isnan(total))
    return pd.DataFrame(
        {"field_hazard_index": total, "field_hazard_class": hazard_class(total), "field_hazard_says": says},
        index=seen.index,
    )


def hazard_class(index: Floats) -> NDArray[np.object_]:
    """Give the class of each index (n,); None where it is NaN.

    >>> hazard_class(np.array([9.99, 10.0, 45.0, 45.01, np.nan])).tolist()
    ['very low', 'low', 'very high', 'extreme', None]
    """
    place = np.searchsorted(CLASS_FROM, index, side="right") + (index > EXTREME_ABOVE)
    return np.array([*FIELD_CLASSES, None], object)[np.where(np.isnan(index), len(FIELD_CLASSES), place)]


def _measures(seen: pd.DataFrame) -> pd.DataFrame:
    """Give the measures of the five parts; a ratio to nothing is missing."""
    height = seen["bank_height_m"].where(seen["bank_height_m"] > 0)
    bankfull = seen["bankfull_height_m"].where(seen["bankfull_height_m"] > 0)
    ratios = {"height_ratio": height / bankfull, "root_depth_ratio": seen["root_depth_m"] / height}
    return pd.DataFrame({part.key: seen[part.key] if part.key in seen else ratios[part.key] for part in PARTS}).astype(
        float
    )


def _missing(seen: pd.DataFrame, measures: pd.DataFrame) -> pd.Series:
    """Say what each visit lacks for the index."""
    lacks = {part.title: measures[part.key].isna() for part in PARTS}
    lacks["material"] = seen["material"].map(MATERIAL_ADDS).isna()
    lacks["stratification"] = seen["stratification"].map(STRATIFICATION_ADDS).isna()
    table = pd.DataFrame(lacks).to_numpy()
    return pd.Series([_told(list(lacks), row) for row in table], seen.index, dtype=object)


def _told(names: Sequence[str], lacking: NDArray[np.bool_]) -> str:
    return "not seen: " + ", ".join(name for name, gone in zip(names, lacking, strict=True) if gone)
