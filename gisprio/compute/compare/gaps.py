"""Gaps that closed and opened, metre by metre along the banks of two runs, wherever reaches and gaps are cut."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.compare.matching import KEY, Rows
from gisprio.contracts.compare import CHANGED_GAPS, CHANGES
from gisprio.contracts.words import SIDES

Floats = NDArray[np.float64]
_SEEN_THEN = ("closed", "lost_sight", "gone")
_COLUMNS = CHANGED_GAPS.names()


def gap_changes(
    before: pd.DataFrame, after: pd.DataFrame, there: Rows, back: Rows
) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """Say of each station of two runs what became of its gap.

    Parameters
    ----------
    before, after
        Stations: ``gap``, ``buffer_width_m``.
    there
        Row of ``after`` for each of ``before``, -1 for none.
    back
        Row of ``before`` for each of ``after``.

    Returns
    -------
    tuple of ndarray
        One of :data:`CHANGES`, ``stays`` or empty; closed, lost and gone ones at the stations of before, opened and
        new ones at those of after.
    """
    then = _changed(before, after, there, ("closed", "lost_sight", "gone"))
    now = _changed(after, before, back, ("opened", "new_sight", "new_stream"))
    return then, now


def _changed(own: pd.DataFrame, other: pd.DataFrame, partner: Rows, words: tuple[str, str, str]) -> NDArray[np.object_]:
    """Compare stations in a gap with their partners: words for no gap, not known, no partner."""
    gap, met = own["gap"].to_numpy(bool), partner >= 0
    beside = np.append(other["gap"].to_numpy(bool), False)[partner]
    known = np.append(other["buffer_width_m"].notna().to_numpy(bool), False)[partner]
    cases = [~gap, ~met, beside, known]
    return np.select(cases, ["", words[2], "stays", words[0]], words[1]).astype(object)


def change_runs(
    stations: pd.DataFrame, other: pd.DataFrame, partner: Rows, change: NDArray[np.object_], shortest_m: float
) -> pd.DataFrame:
    """Put changed stations together to runs along their bank.

    Parameters
    ----------
    stations
        Of the run whose gaps are told: :data:`gisprio.compute.compare.matching.KEY`, ``bank_id``, ``name``,
        ``sub_watershed_id``, ``length_m``, ``x``, ``y``, ``buffer_width_m``, ``clear`` (in a clear gap).
    other
        Stations of the other run.
    partner
        Row of ``other`` for each of ``stations``.
    change
        Of :func:`gap_changes` for ``stations``.
    shortest_m
        Runs shorter than this are uncertain: ends of gaps move by so much with the grain of the cover [m].

    Returns
    -------
    DataFrame
        One row a run, ordered by bank and place: the columns of layer ``changes`` and ``shape``, a line.
    """
    order = np.lexsort([stations["station_no"], stations["side"], stations["segment_id"]])
    rows, word = stations.iloc[order].reset_index(drop=True), change[order]
    told = np.isin(word, CHANGES)
    broken = (rows["segment_id"] != rows["segment_id"].shift()) | (rows["side"] != rows["side"].shift())
    broken |= (rows["bank_id"] != rows["bank_id"].shift()) | (rows["station_no"] != rows["station_no"].shift() + 1)
    run = np.cumsum(broken.to_numpy(bool) | np.r_[True, word[1:] != word[:-1]][: len(rows)])[told]
    if not told.any():
        return pd.DataFrame({**{name: [] for name in _COLUMNS}, "shape": []}).astype({"length_m": float})
    width = np.append(other["buffer_width_m"].to_numpy(float), np.nan)[partner[order]]
    bank = np.append(other["bank_id"].to_numpy(object), [None])[partner[order]]
    lines = _lines(rows, told, run)
    then = np.isin(word, _SEEN_THEN)
    own_width, own_bank = rows["buffer_width_m"].to_numpy(float), rows["bank_id"].to_numpy(object)
    table = pd.DataFrame(
        {
            "change": word,
            "side": rows["side"],
            "bank_id_before": np.where(then, own_bank, bank),
            "bank_id": np.where(then, bank, own_bank),
            "name": rows["name"],
            "sub_watershed_id": rows["sub_watershed_id"],
            "length_m": rows["length_m"].to_numpy(float),
            "buffer_width_before_m": np.where(then, own_width, width),
            "buffer_width_m": np.where(then, width, own_width),
            "clear_m": rows["length_m"].to_numpy(float) * rows["clear"].to_numpy(bool),
        }
    )[told]
    first = dict.fromkeys(("change", "side", "bank_id_before", "bank_id", "name", "sub_watershed_id"), "first")
    wide = {"buffer_width_before_m": "median", "buffer_width_m": "median"}
    runs = table.groupby(run).agg({**first, "length_m": "sum", **wide, "clear_m": "sum"})
    sure = (runs["length_m"] >= shortest_m) & (runs["clear_m"] * 2 > runs["length_m"])
    runs["certainty"] = np.where(sure, "clear", "uncertain")
    return runs[_COLUMNS].assign(shape=lines).reset_index(drop=True)


def _lines(rows: pd.DataFrame, told: NDArray[np.bool_], run: Rows) -> NDArray[np.object_]:
    """Draw each run through its stations, half a step beyond its first and last one; (runs,) lines."""
    place = rows[["x", "y"]].to_numpy(float)
    same = (rows["segment_id"] == rows["segment_id"].shift()) & (rows["side"] == rows["side"].shift())
    joined = same.to_numpy(bool)
    lower = np.where(joined[:, None], (place + np.roll(place, 1, axis=0)) / 2, place)
    upper = np.where(np.roll(joined, -1)[:, None], (place + np.roll(place, -1, axis=0)) / 2, place)
    at = np.flatnonzero(told)
    points = np.stack([lower[at], place[at], upper[at]], axis=1).reshape(-1, 2)
    numbers = np.unique(run, return_inverse=True)[1]
    return np.asarray(shapely.linestrings(points, indices=np.repeat(numbers, 3)), object)


def in_clear_gap(stations: pd.DataFrame, gaps: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which stations lie in a gap that is clear.

    Parameters
    ----------
    stations
        ``reach_id``, ``bank_id``, ``at_m``, ``length_m``.
    gaps
        Layer ``gaps``: ``bank_id``, ``from_m`` and ``to_m`` from the lower end of the reach, ``certainty``.

    Returns
    -------
    ndarray
        (n,) False too where no gap is.
    """
    low = stations["at_m"] - stations["length_m"] / 2
    at = (stations["at_m"] - low.groupby(stations["reach_id"]).transform("min")).to_numpy(float)
    left = pd.DataFrame({"bank_id": stations["bank_id"].astype(str), "at": at, "row": np.arange(len(stations))})
    right = pd.DataFrame(gaps[["bank_id", "from_m", "to_m", "certainty"]]).astype({"bank_id": str})
    met = pd.merge_asof(
        left.sort_values("at", kind="stable"),
        right.sort_values("from_m", kind="stable"),
        left_on="at",
        right_on="from_m",
        by="bank_id",
    ).sort_values("row")
    return ((met["at"] <= met["to_m"]) & (met["certainty"] == "clear")).to_numpy(bool)


def rows_of(stations: pd.DataFrame, banks: pd.DataFrame) -> pd.DataFrame:
    """Give stations the name of their stream and the label of their sub-watershed, from their bank."""
    about = banks.set_index("bank_id")[["name", "sub_watershed_id"]].reindex(stations["bank_id"])
    return stations.assign(**{name: about[name].to_numpy(object) for name in about})


def check_sides(stations: pd.DataFrame) -> None:
    """Hold stations to what is compared: both key and side.

    Raises
    ------
    ValueError
        A side is neither left nor right, or a key comes twice.
    """
    if not stations["side"].isin(SIDES).all() or stations.duplicated(KEY).any():
        raise ValueError("stations with other sides, or twice the same")
