"""Places of visits: which bank each was made at, and which stations it speaks for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.profiles import reach_rows
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.layers import VISIT_PLACES
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import SIDES

Floats = NDArray[np.float64]
AWAY_M = 30.0
"""A visit farther from any bank of its side has lost its place [own]: some errors of a phone and of a line."""
STRETCH_M = 50.0
"""A visit speaks for so much of its bank, half of it each way [own]: the stretch a bank is judged by."""
_CARRIED = ("at_desk", "date_y", "bank_height_m", "bank_angle_deg", "erodes", "verdict")
_TANGENT_M = 0.5


def place_visits(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Match each visit to the nearest bank of its side, by place alone.

    Parameters
    ----------
    tables
        ``visits``, ``segments``, ``reach_measures``.
    sources
        None.
    settings
        None.

    Returns
    -------
    dict
        ``visit_places``: one row a visit that lies at a bank; ``findings``: those that do not.

    Notes
    -----
    A bank lies half the bankfull width beside the line on its side. Its distance from a visit is taken square to the
    line: a point on the wrong side of a narrow stream is still near its bank, across a wide one it is not.
    """
    visits, reaches = tables["visits"], tables["reach_measures"]
    if not len(visits):
        return {"visit_places": empty(VISIT_PLACES), "findings": findings_table([])}
    pairs = _pairs(visits, tables["segments"], reaches)
    pairs = pairs[pairs["away_m"] <= AWAY_M].sort_values(["visit_no", "away_m", "segment_no"], kind="stable")
    places = pairs.drop_duplicates("visit_no").reset_index(drop=True)
    own = reaches.iloc[places.pop("reach_row")]
    low, high = own["from_m"].to_numpy(float), own["to_m"].to_numpy(float)
    half = np.minimum(STRETCH_M, high - low) / 2
    middle = np.clip(places["at_m"].to_numpy(float), low + half, high - half)
    places = places.assign(reach_no=own["reach_no"].to_numpy(), from_m=middle - half, to_m=middle + half)
    seen = pd.DataFrame(visits)[list(_CARRIED)].iloc[places["visit_no"]].reset_index(drop=True)
    return {
        "visit_places": check(VISIT_PLACES, pd.concat([places, seen], axis=1)),
        "findings": findings_table(_lost(visits, places["visit_no"])),
    }


def _pairs(visits: pd.DataFrame, segments: pd.DataFrame, reaches: pd.DataFrame) -> pd.DataFrame:
    """Give each visit with each segment near it: place along, reach, distance from the bank of the visit's side."""
    points, lines = (np.asarray(table.geometry.array) for table in (visits, segments))
    half_width = float(np.nan_to_num(reaches["bankfull_width_m"].max())) / 2
    visit, row = shapely.STRtree(lines).query(points, predicate="dwithin", distance=AWAY_M + half_width)
    line, length = lines[row], segments["length_m"].to_numpy(float)[row]
    along = shapely.line_locate_point(line, points[visit])
    side = visits["side"].to_numpy(int)[visit]
    places = pd.DataFrame(
        {"visit_no": visit, "segment_no": segments["segment_no"].to_numpy()[row], "side": side,
         "at_m": np.clip(length - along, 0.0, length)}
    )  # fmt: skip
    places["reach_row"] = reach_rows(places, reaches)
    width = np.nan_to_num(reaches["bankfull_width_m"].to_numpy(float)[places["reach_row"]])
    beside = shapely.distance(points[visit], line) * _on_side(points[visit], line, along, side)
    return places.assign(away_m=np.abs(beside - width / 2))


def _on_side(points: NDArray[np.object_], lines: NDArray[np.object_], along: Floats, side: NDArray[np.int64]) -> Floats:
    """Give 1 where a point lies on that side of a line drawn downstream (0 left, 1 right), else -1; (n,)."""
    behind = shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(along - _TANGENT_M, 0.0)))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(lines, along + _TANGENT_M))
    way, off = ahead - behind, shapely.get_coordinates(points) - behind
    left = way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0] > 0
    return np.where(left == (side == 0), 1.0, -1.0)


def _lost(visits: pd.DataFrame, placed: pd.Series) -> list[Finding]:
    """Tell the visits whose bank is not there, all in one."""
    gone = np.setdiff1d(np.arange(len(visits)), placed.to_numpy())
    if not len(gone):
        return []
    names = [
        f"{name or bank or f'row {number + 1}'} ({SIDES[side]})"
        for number, name, bank, side in zip(
            gone, *(visits[key].to_numpy()[gone] for key in ("visit_id", "bank_id", "side")), strict=True
        )
    ]
    says = (
        f"{len(gone)} of {len(visits)} filled visits lie within {AWAY_M:g} m of no bank of their side: {listed(names)}."
    )
    do = "Nothing, if the stream line moved or is gone; else check the points and sides. They change no bank."
    return [Finding("warning", "visits", "lost_target", "", says, do)]


def spoken_for(sides: pd.DataFrame, places: pd.DataFrame, told: str) -> NDArray[np.int64]:
    """Say which visit speaks for each station side: of those that tell a thing the latest, then the nearest.

    Parameters
    ----------
    sides
        Station sides: ``reach_no``, ``side``, ``at_m``.
    places
        ``visit_places`` of their segments.
    told
        Column of ``places`` that must not be null.

    Returns
    -------
    ndarray
        (n,) row of ``places``; -1 where no visit speaks.
    """
    rows = np.full(len(sides), -1, np.int64)
    telling = places.assign(place=np.arange(len(places)))[places[told].notna().to_numpy()]
    if not len(telling):
        return rows
    keys = pd.DataFrame({name: sides[name].to_numpy() for name in ("reach_no", "side")}).assign(
        row=np.arange(len(sides))
    )
    both = keys.merge(
        telling[["reach_no", "side", "at_m", "from_m", "to_m", "date_y", "place"]], on=["reach_no", "side"]
    )
    at = sides["at_m"].to_numpy(float)[both["row"]]
    both = both.assign(off=np.abs(at - both["at_m"]), late=-both["date_y"].fillna(-np.inf))
    both = both[(at >= both["from_m"]) & (at <= both["to_m"])]
    both = both.sort_values(["row", "late", "off", "place"], kind="stable").drop_duplicates("row")
    rows[both["row"]] = both["place"]
    return rows


def seen_to_erode(sides: pd.DataFrame, places: pd.DataFrame) -> Floats:
    """Give whether visits saw station sides erode: 1 on the stretch a visit speaks for, 0 on the rest of its bank.

    Parameters
    ----------
    sides, places
        As of :func:`spoken_for`.

    Returns
    -------
    ndarray
        (n,) NaN on banks where no visit tells it.
    """
    telling = places[places["erodes"].notna()]
    visited = pd.MultiIndex.from_frame(telling[["reach_no", "side"]])
    looked = pd.MultiIndex.from_frame(sides[["reach_no", "side"]]).isin(visited)
    row = spoken_for(sides, places, "erodes")
    erodes = np.append(places["erodes"].to_numpy(float), 0.0)[row]
    return np.where(looked, erodes, np.nan)
