"""Invented banks and frontages as a run leaves them, and random weightings, for tests of ranking again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.orders import rank_rows
from gisprio.compute.scoring.ranks import _fill_missing, factor_table
from gisprio.contracts.settings import Priority

PRIORITY = Priority(
    erosion={
        "unit_stream_power": 40, "outer_bend": 25, "bank_height_ratio": 20, "bank_angle": 15, "near_bank_cover": 30,
        "subsoil_fines": 0, "observed_erosion": 0, "retreat": 0,
    },
)  # fmt: skip
"""Two factors share a weight, and one is known on too few banks."""
KNOWN = {"near_bank_cover": 0.5, "observed_erosion": 0.1, "retreat": 0.05, "subsoil_fines": 0.9}


class AgainWorld(NamedTuple):
    """What a run leaves."""

    banks: pd.DataFrame
    factors: pd.DataFrame
    frontages: pd.DataFrame


class Weighting(NamedTuple):
    """Weights of groups and of factors in the order of the table of factors, and how the groups are combined."""

    weights: dict[str, float]
    factors: list[float]
    combine: str


def make_world(count: int = 240, seed: int = 3) -> AgainWorld:
    """Make banks with equal scores, missing scores, observed erosion, and some that are not ranked."""
    draw = np.random.default_rng(seed)
    banks = pd.DataFrame({"bank_id": [f"B{row:06d}" for row in range(count)]})
    banks["not_ranked"] = np.where(draw.random(count) < 0.15, "a ditch", None)
    for card in (registered.card for registered in FACTORS):
        for column in (card.score_column, card.worst_column):
            some = draw.choice(draw.integers(0, 1001, 12), count) / 10  # few values, so that many banks are equal
            banks[column] = np.where(draw.random(count) < 0.5, some, draw.integers(0, 1001, count) / 10)
        gone = draw.random(count) > KNOWN.get(card.key, 0.93)
        banks.loc[gone, [card.score_column, card.worst_column]] = np.nan
        banks[card.basis_column] = np.where(gone, "missing", "measured")
    alike = draw.permutation(count)[: count // 6], draw.integers(0, count, count // 6)
    told = [name for name in banks if name.endswith(("_score", "_basis"))]
    banks.loc[alike[0], told] = banks.loc[alike[1], told].to_numpy()
    ranked = banks["not_ranked"].isna().to_numpy()
    factors = factor_table(banks[ranked], PRIORITY)
    _fill_missing(banks, ranked, factors, FACTORS)
    banks = banks.join(rank_rows(banks, ranked, factors, PRIORITY))
    return AgainWorld(banks, factors, _frontages(banks, draw))


def _frontages(banks: pd.DataFrame, draw: np.random.Generator) -> pd.DataFrame:
    """Lay each bank along up to two of a third as many properties; some touch no bank that is ranked."""
    count = 2 * len(banks)
    pairs = pd.DataFrame(
        {
            "property_id": [f"P{row:06d}" for row in draw.integers(0, len(banks) // 3, count)],
            "bank_id": np.tile(banks["bank_id"], 2),
        }
    )
    frontages = pairs.drop_duplicates(ignore_index=True)
    frontages["frontage_m"] = np.where(draw.random(len(frontages)) < 0.05, 0.0, draw.gamma(2, 60, len(frontages)))
    gap = frontages["frontage_m"] * draw.choice([0.0, 0.5, 1.0], len(frontages))
    return frontages.assign(gap_length_m=gap.mask(draw.random(len(frontages)) < 0.1))


def weightings(factors: pd.DataFrame, count: int, seed: int = 11) -> Iterator[Weighting]:
    """Draw weightings, each for both ways of combining: any, whole, with zeros, all in one, of huge ratio, all zero."""
    draw = np.random.default_rng(seed)
    n = len(factors)
    for k in range(count):
        kind = k % 6
        own = draw.random(n) * 100 if kind in (0, 3) else draw.integers(0, 101, n).astype(float)
        groups = draw.random(2) * 100 if kind in (0, 4) else draw.integers(0, 101, 2).astype(float)
        if kind == 2:
            own[draw.random(n) < 0.6] = 0.0
        if kind == 3:
            groups[draw.integers(0, 2)] = 0.0
        if kind == 4:
            own = 10.0 ** draw.uniform(-12, 12, n)
        if kind == 5:
            own = np.where(factors["key"].isin([draw.choice(["outer_bend", "bank_angle"]), "delivery"]), 7.0, 0.0)
        if k % 12 == 11:
            own[(factors["group"] == draw.choice(["erosion", "gap"])).to_numpy()] = 0.0
        own[(factors["given_weight"] == 0).to_numpy()] = 0.0
        for combine in ("geometric", "weighted_sum"):
            yield Weighting({"erosion": float(groups[0]), "gap": float(groups[1])}, own.tolist(), combine)


def by_group(factors: pd.DataFrame, weighting: Weighting) -> dict[str, Any]:
    """Give a weighting as ``rank_again`` takes it."""
    table = factors.assign(new=weighting.factors)
    groups = {name: dict(zip(own["key"], own["new"], strict=True)) for name, own in table.groupby("group")}
    return {"weights": weighting.weights, **groups, "combine": weighting.combine}
