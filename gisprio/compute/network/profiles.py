"""Long profiles: what was measured along each stream, from its mouth up the main path to its source."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.knickpoints import main_paths, path_offsets
from gisprio.compute.network.profile import falling
from gisprio.compute.network.seams import seams
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table, listed
from gisprio.contracts.layers import LONG_PROFILES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
OF_THE_REACH = ("slope_m_m", "unit_stream_power_w_m2", "drainage_area_km2")


def lay_profiles(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Lay the long profile of every stream.

    Parameters
    ----------
    tables
        ``segments``, ``reach_measures``, ``profile_points``, ``knickpoints``.
    sources, settings
        Not read.

    Returns
    -------
    dict
        ``long_profiles``: by stream, upstream; and ``findings``.

    Notes
    -----
    A stream is the main path from an outlet, or from its mouth in another stream, to its source. Heights are made to
    fall downstream along the whole of it, but not across a seam between surveys.
    """
    segments, points = tables["segments"], tables["profile_points"]
    if not len(points):
        return {"long_profiles": empty(LONG_PROFILES), "findings": findings_table([])}
    points = points.reset_index(drop=True)
    streams = stream_table(segments)
    number = points["segment_no"].to_numpy()
    from_mouth = streams["offset_m"].to_numpy()[number] + points["at_m"].to_numpy()
    reaches = tables["reach_measures"].iloc[reach_rows(points, tables["reach_measures"])]
    places = places_on(segments, points)
    drop = _drops(points, tables["knickpoints"])
    made = pd.DataFrame(
        {
            "stream_id": streams["stream_id"].to_numpy()[number],
            "stream_name": streams["stream_name"].to_numpy()[number],
            "joins_stream_id": streams["joins_stream_id"].to_numpy()[number],
            "segment_id": segments["segment_id"].to_numpy()[number],
            "reach_id": reaches["reach_id"].to_numpy(),
            "x_m": places[:, 0],
            "y_m": places[:, 1],
            "from_mouth_m": from_mouth,
            "from_outlet_m": streams["mouth_m"].to_numpy()[number] + from_mouth,
            "low_elevation_m": points["low_m"],
            "falling_elevation_m": points["low_m"].mask(points["crossing"] | points["barrier"].notna()),
            **{name: reaches[name].to_numpy() for name in OF_THE_REACH},
            "crossing": points["crossing"],
            "knickpoint": ~np.isnan(drop),
            "knickpoint_drop_m": drop,
            "barrier": points["barrier"],
            "survey": points["survey"],
        }
    )
    made = made.sort_values(["stream_id", "from_mouth_m"], kind="stable", ignore_index=True)
    made["seam"] = made.groupby("stream_id", sort=False)["survey"].transform(lambda survey: seams(survey.to_numpy()))
    stretch = [made["stream_id"], made["seam"].cumsum()]
    made["falling_elevation_m"] = made.groupby(stretch, sort=False)["falling_elevation_m"].transform(
        lambda height: falling(height.to_numpy(float))
    )
    findings = _seam_findings(made, tables["reach_measures"])
    return {"long_profiles": made[LONG_PROFILES.names()], "findings": findings_table(findings)}


def _seam_findings(profiles: pd.DataFrame, reaches: pd.DataFrame) -> list[Finding]:
    """Say where streams pass from one survey of the DEM to another."""
    count = int(profiles["seam"].sum())
    if not count:
        return []
    length = reaches["length_m"] / 1000
    crossed = reaches["reach_id"].isin(profiles.loc[profiles["seam"], "reach_id"])
    says = (
        f"Streams pass from one survey of the DEM to another at {count} place{'s' if count > 1 else ''}, in "
        f"{listed(reaches.loc[crossed, 'reach_id'])}: {length[crossed].sum():.1f} of {length.sum():.1f} km of reaches. "
        "No slope and no step is measured across a seam; the slope of such a reach is that of one side."
    )
    return [Finding("note", "reaches", "dem_seam", "", says, "See dem_offset for how the surveys lie to each other.")]


def stream_table(segments: pd.DataFrame) -> pd.DataFrame:
    """Say of each segment which stream it belongs to, and where it lies on it.

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.

    Returns
    -------
    DataFrame
        Row = segment_no: ``stream_id``, ``stream_name``, ``joins_stream_id``, ``offset_m`` (from the stream's mouth to
        the segment's lower end), ``mouth_m`` (from the outlet to the stream's mouth).
    """
    length, down = segments["length_m"].to_numpy(float), segments["downstream_no"].to_numpy()
    ids, names = segments["segment_id"].to_numpy(object), segments["name"].to_numpy(object)
    stream, name, joins = (np.full(len(down), None, object) for _ in range(3))
    offset = np.zeros(len(down))
    paths = main_paths(segments)
    for path in paths:
        stream[path] = ids[path[0]]
        name[path] = _longest_name(names[path], length[path])
        offset[path] = path_offsets(path, length)
    for path in paths:
        into = down[path[0]]
        joins[path] = stream[into] if into >= 0 else None
    return pd.DataFrame(
        {
            "stream_id": pd.Series(stream, dtype=object),
            "stream_name": pd.Series(name, dtype=object),
            "joins_stream_id": pd.Series(joins, dtype=object),
            "offset_m": offset,
            "mouth_m": _from_outlet(length, down) - offset,
        }
    )


def _longest_name(names: NDArray[np.object_], length_m: Floats) -> object:
    """Give the name held by most of a stream, of equal ones the first; None where it has none."""
    if pd.isna(names).all():
        return None
    total = pd.Series(length_m).groupby(pd.Series(names, dtype=object)).sum()
    return min(total.index, key=lambda name: (-total[name], name))


def _from_outlet(length_m: Floats, down: NDArray[np.int64]) -> Floats:
    """Give the distance from each segment's lower end to the outlet [m]; (n,)."""
    distance = np.full(len(down), np.nan)
    for start in range(len(down)):
        way = [start]
        while np.isnan(distance[way[-1]]) and down[way[-1]] >= 0:
            way.append(int(down[way[-1]]))
        if np.isnan(distance[way[-1]]):
            distance[way[-1]] = 0.0
        for upper, lower in zip(way[-2::-1], way[:0:-1], strict=True):
            distance[upper] = distance[lower] + length_m[lower]
    return distance


def reach_rows(points: pd.DataFrame, reaches: pd.DataFrame) -> NDArray[np.int64]:
    """Give the row of the reach each point lies in; (n,)."""
    rows = np.zeros(len(points), np.int64)
    of_segment = reaches.reset_index(drop=True).groupby("segment_no").indices
    for number, own in points.groupby("segment_no").indices.items():
        start = reaches["from_m"].to_numpy()[of_segment[number]]
        rows[own] = of_segment[number][np.searchsorted(start, points["at_m"].to_numpy()[own], side="right") - 1]
    return rows


def places_on(segments: pd.DataFrame, points: pd.DataFrame) -> Floats:
    """Give x and y of the points; (n, 2)."""
    number = points["segment_no"].to_numpy()
    lines = np.asarray(segments.geometry.array)[number]
    along = segments["length_m"].to_numpy()[number] - points["at_m"].to_numpy()
    return shapely.get_coordinates(shapely.line_interpolate_point(lines, along))


def _drops(points: pd.DataFrame, knickpoints: pd.DataFrame) -> Floats:
    """Give the height of the step at the point next above its middle [m]; NaN elsewhere. (n,)."""
    drop = np.full(len(points), np.nan)
    of_segment = points.groupby("segment_no").indices
    for row in knickpoints.itertuples(index=False):
        own = of_segment[row.segment_no]
        above = np.searchsorted(points["at_m"].to_numpy()[own], row.at_m)
        drop[own[min(above, len(own) - 1)]] = row.drop_m
    return drop
