"""Draws of the ranking: ranks under other weights and other scores, kept as counts of ranks."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.scoring import chance
from gisprio.compute.scoring.errors import ErrorModel
from gisprio.compute.scoring.keys import log_table
from gisprio.compute.terrain.cells import threads_at_hand

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
EXACT_RANKS = 512
"""Ranks up to this are counted one by one; beyond, in bins that widen with the rank, by under one percent of it."""
BINS = 1024
_CHUNK = 32
_THREADS = min(threads_at_hand(), 8)


@dataclass(frozen=True, slots=True)
class Weighing:
    """Weights of each draw.

    Parameters
    ----------
    erosion, gap
        Rows of the factors of each group; either may be empty.
    erosion_weights, gap_weights
        (draws, factors of the group) whole per mille.
    shares
        (draws, 2) whole percent of erosion and gap.
    geometric
        How the two are put together.
    erosion_least, gap_least
        (n,) score each bank has at least, since it was observed; no draw changes it.
    """

    erosion: Whole
    gap: Whole
    erosion_weights: Whole
    gap_weights: Whole
    shares: Whole
    geometric: bool
    erosion_least: Whole | int = 0
    gap_least: Whole | int = 0

    def keys(self, scores: Whole, draw: int) -> Whole:
        """Give the whole keys of scores (F, n) under the weights of one draw; (n,)."""
        e = np.maximum(chance.weighed_score(scores, self.erosion, self.erosion_weights[draw]), self.erosion_least)
        g = np.maximum(chance.weighed_score(scores, self.gap, self.gap_weights[draw]), self.gap_least)
        return np.asarray(chance.whole_keys(e, g, self.shares[draw], self.geometric, log_table()))


@dataclass(frozen=True, slots=True)
class RankCounts:
    """How often each item took each rank.

    Parameters
    ----------
    counts
        (n, bins) draws in each bin of ranks.
    rank_of
        (bins,) the rank that stands for each bin: its own up to :data:`EXACT_RANKS`, else the middle one.
    in_top
        (n,) draws in which the item was in the top.
    draws
        Number of draws.
    """

    counts: NDArray[np.uint16] | NDArray[np.uint32]
    rank_of: Whole
    in_top: Whole
    draws: int

    def percentile(self, share: float) -> Floats:
        """Give the lowest rank that an item held or bettered in this share of draws; (n,)."""
        enough = np.ceil(share * self.draws - 1e-9)
        bins = np.empty(len(self.counts), np.int64)
        for low in range(0, len(bins), 2048):
            below = np.cumsum(self.counts[low : low + 2048], axis=1, dtype=np.uint32) < enough
            bins[low : low + 2048] = below.sum(axis=1)
        return self.rank_of[bins].astype(float)

    def top_share(self) -> Floats:
        """Give the share of draws in which each item was in the top; (n,)."""
        return self.in_top / self.draws


def rank_bins(n: int) -> tuple[NDArray[np.int32], Whole]:
    """Give the bin of each rank 0..n, and the rank that stands for each bin.

    Examples
    --------
    >>> bin_of, rank_of = rank_bins(3)
    >>> bin_of.tolist(), rank_of.tolist()
    ([0, 0, 1, 2], [1, 2, 3])
    """
    if n <= BINS:
        return np.maximum(np.arange(n + 1) - 1, 0).astype(np.int32), np.arange(1, n + 1)
    edges = np.geomspace(EXACT_RANKS + 1, n + 1, BINS - EXACT_RANKS + 1)
    starts = np.concatenate([np.arange(1, EXACT_RANKS + 1), np.unique(np.ceil(edges[:-1] - 1e-9).astype(np.int64))])
    last = np.append(starts[1:] - 1, n)
    bin_of = np.searchsorted(starts, np.arange(n + 1), side="right") - 1
    return np.maximum(bin_of, 0).astype(np.int32), (starts + last) // 2


def drawn_scores(model: ErrorModel, seed: int, draw: int) -> Whole:
    """Give the factor scores of one draw.

    Parameters
    ----------
    model
        Of :func:`~gisprio.compute.scoring.errors.model_errors`.
    seed, draw
        Which draw it is.

    Returns
    -------
    ndarray
        (F, n) whole 0 to 1000. A bank's do not depend on what other banks there are.
    """
    key = chance.draw_key(seed, draw)
    scores = scores_with(model, (chance.normal_deviates(key, places) for places in model.key))
    for f in np.flatnonzero(model.unknown.any(axis=1)):
        scores[f] = chance.even_scores(key, model.unknown_key[f], model.unknown[f], scores[f])
    return scores


def scores_with(model: ErrorModel, deviates: Iterable[Floats | float]) -> Whole:
    """Give the factor scores (F, n) where each error is so many standard deviations; unknown ones stay as they are."""
    n = model.score.shape[1]
    sums = np.zeros((len(model.keys), 3, n))
    for c, z in enumerate(deviates):
        sums[model.factor[c], model.of[c]] += model.sd[c] * z
    scores = np.empty_like(model.score)
    for f in range(len(model.keys)):
        scores[f] = chance.erred_scores(
            model.score[f],
            model.value[f],
            model.level[f],
            model.scale[f],
            model.nodes[f],
            bool(model.logarithmic[f]),
            sums[f],
        )
    return np.where(model.unknown, model.score, scores)


Order = Callable[[Whole], Whole]
"""From the keys of banks to the keys of what is ranked: banks themselves, reaches, properties."""


def count_draws(
    model: ErrorModel,
    weighing: Weighing,
    orders: dict[str, tuple[Order, int]],
    seed: int,
    top_n: int,
    threads: int = _THREADS,
) -> dict[str, RankCounts]:
    """Draw scores and weights, rank, and count.

    Parameters
    ----------
    model
        What may be off.
    weighing
        Weights of each draw; their number is the number of draws.
    orders
        By name, how keys of what is ranked follow from those of banks, and how many items there are.
    seed
        Of the errors.
    top_n
        Ranks up to this are the top.
    threads
        How many work at a time; the counts are the same for any number.

    Returns
    -------
    dict
        Counts by name of ``orders``.

    References
    ----------
    lahdelma_salminen2001
    """
    draws = len(weighing.shares)
    bins = {name: rank_bins(size) for name, (_, size) in orders.items()}
    kind = np.uint16 if draws < 2**16 else np.uint32
    counts = {name: np.zeros((size, len(bins[name][1])), kind) for name, (_, size) in orders.items()}
    in_top = {name: np.zeros(size, np.int64) for name, (_, size) in orders.items()}
    ranks = {name: np.empty((_CHUNK, size), np.int32) for name, (_, size) in orders.items()}

    def rank_one(draw: int) -> None:
        keys = weighing.keys(drawn_scores(model, seed, draw), draw)
        for name, (order, _) in orders.items():
            chance.rank_keys(order(keys), ranks[name][draw % _CHUNK])

    def count_block(block: tuple[str, int, int, int]) -> None:
        name, filled, low, high = block
        chance.count_ranks(ranks[name][:filled], bins[name][0], counts[name], low, high)
        in_top[name][low:high] += (ranks[name][:filled, low:high] <= top_n).sum(axis=0)

    with ThreadPoolExecutor(threads) as pool:
        for first in range(0, draws, _CHUNK):
            filled = min(_CHUNK, draws - first)
            list(pool.map(rank_one, range(first, first + filled)))
            list(pool.map(count_block, _blocks(orders, filled, threads)))
    return {name: RankCounts(counts[name], bins[name][1], in_top[name], draws) for name in orders}


def _blocks(orders: dict[str, tuple[Order, int]], filled: int, threads: int) -> list[tuple[str, int, int, int]]:
    """Cut the items of each order into one block a thread."""
    return [
        (name, filled, size * k // threads, size * (k + 1) // threads)
        for name, (_, size) in orders.items()
        for k in range(threads)
    ]
