"""Bank lines: where each transect meets the bank, and where a road crosses.

The bank line is the user's line where there is one, the newest of several dates, else the edge of the water polygon
(its outer ring, so that islands have no bank), else half the bankfull width from the line. Those of the last kind
move to both sides of the channel, where the heights are fine enough to show it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.channel_lows import channel_lows
from gisprio.compute.banks.crossings import crossing_places, crossing_stations, road_meetings
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
SEARCH_WIDTHS = 6.0
SEARCH_LEAST_M = 100.0
OTHER_CHANNEL_TIMES = 2.5
"""Water at the end of a segment this many times as wide as the segment is another channel's [own]."""
BESIDE_M = 1.0
"""A point this far beside the line tells what lies on that side."""
UNKNOWN_HALF_WIDTH_M = 1.0
"""Half width where drainage area, and so width, is missing [own]."""


def find_bank_lines(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Find where the transect of every station meets the left and the right bank line.

    Parameters
    ----------
    core
        ``stations`` of the piece.
    halo
        ``water``, ``bank_lines``, ``roads``, ``islands`` and ``segments`` near them.
    sources
        ``dem``: the finest heights there are; ``survey``: which survey they are from. Without them no bank line moves.
    settings
        Section ``dem``.

    Returns
    -------
    dict
        ``bank_points``: two rows a station, left before right. ``crossing_places``: what crosses, and where.
    """
    stations = core["stations"]
    width = stations["bankfull_width_m"].to_numpy(float)
    search = search_length(width)
    near = np.maximum(np.nan_to_num(width), 3 * stations["line_error_m"].to_numpy(float))
    centre = stations[["x", "y"]].to_numpy(float)
    left = stations[["left_x", "left_y"]].to_numpy(float)
    transects = transect_lines(centre, left, search)

    half = np.where(np.isnan(width), UNKNOWN_HALF_WIDTH_M, width / 2)
    offset = np.column_stack([half, half])
    basis = np.full(offset.shape, "half_width", dtype=object)
    low, high = water_span(transects, centre, left, outer_rings(halo["water"]), near, search)
    wet = ~np.isnan(low) & ~other_channel(stations, high - low)
    offset[wet] = np.column_stack([high, -low])[wet]
    basis[wet] = "water_edge"
    given = given_offsets(transects, centre, left, halo["bank_lines"])
    offset = np.where(np.isnan(given), offset, given)
    basis = np.where(np.isnan(given), basis, "given")
    lows, move = channel_lows(stations, halo["segments"], sources, settings.dem)
    move[~(basis == "half_width").all(axis=1)] = 0.0
    offset += np.column_stack([move, -move])

    meetings = road_meetings(stations, halo["roads"])
    crossing = crossing_stations(stations, meetings)
    points = _two_sides(stations, centre, left, offset, basis, crossing)
    points["island"] = on_island(centre, left, halo["islands"]).ravel()
    return {
        "bank_points": points.assign(low_offset_m=np.repeat(lows, 2), recentred_m=np.repeat(move, 2)),
        "crossing_places": crossing_places(stations, halo["roads"], meetings),
    }


def search_length(width_m: Floats) -> Floats:
    """Give how far to each side a bank line is looked for; (n,) of widths that may be missing [m]."""
    return np.maximum(SEARCH_LEAST_M, SEARCH_WIDTHS * np.nan_to_num(width_m))


def square_to(
    lines: shapely.Geometry | NDArray[np.object_],
    at: Floats,
    behind: Floats,
    ahead: Floats,
    *,
    normalized: bool = False,
) -> tuple[Floats, Floats]:
    """Give places on lines, and unit vectors to the left of the way from behind each to ahead of it; (n, 2) both.

    Parameters
    ----------
    lines
        One line, or (n,) of them.
    at, behind, ahead
        (n,) places along the lines [m], or shares of their length where ``normalized``.
    """
    here, before, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, place, normalized=normalized))
        for place in (at, behind, ahead)
    )
    along = (after - before) / np.maximum(np.hypot(*(after - before).T), 1e-9)[:, None]
    return here, np.column_stack([-along[:, 1], along[:, 0]])


def transect_lines(centre: Floats, left: Floats, search: Floats) -> NDArray[np.object_]:
    """Give lines from ``search`` metres right to ``search`` metres left of each centre; (n,)."""
    ends = np.stack([centre - left * search[:, None], centre + left * search[:, None]], axis=1)
    return np.asarray(shapely.linestrings(ends))


def outer_rings(water: pd.DataFrame) -> NDArray[np.object_]:
    """Give the water polygons without their holes: an island's bank is not a bank."""
    parts = shapely.get_parts(np.asarray(water.geometry.array)) if len(water) else np.empty(0, object)
    return np.asarray(shapely.polygons(shapely.get_exterior_ring(parts))) if len(parts) else parts


def water_span(
    transects: NDArray[np.object_],
    centre: Floats,
    left: Floats,
    polygons: NDArray[np.object_],
    near: Floats,
    search: Floats,
) -> tuple[Floats, Floats]:
    """Give the part of each transect that lies in the channel: its ends, measured to the left of the centre.

    Parameters
    ----------
    transects, centre, left
        (n,) lines, (n, 2) middle points, (n, 2) unit vectors to the left.
    polygons
        (k,) water polygons without holes.
    near
        (n,) a channel that misses the centre is taken when this near [m].
    search
        (n,) half lengths of the transects [m]; water that reaches so far has no edge here.

    Returns
    -------
    tuple
        low (to the right, mostly negative) and high; NaN where there is no channel. (n,) each [m].
    """
    low, high = np.full(len(transects), np.nan), np.full(len(transects), np.nan)
    if not len(polygons):
        return low, high
    line_no, polygon_no = shapely.STRtree(polygons).query(transects, predicate="intersects")
    parts, pair = shapely.get_parts(shapely.intersection(transects[line_no], polygons[polygon_no]), return_index=True)
    solid = shapely.get_type_id(parts) == shapely.GeometryType.LINESTRING
    parts, station = parts[solid], line_no[pair[solid]]
    if not len(parts):
        return low, high
    first = shapely.get_coordinates(shapely.get_point(parts, 0))
    last = shapely.get_coordinates(shapely.get_point(parts, -1))
    t0 = ((first - centre[station]) * left[station]).sum(axis=1)
    t1 = ((last - centre[station]) * left[station]).sum(axis=1)
    spans = pd.DataFrame({"station": station, "low": np.minimum(t0, t1), "high": np.maximum(t0, t1)})
    spans = _joined(spans)
    spans["away"] = np.maximum(0.0, np.maximum(spans["low"], -spans["high"]))
    spans = spans[spans["away"] <= near[spans["station"]]]
    spans = spans[(-spans["low"] < search[spans["station"]] - 0.01) & (spans["high"] < search[spans["station"]] - 0.01)]
    spans = spans.sort_values(["station", "away", "low"]).drop_duplicates("station")
    low[spans["station"]] = spans["low"]
    high[spans["station"]] = spans["high"]
    return low, high


def other_channel(stations: pd.DataFrame, span: Floats) -> NDArray[np.bool_]:
    """Mark stations at the ends of a segment whose transect runs along the channel it joins, or up one that joins it.

    Parameters
    ----------
    stations
        Sorted by segment and number, with ``kind`` and ``bankfull_width_m``.
    span
        (n,) width of the water on each transect, NaN where there is none [m].

    Returns
    -------
    ndarray
        (n,) bool: from an end inward, as long as the water is over 2.5 times as wide as the segment mostly is [own].
        Standing water is wide of itself and never marked.
    """
    marked = np.zeros(len(span), bool)
    width = np.where(np.isnan(span), stations["bankfull_width_m"].to_numpy(float), span)
    stands = (stations["kind"] == "lake_path").to_numpy()
    for rows in stations.groupby("segment_no", sort=False).indices.values():
        own = width[rows][~stands[rows] & ~np.isnan(width[rows])]
        if len(own):
            wide = (span[rows] > OTHER_CHANNEL_TIMES * np.median(own)) & ~stands[rows]
            from_ends = np.logical_and.accumulate(wide) | np.logical_and.accumulate(wide[::-1])[::-1]
            marked[rows] = from_ends
    return marked


def _joined(spans: pd.DataFrame, touch_m: float = 0.5) -> pd.DataFrame:
    """Join spans of one station that touch: water drawn as several polygons is one channel."""
    spans = spans.sort_values(["station", "low", "high"], ignore_index=True)
    furthest = spans.groupby("station")["high"].cummax().shift()
    new = (spans["station"] != spans["station"].shift()) | (spans["low"] > furthest + touch_m)
    return spans.groupby(new.cumsum().rename("span")).agg(
        station=("station", "first"), low=("low", "min"), high=("high", "max")
    )


def given_offsets(transects: NDArray[np.object_], centre: Floats, left: Floats, bank_lines: pd.DataFrame) -> Floats:
    """Give outward offsets to the user's newest bank lines; (n, 2) left, right; NaN where there is none [m]."""
    offset = np.full((len(transects), 2), np.nan)
    met = met_lines(transects, centre, left, bank_lines)
    undated_last = met.sort_values(["date_y", "offset_m"], ascending=[False, True], kind="stable")
    nearest = undated_last.drop_duplicates(["station", "side"])
    offset[nearest["station"], nearest["side"]] = nearest["offset_m"]
    return offset


def met_lines(transects: NDArray[np.object_], centre: Floats, left: Floats, bank_lines: pd.DataFrame) -> pd.DataFrame:
    """Give every place where a transect meets a bank line, one row each.

    Parameters
    ----------
    transects, centre, left
        (n,) lines, (n, 2) middle points, (n, 2) unit vectors to the left.
    bank_lines
        Layer ``bank_lines``.

    Returns
    -------
    DataFrame
        ``station``, ``line`` (rows), ``side``, ``offset_m`` outward (above 0), ``date_y`` and ``error_m`` of the line.
    """
    lines = np.asarray(bank_lines.geometry.array, object)
    station, line = shapely.STRtree(lines).query(transects, predicate="intersects")
    points, pair = shapely.get_coordinates(shapely.intersection(transects[station], lines[line]), return_index=True)
    station, line = station[pair], line[pair]
    place = ((points - centre[station]) * left[station]).sum(axis=1)
    met = pd.DataFrame({"station": station, "line": line, "side": (place < 0).astype(int), "offset_m": np.abs(place)})
    own = bank_lines[["date_y", "error_m"]].to_numpy(float)[line]
    return met.assign(date_y=own[:, 0], error_m=own[:, 1])[place != 0].reset_index(drop=True)


def on_island(centre: Floats, left: Floats, islands: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which sides of the stations begin on an island; (n, 2) left, right."""
    beside = np.stack([centre + left * BESIDE_M, centre - left * BESIDE_M], axis=1)
    found = np.zeros(beside.shape[:2], bool)
    rings = np.asarray(islands.geometry.array)
    point, _ = shapely.STRtree(rings).query(shapely.points(beside).ravel(), predicate="within")
    found.ravel()[point] = True
    return found


def _two_sides(
    stations: pd.DataFrame, centre: Floats, left: Floats, offset: Floats, basis: NDArray, crossing: NDArray
) -> pd.DataFrame:
    outward = np.stack([left, -left], axis=1)
    place = centre[:, None, :] + outward * offset[:, :, None]
    return pd.DataFrame(
        {
            "segment_no": np.repeat(stations["segment_no"].to_numpy(), 2),
            "station_no": np.repeat(stations["station_no"].to_numpy(), 2),
            "side": np.tile([0, 1], len(stations)),
            "offset_m": offset.ravel(),
            "x": place[:, :, 0].ravel(),
            "y": place[:, :, 1].ravel(),
            "out_x": outward[:, :, 0].ravel(),
            "out_y": outward[:, :, 1].ravel(),
            "bank_line_basis": basis.ravel().astype(str),
            "crossing": np.repeat(crossing, 2),
        }
    )
