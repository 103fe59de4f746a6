"""Ranks that moved between two runs, and why: which score moved, the weights, or only the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STILL = {"priority": 0.005, "priority_gap_m": 0.05}
"""What a rank follows, and half of its last digit: what moves by less has not moved."""


def moved_ranks(
    before: pd.DataFrame,
    after: pd.DataFrame,
    pairs: pd.DataFrame,
    key: str,
    whys: pd.Series,
    *,
    other_rules: bool,
    by: str = "priority",
) -> pd.DataFrame:
    """Tell what became of ranks.

    Parameters
    ----------
    before, after
        A layer of two runs: ``key``, ``rank``, ``priority``, and where the run has them ``rank_p05``, ``rank_p95``,
        ``name``, ``gap_length_m``.
    pairs
        ``before``, ``after``: ids of what is the same.
    key
        Column of the ids.
    whys
        By id of before: which score moved most, in words; empty where none did.
    other_rules
        Whether scores or weights come about in another way.
    by
        Column that the rank follows, one of :data:`STILL`.

    Returns
    -------
    DataFrame
        Columns of layer ``ranks`` but ``what`` and what is comparable: one row a pair with a rank in one run at least,
        by the rank now, then the rank then.
        ``moved`` is positive where it became more urgent; ``within`` says whether each run's rank lies within the
        other's 90 % of draws, null where a run has none.
    """
    old = before.set_index(key).reindex(pairs["before"]).reset_index()
    new = after.set_index(key).reindex(pairs["after"]).reset_index()
    ranks = [table["rank"].to_numpy(float, na_value=np.nan) for table in (old, new)]
    priorities = [table["priority"].to_numpy(float, na_value=np.nan) for table in (old, new)]
    why = whys.reindex(pairs["before"]).fillna("").to_numpy(object)
    others = _others_moved_it(_column(old, by), _column(new, by), ranks[0], ranks[1], STILL[by])
    cases = [np.isnan(ranks[0]), np.isnan(ranks[1]), ranks[0] == ranks[1], np.full(len(pairs), other_rules), others]
    reason = np.select(cases, ["came", "went", "same", "rules", "others"], "scores")
    table = pd.DataFrame(
        {
            "before": pairs["before"].to_numpy(object),
            "after": pairs["after"].to_numpy(object),
            "name": (new["name"] if "name" in new else pd.Series([None] * len(pairs), dtype=object)).to_numpy(object),
            "rank_before": _whole(ranks[0]),
            "rank": _whole(ranks[1]),
            "moved": _whole(ranks[0] - ranks[1]),
            "priority_before": priorities[0],
            "priority": priorities[1],
            "reason": reason,
            "why": np.where(np.isin(reason, ("same", "came", "went")), "", why),
            "within": _within(old, new, *ranks),
            "gap_before_m": _column(old, "gap_length_m"),
            "gap_m": _column(new, "gap_length_m"),
        }
    )
    ranked = table[~(np.isnan(ranks[0]) & np.isnan(ranks[1]))]
    return ranked.sort_values(["rank", "rank_before", "before"], na_position="last", ignore_index=True)


def _others_moved_it(then: Floats, now: Floats, rank_then: Floats, rank_now: Floats, still: float) -> NDArray[np.bool_]:
    """Say where a rank moved more by what others did than by its own score.

    The rank that its score of then has among the scores of now parts the move in two.
    """
    scores = np.sort(now[~np.isnan(now)])
    between = 1 + len(scores) - np.searchsorted(scores, then + still, side="left")
    with np.errstate(invalid="ignore"):
        own, theirs = np.abs(rank_now - between), np.abs(between - rank_then)
        return np.asarray((np.abs(now - then) < still) | (theirs > own))


def _whole(values: Floats) -> pd.api.extensions.ExtensionArray:
    """Give whole numbers, null where NaN."""
    return pd.array(pd.Series(values), dtype="Float64").astype("Int64")


def _column(table: pd.DataFrame, name: str) -> Floats:
    if name not in table:
        return np.full(len(table), np.nan)
    return table[name].to_numpy(float, na_value=np.nan)


def _within(old: pd.DataFrame, new: pd.DataFrame, then: Floats, now: Floats) -> pd.api.extensions.ExtensionArray:
    """Say whether each rank lies within the other's interval; null where one has none."""
    low, high = (np.array([_column(table, name) for table in (old, new)]) for name in ("rank_p05", "rank_p95"))
    with np.errstate(invalid="ignore"):
        inside = (now >= low[0]) & (now <= high[0]) & (then >= low[1]) & (then <= high[1])
    known = ~np.isnan(np.vstack([low, high, then, now])).any(axis=0)
    return pd.array(np.where(known, inside, None), dtype="boolean")


def bank_whys(
    before: pd.DataFrame,
    after: pd.DataFrame,
    pairs: pd.DataFrame,
    factors: tuple[Sequence[Mapping[str, Any]], Sequence[Mapping[str, Any]]],
) -> pd.Series:
    """Say for pairs of banks which factor moved their scores most, and whether it was read elsewhere.

    Parameters
    ----------
    before, after
        Layer ``banks`` of two runs.
    pairs
        ``before``, ``after``: bank ids.
    factors
        Rows of the table of factors of both runs.

    Returns
    -------
    Series
        By id of before; empty where no factor's points moved by a tenth.

    Notes
    -----
    A factor's points are its score times its weight in its group. The score is read on the bank's worst stretch, which
    may lie elsewhere in the other run.
    """
    old = before.set_index("bank_id").reindex(pairs["before"])
    new = after.set_index("bank_id").reindex(pairs["after"])
    keys = list(dict.fromkeys(row["key"] for rows in factors for row in rows if row["used"]))
    if not keys or not len(pairs):
        return pd.Series([""] * len(pairs), pairs["before"], dtype=object)
    cards = [{row["key"]: row for row in rows} for rows in factors]
    then, now = (
        np.array([_points(table, by.get(key)) for key in keys]) for table, by in zip((old, new), cards, strict=True)
    )
    moved = now - then
    most = np.argmax(np.abs(moved), axis=0)
    at = np.arange(len(pairs))
    titles = [str((cards[1].get(key) or cards[0][key])["title"]) for key in keys]
    groups = [str((cards[1].get(key) or cards[0][key])["group"]) for key in keys]
    told = [
        f"{titles[row]}: {a:.1f} to {b:.1f} points of the {groups[row]} score{place}" if abs(b - a) >= 0.1 else ""
        for row, a, b, place in zip(most, then[most, at], now[most, at], _elsewhere(old, new), strict=True)
    ]
    return pd.Series(told, pairs["before"].to_numpy(object), dtype=object)


def _elsewhere(old: pd.DataFrame, new: pd.DataFrame) -> NDArray[np.object_]:
    """Say where banks are read on another stretch than before: less than half of it is the same."""
    low, high = ([_column(table, name) for table in (old, new)] for name in ("worst_from_m", "worst_to_m"))
    both = np.minimum(high[0], high[1]) - np.maximum(low[0], low[1])
    longer = np.maximum(high[0] - low[0], high[1] - low[1])
    with np.errstate(invalid="ignore"):
        return np.where(both < longer / 2, ", read on another stretch of the bank", "").astype(object)


def _points(banks: pd.DataFrame, factor: Mapping[str, Any] | None) -> Floats:
    """Give the points of a factor at banks; 0 where it is not ranked on, its neutral score where it is missing."""
    if factor is None or not factor["used"]:
        return np.zeros(len(banks))
    score = _column(banks, f"{factor['key']}_score")
    score = np.where(np.isnan(score), 100 * float(factor["neutral"]), score)
    return score * float(factor["weight"]) / 1000


def score_whys(before: pd.DataFrame, after: pd.DataFrame, pairs: pd.DataFrame, key: str) -> pd.Series:
    """Say for pairs of sites which of the two scores moved most; by id of before, empty where none did."""
    old = before.set_index(key).reindex(pairs["before"])
    new = after.set_index(key).reindex(pairs["after"])
    then, now = (np.array([_column(t, f"{group}_score") for group in ("erosion", "gap")]) for t in (old, new))
    moved = np.nan_to_num(np.abs(now - then))
    most, at = np.argmax(moved, axis=0), np.arange(len(pairs))
    told = [
        f"{('Erosion', 'Gap')[row]} score: {a:.1f} to {b:.1f}" if abs(b - a) >= 0.1 else ""
        for row, a, b in zip(most, then[most, at], now[most, at], strict=True)
    ]
    return pd.Series(told, pairs["before"].to_numpy(object), dtype=object)


def property_whys(before: pd.DataFrame, after: pd.DataFrame, pairs: pd.DataFrame) -> pd.Series:
    """Say for pairs of properties whether metres of gap or the mean priority of their banks moved more."""
    old = before.set_index("property_id").reindex(pairs["before"])
    new = after.set_index("property_id").reindex(pairs["after"])
    told = []
    for gaps, means in zip(
        zip(_column(old, "gap_length_m"), _column(new, "gap_length_m"), strict=True),
        zip(_column(old, "priority"), _column(new, "priority"), strict=True),
        strict=True,
    ):
        told.append(_moved_more(gaps, means))
    return pd.Series(told, pairs["before"].to_numpy(object), dtype=object)


def _moved_more(gaps: tuple[float, float], means: tuple[float, float]) -> str:
    """Tell the one of two factors of a product that moved it more, by their ratio."""
    ratio = [abs(np.log(max(b, 0.01) / max(a, 0.01))) for a, b in (gaps, means)]
    if np.isnan(ratio).any() or max(ratio) < 1e-4:
        return ""
    if ratio[0] >= ratio[1]:
        return f"Gap: {gaps[0]:.0f} to {gaps[1]:.0f} m"
    return f"Mean priority of its banks: {means[0]:.2f} to {means[1]:.2f}"
