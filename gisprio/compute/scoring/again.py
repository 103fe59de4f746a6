"""Ranks of a finished run again under other weights, from the scores of its banks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import get_args

import pandas as pd

from gisprio.compute.scoring.orders import GROUPS, rank_rows, with_whole_weights
from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import Priority, Weights

COMBINES: tuple[str, ...] = get_args(Priority.model_fields["combine"].annotation)


def rank_again(
    banks: pd.DataFrame,
    factors: pd.DataFrame,
    priority: Priority,
    *,
    weights: Mapping[str, float] | None = None,
    erosion: Mapping[str, float] | None = None,
    gap: Mapping[str, float] | None = None,
    combine: str | None = None,
) -> pd.DataFrame:
    """Rank banks of a finished run under other weights.

    Parameters
    ----------
    banks
        Result layer ``banks``.
    factors
        The run's table of factors, one row a factor.
    priority
        Section of the run's settings; what is not given below stays as it is there.
    weights
        Of the groups, ``erosion`` and ``gap`` (0 or more).
    erosion, gap
        Of the factors of each group, by key (0 or more). With 0 a factor is left out; a group of which none is left
        is not ranked on.
    combine
        ``geometric`` or ``weighted_sum``.

    Returns
    -------
    DataFrame
        ``bank_id``, ``erosion_score``, ``gap_score``, ``erosion_worst_score``, ``gap_worst_score``, ``priority``,
        ``rank``, ``erosion_rank``, ``gap_rank`` and ``need``, in the rows of ``banks``; null where not ranked.

    Raises
    ------
    SettingsError
        A weight is not a number of 0 or more, or of a factor the run did not rank on; ``combine`` is neither way.

    Notes
    -----
    The same keys as in a run. Banks are read on the stretch that was worst under the run's own weights; a new run
    with these weights looks for the stretch anew. A bank that it reads elsewhere gets another score, and ranks between
    shift.
    """
    of_groups = {"erosion": erosion or {}, "gap": gap or {}}
    _refuse_wrong_numbers({"weights": weights or {}, **of_groups}, combine)
    _refuse_unknown_names(weights or {}, of_groups, factors)
    chosen = priority.model_copy(
        update={
            "weights": Weights(**{**priority.weights.model_dump(), **(weights or {})}),
            "combine": combine or priority.combine,
        }
    )
    ranked = banks["not_ranked"].isna().to_numpy(bool)
    orders = rank_rows(banks, ranked, _weighed(factors, of_groups), chosen)
    orders.insert(0, "bank_id", banks["bank_id"])
    return orders


def _weighed(factors: pd.DataFrame, given: Mapping[str, Mapping[str, float]]) -> pd.DataFrame:
    """Give the table of factors under other weights."""
    pairs = list(zip(factors["group"], factors["key"], factors["given_weight"], strict=True))
    table = factors.assign(given_weight=[float(given[group].get(key, old)) for group, key, old in pairs])
    return with_whole_weights(table.assign(used=table["used"].astype(bool) & (table["given_weight"] > 0)))


def _refuse_wrong_numbers(given: Mapping[str, Mapping[str, float]], combine: str | None) -> None:
    faults = [
        f"the weight of {key} in {group} is {weight!r}"
        for group, weights in given.items()
        for key, weight in weights.items()
        if isinstance(weight, bool) or not isinstance(weight, int | float) or not 0 <= weight < math.inf
    ]
    if combine not in (None, *COMBINES):
        faults.append(f"combine is {combine!r}")
    if faults:
        raise SettingsError(
            f"The banks cannot be ranked again: {'; '.join(faults)}.",
            wanted=f"weights that are numbers, 0 or more; combine one of {', '.join(COMBINES)}.",
            do="mend that; 0 leaves a factor out.",
        )


def _refuse_unknown_names(
    weights: Mapping[str, float], given: Mapping[str, Mapping[str, float]], factors: pd.DataFrame
) -> None:
    faults = [f"weights holds {name}" for name in weights if name not in GROUPS]
    faults += [f"{key} in {group}" for group in GROUPS for key in _not_ranked_on(given[group], group, factors)]
    if not faults:
        return
    own = {group: factors.loc[(factors["group"] == group) & factors["used"].astype(bool), "key"] for group in GROUPS}
    raise SettingsError(
        f"The run did not rank on what is given a weight: {'; '.join(faults)}.",
        wanted="; ".join(f"{group}: {', '.join(keys) or 'none'}" for group, keys in own.items())
        + "; in weights erosion and gap.",
        do="leave it out, or give it its weight in the config and run again.",
    )


def _not_ranked_on(given: Mapping[str, float], group: str, factors: pd.DataFrame) -> Iterator[str]:
    """Give the keys that cannot have a weight here.

    A factor that had one in the run, but was known on too few banks, stays out as it did there.
    """
    own = factors[factors["group"] == group]
    may = set(own.loc[own["used"].astype(bool) | (own["given_weight"] > 0), "key"])
    for key, weight in given.items():
        if key not in may and (weight > 0 or key not in set(own["key"])):
            yield key
