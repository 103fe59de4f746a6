"""How firm each choice is: made again with the priorities of the rank draws."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from gisprio.compute.scoring import chance
from gisprio.compute.scoring.draws import drawn_scores
from gisprio.compute.scoring.errors import model_errors
from gisprio.compute.scoring.observed import observed_least
from gisprio.compute.scoring.robustness import draw_weighing
from gisprio.compute.works.problem import Floats, Problem
from gisprio.compute.works.shortlist import solve
from gisprio.contracts.cards import Tables
from gisprio.contracts.settings import Settings

DRAW_GAP = 1e-3
"""Each draw is solved to within this share of its best choice [own]: looser than the list itself, for time."""


def choice_shares(problem: Problem, budget: float, effects: Iterator[Floats], *, relative_gap: float) -> Floats:
    """Give the share of draws in which each candidate is chosen.

    Parameters
    ----------
    problem
        The candidates.
    budget
        Money at hand, the same in all draws.
    effects
        (n,) effects of each draw, in the order of the candidates.
    relative_gap
        As of :func:`~gisprio.compute.works.shortlist.choose_sites`.

    Returns
    -------
    ndarray
        (n,) shares; NaN without a draw. Costs, lengths and limits are not drawn.
    """
    count, draws = np.zeros(len(problem.effect)), 0
    for effect in effects:
        count += solve(problem.with_effect(effect), budget, relative_gap=relative_gap).chosen
        draws += 1
    return count / draws if draws else np.full(len(count), np.nan)


def drawn_keys(tables: Tables, settings: Settings, draws: int) -> Iterator[pd.Series]:
    """Give the whole keys of all ranked banks in the first draws of the ranking, made again from the results.

    Parameters
    ----------
    tables
        Results: ``banks``, ``reaches``, ``factors``.
    settings
        Of the run.
    draws
        So many, no more than the run had.

    Yields
    ------
    Series
        Key by ``bank_id``; ranked, they give the ranks that the run counted in that draw.
    """
    banks = pd.DataFrame(tables["banks"])
    ranked = banks[banks["rank"].notna()].reset_index(drop=True)
    if not len(ranked):
        return
    used = tables["factors"][tables["factors"]["used"].astype(bool)]
    model = model_errors(ranked, used, pd.DataFrame(tables["reaches"]), settings.priority)
    model = model.scaled(settings.robustness.error_scale)
    weighing = draw_weighing(used, settings.priority, settings.robustness)
    erosion, gap = (observed_least(ranked, group) for group in ("erosion", "gap"))
    weighing = replace(weighing, erosion_least=erosion, gap_least=gap)
    for draw in range(min(draws, settings.robustness.draws)):
        keys = weighing.keys(drawn_scores(model, settings.robustness.seed, draw), draw)
        yield pd.Series(keys, index=ranked["bank_id"].to_numpy())


def drawn_priorities(tables: Tables, settings: Settings, draws: int) -> Iterator[pd.Series]:
    """Give the priorities of all ranked banks by ``bank_id``, 0 to 100; else as :func:`drawn_keys`."""
    geometric = settings.priority.combine == "geometric"
    for keys in drawn_keys(tables, settings, draws):
        yield pd.Series(chance.whole_priorities(keys.to_numpy(np.int64), geometric) / 100, index=keys.index)


def with_their_banks(sites: pd.DataFrame, banks: pd.DataFrame, drawn: pd.Series, *, geometric: bool) -> Floats:
    """Give the priorities of sites in a draw: each moves as that of its bank does.

    Parameters
    ----------
    sites
        ``bank_id``, ``priority``.
    banks
        ``bank_id``, ``priority`` as ranked.
    drawn
        Priority of the banks in the draw, by ``bank_id``.
    geometric
        Whether the scores are multiplied: then it moves by the same factor, else by as much; 0 to 100.

    Returns
    -------
    ndarray
        (n,) priorities.
    """
    before = banks.set_index("bank_id")["priority"].reindex(sites["bank_id"]).to_numpy(float)
    after, own = drawn.reindex(sites["bank_id"]).to_numpy(float), sites["priority"].to_numpy(float)
    moved = own * after / before if geometric else own + after - before
    return np.asarray(np.clip(moved, 0.0, 100.0))


def between(low: Floats, high: Floats, draws: int) -> Iterator[Floats]:
    """Give effects from the one published line to the other in even steps, all sites alike; (n,) each."""
    for share in (np.arange(draws) + 0.5) / max(draws, 1):
        yield low + share * (high - low)
