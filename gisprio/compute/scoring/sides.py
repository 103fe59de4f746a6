"""Factor values and scores at every station side, and rolled up to banks."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.compute.banks.gaps import NO_BANK, SIDE_LETTERS
from gisprio.compute.banks.strips import bank_line
from gisprio.compute.factors import FACTORS, layer_with_factors
from gisprio.compute.scoring.keys import whole_weights
from gisprio.compute.scoring.values import FULL, nodes_of, value_score, whole, worst_stretch
from gisprio.contracts.cards import Factor, Sources, Tables
from gisprio.contracts.constants import CONFINED_RATIO, UNCONFINED_RATIO
from gisprio.contracts.layers import BANK_MEASURES, STATION_RESULTS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority, Settings
from gisprio.contracts.words import SIDES

KEY = ["segment_no", "station_no", "side"]
KNOWN_LEAST = 0.5
"""Share of a bank's length on which a factor must be known to be the bank's [own]."""


def score_sides(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Score every station side by every factor, and roll up to banks.

    Parameters
    ----------
    core
        The tables of the piece up to ``gap_pieces``.
    halo, sources
        None.
    settings
        Section ``priority``.

    Returns
    -------
    dict
        ``side_scores``, ``bank_measures``, ``station_results``.

    Notes
    -----
    A bank's score by a factor is the length-weighted mean over its worst contiguous 50 m [own], so that a 60 m scar
    is not diluted in 200 m; its value is the mean over the same stretch.
    """
    sides = _assembled(core)
    for registered in FACTORS:
        card = registered.card
        measured = registered.measure(sides)
        scores = value_score(
            measured["value"].to_numpy(), nodes_of(card, settings.priority), logarithmic=card.logarithmic
        )
        if card.scaled_by:
            scores = scores * sides[card.scaled_by].to_numpy(float)
        value = measured["value"].to_numpy()
        sides[card.value_column] = np.where(np.isfinite(value), value, np.nan)
        sides[card.basis_column] = np.where(np.isnan(scores), "missing", measured["basis"])
        sides[card.score_column] = whole(scores)
    return {
        "side_scores": _side_scores(sides),
        "bank_measures": _banks(sides, core, settings.priority),
        "station_results": _station_results(sides, core),
    }


def freedom_to_move(valley_width_m: pd.Series, bankfull_width_m: pd.Series) -> pd.Series:
    """Give 0 in a confined valley (2 widths), 1 in an open one (10 widths), linear between (nagel2014)."""
    ratio = valley_width_m / bankfull_width_m
    return ((ratio - CONFINED_RATIO.value) / (UNCONFINED_RATIO.value - CONFINED_RATIO.value)).clip(0.0, 1.0)


def _assembled(core: Tables) -> pd.DataFrame:
    """One row a station side with all measures, sorted along each side of each segment."""
    sides = core["bank_points"].merge(core["side_cover"], on=KEY, validate="one_to_one")
    sides = sides.merge(core["side_gaps"], on=KEY, validate="one_to_one")
    sides = sides.merge(
        core["stations"].drop(columns=["x", "y"]), on=["segment_no", "station_no"], validate="many_to_one"
    )
    sides = sides.merge(core["valleys"], on=["segment_no", "station_no"], validate="many_to_one")
    sides["length_m"] = sides["to_m"] - sides["from_m"]
    sides["has_bank"] = ~sides["kind"].isin(NO_BANK) & ~sides["crossing"]
    sides["coarse"] = sides["buffer_width_m"].isna() & sides["missing_strip"].notna()
    valley = sides.groupby("reach_no")["valley_width_m"].transform("median")
    sides["reach_valley_m"] = valley
    sides["freedom_to_move"] = freedom_to_move(valley, sides["bankfull_width_m"])
    reaches = core["reach_measures"].set_index("reach_no")
    sides["unit_stream_power_w_m2"] = reaches["unit_stream_power_w_m2"].reindex(sides["reach_no"]).to_numpy()
    return sides.sort_values(["segment_no", "side", "station_no"], ignore_index=True)


def _side_scores(sides: pd.DataFrame) -> pd.DataFrame:
    columns = [c for registered in FACTORS for c in (registered.card.value_column, registered.card.score_column)]
    scores = sides.sort_values(KEY)[KEY + columns].reset_index(drop=True)
    for registered in FACTORS:
        scores[registered.card.score_column] /= FULL / 100
    return scores


def _banks(sides: pd.DataFrame, core: Tables, priority: Priority) -> pd.DataFrame:
    if not len(sides):
        return empty(layer_with_factors(BANK_MEASURES), getattr(core["reach_measures"], "crs", None))
    reaches = core["reach_measures"].set_index("reach_no")
    lines = dict(list(sides.groupby(["segment_no", "side"], sort=False)))
    rows = []
    for (reach_no, side), bank in sides.groupby(["reach_no", "side"], sort=True):
        reach = reaches.loc[reach_no]
        whole_side = lines[(bank["segment_no"].iloc[0], side)]
        line = bank_line(
            whole_side[["x", "y"]].to_numpy(),
            whole_side["at_m"].to_numpy(),
            float(reach["from_m"]),
            float(reach["to_m"]),
        )
        row = {"reach_no": reach_no, "side": side, "geometry": shapely.linestrings(line)}
        rows.append(
            row | _measures(bank) | _gap_sums(core["gap_pieces"], reach_no, side, bank) | _scores(bank, priority)
        )
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=core["reach_measures"].crs)  # type: ignore[attr-defined]


def _measures(bank: pd.DataFrame) -> dict[str, object]:
    own = bank[bank["has_bank"]]
    coarse = bool(own["coarse"].any())
    woody = own["woody_share"]
    return {
        "length_m": float(own["length_m"].sum()),
        "bank_line_basis": _most(own, "bank_line_basis"),
        "buffer_width_m": own["buffer_width_m"].median(),
        "crossing_length_m": float(bank.loc[bank["crossing"], "length_m"].sum()),
        "woody_share": float(np.average(woody.dropna(), weights=own.loc[woody.notna(), "length_m"]))
        if woody.notna().any()
        else np.nan,
        "woody_share_basis": "missing" if woody.isna().all() else "modelled" if coarse else "measured",
        "adjacent_cover": _most(own, "adjacent_cover"),
        "line_offset_m": own["line_offset_m"].abs().median(),
        "valley_width_m": bank["reach_valley_m"].iloc[0],
        "freedom_to_move": bank["freedom_to_move"].median(),
    }


def _most(own: pd.DataFrame, column: str) -> str | None:
    sums = own["length_m"].groupby(own[column]).sum()
    return str(sums.idxmax()) if len(sums) else None


def _gap_sums(gaps: pd.DataFrame, reach_no: int, side: int, bank: pd.DataFrame) -> dict[str, float]:
    """Sum the bank's gaps; null where no width was measured on it."""
    if bank.loc[bank["has_bank"], "buffer_width_m"].isna().all():
        return {"gap_length_m": np.nan, "gap_area_m2": np.nan}
    own = gaps[(gaps["reach_no"] == reach_no) & (gaps["side"] == side)]
    return {
        "gap_length_m": float((own["to_m"] - own["from_m"]).sum()),
        "gap_area_m2": float(own["area_m2"].sum()),
    }


def _scores(bank: pd.DataFrame, priority: Priority) -> dict[str, object]:
    own = bank[bank["has_bank"]]
    row: dict[str, object] = {}
    for registered in FACTORS:
        row |= _factor(own, registered.card, priority.worst_m)
    for group, weights in (("erosion", priority.erosion), ("gap", priority.gap)):
        row[f"{group}_above_share"] = _above(own, weights, priority.need_at)
    return row


def _factor(own: pd.DataFrame, card: Factor, worst_m: float) -> dict[str, object]:
    """Give a bank's value, basis and score (0..100) by one factor."""
    score = own[card.score_column].to_numpy(float)
    length = own["length_m"].to_numpy(float)
    known = ~np.isnan(score)
    if length[known].sum() < KNOWN_LEAST * length.sum() or not known.any():
        return {card.value_column: np.nan, card.basis_column: "missing", card.score_column: np.nan}
    mean, start, end = worst_stretch(length[known], score[known], worst_m)
    along = np.cumsum(length[known]) - length[known] / 2
    inside = (along >= start) & (along <= end)
    values = own[card.value_column].to_numpy(float)[known][inside]
    return {
        card.value_column: float(np.nanmean(values)) if np.isfinite(values).any() else np.nan,
        card.basis_column: str(own.loc[known, card.basis_column].mode().iloc[0]),
        card.score_column: float(whole(np.array(mean / FULL))) / (FULL / 100),
    }


def _above(own: pd.DataFrame, weights: Mapping[str, float], need_at: float) -> float:
    """Give the share of a bank's length whose weighted score reaches the threshold of need."""
    length = own["length_m"].to_numpy()
    if not length.sum():
        return np.nan
    cards = {registered.card.key: registered.card for registered in FACTORS}
    total = sum(
        weight * own[cards[key].score_column].fillna(cards[key].neutral * FULL).to_numpy()
        for key, weight in whole_weights(weights, FULL).items()
    )
    return float(length[total / FULL >= need_at * FULL / 100].sum() / length.sum())


def _station_results(sides: pd.DataFrame, core: Tables) -> pd.DataFrame:
    layer = layer_with_factors(STATION_RESULTS)
    crs = getattr(core["reach_measures"], "crs", None)
    if not len(sides):
        return empty(layer, crs)
    rows = sides.sort_values(KEY, ignore_index=True)
    reach_id = core["reach_measures"].set_index("reach_no")["reach_id"].reindex(rows["reach_no"]).to_numpy()
    letters = np.array(SIDE_LETTERS)[rows["side"].to_numpy()]
    rows = rows.assign(
        segment_id=[text.rsplit("-", 1)[0] for text in reach_id],
        reach_id=reach_id,
        bank_id=[f"{reach}-{letter}" for reach, letter in zip(reach_id, letters, strict=True)],
        side=np.array(SIDES)[rows["side"].to_numpy()],
    )
    for registered in FACTORS:
        rows[registered.card.score_column] /= FULL / 100
    points = gpd.points_from_xy(rows["x"], rows["y"])
    return gpd.GeoDataFrame(rows[layer.names()], geometry=points, crs=crs)
