"""How well the desktop score agreed with what visits saw; or why that cannot be judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit
from scipy.stats import t as student

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
LEAST_VISITS = 30
"""With fewer usable visits nothing is said [own]."""
LEAST_RANDOM = 8
"""So many of them must be drawn at random from the banks that were not chosen for their rank: a quarter of 30 [own]."""
LEAST_EACH = 3
"""So many of these must erode, and as many not, for an area under the curve: others are too few to weigh [own]."""
LEAST_PAIRS = 10
"""Visits with a field index wanted for a rank correlation [own]."""
SIDED_95 = 0.975
CANNOT = "How well the scores agree with the visits cannot be judged"


@dataclass(frozen=True, slots=True)
class Area:
    """Area under the curve: how often a bank that erodes scores above one that does not.

    Parameters
    ----------
    value, low, high
        The area and its 95 % interval; NaN where too few banks erode, or too few do not.
    """

    value: float
    low: float
    high: float

    @property
    def known(self) -> bool:
        """Whether there were banks enough of both kinds."""
        return bool(np.isfinite(self.value))


NO_AREA = Area(np.nan, np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class Agreement:
    """What a run says about its visits.

    Parameters
    ----------
    visits, at_random
        Usable visits, and how many of them were drawn at random.
    cannot
        Why nothing can be judged; empty where it can, and then the rest holds.
    rank_correlation, priority_correlation
        Spearman's, of erosion score and of priority with the field index; NaN where too few have an index.
    indexed
        Visits with a field index.
    area
        Of the erosion score for "erodes".
    table
        Visits by (scored at need_at or above, seen to erode), as (yes yes, yes no, no yes, no no).
    misleading
        Factors whose own area lies below a half with its whole interval: high where banks do not erode.
    """

    visits: int
    at_random: int
    cannot: str = ""
    rank_correlation: float = np.nan
    priority_correlation: float = np.nan
    indexed: int = 0
    area: Area = NO_AREA
    table: tuple[int, int, int, int] = (0, 0, 0, 0)
    misleading: tuple[str, ...] = ()


def agreement(seen: pd.DataFrame, factors: Sequence[str], need_at: float) -> Agreement:
    """Say how well scores agree with what was seen.

    Parameters
    ----------
    seen
        One row a usable visit: ``erodes`` (0, 1, NaN), ``erosion_score``, ``priority`` [0 to 100],
        ``field_hazard_index`` (NaN where there is none), ``at_random`` and ``weight`` (how many banks the visit stands
        for), and a score column of each factor.
    factors
        Names of those score columns.
    need_at
        Erosion score from which a bank is said to be likely to erode.

    Returns
    -------
    Agreement

    Notes
    -----
    Banks at the top of the ranks were visited because of their score, the others by chance: each visit counts for the
    banks it stands for, so that all ranked banks are judged and not the worst alone.
    """
    told = seen[seen["erodes"].notna() & seen["erosion_score"].notna()]
    at_random = int(told["at_random"].sum())
    cannot = _why_not(len(told), at_random)
    if cannot:
        return Agreement(len(told), at_random, cannot)
    score, erodes, weight = (told[name].to_numpy(float) for name in ("erosion_score", "erodes", "weight"))
    part = told["at_random"].to_numpy(bool)
    index = told["field_hazard_index"].to_numpy(float)
    high, bad = score >= need_at, erodes > 0
    both, alarm, missed, neither = (int((a & b).sum()) for a in (high, ~high) for b in (bad, ~bad))
    areas = {name: area(told[name].to_numpy(float), erodes, weight, part) for name in factors}
    return Agreement(
        len(told),
        at_random,
        rank_correlation=rank_correlation(score, index, weight),
        priority_correlation=rank_correlation(told["priority"].to_numpy(float), index, weight),
        indexed=int(np.isfinite(index).sum()),
        area=area(score, erodes, weight, part),
        table=(both, alarm, missed, neither),
        misleading=tuple(name for name, one in areas.items() if one.known and one.high < 0.5),
    )


def _why_not(visits: int, at_random: int) -> str:
    """Say why nothing can be judged; empty where it can."""
    if visits < LEAST_VISITS:
        return f"{CANNOT}: {visits} usable visits, of {LEAST_VISITS} wanted."
    if at_random < LEAST_RANDOM:
        return (
            f"{CANNOT}: {at_random} of {visits} usable visits were drawn at random, of {LEAST_RANDOM} wanted; banks "
            "that were chosen for their rank cannot say what the others are like."
        )
    return ""


def rank_correlation(first: Floats, second: Floats, weight: Floats) -> float:
    """Give Spearman's rank correlation of two measures, each pair counted ``weight`` times; NaN where it is none.

    Parameters
    ----------
    first, second, weight
        (n,); pairs with NaN are left out; fewer than :data:`LEAST_PAIRS`, or one that does not vary, give NaN.
    """
    both = np.isfinite(first) & np.isfinite(second)
    if both.sum() < LEAST_PAIRS:
        return float("nan")
    w = weight[both] / weight[both].sum()
    a, b = (_middle_rank(values[both], w) for values in (first, second))
    a, b = a - w @ a, b - w @ b
    spread = np.sqrt((w @ a**2) * (w @ b**2))
    return float(w @ (a * b) / spread) if spread > 0 else float("nan")


def _middle_rank(values: Floats, weight: Floats) -> Floats:
    """Give the share of the weight below each value, with half of that of its equals; (n,)."""
    _, same = np.unique(values, return_inverse=True)
    of_each = np.bincount(same, weight)
    return np.asarray((np.cumsum(of_each) - of_each / 2)[same], float)


def area(score: Floats, erodes: Floats, weight: Floats, part: Flags) -> Area:
    """Give the area under the curve of a score, with its 95 % interval.

    Parameters
    ----------
    score, erodes, weight
        (n,); rows with NaN are left out.
    part
        (n,) whether each row was drawn at random; rows of a kind were drawn apart from the others.

    Returns
    -------
    Area
        NaN where fewer than :data:`LEAST_EACH` rows drawn at random erode, or do not.

    Notes
    -----
    Placements of DeLong and others: of each row, the share of rows of the other outcome that it is on the right side
    of. The area is their mean over eroding rows; their spread, each weighed by the banks it stands for, gives the error
    within each kind of visit, so that the number of eroding rows of each kind is chance as well. The interval is laid
    on the logit by Student's t, with half a pair added, and is at least as wide as for a share of so many pairs of
    random visits [own]: else a few visits that happen to be in order would prove the score right.

    References
    ----------
    delong1988
    """
    known = np.isfinite(score) & np.isfinite(erodes)
    score, bad, weight, part = score[known], erodes[known] > 0, weight[known], part[known]
    good = ~bad
    drawn_bad, drawn_good = int((part & bad).sum()), int((part & good).sum())
    if min(drawn_bad, drawn_good) < LEAST_EACH:
        return NO_AREA
    share = weight / np.where(bad, weight[bad].sum(), weight[good].sum())
    placed = _placements(score, bad, share)
    value = float(share[bad] @ placed[bad])
    pairs = drawn_bad * drawn_good
    middle = (value * pairs + 0.5) / (pairs + 1)
    even = middle * (1 - middle)
    error = np.sqrt(_variance((placed - value) * share, part))
    rows = min(1 / (share[bad] ** 2).sum(), 1 / (share[good] ** 2).sum())
    least = student.ppf(SIDED_95, np.inf) * np.sqrt(even / pairs)
    reach = max(student.ppf(SIDED_95, max(rows - 1, 1)) * error, least) / even
    low, high = expit(logit(middle) - reach), expit(logit(middle) + reach)
    return Area(value, float(min(low, value)), float(max(high, value)))


def _placements(score: Floats, bad: Flags, share: Floats) -> Floats:
    """Give the share of rows of the other outcome that each row is on the right side of, equals half; (n,)."""
    right = np.sign(score[bad][:, None] - score[~bad][None, :]) / 2 + 0.5
    placed = np.empty(len(score))
    placed[bad] = right @ share[~bad]
    placed[~bad] = share[bad] @ right
    return placed


def _variance(parts_of_area: Floats, part: Flags) -> float:
    """Give the variance of a sum of what the rows add to it, added up over kinds of visit."""
    kinds = (parts_of_area[part], parts_of_area[~part])
    return float(sum(len(rows) * rows.var(ddof=1) for rows in kinds if len(rows) > 1))
