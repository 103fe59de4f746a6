"""The numbers of the report: banks with what is clear and uncertain of their gaps, totals, and what the first hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from gisprio.contracts.cards import Results
from gisprio.products.tables import plain_table
from gisprio.products.units import shown_units

NO_NAME = "without a name"
_TAKEN = (
    "bank_id", "reach_id", "side", "name", "not_ranked", "sub_watershed_id", "length_m", "setback_m", "adjacent_cover",
    "gap_length_m", "gap_area_m2", "width_known_share", "priority", "rank", "rank_p05", "rank_p50", "rank_p95",
    "top_share", "why",
)  # fmt: skip


@dataclass(frozen=True)
class Units:
    """Units that people read: lengths in metres, and long ones, and areas, by a factor and a name."""

    system: str

    def near(self, metres: Any) -> Any:
        """Give a short length."""
        return metres * self._shown["m"][0]

    def far(self, metres: Any) -> Any:
        """Give a long length."""
        return metres / 1000 * self._shown["km"][0]

    def ground(self, square_metres: Any) -> Any:
        """Give an area of land."""
        return square_metres / 10_000 * self._shown["ha"][0]

    def area(self, square_kilometres: float) -> tuple[float, str]:
        """Give an area of a watershed and its unit."""
        factor, name = self._shown["km2"]
        return square_kilometres * factor, name

    @cached_property
    def _shown(self) -> Mapping[str, tuple[float, str]]:
        return shown_units("us" if self.system == "us" else "si")

    @property
    def m(self) -> str:
        """Name of the short length."""
        return self._shown["m"][1]

    @property
    def km(self) -> str:
        """Name of the long length."""
        return self._shown["km"][1]

    @property
    def ha(self) -> str:
        """Name of the area."""
        return self._shown["ha"][1]


@dataclass(frozen=True)
class Facts:
    """What the report tells, as numbers; lengths in metres.

    Parameters
    ----------
    results
        Result layers, settings and record.
    """

    results: Results

    @cached_property
    def units(self) -> Units:
        """Units of the settings."""
        return Units(self.results.settings.report.units)

    @cached_property
    def banks(self) -> pd.DataFrame:
        """All banks: stream order and length of the reach, ``clear_m`` and ``uncertain_m`` of gap, ``known_m``."""
        banks = plain_table(self.results.tables["banks"])[list(_TAKEN)].copy()
        reaches = self.results.tables["reaches"].set_index("reach_id")
        banks["strahler_order"] = banks["reach_id"].map(reaches["strahler_order"])
        banks["reach_m"] = banks["reach_id"].map(reaches["length_m"])
        gaps = self.results.tables["gaps"]
        for certainty in ("clear", "uncertain"):
            own = gaps[gaps["certainty"] == certainty].groupby("bank_id")["length_m"].sum()
            banks[f"{certainty}_m"] = banks["bank_id"].map(own).fillna(0.0).astype(float)
        banks["known_m"] = banks["length_m"] * banks["width_known_share"].fillna(0.0).astype(float)
        return banks

    @cached_property
    def ranked(self) -> pd.DataFrame:
        """Ranked banks, the most urgent first."""
        ranked = self.banks[self.banks["rank"].notna()]
        return ranked.sort_values(["rank", "bank_id"], kind="stable").reset_index(drop=True)

    @cached_property
    def measured(self) -> bool:
        """Whether any gap could be measured: no with a coarse cover."""
        return bool(self.ranked["gap_length_m"].notna().any() and self.ranked["known_m"].sum() > 0)

    @cached_property
    def properties(self) -> pd.DataFrame:
        """Ranked properties, the most urgent first."""
        properties = plain_table(self.results.tables["properties"])
        ranked = properties[properties["rank"].notna()]
        return ranked.sort_values(["rank", "property_id"], kind="stable").reset_index(drop=True)

    @property
    def top_n(self) -> int:
        """How many banks are the top."""
        return self.results.settings.robustness.top_n

    @cached_property
    def top(self) -> pd.DataFrame:
        """Banks up to rank ``top_n``."""
        return self.ranked[self.ranked["rank"] <= self.top_n]


def totals_by(banks: pd.DataFrame, key: str) -> pd.DataFrame:
    """Sum up ranked banks by a column; what has no value there comes last.

    Returns
    -------
    DataFrame
        ``key``, ``banks``, ``stream_m`` (of their reaches), ``length_m``, ``setback_m`` (median of banks where one is
        asked), ``known_m``, ``gap_m``, ``clear_m``, ``uncertain_m``, ``gap_m2``, ``gap_share`` of the length where the
        cover is known (null where it is nowhere), ``priority`` (mean by length).
    """
    rows = []
    for value, own in banks.groupby(key, dropna=False, sort=True):
        known, gap = own["known_m"].sum(), own["gap_length_m"].sum(min_count=1)
        asked = own["setback_m"][own["setback_m"] > 0]
        rows.append(
            {
                key: value,
                "banks": len(own),
                "stream_m": own.drop_duplicates("reach_id")["reach_m"].sum(),
                "length_m": own["length_m"].sum(),
                "setback_m": asked.median() if len(asked) else np.nan,
                "known_m": known,
                "gap_m": gap,
                "clear_m": own["clear_m"].sum() if known else np.nan,
                "uncertain_m": own["uncertain_m"].sum() if known else np.nan,
                "gap_m2": own["gap_area_m2"].sum(min_count=1),
                "gap_share": gap / known if known else np.nan,
                "priority": weighed_mean(own["priority"], own["length_m"]),
            }
        )
    return pd.DataFrame(rows)


def weighed_mean(values: pd.Series, weights: pd.Series) -> float:
    """Give the mean of the known values; null where there is none."""
    known = values.notna()
    total = float(weights[known].sum())
    return float((values[known].astype(float) * weights[known]).sum() / total) if total > 0 else float("nan")


@dataclass(frozen=True)
class Reached:
    """How much of the priority-weighted gap the first ones hold, in order of rank.

    Parameters
    ----------
    taken
        How much is taken after each: metres of bank, or number of properties; begins with 0.
    share
        Share of the whole that is reached; begins with 0.
    """

    taken: np.ndarray
    share: np.ndarray

    def at(self, taken: float) -> float:
        """Give the share that is reached when so much is taken."""
        return float(np.interp(taken, self.taken, self.share))

    def needed(self, share: float) -> float:
        """Give how much must be taken to reach a share."""
        return float(np.interp(share, self.share, self.taken))


def reached_by_banks(ranked: pd.DataFrame) -> Reached | None:
    """Say what ranked banks hold of priority times metres of gap, by metres of bank; None where there is no gap."""
    held = (ranked["priority"].astype(float) * ranked["gap_length_m"].astype(float)).fillna(0.0).to_numpy()
    return _reached(ranked["length_m"].to_numpy(float), held)


def reached_by_properties(properties: pd.DataFrame) -> Reached | None:
    """Say what ranked properties hold of it, by their number; None where there is none."""
    held = properties["priority_gap_m"].astype(float).fillna(0.0).to_numpy()
    return _reached(np.ones(len(held)), held)


def _reached(taken: np.ndarray, held: np.ndarray) -> Reached | None:
    total = held.sum()
    if not total > 0:
        return None
    return Reached(np.concatenate([[0.0], np.cumsum(taken)]), np.concatenate([[0.0], np.cumsum(held) / total]))


def properties_of(bank_ids: pd.Series, frontages: pd.DataFrame, most: int = 3) -> list[str]:
    """Name the properties that each bank lies on, the longest frontage first, at most so many; empty for none."""
    own = frontages[frontages["bank_id"].isin(bank_ids) & (frontages["frontage_m"] > 0)]
    own = own.sort_values(["frontage_m", "property_id"], ascending=[False, True], kind="stable")
    ids = own.groupby("bank_id", sort=False)["property_id"].agg(list).to_dict()
    return [_named(ids.get(bank, []), most) for bank in bank_ids]


def _named(ids: list[str], most: int) -> str:
    more = f" and {len(ids) - most} more" if len(ids) > most else ""
    return ", ".join(ids[:most]) + more
