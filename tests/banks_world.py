"""Tables of ranked banks made by hand, as the stage of the draws gets them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.keys import group_score, priority_keys, priority_of, ranks, whole_weights
from gisprio.compute.scoring.values import value_score, whole
from gisprio.contracts.layers import JOINT_GAPS, SITES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority

CARDS = {registered.card.key: registered.card for registered in FACTORS}
KEYS = ("unit_stream_power", "outer_bend", "missing_strip")


THREE = {"erosion": {"unit_stream_power": 50.0, "outer_bend": 50.0}, "gap": {"missing_strip": 100.0}}
"""Weights of the three factors of :data:`KEYS`."""


def three_factors(**more: object) -> Priority:
    """Give a section of the settings that weighs three factors."""
    return Priority(**(THREE | more))


def ranked_banks(values: pd.DataFrame, per_segment: int = 10, priority: Priority | None = None) -> pd.DataFrame:
    """Score and rank banks of known values.

    Parameters
    ----------
    values
        One row a bank, left then right of each reach: value columns of the three factors of :data:`KEYS`, a null
        outer bend being a straight bank; ``freedom_to_move``, ``adjacent_cover``, ``line_offset_m``,
        ``observed_erosion_score`` where they matter.
    per_segment
        Banks of one segment.
    priority
        Section of the settings.
    """
    priority = priority or three_factors()
    n = len(values)
    reach_id = [f"S{i // per_segment:03d}-{i % per_segment // 2 + 1:02d}" for i in range(n)]
    given = {"freedom_to_move": 1.0, "adjacent_cover": "crop", "line_offset_m": 0.0, "setback_m": 30.0,
             "bank_line_basis": "half_width", "observed_erosion_score": np.nan, "retreat_score": np.nan}  # fmt: skip
    banks = pd.DataFrame({**given, **values.reset_index(drop=True).to_dict("series")})
    banks["reach_id"], banks["side"] = reach_id, np.where(np.arange(n) % 2 == 0, "left", "right")
    banks["bank_id"] = [f"{reach}-{side[0].upper()}" for reach, side in zip(reach_id, banks["side"], strict=True)]
    banks["not_ranked"] = None
    scored = {}
    for key in KEYS:
        card = CARDS[key]
        value = banks[card.value_column].to_numpy(float)
        score = value_score(np.where(np.isnan(value), np.inf, value), card.nodes, logarithmic=card.logarithmic)
        scored[key] = whole(score * (banks[card.scaled_by] if card.scaled_by else 1.0)).astype(np.int64)
        banks[card.score_column], banks[card.basis_column] = scored[key] / 10, "measured"
    e, g = (group_score(scored, whole_weights(getattr(priority, group), 1000)) for group in ("erosion", "gap"))
    e = np.maximum(e, np.rint(100 * banks["observed_erosion_score"].fillna(0.0)).astype(np.int64))
    shares = whole_weights({"erosion": priority.weights.erosion, "gap": priority.weights.gap}, 100)
    keys = priority_keys(e, g, shares, priority.combine)
    banks["priority"], banks["rank"] = priority_of(keys, priority.combine), pd.array(ranks(keys), dtype="Int64")
    return banks


def used_factors(priority: Priority | None = None) -> pd.DataFrame:
    """Give the rows of the table of factors, all ranked on."""
    priority = priority or three_factors()
    rows = []
    for group in ("erosion", "gap"):
        weights = whole_weights(getattr(priority, group), 1000)
        for key in weights:
            card = CARDS[key]
            rows.append(
                {"key": key, "group": group, "value_column": card.value_column, "basis_column": card.basis_column,
                 "score_column": card.score_column, "scaled_by": card.scaled_by, "weight": weights[key], "used": True}
            )  # fmt: skip
    return pd.DataFrame(rows)


def reaches_of(banks: pd.DataFrame, slope_error: float = 0.0) -> pd.DataFrame:
    """Give the reaches of banks, ranked by the better bank; ``slope_error`` is the standard error over the slope."""
    best = banks.groupby("reach_id")["rank"].min()
    table = pd.DataFrame({"reach_id": best.index, "slope_m_m": 0.01, "slope_se_m_m": 0.01 * slope_error})
    table["rank"] = pd.array(ranks(-best.to_numpy(np.int64)), dtype="Int64")
    return table.assign(rank_p05=np.nan, rank_p95=np.nan, top_share=np.nan)


def drawn_tables(banks: pd.DataFrame, slope_error: float = 0.0, metres_of_gap: float = 80.0) -> dict[str, pd.DataFrame]:
    """Give all tables that the stage of the draws reads; each property holds four banks that follow one another."""
    from gisprio.compute.land.ranks import rank_properties

    reaches = reaches_of(banks, slope_error)
    measures = pd.DataFrame({"reach_no": range(len(reaches)), "reach_id": reaches["reach_id"]})
    number = dict(zip(measures["reach_id"], measures["reach_no"], strict=True))
    frontages = pd.DataFrame(
        {
            "property_id": [f"P{i // 4:03d}" for i in range(len(banks))],
            "reach_no": [number[reach] for reach in banks["reach_id"]],
            "side": (banks["side"] == "right").astype(int),
            "frontage_m": 100.0 + 5.0 * (np.arange(len(banks)) % 7),
            "gap_length_m": metres_of_gap + 5.0 * (np.arange(len(banks)) % 3),
            "gap_area_m2": 100.0,
            "joint_gap_m": 0.0,
        }
    )
    import geopandas as gpd
    import shapely

    ids = sorted(set(frontages["property_id"]))
    land = gpd.GeoDataFrame({"property_id": ids}, geometry=[shapely.box(0, 0, 1, 1)] * len(ids))
    tables = {"frontages": frontages, "banks": banks, "reach_measures": measures, "properties": land}
    tables |= {"joint_gaps": empty(JOINT_GAPS), "sites": empty(SITES)}
    properties = rank_properties(tables, {}, None)["ranked_properties"]
    return {
        **{name: tables[name] for name in ("frontages", "reach_measures")},
        "banks": banks.assign(rank_p05=np.nan, rank_p50=np.nan, rank_p95=np.nan, top_share=np.nan),
        "reaches": reaches, "ranked_properties": properties, "factors": used_factors(),
    }  # fmt: skip


def some_values(n: int, seed: int = 0) -> pd.DataFrame:
    """Give values of n banks, spread over the nodes of their factors; half of the banks straight."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "unit_stream_power_w_m2": np.exp(rng.uniform(np.log(3), np.log(250), n)),
            "outer_bend": np.where(rng.random(n) < 0.5, np.nan, rng.uniform(1.5, 12, n)),
            "missing_strip": rng.random(n),
            "freedom_to_move": rng.uniform(0.2, 1, n),
            "adjacent_cover": rng.choice(["crop", "pasture"], n),
            "line_offset_m": rng.uniform(0, 10, n),
        }
    )
