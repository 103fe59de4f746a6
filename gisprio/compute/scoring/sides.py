"""Factor values and scores at every station side, and rolled up to banks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_heights import angle_says, bank_height
from gisprio.compute.banks.gaps import SIDE_LETTERS
from gisprio.compute.banks.runs import Rows, Words, columns_of, cut, median, runs
from gisprio.compute.banks.sides import SIDE_KEY, has_bank, station_sides
from gisprio.compute.banks.strips import bank_line
from gisprio.compute.factors import Registered, factors_of, layer_with_factors
from gisprio.compute.factors.adjacent_use import USE_WEIGHTS
from gisprio.compute.factors.own import own_column
from gisprio.compute.scoring.keys import FLOOR, TOP, shared_weights, whole_weights
from gisprio.compute.scoring.values import FULL, Floats, Windows, nodes_of, value_score, whole, worst
from gisprio.contracts.cards import Factor, Sources, Tables
from gisprio.contracts.constants import CONFINED_RATIO, UNCONFINED_RATIO
from gisprio.contracts.layers import BANK_MEASURES, STATION_RESULTS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority, Settings
from gisprio.contracts.words import SIDES

Factors = tuple[Registered, ...]
_GROUPS = ("erosion", "gap")
TOUCH_M = 0.01
"""Stations nearer than this touch [m]."""
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
        Sections ``priority``, ``factor`` and ``dem``.

    Returns
    -------
    dict
        ``side_scores``, ``bank_measures``, ``station_results``.

    Notes
    -----
    A bank is judged by its worst contiguous 50 m [own], so that a 60 m scar is not diluted in 200 m: the stretch where
    erosion and gap together, weighed as the priority weighs them, are highest. All factors are read there, so that a
    wooded bend and a bare straight on one bank are not taken for a bare bend. Each group is also read where it alone
    is worst, for the orders by erosion and by gap.
    """
    factors = factors_of(settings)
    sides = _with_own_values(_assembled(core, settings.priority), core["side_own_values"], factors)
    for registered in factors:
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
        "side_scores": _side_scores(sides, factors),
        "bank_measures": _banks(sides, core, settings, factors),
        "station_results": _station_results(sides, core, factors),
    }


def freedom_to_move(valley_width_m: pd.Series, bankfull_width_m: pd.Series) -> pd.Series:
    """Give 0 in a confined valley (2 widths), 1 in an open one (10 widths), linear between (nagel2014)."""
    ratio = valley_width_m / bankfull_width_m
    return ((ratio - CONFINED_RATIO.value) / (UNCONFINED_RATIO.value - CONFINED_RATIO.value)).clip(0.0, 1.0)


def _assembled(core: Tables, priority: Priority) -> pd.DataFrame:
    """One row a station side with all measures, sorted along each side of each segment."""
    sides = station_sides(
        core,
        "side_ground",
        "side_cover",
        "side_gaps",
        "side_soils",
        "side_supply",
        "side_scars",
        "side_constraints",
        "valleys",
        "side_heights",
    )
    sides["length_m"] = sides["to_m"] - sides["from_m"]
    sides["has_bank"] = has_bank(sides)
    sides["coarse"] = sides["buffer_width_m"].isna() & sides["missing_strip"].notna()
    valley = sides.groupby("reach_no")["valley_width_m"].transform("median")
    sides["adjacent_use_weight"] = sides["adjacent_cover"].map(USE_WEIGHTS | priority.adjacent_use).astype(float)
    sides["reach_valley_m"] = valley
    sides["freedom_to_move"] = freedom_to_move(valley, sides["bankfull_width_m"])
    reaches = core["reach_measures"].set_index("reach_no").reindex(sides["reach_no"])
    sides["bankfull_depth_m"] = reaches["bankfull_depth_m"].to_numpy(float)
    sides["unit_stream_power_w_m2"] = reaches["unit_stream_power_w_m2"].to_numpy()
    sides["reach_from_m"], sides["reach_to_m"] = reaches["from_m"].to_numpy(), reaches["to_m"].to_numpy()
    return sides


def _with_own_values(sides: pd.DataFrame, values: pd.DataFrame, factors: Factors) -> pd.DataFrame:
    """Add what was measured for each factor of the user's own as a column of station sides."""
    for key in (one.card.key for one in factors if one.is_own):
        own = values[values["factor"] == key].set_index(SIDE_KEY)["value"]
        sides[own_column(key)] = own.reindex(pd.MultiIndex.from_frame(sides[SIDE_KEY])).to_numpy(float)
    return sides


def _side_scores(sides: pd.DataFrame, factors: Factors) -> pd.DataFrame:
    columns = [c for registered in factors for c in (registered.card.value_column, registered.card.score_column)]
    scores = sides.sort_values(SIDE_KEY)[SIDE_KEY + columns].reset_index(drop=True)
    for registered in factors:
        scores[registered.card.score_column] /= FULL / 100
    return scores


def _banks(sides: pd.DataFrame, core: Tables, settings: Settings, factors: Factors) -> pd.DataFrame:
    """Roll station sides up to banks, a bank being the neighbouring rows of one reach and side."""
    if not len(sides):
        return empty(layer_with_factors(BANK_MEASURES, factors), getattr(core["reach_measures"], "crs", None))
    ranked = sides["has_bank"] & sides["kind"].isin(settings.priority.ranked_kinds)
    bases = {one.card.basis_column: Words.of(sides[one.card.basis_column]) for one in factors}
    arrays = columns_of(sides.assign(ranked=ranked)) | {name: words.codes for name, words in bases.items()}
    scales = Scales.of(settings.priority, factors, bases)
    covers = Words.of(sides["adjacent_cover"])
    lines_from = Words.of(sides["bank_line_basis"])
    gaps = _gap_sums(core["gap_pieces"])
    rows = []
    for side_rows in runs(arrays["segment_no"], arrays["side"]):
        along = cut(arrays, side_rows)
        points = np.column_stack([along["x"], along["y"]])
        for bank_rows in runs(arrays["reach_no"], arrays["side"], side_rows):
            bank = cut(arrays, bank_rows)
            line = bank_line(points, along["at_m"], float(bank["reach_from_m"][0]), float(bank["reach_to_m"][0]))
            reach_no, side = int(bank["reach_no"][0]), int(bank["side"][0])
            row = {"reach_no": reach_no, "side": side, "geometry": shapely.linestrings(line)}
            row |= _measures(bank, gaps.get((reach_no, side), (0.0, 0.0)))
            row["bank_line_basis"] = lines_from.most(bank_rows, bank["length_m"] * bank["has_bank"])
            row["adjacent_cover"] = covers.most(bank_rows, _lacking(bank))
            row |= bank_height(bank, settings.dem)
            row |= stretch_scores(bank, scales)
            rows.append(row | {"bank_angle_says": angle_says(row)})
    table = gpd.GeoDataFrame(rows, geometry="geometry", crs=core["reach_measures"].crs)
    return table.sort_values(["reach_no", "side"], ignore_index=True)


def _lacking(bank: Rows) -> np.ndarray:
    """Weigh the stations of a bank by the metres of strip they lack; all alike where nothing is lacking; (n,)."""
    length = bank["length_m"] * bank["has_bank"]
    lacking = length * np.nan_to_num(bank["missing_strip"].astype(float))
    return lacking if lacking.any() else length


def _gap_sums(gaps: pd.DataFrame) -> dict[tuple[int, int], tuple[float, float]]:
    """Give length and ground of the gaps of each reach and side."""
    sums: dict[tuple[int, int], tuple[float, float]] = {}
    length = (gaps["to_m"] - gaps["from_m"]).tolist()
    for reach_no, side, metres, area in zip(gaps["reach_no"], gaps["side"], length, gaps["area_m2"], strict=True):
        before = sums.get((reach_no, side), (0.0, 0.0))
        sums[reach_no, side] = (before[0] + metres, before[1] + area)
    return sums


def _measures(bank: Rows, gap: tuple[float, float]) -> dict[str, object]:
    own, length = bank["has_bank"], bank["length_m"]
    woody, wide = bank["woody_share"][own], bank["buffer_width_m"][own]
    told = ~np.isnan(woody)
    measured = not np.isnan(wide).all()
    moved = bank["recentred_m"] != 0
    basis = "missing" if not told.any() else "modelled" if bank["coarse"][own].any() else "measured"
    return {
        "length_m": float(length[own].sum()),
        "buffer_width_m": median(wide),
        "gap_length_m": gap[0] if measured else np.nan,
        "gap_area_m2": gap[1] if measured else np.nan,
        "width_known_share": _share_of(length[own], ~np.isnan(wide)),
        "natural_share": _share_of(length[own][~np.isnan(wide)], bank["natural"][own][~np.isnan(wide)]),
        "concentrated_flow_count": int(bank["concentrated_flows"].sum()),
        "concentrated_flow_gap_count": float(bank["open_flows"].sum()) if measured else np.nan,
        "crossing_length_m": float(length[bank["crossing"]].sum()),
        "woody_share": float(np.average(woody[told], weights=length[own][told])) if told.any() else np.nan,
        "woody_share_basis": basis,
        "line_offset_m": median(np.abs((bank["line_offset_m"] - bank["recentred_m"])[own])),
        "recentred_m": median(bank["recentred_m"][own & moved]),
        "recentred_length_m": float(length[own & moved].sum()),
        "valley_width_m": float(bank["reach_valley_m"][0]),
        "least_retreat_m_y": median(bank["least_retreat_m_y"][own]),
        "freedom_to_move": median(bank["freedom_to_move"]),
    }


def _share_of(length: Floats, some: NDArray[np.bool_]) -> float:
    """Give the share of a length that some of its parts make up; NaN where there is no length."""
    return float(length[some].sum() / length.sum()) if length.sum() > 0 else np.nan


@dataclass(frozen=True)
class Scales:
    """What all banks are scored with.

    Parameters
    ----------
    priority
        Section of the settings.
    cards
        Cards of the factors, by key.
    weights
        Parts of each group's weight, by group and factor.
    bases
        Words of the basis columns, whose codes stand in the rows.
    """

    priority: Priority
    cards: dict[str, Factor]
    weights: dict[str, dict[str, int]]
    bases: dict[str, Words]

    @classmethod
    def of(cls, priority: Priority, factors: Factors, bases: dict[str, Words]) -> Scales:
        """Scale the weights that are given."""
        cards = {one.card.key: one.card for one in factors}
        shared = {group: shared_weights(getattr(priority, group), cards) for group in _GROUPS}
        return cls(priority, cards, {group: whole_weights(shared[group], FULL) for group in _GROUPS}, bases)

    @cached_property
    def columns(self) -> list[str]:
        """Name the columns that scores are read from."""
        own = [name for card in self.cards.values() for name in (card.value_column, card.score_column)]
        return ["from_m", "to_m", "length_m", "reach_from_m", *own, *self.bases]


def stretch_scores(bank: Rows, scales: Scales) -> dict[str, object]:
    """Score a bank by its worst stretches: one that all factors share, and the worst of each group by itself."""
    cards, priority, judged = scales.cards, scales.priority, _judged(bank)
    own = bank if judged.all() else {name: bank[name][judged] for name in scales.columns}
    apart = np.concatenate([[False], np.abs(own["from_m"][1:] - own["to_m"][:-1]) > TOUCH_M])[: len(own["length_m"])]
    windows = Windows.along_bank(own["length_m"], priority.worst_m, apart)
    observed = {group: _observed(own, group, cards) for group in _GROUPS}
    means = dict(zip(cards, windows.means(np.stack([_seen(own, card) for card in cards.values()])), strict=True))
    read = {key: each if _known_enough(own, cards[key]) else np.full_like(each, np.nan) for key, each in means.items()}
    least = dict(zip(_GROUPS, windows.means(np.stack(list(observed.values()))), strict=True))
    groups = {group: np.maximum(_weighed(read, scales.weights[group], cards), least[group]) for group in _GROUPS}
    shared = worst(combined(groups["erosion"], groups["gap"], priority))
    alone = {group: worst(groups[group]) for group in _GROUPS}
    row: dict[str, object] = _place(own, windows, shared)
    for key, card in cards.items():
        row |= _factor(own, card, windows, means[key], shared, alone[card.group], scales.bases[card.basis_column])
    for group, score in station_scores(own, scales).items():
        row[f"{group}_above_share"] = _above(own["length_m"], score, priority.need_at)
    return row


def station_scores(own: Rows, scales: Scales) -> dict[str, Floats]:
    """Give the score of each group at stations, 0..1000, as stretches are found by; not below what was observed."""
    cards = scales.cards
    stations = {key: own[card.score_column] for key, card in cards.items()}
    return {
        group: np.maximum(_weighed(stations, scales.weights[group], cards), _observed(own, group, cards))
        for group in _GROUPS
    }


def _judged(bank: Rows) -> NDArray[np.bool_]:
    """Mark the stations a bank is judged by: where it is of two kinds, those of the kinds that are ranked."""
    return np.asarray(bank["ranked"] if bank["ranked"].any() else bank["has_bank"])


def combined(erosion: Floats, gap: Floats, priority: Priority) -> Floats:
    """Put mean scores (0..1000) of stretches together as the priority does: the weights, and the floor."""
    total = max(priority.weights.erosion + priority.weights.gap, 1e-9)
    a, b = priority.weights.erosion / total, priority.weights.gap / total
    if priority.combine == "weighted_sum":
        return a * erosion + b * gap
    least = FLOOR * FULL / TOP
    return np.exp(a * np.log(np.maximum(erosion, least)) + b * np.log(np.maximum(gap, least)))


def _weighed(scores: Mapping[str, Floats], weights: Mapping[str, int], cards: Mapping[str, Factor]) -> Floats:
    """Give the weighted score of one group, of stations or of stretches, 0..1000; what is missing counts as neutral."""
    total = np.zeros(len(next(iter(scores.values()))))
    for key, weight in weights.items():
        total += weight / FULL * np.where(np.isnan(scores[key]), cards[key].neutral * FULL, scores[key])
    return total


def _known_enough(own: Rows, card: Factor) -> bool:
    """Whether a factor is known on enough of a bank to be the bank's; what was seen on a part of it was seen."""
    known, length = ~np.isnan(own[card.score_column]), own["length_m"]
    least = 0.0 if card.floors else KNOWN_LEAST
    return bool(known.any() and length[known].sum() >= least * length.sum())


def _observed(own: Rows, group: str, cards: Mapping[str, Factor]) -> Floats:
    """Give the score of a group at stations that what was observed asks for at least, 0..1000; 0 where nothing was."""
    least = np.zeros(len(own["length_m"]))
    for card in cards.values():
        if card.floors and card.group == group:
            least = np.fmax(least, own[card.score_column])
    return least


def _place(own: Rows, windows: Windows, one: int) -> dict[str, object]:
    """Give the lower and upper end of a stretch, upstream from the reach's lower end [m]."""
    inside = windows.inside(one)
    if not inside.any():
        return {"worst_from_m": np.nan, "worst_to_m": np.nan}
    low = float(own["reach_from_m"][0])
    return {
        "worst_from_m": max(0.0, float(own["from_m"][inside].min()) - low),
        "worst_to_m": float(own["to_m"][inside].max()) - low,
    }


def _seen(own: Rows, card: Factor) -> Floats:
    """Give a factor's scores at stations; where it was observed on a part of the bank, the rest counts as 0."""
    score = own[card.score_column]
    return np.nan_to_num(score) if card.floors and not np.isnan(score).all() else score


def _factor(
    own: Rows, card: Factor, windows: Windows, means: Floats, shared: int, alone: int, bases: Words
) -> dict[str, object]:
    """Give a bank's value, basis and score (0..100) by one factor, and its score where its group is worst."""
    known = ~np.isnan(own[card.score_column])
    if not _known_enough(own, card) or np.isnan(means[shared]):
        gone = dict.fromkeys((card.value_column, card.score_column, card.worst_column), np.nan)
        return gone | {card.basis_column: "missing"}
    looked = worst(np.nan_to_num(means, nan=-1.0)) if card.floors else shared  # what was seen, wherever it was
    values = own[card.value_column][windows.inside(looked) & known]
    told = values[~np.isnan(values)]
    basis = int(np.bincount(own[card.basis_column][known]).argmax())
    apart = means[alone] if not np.isnan(means[alone]) else card.neutral * FULL
    return {
        card.value_column: float(told.min() if card.value_of == "least" else told.mean()) if len(told) else np.nan,
        card.basis_column: bases.names[basis],
        card.score_column: _percent(means[shared]),
        card.worst_column: _percent(apart),
    }


def _percent(score: float) -> float:
    """Give a score of 0..1000 as 0..100, rounded to whole thousandths first."""
    return float(whole(np.array(score / FULL))) / (FULL / 100)


def _above(length: Floats, score: Floats, need_at: float) -> float:
    """Give the share of a bank's length whose score (0..1000) reaches the threshold of need (0..100)."""
    if not length.sum():
        return np.nan
    return float(length[score >= need_at * FULL / 100].sum() / length.sum())


def _station_results(sides: pd.DataFrame, core: Tables, factors: Factors) -> pd.DataFrame:
    layer = layer_with_factors(STATION_RESULTS, factors)
    crs = getattr(core["reach_measures"], "crs", None)
    if not len(sides):
        return empty(layer, crs)
    rows = sides.sort_values(SIDE_KEY, ignore_index=True)
    reach_id = core["reach_measures"].set_index("reach_no")["reach_id"].reindex(rows["reach_no"]).to_numpy()
    letters = np.array(SIDE_LETTERS)[rows["side"].to_numpy()]
    rows = rows.assign(
        segment_id=[text.rsplit("-", 1)[0] for text in reach_id],
        reach_id=reach_id,
        bank_id=[f"{reach}-{letter}" for reach, letter in zip(reach_id, letters, strict=True)],
        side=np.array(SIDES)[rows["side"].to_numpy()],
    )
    for registered in factors:
        rows[registered.card.score_column] /= FULL / 100
    points = gpd.points_from_xy(rows["x"], rows["y"])
    return gpd.GeoDataFrame(rows[layer.names()], geometry=points, crs=crs)
