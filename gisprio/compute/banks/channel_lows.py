"""Lows of the channel: how far beside the line the water runs, on heights fine enough to show it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from gisprio.compute.banks.bank_heights import STATIONS_AT_ONCE, heights_at, survey_at
from gisprio.compute.banks.stations import smoothing_length
from gisprio.contracts.cards import Sources
from gisprio.contracts.grids import survey_cells
from gisprio.contracts.settings import Dem

Floats = NDArray[np.float64]
REACH_WIDTHS, REACH_LINE_ERRORS = 2.0, 3.0
"""The low is looked for within 2 bankfull widths and 3 standard errors of the line [own]."""
LEAST_STEP_M = 0.5
MEAN_STATIONS = 5
"""Cross-sections are averaged over so many stations before the low is looked for [own]."""
MEDIAN_STATIONS = 7
"""Offsets that so many stations do not share are left out of the move [own]."""
LEAN = 0.01
"""Of lows that are alike the nearer one counts: heights are raised by this share of the distance to the line [own]."""
SHARED_WAY = 0.5
"""Share of the way to another line on which a channel may be this one's [own]."""
HOLD_M, FADE_M = 25.0, 50.0
"""A move is held so far from where the low is told, and fades over so much more [own]."""


def channel_lows(stations: pd.DataFrame, segments: pd.DataFrame, sources: Sources, dem: Dem) -> tuple[Floats, Floats]:
    """Tell how far the low of the channel lies beside the line, and by how much the bank lines move towards it.

    Parameters
    ----------
    stations
        Layer ``stations``, sorted by segment and number.
    segments
        Segments near them: no low is looked for behind another line.
    sources
        ``dem``: the finest heights there are; ``survey``: which survey they are from.
    dem
        ``bank_cell_m``, ``least_bank_m``, ``lidar_error_m``.

    Returns
    -------
    offset, move
        (n,) each [m], left positive. ``offset`` is NaN where no channel stands out or the cells are larger than
        ``bank_cell_m``; ``move`` is 0 there, or follows from its neighbours.

    Notes
    -----
    Cross-sections, each above its own lowest place, are averaged over 5 stations [own]. The low is the middle of what
    lies within two errors of the lowest place; it is told where the ground rises by ``least_bank_m`` on both sides
    before another line. The move is the offset, smoothed by a median over 7 stations [own] and a mean over the length
    by which the line is smoothed. It is held 25 m beyond the last offset told and fades over 50 m, there and
    towards coarser heights [own].
    """
    offset, move = np.full(len(stations), np.nan), np.zeros(len(stations))
    if "dem" not in sources or not len(stations):
        return offset, move
    survey = survey_at(sources, stations)
    cells = np.array([*survey_cells(sources["dem"]), np.nan])  # NO_SURVEY is the last
    fine = cells[survey] <= dem.bank_cell_m
    if not fine.any():
        return offset, move
    low, high = looked_between(stations, segments)
    for rows in stations.groupby("segment_no", sort=False).indices.values():
        if fine[rows].any():
            own = stations.iloc[rows]
            out, z = _sections(own, sources, np.where(fine[rows], survey[rows], -1), low[rows], high[rows])
            offset[rows] = middle_of_low(out, z, dem.least_bank_m, 2 * dem.lidar_error_m)
            move[rows] = np.clip(smooth_move(own, offset[rows], fine[rows]), low[rows], high[rows])
    return offset, move


def looked_between(stations: pd.DataFrame, segments: pd.DataFrame) -> tuple[Floats, Floats]:
    """Give how far right (negative) and left of each station the low may lie; (n,) each [m].

    Half the way to where the transect meets another segment, or its own further than a width away [own].
    """
    width = np.nan_to_num(stations["bankfull_width_m"].to_numpy(float))
    reach = REACH_WIDTHS * width + REACH_LINE_ERRORS * stations["line_error_m"].to_numpy(float)
    low, high = -reach, reach.copy()
    centre, left = stations[["x", "y"]].to_numpy(float), stations[["left_x", "left_y"]].to_numpy(float)
    ends = np.stack([centre - left * reach[:, None] / SHARED_WAY, centre + left * reach[:, None] / SHARED_WAY], axis=1)
    transects, lines = np.asarray(shapely.linestrings(ends)), np.asarray(segments.geometry.array)
    station, line = shapely.STRtree(lines).query(transects, predicate="intersects")
    points, pair = shapely.get_coordinates(shapely.intersection(transects[station], lines[line]), return_index=True)
    station, line = station[pair], line[pair]
    place = ((points - centre[station]) * left[station]).sum(axis=1)
    own = segments["segment_no"].to_numpy()[line] == stations["segment_no"].to_numpy()[station]
    other = ~own | (np.abs(place) > np.maximum(width, stations["line_error_m"].to_numpy(float))[station])
    for limit, beyond, keep in ((high, place >= 0, np.minimum), (low, place <= 0, np.maximum)):
        keep.at(limit, station[other & beyond], SHARED_WAY * place[other & beyond])
    return low, high


def _sections(
    stations: pd.DataFrame, sources: Sources, survey: NDArray[np.int64], low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    """Give places across the stations of one segment (k,), and heights there above the section's lowest (n, k) [m]."""
    cell = sources["dem"].lattice.cell_m
    step = max(cell / 2, LEAST_STEP_M)
    half = int(np.ceil(max(-low.min(), high.max(), step) / step))
    out = np.arange(-half, half + 1, dtype=np.float64) * step
    z = np.full((len(stations), len(out)), np.nan)
    x, y, left_x, left_y = (stations[name].to_numpy(float)[:, None] for name in ("x", "y", "left_x", "left_y"))
    for first in range(0, len(stations), STATIONS_AT_ONCE):
        some = slice(first, first + STATIONS_AT_ONCE)
        if (survey[some] >= 0).any():
            places = x[some] + left_x[some] * out, y[some] + left_y[some] * out
            z[some] = heights_at(sources, *places, survey[some], cell)
    z[(out < low[:, None]) | (out > high[:, None])] = np.nan
    lowest = np.min(z, axis=1, keepdims=True, initial=np.inf, where=~np.isnan(z))
    return out, np.asarray(z - lowest, float)


def middle_of_low(out: Floats, z: Floats, least_m: float, error_m: float) -> Floats:
    """Give the middle of the lowest ground of averaged cross-sections; (n,) [m], NaN where no channel stands out.

    Parameters
    ----------
    out
        (k,) places across, left positive [m].
    z
        (n, k) heights of neighbouring sections above the lowest place of each [m]; NaN where not looked.
    least_m
        The ground has to rise by this on both sides [m].
    error_m
        Places within this of the lowest are low too [m].
    """
    known = ~np.isnan(z)
    share = uniform_filter1d(known.astype(float), MEAN_STATIONS, axis=0, mode="nearest")
    mean = uniform_filter1d(np.where(known, z, 0.0), MEAN_STATIONS, axis=0, mode="nearest") / np.maximum(share, 1e-9)
    mean = np.where(known & (share > 0.5), mean, np.inf)
    at = (mean + LEAN * np.abs(out)).argmin(axis=1)
    rows, places = np.arange(len(z))[:, None], np.arange(len(out))
    bottom = mean[rows, at[:, None]]
    above = ~(mean <= bottom + error_m)
    first = np.where(above & (places < at[:, None]), places, -1).max(axis=1) + 1
    last = np.where(above & (places > at[:, None]), places, len(out)).min(axis=1) - 1
    seen = np.where(np.isinf(mean), -np.inf, mean)
    sides = (places < first[:, None], places > last[:, None])
    rises = [np.where(side, seen, -np.inf).max(axis=1) - bottom[:, 0] for side in sides]
    told = np.minimum(*rises) >= least_m
    return np.where(told, (out[first] + out[last]) / 2, np.nan)


def smooth_move(stations: pd.DataFrame, offset: Floats, fine: NDArray[np.bool_]) -> Floats:
    """Give how far the bank lines of one segment move, from the offsets told; (n,) [m], left positive."""
    told = np.flatnonzero(~np.isnan(offset))
    move = np.zeros(len(offset))
    if not len(told):
        return move
    at = stations["at_m"].to_numpy(float)
    around = pd.Series(offset).rolling(MEDIAN_STATIONS, center=True, min_periods=1).median()
    filled = np.interp(at, at[told], around.to_numpy()[told])
    spacing = float(np.median(np.diff(at))) if len(at) > 1 else 1.0
    widest = float(np.nan_to_num(stations["bankfull_width_m"].to_numpy(float)).max())
    smooth = smoothing_length(widest, float(stations["line_error_m"].iloc[0]))
    filled = uniform_filter1d(filled, max(1, round(smooth / spacing)), mode="nearest")
    held = 1 - (_nearest(at, at[told]) - HOLD_M) / FADE_M
    inside = _nearest(at, at[~fine]) / FADE_M
    move = filled * np.clip(np.minimum(held, inside), 0.0, 1.0)
    return np.where(fine, move, 0.0)


def _nearest(at: Floats, marks: Floats) -> Floats:
    """Give the distance from each place to the nearest mark, infinite where there is none; both sorted."""
    padded = np.concatenate([[-np.inf], marks, [np.inf]])
    after = np.searchsorted(padded, at)
    return np.minimum(padded[after] - at, at - padded[after - 1])
