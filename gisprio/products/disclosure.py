"""What may be told to everybody: totals of parts of the watershed in which no single property can be made out.

A part is one sub-watershed, or several pooled. Counted are properties, not owners: gisprio knows no owners.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

FEWEST_PROPERTIES = 5
"""A part with fewer properties along its banks is not told by itself [own]."""

MOST_SHARE = 0.8
"""A part is not told at all where one property makes up more than this share of a total [own]."""

HELD = ("frontage_m", "gap_length_m", "gap_area_m2")
"""Columns of frontages of which no property may make up most."""

Numbers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Parts:
    """How sub-watersheds were put together for everybody.

    Parameters
    ----------
    of
        (n,) Part of each sub-watershed, numbered from 0 in the order of their first sub-watershed.
    told
        (parts,) Whether the totals of a part may be told.
    """

    of: Numbers
    told: NDArray[np.bool_]


def pool_parts(count: int, held: pd.DataFrame, links: Numbers, lines: Sequence[shapely.Geometry]) -> Parts:
    """Pool sub-watersheds of few properties with a neighbour, and say which parts may be told.

    Parameters
    ----------
    count
        Number of sub-watersheds.
    held
        One row a property and bank: ``sub`` (number of the sub-watershed), ``property_id``, ``frontage_m`` [m], and
        what there is of ``gap_length_m`` [m] and ``gap_area_m2`` [m2].
    links
        (m, 2) Sub-watersheds of which one flows into the other.
    lines
        (n,) Stream lines of each, in metres.

    Returns
    -------
    Parts
        Where even all sub-watersheds together have too few properties, there is one part, which is not told.

    Notes
    -----
    The part with the fewest properties is pooled first, with one that its water joins, else with the nearest: rather
    with one together with which it may be told, of those with the one of fewest properties. Since a part that is
    told holds whole sub-watersheds, and no total of more than the told parts is given, nothing is found by
    subtracting.
    """
    part = np.arange(count)
    while True:
        properties = _property_counts(part, held)
        small = properties[properties < FEWEST_PROPERTIES]
        if not len(small) or len(properties) == 1:
            break
        one = int(small.idxmin())
        other = _best(one, _beside(one, part, links, lines), part, held)
        part[(part == one) | (part == other)] = min(one, other)
    first, of = np.unique(part, return_inverse=True)
    return Parts(of, np.array([may_be_told(held[part[held["sub"]] == number]) for number in first], bool))


def may_be_told(held: pd.DataFrame) -> bool:
    """Say whether totals of the ground that properties hold tell nothing of a single one of them.

    Examples
    --------
    >>> even = pd.DataFrame({"property_id": list("abcde"), "frontage_m": 100.0})
    >>> may_be_told(even), may_be_told(even[:4])
    (True, False)
    >>> may_be_told(even.assign(frontage_m=[1700.0, 100.0, 100.0, 100.0, 100.0]))
    False
    """
    if held["property_id"].nunique() < FEWEST_PROPERTIES:
        return False
    sums = held.groupby("property_id")[[name for name in HELD if name in held]].sum()
    return bool((sums.max() <= MOST_SHARE * sums.sum()).all())


def _property_counts(part: Numbers, held: pd.DataFrame) -> pd.Series:
    """Give the number of properties of each part, by the part's number in order."""
    counts = held.groupby(part[held["sub"]])["property_id"].nunique()
    return counts.reindex(np.unique(part), fill_value=0)


def _best(one: int, beside: Numbers, part: Numbers, held: pd.DataFrame) -> int:
    """Choose the part that one is pooled with."""
    of = part[held["sub"]]
    ways = [(held[of == other], held[(of == one) | (of == other)], int(other)) for other in beside]
    return min((not may_be_told(both), own["property_id"].nunique(), other) for own, both, other in ways)[2]


def _beside(one: int, part: Numbers, links: Numbers, lines: Sequence[shapely.Geometry]) -> Numbers:
    """Give the parts that one may be pooled with."""
    linked = part[links].reshape(-1, 2)
    joined = np.unique(linked[(linked == one).any(axis=1)])
    joined = joined[joined != one]
    if len(joined):
        return joined
    shapes, others = np.asarray(lines, object), np.flatnonzero(part != one)
    own = shapely.union_all(shapes[part == one])
    return part[others[[int(np.argmin(shapely.distance(own, shapes[others])))]]]
