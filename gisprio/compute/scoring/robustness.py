"""How sure the ranking is: ranks over draws of weights and errors, and a verdict for the run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.land.ranks import frontages_with_banks, whole_gaps, whole_millimetres
from gisprio.compute.scoring import chance
from gisprio.compute.scoring.draws import Order, RankCounts, Weighing, count_draws
from gisprio.compute.scoring.errors import model_errors
from gisprio.compute.scoring.keys import whole_weights
from gisprio.compute.scoring.observed import observed_least
from gisprio.compute.scoring.sensitivity import sensitivity_table
from gisprio.compute.scoring.weights import draw_weights, pairwise_findings
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.layers import SENSITIVITY
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Priority, Robustness, Settings

Whole = NDArray[np.int64]
STAYS_FROM = 0.8
"""A bank stays in the top when it is there in this share of draws [own]."""
TOLD_SHARE = 0.8
"""A rank is told apart when this share of the banks up to it is [own]."""
_GROUPS = ("erosion", "gap")


def draw_ranks(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Draw weights and errors, rank each time, and say how far the ranks move.

    Parameters
    ----------
    tables
        ``banks``, ``reaches``, ``ranked_properties`` with their ranks; ``factors``, ``frontages``, ``reach_measures``.
    sources
        None.
    settings
        Sections ``priority``, ``robustness``.

    Returns
    -------
    dict
        ``drawn_banks``, ``drawn_reaches``, ``drawn_properties``: the same rows with ``rank_p05``, ``rank_p50`` (banks),
        ``rank_p95``, ``top_share``; ``robustness`` (one row), ``sensitivity``, ``findings``.

    Notes
    -----
    In each draw weights come from Dirichlet distributions around those given (``scoring/weights.py``) and factor scores
    from the model of errors (``scoring/errors.py``); ranks follow by the same whole-number keys as in the run, ties
    sharing a rank. A reach has the key of its more urgent bank; a property is ranked by the priority of its banks in
    that draw times its metres of gap, which are not drawn.

    References
    ----------
    lahdelma_salminen2001
    """
    priority, robustness = settings.priority, settings.robustness
    banks, reaches = pd.DataFrame(tables["banks"]), pd.DataFrame(tables["reaches"])
    ranked = banks[banks["rank"].notna()].reset_index(drop=True)
    used = tables["factors"][tables["factors"]["used"]]
    properties = tables["ranked_properties"]
    frontages = frontages_with_banks(tables) if len(ranked) else pd.DataFrame()
    counts: dict[str, RankCounts] = {}
    sensitivity = empty(SENSITIVITY)
    if len(ranked):
        model = model_errors(ranked, used, reaches, priority).scaled(robustness.error_scale)
        least = {group: observed_least(ranked, group) for group in _GROUPS}
        weighing = draw_weighing(used, priority, robustness)
        weighing = replace(weighing, erosion_least=least["erosion"], gap_least=least["gap"])
        orders = _orders(ranked, reaches, properties, frontages, geometric=weighing.geometric)
        counts = count_draws(model, weighing, orders, robustness.seed, robustness.top_n)
        sensitivity = sensitivity_table(model, ranked["bank_id"], used, given_shares(used, priority), priority, least)
    drawn = _with_percentiles(tables["banks"], counts.get("banks"))
    summary = summarise(drawn, robustness)
    return {
        "drawn_banks": drawn,
        "drawn_reaches": _with_percentiles(tables["reaches"], counts.get("reaches")),
        "drawn_properties": _with_percentiles(properties, counts.get("properties")),
        "robustness": summary,
        "sensitivity": sensitivity,
        "findings": findings_table([*_findings(summary), *pairwise_findings(priority)]),
    }


def draw_weighing(used: pd.DataFrame, priority: Priority, robustness: Robustness) -> Weighing:
    """Draw the weights of each draw around those of the run.

    Parameters
    ----------
    used
        Rows of the table of factors that are ranked on, with ``weight`` per mille of their group.
    priority, robustness
        Sections of the settings.
    """
    rows = {group: np.flatnonzero((used["group"] == group).to_numpy()) for group in _GROUPS}
    shares = given_shares(used, priority)
    given = [*(dict(used.iloc[rows[group]][["key", "weight"]].to_numpy().tolist()) for group in _GROUPS), shares]
    erosion, gap, share = (
        draw_weights(
            weights,
            robustness.draws,
            np.random.default_rng([robustness.seed % 2**63, number]),
            robustness.weight_spread,
            100 if weights is shares else 1000,
        )
        for number, weights in enumerate(given)
    )
    return Weighing(rows["erosion"], rows["gap"], erosion, gap, share, priority.combine == "geometric")


def given_shares(used: pd.DataFrame, priority: Priority) -> dict[str, int]:
    """Give the whole percent of erosion and gap; a group without a factor has 0."""
    here = set(used["group"])
    return whole_weights({name: getattr(priority.weights, name) if name in here else 0.0 for name in _GROUPS}, 100)


def _orders(
    ranked: pd.DataFrame,
    reaches: pd.DataFrame,
    properties: pd.DataFrame,
    frontages: pd.DataFrame,
    *,
    geometric: bool,
) -> dict[str, tuple[Order, int]]:
    """Say how banks, reaches and properties follow from the keys of ranked banks."""
    reach_ids = pd.Index(reaches.loc[reaches["rank"].notna(), "reach_id"])
    reach_of = reach_ids.get_indexer(pd.Index(ranked["reach_id"]))
    property_ids = pd.Index(properties.loc[properties["rank"].notna(), "property_id"])
    own = frontages[frontages["priority"].notna()]
    row_of = property_ids.get_indexer(pd.Index(own["property_id"]))
    own, row_of = own[row_of >= 0], row_of[row_of >= 0]
    bank_of = pd.Index(ranked["bank_id"]).get_indexer(pd.Index(own["bank_id"]))
    frontage, gap = whole_millimetres(own["frontage_m"]), whole_gaps(own).reindex(property_ids).to_numpy(np.int64)

    def of_reaches(keys: Whole) -> Whole:
        return np.asarray(chance.best_of_groups(keys, reach_of, len(reach_ids)))

    def of_properties(keys: Whole) -> Whole:
        priorities = chance.whole_priorities(keys, geometric)
        means = chance.frontage_means(priorities, row_of, bank_of, frontage, len(property_ids))
        return np.asarray(chance.gap_keys(means, gap))

    return {
        "banks": (lambda keys: keys, len(ranked)),
        "reaches": (of_reaches, len(reach_ids)),
        "properties": (of_properties, len(property_ids)),
    }


def _with_percentiles(table: pd.DataFrame, counts: RankCounts | None) -> pd.DataFrame:
    """Fill the columns of draws where a row has a rank."""
    ranked = table["rank"].notna().to_numpy()
    made = {}
    for name, share in (("rank_p05", 0.05), ("rank_p50", 0.5), ("rank_p95", 0.95), ("top_share", None)):
        if name in table:
            made[name] = np.full(len(table), np.nan)
            if counts is not None:
                made[name][ranked] = counts.top_share() if share is None else counts.percentile(share)
    return table.assign(**made)


def summarise(banks: pd.DataFrame, robustness: Robustness) -> pd.DataFrame:
    """Put the outcome of the draws into one row, and into words.

    Parameters
    ----------
    banks
        Layer ``banks``, draws filled in.
    robustness
        Section of the settings.

    Notes
    -----
    A bank is told apart from the middle of the list when its ``rank_p95`` is in the more urgent half. Ranks are told
    apart up to the largest one such that four in five of the banks up to it are [own].
    """
    ranked = banks[banks["rank"].notna()]
    top = ranked[ranked["rank"] <= robustness.top_n]
    staying = int((top["top_share"] >= STAYS_FROM).sum())
    to_rank = told_apart_to(ranked["rank"].to_numpy(float), ranked["rank_p95"].to_numpy(float))
    row = {
        "draws": robustness.draws,
        "seed": robustness.seed,
        "top_n": robustness.top_n,
        "ranked_banks": len(ranked),
        "top_banks": len(top),
        "top_staying": staying,
        "told_apart_to_rank": to_rank,
        "verdict": _verdict(len(ranked), len(top), staying, to_rank, robustness),
    }
    return pd.DataFrame([row])


def told_apart_to(rank: NDArray[np.float64], p95: NDArray[np.float64]) -> int:
    """Give the rank up to which banks are told apart from the middle of the list; 0 where none is."""
    if not len(rank):
        return 0
    order = np.argsort(rank, kind="stable")
    apart = np.cumsum(p95[order] <= len(rank) / 2) / np.arange(1, len(rank) + 1)
    ends = np.append(np.diff(rank[order]) > 0, True)
    good = np.flatnonzero((apart >= TOLD_SHARE) & ends)
    return int(rank[order][good[-1]]) if len(good) else 0


def _verdict(ranked: int, top: int, staying: int, to_rank: int, robustness: Robustness) -> str:
    if not ranked:
        return "No bank is ranked."
    who = f"top {top} banks" if top == robustness.top_n else f"{top} banks of rank {robustness.top_n} or better"
    stays = (
        f"{staying} of the {who} stay there in at least {STAYS_FROM:.0%} of {robustness.draws:,} draws of weights and "
        "errors"
    )
    if to_rank:
        return f"{stays}; ranks beyond {to_rank} are not told apart from the middle of the {ranked} ranked banks."
    return f"{stays}; no rank is told apart from the middle of the {ranked} ranked banks."


def _findings(summary: pd.DataFrame) -> list[Finding]:
    row = summary.iloc[0]
    if not row["ranked_banks"]:
        return []
    do = "Read rank_p05 and rank_p95 beside rank; sensitivity.csv says what would change the top."
    return [Finding("note", "banks", "draws", "", row["verdict"], do)]
