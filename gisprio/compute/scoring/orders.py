"""The three orders of banks under given weights: by erosion, by gap, by both; and need."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gisprio.compute.scoring.keys import (
    Whole,
    group_score,
    priority_keys,
    priority_of,
    ranks,
    split_weights,
    whole_weights,
)
from gisprio.compute.scoring.observed import observed_least
from gisprio.compute.scoring.values import FULL
from gisprio.contracts.settings import Priority

GROUPS = ("erosion", "gap")


def with_whole_weights(factors: pd.DataFrame) -> pd.DataFrame:
    """Give factors with column ``weight``: per mille of their group; 0 where they are not ranked on.

    Parameters
    ----------
    factors
        Columns ``key``, ``group``, ``given_weight``, ``used``, ``shares``; keys are not given twice.
    """
    whole: dict[str, int] = {}
    for group in GROUPS:
        own = factors[(factors["group"] == group) & factors["used"].astype(bool)]
        given = dict(zip(own["key"], own["given_weight"], strict=True))
        whole |= whole_weights(split_weights(given, dict(zip(own["key"], own["shares"], strict=True))), FULL)
    return factors.assign(weight=[whole.get(key, 0) for key in factors["key"]])


def rank_rows(banks: pd.DataFrame, ranked: np.ndarray, factors: pd.DataFrame, priority: Priority) -> pd.DataFrame:
    """Give scores, priority, ranks and need of banks; null where a bank is not ranked.

    Parameters
    ----------
    banks
        With the score columns of the factors.
    ranked
        (n,) which of them are ranked; these have a score by every factor that is ranked on.
    factors
        Columns ``key``, ``group``, ``used``, ``weight``, ``score_column``, ``worst_column``.
    priority
        Section of the settings, of which ``weights``, ``combine`` and ``need_at`` are read.

    Notes
    -----
    A group of which no factor is ranked on has no score, and the other makes the priority.
    """
    used = factors[factors["used"].astype(bool)]
    known = [name for name in GROUPS if (used["group"] == name).any()]
    scores = {name: _group_scores(banks[ranked], name, used[used["group"] == name]) for name in known}
    out = _nothing(banks.index)
    for name, (shared, apart) in scores.items():
        out.loc[ranked, f"{name}_score"] = shared / 100
        out.loc[ranked, f"{name}_worst_score"] = apart / 100
        out.loc[ranked, f"{name}_rank"] = ranks(apart)
    if not known:
        return out
    nothing = np.zeros(int(ranked.sum()), np.int64)
    share = whole_weights({name: getattr(priority.weights, name) if name in known else 0.0 for name in GROUPS}, 100)
    erosion, gap = (scores[name][0] if name in known else nothing for name in GROUPS)
    keys = priority_keys(erosion, gap, share, priority.combine)
    out.loc[ranked, "priority"] = priority_of(keys, priority.combine)
    out.loc[ranked, "rank"] = ranks(keys)
    out.loc[ranked, "need"] = needs(
        out.loc[ranked, "erosion_worst_score"], out.loc[ranked, "gap_worst_score"], priority.need_at
    )
    return out


def _nothing(index: pd.Index) -> pd.DataFrame:
    """Give the columns of :func:`rank_rows`, all null."""
    out = pd.DataFrame(index=index)
    for name in GROUPS:
        out[f"{name}_score"], out[f"{name}_worst_score"] = np.nan, np.nan
        out[f"{name}_rank"] = pd.array([pd.NA] * len(index), dtype="Int64")
    out["priority"], out["rank"] = np.nan, pd.array([pd.NA] * len(index), dtype="Int64")
    out["need"] = None
    return out


def _group_scores(ranked: pd.DataFrame, group: str, factors: pd.DataFrame) -> tuple[Whole, Whole]:
    """Give a group's whole scores, on the worst stretch that is shared and on its own.

    Neither is below what was observed: factors that floor their group.
    """
    weights = dict(zip(factors["key"], factors["weight"], strict=True))

    def total(columns: pd.Series, least: Whole) -> Whole:
        scores = {key: _thousandths(ranked[column]) for key, column in zip(factors["key"], columns, strict=True)}
        return np.maximum(group_score(scores, weights), least)

    return (
        total(factors["score_column"], observed_least(ranked, group)),
        total(factors["worst_column"], observed_least(ranked, group, apart=True)),
    )


def _thousandths(scores: pd.Series) -> Whole:
    """Give scores of 0..100 as whole numbers of 0..1000."""
    return np.round(scores.to_numpy(float) * FULL / 100).astype(np.int64)


def needs(erosion: pd.Series, gap: pd.Series, need_at: float) -> list[str]:
    """Say which of the two scores (0..100) reach the threshold; a missing score does not."""
    names = {
        (True, True): "both",
        (True, False): "erosion_only",
        (False, True): "gap_only",
        (False, False): "none",
    }
    return [names[bool(e >= need_at), bool(g >= need_at)] for e, g in zip(erosion, gap, strict=True)]
