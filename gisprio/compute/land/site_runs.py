"""Runs of stations that make sites: bridged over short interruptions, cut at borders, split where they are long."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.compute.banks.gaps import long_runs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Marks = NDArray[np.bool_]
TOUCH_M = 1e-6


def site_runs(sides: pd.DataFrame, there: Marks, passes: Sequence[tuple[Marks, float]], merge_m: float) -> Ints:
    """Number the runs of stations that may be sites.

    Parameters
    ----------
    sides
        Sorted by segment, side, station; with ``from_m`` and ``to_m``.
    there
        (n,) stations with a bank that is ranked; others, as those under a crossing, part all runs.
    passes
        Marked stations (n,) and least length [m], one after the other: what an earlier one took parts the later ones.
    merge_m
        An interruption up to this is bridged [m].

    Returns
    -------
    ndarray
        (n,) pass number, from 0, of the run each station lies in; -1 in none.
    """
    taken = np.full(len(sides), -1, np.int64)
    for number, (marked, least_m) in enumerate(passes):
        free = there & (taken < 0)
        run = long_runs(sides, bridged(sides, marked & free, free, merge_m), least_m)
        taken[run] = number
    return taken


def bridged(sides: pd.DataFrame, marked: Marks, free: Marks, merge_m: float) -> Marks:
    """Mark what lies between two marked runs too, where that is short and nothing parts them; (n,).

    Parameters
    ----------
    sides
        Sorted by segment, side, station; with ``from_m`` and ``to_m``.
    marked
        (n,) stations, all of them ``free``.
    free
        (n,) stations that a bridge may go over.
    merge_m
        Longest bridge [m].
    """
    if not len(sides):
        return marked
    line = np.cumsum(_new_line(sides) | ~free | ~np.roll(free, 1))
    run = np.cumsum(np.concatenate([[True], (np.diff(line) != 0) | (marked[1:] != marked[:-1])])) - 1
    length = np.bincount(run, (sides["to_m"] - sides["from_m"]).to_numpy())
    first = np.unique(run, return_index=True)[1]
    of_line = np.concatenate([[-1], line[first], [-1]])
    inside = (of_line[1:-1] == of_line[:-2]) & (of_line[1:-1] == of_line[2:])
    return marked | (inside & (length <= merge_m + TOUCH_M))[run]


def _new_line(sides: pd.DataFrame) -> Marks:
    """Mark the stations that do not go on from the one before them; (n,)."""
    same = (sides["segment_no"].diff() == 0) & (sides["side"].diff() == 0) & (sides["station_no"].diff() == 1)
    return ~same.to_numpy()


def cut_runs(
    sides: pd.DataFrame, taken: Ints, owner: Ints, reaches: pd.DataFrame, least_m: float, most_m: float
) -> pd.DataFrame:
    """Cut runs at the borders of reaches and properties; drop what is short, split what is long.

    Parameters
    ----------
    sides
        Sorted by segment, side, station; ``reach_no``, ``from_m``, ``to_m``.
    taken
        (n,) from :func:`site_runs`.
    owner
        (n,) property of each station as a whole number; -1 for none.
    reaches
        ``from_m`` and ``to_m`` by ``reach_no``.
    least_m, most_m
        Shortest and longest site [m].

    Returns
    -------
    DataFrame
        One row a site, along each side upstream: ``row`` (its first station), ``taken``, ``owner``, ``reach_no``,
        ``reach_from_m``, ``low_m`` and ``high_m`` (ends along the segment).
    """
    reach_no = sides["reach_no"].to_numpy(np.int64)
    other = [np.concatenate([[True], np.diff(values) != 0])[: len(sides)] for values in (taken, owner, reach_no)]
    start = _new_line(sides) | np.logical_or.reduce(other)
    first = np.flatnonzero(start)
    last = np.concatenate([first[1:], [len(sides)]])[: len(first)] - 1
    kept = taken[first] >= 0
    first, last = first[kept], last[kept]
    table = pd.DataFrame({"row": first, "taken": taken[first], "owner": owner[first], "reach_no": reach_no[first]})
    ends = reaches.set_index("reach_no").reindex(table["reach_no"])
    reach_from, reach_to = ends["from_m"].to_numpy(float), ends["to_m"].to_numpy(float)
    low = sides["from_m"].to_numpy(float)[first]
    high = sides["to_m"].to_numpy(float)[last]
    goes_on = np.flatnonzero(first[1:] == last[:-1] + 1)
    goes_on = goes_on[~_new_line(sides)[first[goes_on + 1]] & (reach_no[first[goes_on + 1]] != reach_no[last[goes_on]])]
    low[goes_on + 1], high[goes_on] = reach_from[goes_on + 1], reach_to[goes_on]
    table["reach_from_m"] = reach_from
    table["low_m"], table["high_m"] = np.maximum(low, reach_from), np.minimum(high, reach_to)
    return _split(table[table["high_m"] - table["low_m"] >= least_m - TOUCH_M].reset_index(drop=True), most_m)


def _split(table: pd.DataFrame, most_m: float) -> pd.DataFrame:
    """Split what is longer than ``most_m`` in as few equal parts as will do."""
    length = (table["high_m"] - table["low_m"]).to_numpy(float)
    parts = np.maximum(1, np.ceil(length / most_m - TOUCH_M).astype(np.int64))
    made = table.loc[table.index.repeat(parts)].reset_index(drop=True)
    number = made.groupby(np.repeat(np.arange(len(table)), parts)).cumcount().to_numpy()
    step, low = np.repeat(length / parts, parts), made["low_m"].to_numpy(float)
    last = number == np.repeat(parts, parts) - 1
    made["high_m"] = np.where(last, made["high_m"], low + (number + 1) * step)
    made["low_m"] = low + number * step
    return made
