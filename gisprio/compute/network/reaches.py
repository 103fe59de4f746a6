"""Reaches: segments cut in fixed steps, with drainage area, slope, sinuosity and the bankfull flow."""

from __future__ import annotations

from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.network.areas import NetworkAreas, area_findings, given_doubts, network_areas
from gisprio.compute.network.curves import curve_set
from gisprio.compute.network.hidden import with_pipes, with_tide
from gisprio.compute.network.hydraulics import bankfull_flow, bankfull_width, froude_findings, range_findings
from gisprio.compute.network.inflows import clipped_sources, place_inflows
from gisprio.compute.network.knickpoints import faces_of, find_knickpoints, knickpoint_findings
from gisprio.compute.network.labels import outside, sub_watersheds
from gisprio.compute.network.profile import (
    NO_SLOPE,
    Profile,
    flow_path,
    lowest_around,
    profile_points,
    reach_slope,
    segment_profiles,
    sinuosities,
)
from gisprio.compute.network.standing import stretches_of
from gisprio.compute.network.trust import MINOR_DOUBT, area_doubts, doubt_findings, minor_findings
from gisprio.compute.network.widths import standing_findings, width_findings
from gisprio.compute.terrain.flow import whole_grid
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.layers import KNICKPOINTS, PROFILE_POINTS, REACH_MEASURES, STRETCHES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]


def measure_reaches(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Cut segments into reaches and measure them along the line.

    Parameters
    ----------
    tables
        ``segments``, ``source_parts``, ``catchments``, ``inflows``, ``water``, ``roads``, ``constraints``,
        ``sub_watersheds``, ``watershed``.
    sources
        ``elevation``: raw heights of the routing grid. ``survey``: which survey each is from; without it all are one.
        ``lowest``: the lowest heights within each cell, where profiles are read; without it the heights themselves.
    settings
        Sections ``streams``, ``hydraulics``, ``dem``.

    Returns
    -------
    dict
        ``reach_measures``, ``stretches``, ``profile_points``, ``knickpoints`` and ``findings``.

    Notes
    -----
    Bankfull width from drainage area by the regional curve; slope by :func:`reach_slope`; discharge from the curve, or
    by Manning where it has none; unit stream power rho g Q S / W, none where the tide turns the flow, on standing water
    and on minor paths, which take a share of the main path's flow that is not known.
    """
    segments = tables["segments"]
    if not len(segments):
        nothing = {layer.name: empty(layer, segments.crs) for layer in (REACH_MEASURES, STRETCHES)}
        nothing |= {layer.name: empty(layer) for layer in (PROFILE_POINTS, KNICKPOINTS)}
        return nothing | {"findings": findings_table([])}
    curve = curve_set(settings.hydraulics)
    elevation = whole_grid(sources["elevation"])
    inflows, off = place_inflows(tables["inflows"], segments, settings.streams.inflow_snap_m)
    areas = network_areas(segments, tables["catchments"], inflows, clipped_sources(segments, elevation))
    parts = tables["source_parts"]
    ends = areas.at_reaches(segments.assign(from_m=0.0), parts)["drainage_area_km2"].to_numpy(float)
    survey = whole_grid(sources["survey"]) if "survey" in sources else None
    lowest = whole_grid(sources["lowest"]) if "lowest" in sources else elevation
    stretches = stretches_of(segments, parts, tables["water"], bankfull_width(curve, ends))
    stretches, pipes = with_pipes(stretches, segments, tables["constraints"], elevation, survey)
    profiles = segment_profiles(segments, stretches, tables["roads"], lowest_around(lowest, survey), survey)
    stretches, tide = with_tide(stretches, segments, profiles, settings.streams.tidal_below_m)
    reaches = cut_reaches(segments, stretches, settings.streams.reach_length_m)
    reaches = pd.concat([reaches, areas.at_reaches(reaches, parts)], axis=1)
    width = bankfull_width(curve, reaches["drainage_area_km2"].to_numpy(float))
    doubts = area_doubts(
        reaches,
        segments,
        areas,
        whole_grid(sources["plain_area"]),
        line_error_m=settings.streams.line_error_m,
        start_area_km2=settings.streams.start_area_km2,
    )
    minor = segments["minor"].to_numpy(bool)[reaches["segment_no"]]
    words = doubts.words(used=reaches["drainage_area_basis"].to_numpy() == "modelled")
    given = given_doubts(reaches)
    reaches["drainage_area_doubt"] = [
        MINOR_DOUBT if own else told or far for own, told, far in zip(minor, words, given, strict=True)
    ]
    height_error_m = settings.dem.vertical_error_m
    knickpoints = find_knickpoints(segments, profiles, bankfull_width(curve, ends), height_error_m)
    slopes = _slopes(reaches, segments, profiles, areas, width, height_error_m, faces_of(segments, knickpoints))
    reaches = pd.concat([reaches, slopes, _sinuosity(reaches, segments, width)], axis=1)
    reaches["outside"] = outside(reaches, tables["watershed"])
    reaches["sub_watershed_id"] = sub_watersheds(
        reaches,
        segments,
        np.where(np.isnan(ends), areas.below_km2, ends),
        tables["sub_watersheds"],
        settings.streams.sub_watershed_km2,
    )
    flow = bankfull_flow(
        curve,
        reaches["drainage_area_km2"].to_numpy(float),
        reaches["slope_m_m"].to_numpy(float),
        manning_low=settings.hydraulics.manning_low,
        slope_cap=settings.hydraulics.slope_cap,
        steep=settings.hydraulics.steep_roughness,
    )
    without_power = reaches["kind"].isin(("tidal", "lake_path")).to_numpy() | minor
    flow.loc[without_power, ["froude", "unit_stream_power_w_m2"]] = np.nan
    reaches = pd.concat([reaches, flow], axis=1)
    for name in ("bankfull_width", "bankfull_discharge"):
        known = reaches[next(c for c in flow.columns if c.startswith(name))].notna()
        reaches[f"{name}_basis"] = np.where(known, "modelled", "missing")
    table = gpd.GeoDataFrame(reaches[REACH_MEASURES.names()], geometry=reaches["geometry"].to_list(), crs=segments.crs)
    ids = reaches["reach_id"].tolist()
    findings = [
        *off,
        *pipes,
        *tide,
        *minor_findings(reaches, minor),
        *area_findings(reaches),
        *doubt_findings(ids, doubts, reaches["drainage_area_basis"].to_numpy() == "modelled"),
        *width_findings(reaches, tables["water"], width, curve.name),
        *standing_findings(stretches, parts),
        *range_findings(curve, reaches["drainage_area_km2"].to_numpy(float), ids),
        *froude_findings(reaches["froude"].to_numpy(float), ids),
        *_slope_findings(reaches),
        *knickpoint_findings(knickpoints, reaches),
    ]
    return {
        "reach_measures": table,
        "stretches": stretches,
        "profile_points": profile_points(profiles),
        "knickpoints": knickpoints,
        "findings": findings_table(findings),
    }


def reach_borders(length_m: float, step_m: float) -> Floats:
    """Cut a length in fixed steps from its lower end; a rest under half a step joins its neighbour.

    >>> reach_borders(480.0, 200.0).tolist(), reach_borders(500.0, 200.0).tolist()
    ([0.0, 200.0, 480.0], [0.0, 200.0, 400.0, 500.0])
    """
    count = max(1, int(np.ceil(length_m / step_m - 1e-6)))
    if count > 1 and length_m - (count - 1) * step_m < step_m / 2 - 1e-6:
        count -= 1
    borders = np.arange(count + 1, dtype=np.float64) * step_m
    borders[-1] = length_m
    return borders


def cut_reaches(segments: pd.DataFrame, stretches: pd.DataFrame, step_m: float) -> pd.DataFrame:
    """Cut every segment upstream from its lower end; give place, kind, order, the reach below, geometry."""
    rows = []
    by_segment = {
        number: (own["kind"].tolist(), own["from_m"].tolist(), own["to_m"].tolist())
        for number, own in stretches.groupby("segment_no")
    }
    for segment in segments.itertuples(index=False):
        borders = reach_borders(segment.length_m, step_m)
        for number, (low, high) in enumerate(pairwise(borders), start=1):
            rows.append(
                {
                    "reach_id": f"{segment.segment_id}-{number:02d}",
                    "segment_no": segment.segment_no,
                    "from_m": float(low),
                    "to_m": float(high),
                    "name": segment.name,
                    "kind": _most_kind(by_segment[segment.segment_no], low, high),
                    "strahler_order": segment.strahler_order,
                    "length_m": float(high - low),
                    "geometry": shapely.ops.substring(
                        segment.geometry, segment.length_m - high, segment.length_m - low
                    ),
                }
            )
    reaches = pd.DataFrame(rows)
    reaches.insert(0, "reach_no", np.arange(len(reaches)))
    reaches["downstream_reach_id"] = _below(reaches, segments)
    return reaches


def _most_kind(stretches: tuple[list[str], list[float], list[float]], low: float, high: float) -> str:
    """Give the kind that most of a length is, of equal ones the first by name; stretches: kinds, lower, upper ends."""
    lengths: dict[str, float] = {}
    for kind, start, end in zip(*stretches, strict=True):
        lengths[kind] = lengths.get(kind, 0.0) + max(0.0, min(end, high) - max(start, low))
    return min(lengths, key=lambda kind: (-lengths[kind], kind))


def _below(reaches: pd.DataFrame, segments: pd.DataFrame) -> list[str | None]:
    """Give the reach each flows into: the one before it, or the uppermost of the segment below."""
    uppermost = reaches.groupby("segment_no")["reach_id"].last().to_dict()
    down = dict(zip(segments["segment_no"], segments["downstream_no"], strict=True))
    before = reaches.groupby("segment_no")["reach_id"].shift()
    return [
        earlier if isinstance(earlier, str) else uppermost.get(down[segment])
        for earlier, segment in zip(before, reaches["segment_no"], strict=True)
    ]


def _slopes(
    reaches: pd.DataFrame,
    segments: pd.DataFrame,
    profiles: dict[int, Profile],
    areas: NetworkAreas,
    width_m: Floats,
    height_error_m: float | None,
    faces: dict[int, list[tuple[float, float]]],
) -> pd.DataFrame:
    """Fit the slope of every reach that is a stream."""
    found = []
    places = reaches[["segment_no", "reach_no", "from_m", "to_m", "kind"]]
    for number, own in places.groupby("segment_no", sort=False):
        path = flow_path(int(number), segments, profiles, areas.below_km2, areas.above_km2, faces)
        for row in own.itertuples():
            none = row.kind in ("lake_path", "piped")
            width = float(width_m[row.reach_no])
            found.append(NO_SLOPE if none else reach_slope(path, row.from_m, row.to_m, width, height_error_m))
    slope = np.array([s.slope for s in found])
    return pd.DataFrame(
        {
            "slope_m_m": slope,
            "slope_se_m_m": [s.error for s in found],
            "slope_window_m": [s.window_m for s in found],
            "slope_most_m_m": [s.most for s in found],
            "slope_basis": np.where(np.isnan(slope), "missing", "measured"),
        }
    )


def _sinuosity(reaches: pd.DataFrame, segments: pd.DataFrame, width_m: Floats) -> pd.Series:
    values: list[float] = []
    for number, own in reaches.groupby("segment_no", sort=False):
        segment = segments.iloc[int(number)]
        places = list(zip(own["from_m"], own["to_m"], strict=True))
        values += sinuosities(segment["geometry"], float(segment["length_m"]), places, width_m[own["reach_no"]])
    return pd.Series(values, name="sinuosity")


def _slope_findings(reaches: pd.DataFrame) -> list[Finding]:
    lost = reaches[reaches["slope_m_m"].isna() & ~reaches["kind"].isin(("lake_path", "piped"))]
    if not len(lost):
        return []
    says = (
        f"The slope of {len(lost)} of {len(reaches)} reaches is below its own error or cannot be read: it is missing "
        "there, with an upper bound in slope_most_m_m where it was fitted, and so is stream power."
    )
    return [Finding("note", "reaches", "slope_error", "", says, "A finer or more exact DEM would tell.")]
