"""Weights from judgements in pairs, and draws of weights around those given."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.scoring.keys import whole_weights
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.findings import Finding
from gisprio.contracts.settings import Judgement, Priority, Settings

Floats = NDArray[np.float64]
RANDOM_INDEX = (0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49, 1.51, 1.48, 1.56, 1.57, 1.59)
"""Mean consistency index of random tables of 1 to 15 things (saaty1980); sources disagree for 12 by up to .06."""
LARGEST_RATIO = 0.10
"""Judgements of a higher consistency ratio are refused (saaty1980)."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What a table of pairwise judgements comes to.

    Parameters
    ----------
    weights
        By name, summing to 1.
    largest
        Principal eigenvalue.
    index, ratio
        Consistency index and ratio; both 0 for one or two things.
    worst
        The judgement that fits the weights least: its two names, the number given, and the number the weights say.
    """

    weights: dict[str, float]
    largest: float
    index: float
    ratio: float
    worst: tuple[str, str, float, float]


def judge_pairs(judgements: Sequence[Judgement]) -> Judged:
    """Give the weights that pairwise judgements come to, and how consistent they are.

    Parameters
    ----------
    judgements
        (first, second, how many times as important the first is), each pair of names once.

    Returns
    -------
    Judged
        Names in the order they are first met.

    Raises
    ------
    SettingsError
        A pair is missing, given twice, or of a name with itself.

    Notes
    -----
    w = principal right eigenvector scaled to sum 1; CI = (lambda_max - n) / (n - 1); CR = CI / RI. Not the geometric
    mean of rows, which differs from four things on.

    References
    ----------
    saaty1980

    Examples
    --------
    >>> got = judge_pairs([("a", "b", 3.0), ("a", "c", 5.0), ("b", "c", 3.0)])
    >>> [round(w, 4) for w in got.weights.values()], round(got.ratio, 4)
    ([0.637, 0.2583, 0.1047], 0.0332)
    """
    names = list(dict.fromkeys(name for first, second, _ in judgements for name in (first, second)))
    _refuse_other_than_each_pair_once(names, judgements)
    n = len(names)
    place = {name: number for number, name in enumerate(names)}
    table = np.ones((n, n))
    for first, second, times in judgements:
        table[place[first], place[second]] = times
        table[place[second], place[first]] = 1 / times
    values, vectors = np.linalg.eig(table)
    top = int(np.argmax(values.real))
    weights = np.abs(vectors[:, top].real)
    weights /= weights.sum()
    largest = float(values[top].real)
    index = 0.0 if n <= 2 else max((largest - n) / (n - 1), 0.0)
    ratio = 0.0 if n <= 2 else index / RANDOM_INDEX[min(n, len(RANDOM_INDEX)) - 1]
    said = [weights[place[first]] / weights[place[second]] for first, second, _ in judgements]
    off = [abs(np.log(times / say)) for (_, _, times), say in zip(judgements, said, strict=True)]
    worst = int(np.argmax(np.round(off, 9)))
    by_name = dict(zip(names, weights.tolist(), strict=True))
    return Judged(by_name, largest, index, ratio, (*judgements[worst], float(said[worst])))


def _refuse_other_than_each_pair_once(names: Sequence[str], judgements: Sequence[Judgement]) -> None:
    told = [frozenset((first, second)) for first, second, _ in judgements]
    missing = [f"{a} and {b}" for a, b in itertools.combinations(names, 2) if frozenset((a, b)) not in told]
    twice = sorted({" and ".join(sorted(pair)) for pair in told if told.count(pair) > 1 or len(pair) == 1})
    if not missing and not twice:
        return
    says = [f"not judged: {', '.join(missing)}"] if missing else []
    says += [f"judged twice, or with itself: {', '.join(twice)}"] if twice else []
    raise SettingsError(
        f"[priority.pairwise]: {'; '.join(says)}.",
        wanted="each pair of the factors of a group once.",
        do="complete the list of [first, second, times], or take it out and give weights.",
    )


def with_judged_weights(settings: Settings) -> Settings:
    """Put the weights of ``[priority.pairwise]`` where given weights stand; a run begins with it.

    Parameters
    ----------
    settings
        Section ``priority``.

    Raises
    ------
    SettingsError
        Judgements are incomplete, or contradict each other too much and are not accepted all the same.
    """
    pairwise = settings.priority.pairwise
    weights: dict[str, dict[str, float]] = {}
    for group, judgements in pairwise.given().items():
        judged = judge_pairs(judgements)
        if judged.ratio > LARGEST_RATIO and not pairwise.accept_inconsistent:
            raise _inconsistent(group, judged)
        weights[group] = judged.weights
    if not weights:
        return settings
    return settings.model_copy(update={"priority": settings.priority.model_copy(update=weights)})


def _inconsistent(group: str, judged: Judged) -> SettingsError:
    first, second, given, said = judged.worst
    return SettingsError(
        f"[priority.pairwise] {group}: the judgements contradict each other, consistency ratio {judged.ratio:.3f}.",
        wanted=f"a ratio of at most {LARGEST_RATIO:.2f}.",
        do=f"look first at {first} against {second}: {given:.3g} is given, all judgements together say {said:.2g}; or "
        "set accept_inconsistent = true.",
    )


def pairwise_findings(priority: Priority) -> list[Finding]:
    """Say what the judgements of each group came to, with the consistency ratio."""
    found = []
    for group, judgements in priority.pairwise.given().items():
        judged = judge_pairs(judgements)
        high = judged.ratio > LARGEST_RATIO
        listed = ", ".join(f"{key} {100 * weight:.1f} %" for key, weight in judged.weights.items())
        says = (
            f"Weights of {group} from judgements in pairs: {listed}; consistency ratio {judged.ratio:.3f}, "
            f"{'above' if high else 'within'} {LARGEST_RATIO:.2f}{', accepted by the config' if high else ''}."
        )
        do = "Judge again: the pairs contradict each other." if high else "Nothing, if that is what was meant."
        found.append(Finding("warning" if high else "note", "banks", "pairwise", group, says, do))
    return found


def draw_weights(
    weights: Mapping[str, float], draws: int, rng: np.random.Generator, spread: float, total: int
) -> NDArray[np.int64]:
    """Draw whole weights around those given.

    Parameters
    ----------
    weights
        By name, at least 0; one that is 0 stays 0.
    draws
        Number of draws.
    rng
        Source of chance; the first draws do not depend on their number.
    spread
        Standard deviation of a weight as a share of it.
    total
        What they sum to.

    Returns
    -------
    ndarray
        (draws, n) whole, rows summing to ``total``, rounded by largest remainder as given weights are.

    Notes
    -----
    Dirichlet with mean w (summing to 1) and concentration a0. The relative variance of weight i is (1 - w_i) /
    (w_i (a0 + 1)); its mean over the weights, each counted by its size, is (n - 1) / (a0 + 1), set to spread^2, so
    a0 = (n - 1) / spread^2 - 1. For equal weights each has exactly that spread. ``uniform_weights`` is the case where
    nothing is known of them.
    """
    names = [name for name, weight in weights.items() if weight > 0]
    if len(names) < 2 or spread == 0:
        return np.tile(_whole(list(weights.values()), total), (draws, 1))
    mean = np.array([weights[name] for name in names]) / sum(weights.values())
    alpha = mean * max((len(names) - 1) / spread**2 - 1, 1e-3)
    drawn = np.zeros((draws, len(weights)))
    drawn[:, [list(weights).index(name) for name in names]] = rng.dirichlet(alpha, draws)
    return np.array([_whole(row, total) for row in drawn.tolist()])


def uniform_weights(count: int, draws: int, rng: np.random.Generator, total: int) -> NDArray[np.int64]:
    """Draw whole weights evenly over all there are, as where nothing is known of them; (draws, count).

    References
    ----------
    lahdelma_salminen2001
    """
    return np.array([_whole(row, total) for row in rng.dirichlet(np.ones(count), draws).tolist()])


def _whole(weights: Sequence[float], total: int) -> NDArray[np.int64]:
    got = whole_weights({str(n): weight for n, weight in enumerate(weights)}, total)
    return np.array(list(got.values()), np.int64)
