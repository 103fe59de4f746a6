"""What is told of a choice: its sites with reasons, all candidates, the curve as a table."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.compute.works.problem import Floats, Problem, Whole
from gisprio.compute.works.shortlist import Shortlist
from gisprio.contracts.schema import check
from gisprio.contracts.shortlist import CANDIDATES, SHORTLIST

_CURVE = ("budget", "effect", "cost", "sites", "properties", "gap", "greedy_effect")


def chosen_layer(
    candidates: gpd.GeoDataFrame, found: Shortlist, shares: Floats, earlier: pd.Series | None
) -> gpd.GeoDataFrame:
    """Give the layer ``shortlist``, most effect for its cost first.

    Parameters
    ----------
    candidates
        Sites that could be chosen, ordered by id, as polygons.
    found
        The choice.
    shares
        (n,) share of draws in which each candidate is chosen.
    earlier
        (n,) whether each was on the earlier list; None where none was given.
    """
    rate = _per_1000(candidates)
    table = candidates.assign(chosen_share=shares, effect_per_1000=rate, cost_rank=_ranks(rate))
    table["earlier"] = pd.array([pd.NA] * len(table) if earlier is None else earlier.to_numpy(bool), "boolean")
    own = table[found.chosen].copy()
    for name, shared in (("sites_on_property", "property"), ("sites_in_cluster", "cluster")):
        own[name] = own.groupby(shared)["site_id"].transform("count").to_numpy(int)
    own["why_chosen"] = _why(own, len(candidates))
    own = own.sort_values(["cost_rank", "site_id"])
    layer = check(SHORTLIST, own[[*SHORTLIST.names(), "geometry"]].reset_index(drop=True))
    assert isinstance(layer, gpd.GeoDataFrame)
    return layer


def _per_1000(table: pd.DataFrame) -> Floats:
    cost = table["cost"].to_numpy(float)
    return np.divide(1000 * table["effect"].to_numpy(float), cost, out=np.full(len(cost), np.nan), where=cost > 0)


def _ranks(rate: Floats) -> Whole:
    """Rank by effect per cost, 1 the most; what costs nothing comes first, equal ones share a rank."""
    ordered = np.sort(-np.nan_to_num(rate, nan=np.inf))
    return np.searchsorted(ordered, -np.nan_to_num(rate, nan=np.inf)) + 1


def _why(own: pd.DataFrame, count: int) -> list[str]:
    """Say of each chosen site what speaks for it."""
    return [
        _sentence(must, rank, rate, on_property, in_cluster, count)
        for must, rank, rate, on_property, in_cluster in zip(
            own["must"],
            own["cost_rank"],
            own["effect_per_1000"],
            own["sites_on_property"],
            own["sites_in_cluster"],
            strict=True,
        )
    ]


def _sentence(must: bool, rank: int, rate: float, on_property: int, in_cluster: int, count: int) -> str:
    does = "costs nothing" if np.isnan(rate) else f"does {rate:,.0f} for each 1,000 of its cost"
    words = [f"It {does}, place {rank} of {count} candidates by that"]
    if on_property > 1:
        words.append(f"{on_property - 1} more on its property")
    if in_cluster > on_property:
        words.append(f"{in_cluster - on_property} more on properties that join")
    return ("A must-have. " if must else "") + "; ".join(words) + "."


def candidates_layer(
    candidates: gpd.GeoDataFrame, lines: Sequence[object], points: Sequence[Shortlist], found: Shortlist, shares: Floats
) -> gpd.GeoDataFrame:
    """Give the layer ``candidates``.

    Parameters
    ----------
    candidates
        Sites that could be chosen, ordered by id.
    lines
        (n,) the stretch of stream beside each.
    points
        The curve.
    found
        The choice.
    shares
        (n,) share of draws.
    """
    enters = np.full(len(candidates), np.nan)
    for point in reversed(points):
        enters[point.chosen] = point.budget
    made = {"chosen": found.chosen, "enters_at": enters, "chosen_share": shares}
    table = pd.DataFrame(candidates.drop(columns="geometry")).assign(**made)[CANDIDATES.names()]
    layer = check(CANDIDATES, gpd.GeoDataFrame(table, geometry=list(lines)))
    assert isinstance(layer, gpd.GeoDataFrame)
    return layer


def curve_table(points: Sequence[Shortlist], problem: Problem) -> pd.DataFrame:
    """Give the curve as a table, one row a budget."""
    rows = [
        (
            point.budget,
            point.effect,
            point.spent.total,
            len(point.site_id),
            len(np.unique(problem.property_no[point.chosen])),
            point.gap,
            point.greedy_effect,
        )
        for point in points
    ]
    return pd.DataFrame(rows, columns=list(_CURVE))
