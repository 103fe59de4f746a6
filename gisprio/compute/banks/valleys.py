"""Valley floor and line offset, read across each station off the heights above the stream and the raw heights."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from gisprio.compute.banks.sides import STATION_KEY
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.constants import UNCONFINED_RATIO, VALLEY_RISE_DEPTHS
from gisprio.contracts.grids import NO_SURVEY, Grid, GridSource, bilinear_within, box_around
from gisprio.contracts.settings import Settings

Floats = NDArray[np.floating]
VALLEY_LEAST_M = 60.0
"""Cross-sections are read at least so far a side."""
SAMPLES = 24
"""Samples a side for the valley floor."""
LEAST_RELIEF_M = 1.0
"""Across less relief than this the low is not told from noise [own]."""
OFFSET_MEAN_STATIONS = 21
"""Cross-sections are averaged over so many stations before the low is looked for [own]."""


def measure_valleys(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure the width of the valley floor and how far the line lies from the lowest ground.

    Parameters
    ----------
    core
        ``stations``, ``bank_points`` and ``reach_measures`` of the piece.
    halo
        None.
    sources
        ``elevation``: raw heights of the routing grid; ``height_above_stream``: of each cell over the stream cell it
        drains to. ``survey``: which survey each is from; without it all are one.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``valleys``: one row a station.

    Notes
    -----
    Valley floor: ground reached on both sides before it lies more than twice the mean bankfull depth above the stream
    it drains to [own] (height above nearest drainage, nobre2011); looked for out to 10 widths a side, the ratio from
    which a valley is open. Heights of another survey than the one at the station count as missing, and a
    floor that goes on into one has no width. Where finer heights show the low of the channel, the offset is theirs.
    """
    stations = core["stations"]
    reaches = core["reach_measures"].set_index("reach_no")
    depth = reaches["bankfull_depth_m"].reindex(stations["reach_no"]).to_numpy(float)
    width = stations["bankfull_width_m"].to_numpy(float)
    widest = float(np.nanmax(width)) if np.isfinite(width).any() else 0.0
    reach_out = max(widest * UNCONFINED_RATIO.value, VALLEY_LEAST_M)
    margin = reach_out + settings.setback.most_m
    heights = _window(sources["elevation"], stations, margin)
    above = _window(sources["height_above_stream"], stations, margin)
    surveys = _window(sources["survey"], stations, margin) if "survey" in sources else None
    told = line_offset(stations, heights, max(settings.setback.most_m, 30.0), surveys)
    lows = _finer_lows(stations, core["bank_points"])
    return {
        "valleys": pd.DataFrame(
            {
                "segment_no": stations["segment_no"].to_numpy(),
                "station_no": stations["station_no"].to_numpy(),
                "valley_width_m": valley_width(stations, above, width, depth, surveys),
                "line_offset_m": np.where(np.isnan(lows), told, lows),
            }
        )
    }


def _finer_lows(stations: pd.DataFrame, points: pd.DataFrame) -> Floats:
    """Give the offset that finer heights tell at each station; NaN where they tell none. (n,) [m]."""
    of_station = points.loc[points["side"] == 0, [*STATION_KEY, "low_offset_m"]]
    return stations[STATION_KEY].merge(of_station, how="left", validate="one_to_one")["low_offset_m"].to_numpy(float)


def _window(elevation: GridSource, stations: pd.DataFrame, margin: float) -> Grid:
    if not len(stations):
        return elevation.window((0.0, 0.0, 0.0, 0.0))
    return elevation.window(box_around(stations["x"].to_numpy(), stations["y"].to_numpy(), margin))


def heights_across(stations: pd.DataFrame, heights: Grid, out: Floats, surveys: Grid | None) -> Floats:
    """Heights of the station's own survey at signed distances to the left of it; ``out`` is (n, k) or (k,)."""
    out = np.broadcast_to(out, (len(stations), np.shape(out)[-1]))
    x = stations["x"].to_numpy()[:, None] + stations["left_x"].to_numpy()[:, None] * out
    y = stations["y"].to_numpy()[:, None] + stations["left_y"].to_numpy()[:, None] * out
    if surveys is None:
        return heights.bilinear(x, y)
    own = surveys.nearest(stations["x"].to_numpy(), stations["y"].to_numpy(), NO_SURVEY).astype(np.int16)
    return bilinear_within(heights, surveys, x, y, own)


def valley_width(
    stations: pd.DataFrame, above: Grid, width: Floats, depth: Floats, surveys: Grid | None = None
) -> Floats:
    """Give the width of the valley floor at each station.

    Parameters
    ----------
    stations
        Layer ``stations``.
    above
        Height above nearest drainage [m].
    width, depth
        (n,) bankfull width and mean depth [m].
    surveys
        Which survey each height is from; None for one.

    Returns
    -------
    ndarray
        (n,) [m], not below the bankfull width; NaN where width, depth or the heights at the station are missing.
    """
    step = UNCONFINED_RATIO.value * width / SAMPLES
    here = above.nearest(stations["x"].to_numpy(), stations["y"].to_numpy(), np.nan)
    total = np.where(np.isnan(here), np.nan, 0.0 * width)
    for sign in (1.0, -1.0):
        out = step[:, None] * np.arange(1, SAMPLES + 1)
        z = heights_across(stations, above, sign * out, surveys)
        outside = np.array(np.isnan(z) | (z > VALLEY_RISE_DEPTHS.value * depth[:, None]), bool)
        first = np.where(outside.any(axis=1), outside.argmax(axis=1), SAMPLES)
        total += first * step
        if surveys is not None:
            end = sign * out[np.arange(len(out)), np.minimum(first, SAMPLES - 1)][:, None]
            own, any_survey = heights_across(stations, above, end, surveys), heights_across(stations, above, end, None)
            total[(np.isnan(own) & ~np.isnan(any_survey))[:, 0]] = np.nan
    total[np.isnan(depth)] = np.nan
    return np.maximum(total, np.where(np.isnan(total), np.nan, width))


def line_offset(stations: pd.DataFrame, heights: Grid, reach_m: float, surveys: Grid | None = None) -> Floats:
    """Give the signed distance from the line to the lowest ground across it (left positive); (n,) [m].

    Cross-sections are averaged along the stream first; NaN where the relief is too small to tell.
    """
    half = int(np.ceil(reach_m / (heights.lattice.cell_m / 2)))
    out = np.arange(-half, half + 1) * (heights.lattice.cell_m / 2)
    offset = np.full(len(stations), np.nan)
    for rows in stations.groupby("segment_no", sort=False).indices.values():
        z = heights_across(stations.iloc[rows], heights, out, surveys)
        known = np.asarray(np.isfinite(z).all(axis=1), bool)
        if not known.any():
            continue
        z = np.where(known[:, None], z, 0.0)
        size = OFFSET_MEAN_STATIONS
        share = uniform_filter1d(known.astype(float), size, mode="constant")
        mean = uniform_filter1d(z, size, axis=0, mode="constant") / np.maximum(share, 1e-9)[:, None]
        told = (share > 0.25) & (np.ptp(mean, axis=1) >= LEAST_RELIEF_M)
        offset[rows[told]] = out[mean[told].argmin(axis=1)]
    return offset
