"""Where sites lie: steps in the bed above them, structures near them, sites that go on from them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import UNKNOWN_HALF_WIDTH_M
from gisprio.compute.land.neighbours import NEAR_M
from gisprio.contracts.phrases import AWAY, STEP, UPSTREAM

Floats = NDArray[np.float64]
STRUCTURE_WIDTHS = 10.0
"""A bridge, culvert or dam within so many bankfull widths is near; common practice, no source."""
_DAMS = "dam|weir|sluice|barrage"
"""Words in the kind of a constraint that mean a structure across the stream [own]."""


def known_widths(reaches: pd.DataFrame) -> pd.Series:
    """Give the bankfull width of reaches by number; where it is not known the one that bank lines take [m]."""
    widths = reaches.set_index("reach_no")["bankfull_width_m"].astype(float)
    return widths.fillna(2 * UNKNOWN_HALF_WIDTH_M)


def steps_above(
    sites: pd.DataFrame, segments: pd.DataFrame, reaches: pd.DataFrame, knickpoints: pd.DataFrame, widths: float
) -> list[str | None]:
    """Tell of the nearest step in the bed that a site lies within so many bankfull widths below; None of none.

    Parameters
    ----------
    sites
        ``segment_no``, ``low_m`` and ``high_m`` along the segment.
    segments, reaches, knickpoints
        Layers ``segments``, ``reach_measures``, ``knickpoints``.
    widths
        How far down the stream [bankfull widths at the step].
    """
    nearest = np.full(len(sites), np.inf)
    words = np.full(len(sites), None, object)
    segment_no, low, high = (sites[name].to_numpy() for name in ("segment_no", "low_m", "high_m"))
    for step in knickpoints.itertuples():
        for segment, down_to, up_to, before in _downstream(step, segments, reaches, widths):
            met = (segment_no == segment) & (low < up_to) & (high > down_to)
            away = np.where(met, before + np.maximum(0.0, up_to - high), np.inf)
            closer = away < nearest
            place = "at a crossing" if step.near_crossing else ""
            told = [_step_words(float(step.drop_m), metres, place) for metres in away[closer]]
            words[closer], nearest[closer] = told, away[closer]
    return words.tolist()


def _step_words(drop_m: float, away_m: float, place: str) -> str:
    where = UPSTREAM.say(away_m=away_m) if away_m >= 1 else "lies beside it"
    return f"{STEP.say(drop_m=drop_m)} {where}" + (f" ({place}: perhaps a culvert)" if place else "")


def _downstream(
    step: object, segments: pd.DataFrame, reaches: pd.DataFrame, widths: float
) -> Iterator[tuple[int, float, float, float]]:
    """Give the parts of segments below a step: segment, lower and upper place, distance from the step to the upper."""
    segment, at = int(step.segment_no), float(step.at_m)  # type: ignore[attr-defined]
    own = reaches[(reaches["segment_no"] == segment) & (reaches["from_m"] <= at)]
    width = float(known_widths(reaches)[own["reach_no"].iloc[-1]]) if len(own) else 2 * UNKNOWN_HALF_WIDTH_M
    left, before = widths * width, 0.0
    down, length = segments["downstream_no"].to_numpy(), segments["length_m"].to_numpy()
    while segment >= 0 and left > 0:
        yield segment, max(0.0, at - left), at, before
        left, before, segment = left - at, before + at, int(down[segment])
        at = float(length[segment]) if segment >= 0 else 0.0


def structures_near(sites: pd.DataFrame, crossings: pd.DataFrame, constraints: pd.DataFrame) -> list[str | None]:
    """Name the nearest crossing or dam within ten bankfull widths of each site; None of none.

    Parameters
    ----------
    sites
        Polygons with ``width_m``, the bankfull width.
    crossings, constraints
        Layers ``crossings`` and ``constraints`` of the inputs.
    """
    kinds = crossings["kind"].fillna("road or path").map("a {} crossing".format).tolist()
    dams = constraints[constraints["kind"].fillna("").str.contains(_DAMS, case=False)]
    shapes = np.concatenate([np.asarray(crossings.geometry.array), np.asarray(dams.geometry.array)])
    names = [*kinds, *("a structure of kind " + dams["kind"]).tolist()]
    found: list[str | None] = [None] * len(sites)
    ground = np.asarray(sites.geometry.array)  # type: ignore[attr-defined]
    near = STRUCTURE_WIDTHS * sites["width_m"].to_numpy(float)
    site, thing = shapely.STRtree(shapes).query(ground, predicate="dwithin", distance=near)
    away = np.round(shapely.distance(ground[site], shapes[thing]), 3)
    for one in np.lexsort([thing, away, site])[::-1]:  # the nearest is written last
        found[site[one]] = f"{names[thing[one]]} {AWAY.say(away_m=away[one])}"
    return found


def joint_sites(sites: pd.DataFrame) -> pd.DataFrame:
    """Give the sites that each goes on into or lies opposite to.

    Parameters
    ----------
    sites
        ``site_id``, ``property_id``, ``segment_no``, ``side``, ``low_m`` and ``high_m`` along the segment.

    Returns
    -------
    DataFrame
        In the rows of ``sites``: ``joint_sites`` and ``joint_properties`` (text or None), and ``joint_length_m``: the
        length of the unbroken row along the same bank.

    Notes
    -----
    Sites go on where no more than 20 m of one bank part them, and lie opposite where their places along the segment
    overlap. Nothing is told across a confluence.
    """
    rows = sites[["site_id", "property_id", "segment_no", "side", "low_m", "high_m"]].reset_index(drop=True)
    order = rows.sort_values(["segment_no", "side", "low_m"], kind="stable")
    before = order.shift()
    on = (order["segment_no"] == before["segment_no"]) & (order["side"] == before["side"])
    on &= order["low_m"] - before["high_m"] <= NEAR_M
    row_of = (~on).cumsum()
    length = (order["high_m"] - order["low_m"]).groupby(row_of).transform("sum").reindex(rows.index)
    first = np.flatnonzero(on.to_numpy())
    along = np.column_stack([order.index.to_numpy()[first - 1], order.index.to_numpy()[first]])
    left, right = (rows[rows["side"] == side].reset_index(names="row") for side in (0, 1))
    both = left.merge(right, on="segment_no", suffixes=("", "_other"))
    both = both[(both["low_m"] < both["high_m_other"]) & (both["low_m_other"] < both["high_m"])]
    pairs = np.concatenate([along, both[["row", "row_other"]].to_numpy(np.int64)])
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    return pd.DataFrame(
        {
            "joint_sites": _listed(pairs, rows["site_id"], None),
            "joint_properties": _listed(pairs, rows["property_id"], rows["property_id"]),
            "joint_length_m": length.to_numpy(float),
        },
        index=sites.index,
    )


def _listed(pairs: NDArray[np.int64], names: pd.Series, own: pd.Series | None) -> list[str | None]:
    """List the names of each row's partners, in order and once each; the row's own name is left out."""
    words = names.to_numpy(object)
    table = pd.DataFrame({"row": pairs[:, 0], "name": words[pairs[:, 1]]}).dropna().drop_duplicates()
    if own is not None:
        table = table[table["name"] != own.to_numpy(object)[table["row"]]]
    by_row = table.sort_values(["row", "name"]).groupby("row")["name"].agg(", ".join)
    return [by_row.get(row) for row in range(len(names))]
