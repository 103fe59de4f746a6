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
    by_sub = dict(iter(held.groupby("sub")))
    own = {sub: held_by_property(by_sub.get(sub, held[:0])) for sub in range(count)}
    while len(own) > 1:
        one = min(own, key=lambda number: (len(own[number]), number))
        if len(own[one]) >= FEWEST_PROPERTIES:
            break
        ways = {other: _together(own[one], own[other]) for other in _beside(one, part, links, lines)}
        other = min(ways, key=lambda number: (not may_be_told(ways[number]), len(own[number]), number))
        kept = min(one, other)
        del own[one], own[other]
        own[kept] = ways[other]
        part[(part == one) | (part == other)] = kept
    first, of = np.unique(part, return_inverse=True)
    return Parts(of.astype(np.int64), np.array([may_be_told(own[int(number)]) for number in first], bool))


def held_by_property(held: pd.DataFrame) -> pd.DataFrame:
    """Sum up what each property holds; one row a property, the columns of :data:`HELD` that are there."""
    return held.groupby("property_id")[[name for name in HELD if name in held]].sum()


def may_be_told(own: pd.DataFrame) -> bool:
    """Say whether totals of the ground that properties hold tell nothing of a single one of them.

    Parameters
    ----------
    own
        One row a property that has some of it, as :func:`held_by_property` gives it.

    Examples
    --------
    >>> even = pd.DataFrame({"frontage_m": [100.0] * 5})
    >>> may_be_told(even), may_be_told(even[:4])
    (True, False)
    >>> may_be_told(pd.DataFrame({"frontage_m": [1700.0, 100.0, 100.0, 100.0, 100.0]}))
    False
    """
    return len(own) >= FEWEST_PROPERTIES and bool((own.max() <= MOST_SHARE * own.sum()).all())


def _together(one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    return pd.concat([one, other]).groupby(level=0).sum()


def _beside(one: int, part: Numbers, links: Numbers, lines: Sequence[shapely.Geometry]) -> list[int]:
    """Give the parts that one may be pooled with."""
    linked = part[links].reshape(-1, 2)
    joined = set(linked[(linked == one).any(axis=1)].ravel().tolist()) - {one}
    if joined:
        return sorted(joined)
    shapes, others = np.asarray(lines, object), np.flatnonzero(part != one)
    own = shapely.union_all(shapes[part == one])
    return [int(part[others[int(np.argmin(shapely.distance(own, shapes[others])))]])]
