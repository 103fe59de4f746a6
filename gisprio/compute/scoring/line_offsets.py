"""Lines off their channel: what was re-centred, and gaps that only a shifted line explains."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gisprio.compute.network.profiles import stream_table
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import SIDES

LEAST_RUN_M = 500.0
"""Gaps mirror each other along at least this length of a stream [own]."""
LEAST_SHORT = 0.5
"""Share of each reach on which the strip is short on one bank and full on the other [own]."""
LEAST_TOLD = 0.5
"""Share of that length on which the low of the channel has to be told, to speak for a shift or against it [own]."""
LEAST_AGREED = 0.8
"""Share of that on which it lies towards the full strip where it speaks for a shift; under half: against [own]."""
MOST_CORRELATION = -0.7
"""Without the low, widths of the two strips have to be correlated at least so far the other way [own]..."""
LEAST_SPREAD = 0.1
"""...each with a standard deviation of at least this share of the setback [own]..."""
MOST_SUM_SPREAD = 0.25
"""...and their sum is constant within this share of its mean (standard deviation) [own]."""
MOST_STREAMS = 5
"""Runs told one by one, the longest first; the others in one finding."""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring reaches of one stream whose strips mirror each other.

    Parameters
    ----------
    stream
        Its name, or the id of its lowest segment.
    side
        Bank on which the strip is short.
    reach_nos, reach_ids
        Its reaches, from the lowest up.
    length_m
        Their length with a strip on both banks.
    shift_m
        How far the line would lie off its channel, towards ``side``.
    """

    stream: str
    side: str
    reach_nos: tuple[int, ...]
    reach_ids: tuple[str, ...]
    length_m: float
    shift_m: float


def judge_line_offsets(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Find runs of reaches whose gaps mirror each other, make their gaps uncertain, and say what was re-centred.

    Parameters
    ----------
    tables
        ``segments``, ``reach_measures``, ``bank_measures``, ``mirrors``, ``gaps``.
    sources
        None.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``judged_gaps`` (layer ``gaps`` of the results) and ``findings``.

    Notes
    -----
    A run is 500 m or more of neighbouring reaches of one stream with the same bank short. That alone may be a field on
    one bank and a wood on the other. It is put down to the line where the low of the channel lies towards the full
    strip by half of the shift or more; or, where the low does not speak against it, where the widths of the two strips
    make up for each other: strongly correlated the other way, with a sum that is nearly constant.
    """
    runs = mirrored_runs(tables["segments"], tables["reach_measures"], tables["mirrors"], settings.setback.most_m)
    gaps = tables["gaps"].copy()
    doubted = [reach_id for run in runs for reach_id in run.reach_ids]
    gaps.loc[gaps["reach_id"].isin(doubted) & gaps["uncertain_because"].isna(), "uncertain_because"] = "mirrored"
    gaps["certainty"] = np.where(gaps["uncertain_because"].isna(), "clear", "uncertain")
    findings = [*_recentred(tables["bank_measures"]), *_mirrored(runs)]
    return {"judged_gaps": gaps, "findings": findings_table(findings)}


def mirrored_runs(segments: pd.DataFrame, reaches: pd.DataFrame, mirrors: pd.DataFrame, setback_m: float) -> list[Run]:
    """Give the runs of reaches whose strips mirror each other, the longest first.

    Parameters
    ----------
    segments, reaches, mirrors
        Layers ``segments``, ``reach_measures``, ``mirrors``.
    setback_m
        The setback [m].
    """
    streams = stream_table(segments)
    columns = ["reach_no", "reach_id", "segment_no", "from_m"]
    rows = mirrors.merge(pd.DataFrame(reaches[columns]), on="reach_no", validate="many_to_one")
    own = streams.iloc[rows["segment_no"].to_numpy()].reset_index(drop=True)
    rows = rows.assign(stream=own["stream_name"].fillna(own["stream_id"]), stream_id=own["stream_id"])
    rows["at_m"] = own["offset_m"] + rows["from_m"]
    rows = rows.sort_values(["side", "stream_id", "at_m"], ignore_index=True)
    rows["short"] = (rows["short_m"] > 0) & (rows["short_m"] >= LEAST_SHORT * rows["known_m"])
    keys = rows[["side", "stream_id", "short"]]
    rows["run"] = (keys != keys.shift()).any(axis=1).cumsum()
    found = [_run(run) for _, run in rows[rows["short"]].groupby("run") if is_mirrored(_sums(run), setback_m)]
    return sorted(found, key=lambda run: (-run.length_m, run.reach_ids))


def _sums(run: pd.DataFrame) -> dict[str, float]:
    return {name: float(run[name].sum()) for name in run.columns if name.endswith(("_m", "_m2", "_m3"))}


def is_mirrored(sums: dict[str, float], setback_m: float) -> bool:
    """Say whether a shifted line explains a run of reaches with one bank short.

    Parameters
    ----------
    sums
        Columns of layer ``mirrors``, summed over the run.
    setback_m
        The setback [m].
    """
    if sums["known_m"] < LEAST_RUN_M - 1e-6:
        return False
    told = sums["told_m"] >= LEAST_TOLD * sums["short_m"]
    if told and sums["agrees_m"] >= LEAST_AGREED * sums["told_m"]:
        return True
    against = told and sums["agrees_m"] < LEAST_TOLD * sums["told_m"]
    return not against and make_up_for_each_other(sums, setback_m)


def make_up_for_each_other(sums: dict[str, float], setback_m: float) -> bool:
    """Say whether the widths of two strips make up for each other along a run of reaches."""
    own, other = sums["own_m2"] / sums["known_m"], sums["other_m2"] / sums["known_m"]
    own_square = max(0.0, sums["own_own_m3"] / sums["known_m"] - own**2)
    other_square = max(0.0, sums["other_other_m3"] / sums["known_m"] - other**2)
    both = sums["own_other_m3"] / sums["known_m"] - own * other
    if min(own_square, other_square) < (LEAST_SPREAD * setback_m) ** 2:
        return False
    of_sum = np.sqrt(max(0.0, own_square + other_square + 2 * both))
    opposed = both / np.sqrt(own_square * other_square) <= MOST_CORRELATION
    return bool(opposed and of_sum <= MOST_SUM_SPREAD * (own + other))


def _run(rows: pd.DataFrame) -> Run:
    sums = _sums(rows)
    told = sums["agrees_m"] >= LEAST_TOLD * sums["short_m"]
    shift = sums["agreed_m2"] / sums["agrees_m"] if told else sums["shift_m2"] / sums["short_m"]
    return Run(
        stream=str(rows["stream"].iloc[0]),
        side=SIDES[int(rows["side"].iloc[0])],
        reach_nos=tuple(rows["reach_no"].tolist()),
        reach_ids=tuple(rows["reach_id"].tolist()),
        length_m=sums["known_m"],
        shift_m=shift,
    )


def _mirrored(runs: list[Run]) -> Iterator[Finding]:
    """Say where gaps mirror each other."""
    do = "compare the line with an aerial photograph or a better map; move it, or give bank lines."
    for run in runs[:MOST_STREAMS]:
        full = SIDES[1 - SIDES.index(run.side)]
        says = (
            f"Along {run.length_m / 1000:.1f} km of {run.stream} ({run.reach_ids[0]} to {run.reach_ids[-1]}) the strip "
            f"is short on the {run.side} and full on the {full}, as it is beside a line that lies about "
            f"{run.shift_m:.0f} m too far {run.side}. The gaps there are uncertain."
        )
        yield Finding("warning", "streams", "mirrored_gaps", run.reach_ids[0], says, do)
    rest = runs[MOST_STREAMS:]
    if rest:
        length = sum(run.length_m for run in rest) / 1000
        says = f"Gaps mirror each other in the same way along {len(rest)} more runs of reaches, {length:.1f} km."
        yield Finding("warning", "streams", "mirrored_gaps", "", says, do)


def _recentred(banks: pd.DataFrame) -> Iterator[Finding]:
    """Say how much of the bank lines was re-centred, and by how much."""
    one = banks[banks["side"] == 0]
    moved = one[one["recentred_length_m"] > 0]
    if not len(moved):
        return
    size, length = moved["recentred_m"].abs().to_numpy(), moved["recentred_length_m"].to_numpy()
    order = np.argsort(size, kind="stable")
    middle = size[order][np.searchsorted(np.cumsum(length[order]), length.sum() / 2)]
    says = (
        f"Bank lines of half the bankfull width were re-centred on {length.sum() / 1000:.1f} of "
        f"{one['length_m'].sum() / 1000:.1f} km, by {middle:.1f} m (median of reaches; {size.max():.1f} m at most): "
        "fine heights show the channel there."
    )
    do = "nothing; or give bank lines, or better stream lines, if the heights are older than the channel."
    yield Finding("note", "streams", "recentred", "", says, do)
