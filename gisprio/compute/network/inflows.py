"""Streams that come in from beyond the heights: where they do, and what their drainage area is where it is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from gisprio.compute.terrain.flow import HOLE_CELLS
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Grid

_AROUND = HOLE_CELLS + 2
"""A hole that may be bridged ends within so many cells."""


def sources_of(segments: pd.DataFrame) -> NDArray[np.int64]:
    """Give the segments that no other flows into and that are no minor way."""
    fed = np.isin(np.arange(len(segments)), segments["downstream_no"].to_numpy())
    return np.flatnonzero(~fed & ~segments["minor"].to_numpy(bool))


def place_inflows(points: pd.DataFrame, segments: pd.DataFrame, snap_m: float) -> tuple[pd.DataFrame, list[Finding]]:
    """Put inflows on the network: at the nearest upper end of a source, else at the nearest place of a line.

    Parameters
    ----------
    points
        Layer ``inflows``.
    segments
        Layer ``segments``, row = segment_no.
    snap_m
        Points further off are left out [m].

    Returns
    -------
    tuple
        ``segment_no``, ``at_m`` and ``area_km2``, one row a segment; findings about points left out.
    """
    places = np.asarray(points.geometry.array)
    lines = np.asarray(segments.geometry.array)
    rows = []
    if len(places) and len(lines):
        sources = sources_of(segments)
        tops = shapely.get_point(lines[sources], 0)
        point, line = shapely.STRtree(lines).query_nearest(places, max_distance=snap_m, all_matches=False)
        rows = [(n, s, float(lines[s].length - lines[s].project(places[n]))) for n, s in zip(point, line, strict=True)]
        if len(tops):
            point, top = shapely.STRtree(tops).query_nearest(places, max_distance=snap_m, all_matches=False)
            at_top = {int(n): int(sources[t]) for n, t in zip(point, top, strict=True)}
            rows = [(n, at_top[n], float(lines[at_top[n]].length)) if n in at_top else (n, s, at) for n, s, at in rows]
    placed = pd.DataFrame(rows, columns=["point", "segment_no", "at_m"]).astype({"point": int, "segment_no": int})
    placed["area_km2"] = points["area_km2"].to_numpy(float)[placed["point"]]
    placed = placed.sort_values(["segment_no", "at_m", "area_km2"], ascending=[True, True, False])
    second = placed["segment_no"].duplicated()
    off = ~np.isin(np.arange(len(places)), placed["point"])
    findings = []
    if off.any():
        says = (
            f"{int(off.sum())} of {len(places)} inflows lie over {snap_m:g} m off every stream: "
            f"{_listed(places[off])}. Left out."
        )
        do = "Move them to the stream, or raise [streams] inflow_snap_m."
        findings.append(Finding("warning", "inflows", "off_stream", "", says, do))
    if second.any():
        says = (
            f"{int(second.sum())} inflows lie on a segment with another one further down, which counts: "
            f"{_listed(places[placed['point'][second]])}. Left out."
        )
        findings.append(Finding("warning", "inflows", "twice", "", says, "Give one for each stream that comes in."))
    return placed.loc[~second, ["segment_no", "at_m", "area_km2"]].reset_index(drop=True), findings


def _listed(places: NDArray[np.object_]) -> str:
    return listed(sorted(f"{place.x:.0f}, {place.y:.0f}" for place in places))


def clipped_sources(segments: pd.DataFrame, elevation: Grid) -> NDArray[np.bool_]:
    """Say which sources begin outside the heights or in their outermost cell, and so come in from beyond; (n,).

    Parameters
    ----------
    segments
        Layer ``segments``, row = segment_no.
    elevation
        The routing grid. A small hole in it is bridged and no edge.
    """
    clipped = np.zeros(len(segments), bool)
    sources = sources_of(segments)
    tops = shapely.get_coordinates(shapely.get_point(np.asarray(segments.geometry.array)[sources], 0)).reshape(-1, 2)
    row, column = elevation.lattice.rows_columns(tops[:, 0], tops[:, 1])
    valid = elevation.valid()
    for number, r, c in zip(sources.tolist(), row - elevation.row, column - elevation.column, strict=True):
        clipped[number] = _at_edge(valid, int(r), int(c))
    return clipped


def _at_edge(valid: NDArray[np.bool_], row: int, column: int) -> bool:
    """Say whether a cell, or one beside it, lies outside the data, in more than a small hole."""
    rows, columns = valid.shape
    if not (1 <= row < rows - 1 and 1 <= column < columns - 1):
        return True
    if valid[row - 1 : row + 2, column - 1 : column + 2].all():
        return False
    r0, r1, c0, c1 = row - _AROUND, row + _AROUND + 1, column - _AROUND, column + _AROUND + 1
    inner = ~valid[max(r0, 0) : r1, max(c0, 0) : c1]
    gone = np.pad(inner, ((max(-r0, 0), max(r1 - rows, 0)), (max(-c0, 0), max(c1 - columns, 0))), constant_values=True)
    name, _ = ndimage.label(gone, structure=np.ones((3, 3)))
    near = np.unique(name[_AROUND - 1 : _AROUND + 2, _AROUND - 1 : _AROUND + 2])
    return bool((np.bincount(name.ravel())[near[near > 0]] > HOLE_CELLS).any())
