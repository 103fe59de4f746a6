"""Own ground: polygons beside banks, cut back to the ground that is nearest to their own bank."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.ownership import SAME_M, SITE_STEP_M, Floats, Ints, Sites
from gisprio.compute.banks.runs import Rows, cut, runs
from gisprio.compute.banks.sides import NO_BANK
from gisprio.compute.banks.strips import along_bank, polygons_of

Shapes = NDArray[np.object_]
Owns = Callable[[Ints, Ints], NDArray[np.bool_]]
"""Says of rows of polygons and rows of sites whether the site is the polygon's own."""
SLIVER_M = 0.25
"""Ground that reaches no further than this over a border is left alone: strips are drawn no finer [m]."""


def keep_own(ground: Shapes, segment_no: Ints, sites: Sites, owns: Owns, reach_m: Floats) -> Shapes:
    """Cut polygons back to the ground whose nearest site is their own.

    Parameters
    ----------
    ground
        (n,) polygons beside banks.
    segment_no
        (n,) the segment of each.
    sites
        Points on banks.
    owns
        Which sites are whose.
    reach_m
        (n,) how far the ground of each may lie from its own sites [m].

    Returns
    -------
    ndarray
        (n,) polygons; the same objects where nothing is another's.

    Notes
    -----
    The Voronoi cells of the sites within ``reach_m`` of a polygon share its ground; cells of others are taken off.
    Both sides of a border see the same sites there, so what is left of two polygons never overlaps.
    """
    kept = ground.copy()
    if len(ground) and len(sites):
        for row, place, near in _trespasses(ground, segment_no, sites, owns):
            x0, y0, x1, y1 = shapely.bounds(ground[row])
            box = np.array([x0, y0, x1, y1]) + reach_m[row] * np.array([-1, -1, 1, 1])
            local = sites.within(box, int(segment_no[row]))
            own = owns(np.full(len(local), row), local)
            if _over(place, sites.xy[near], sites.xy[local[own]]) > SLIVER_M:
                kept[row] = _without_others(ground[row], sites.xy[local], own)
    return kept


def _trespasses(ground: Shapes, segment_no: Ints, sites: Sites, owns: Owns) -> Iterator[tuple[int, Floats, Ints]]:
    """Give each polygon whose rim is nearest to others' sites somewhere: its row, those places, and the sites.

    Ground behind a site, seen from the polygon's bank, is that site's too: what it takes reaches the rim.
    """
    rims = shapely.segmentize(shapely.boundary(ground), SITE_STEP_M)
    place, row = shapely.get_coordinates(rims, return_index=True)
    near = sites.nearest(place, segment_no[row])
    foreign = np.flatnonzero(~owns(row, near))
    foreign = foreign[np.argsort(row[foreign], kind="stable")]
    for part in np.split(foreign, np.flatnonzero(np.diff(row[foreign])) + 1):
        if len(part):
            yield int(row[part[0]]), place[part], near[part]


def _over(place: Floats, other: Floats, own: Floats) -> float:
    """Give how far places lie beyond the border of the ground nearest to ``own``, at most [m]."""
    if not len(own):
        return np.inf
    to_own = np.hypot(*(place[:, None, :] - own[None, :, :]).transpose(2, 0, 1))
    best = to_own.argmin(axis=1)
    to_own = to_own[np.arange(len(place)), best]
    to_other = np.hypot(*(place - other).T)
    between = np.maximum(np.hypot(*(own[best] - other).T), 1e-3)
    return float(((to_own**2 - to_other**2) / (2 * between)).max())


def _without_others(ground: shapely.Geometry, xy: Floats, own: NDArray[np.bool_]) -> shapely.Geometry:
    """Take the cells of others' sites off a polygon."""
    if not own.any():
        return shapely.MultiPolygon()
    cells = shapely.voronoi_polygons(shapely.multipoints(xy), extend_to=ground, ordered=True)
    others = shapely.get_parts(cells)[~own]
    others = others[shapely.intersects(ground, others)]
    return polygons_of(shapely.difference(ground, shapely.union_all(others)))


def bank_sites(sides: Rows, reaches: Mapping[int, Rows]) -> Sites:
    """Give the measured bank points of a piece as sites that own the ground of their own segment.

    Parameters
    ----------
    sides
        Station sides, sorted by segment, side and station.
    reaches
        ``from_m`` and ``to_m`` of the reaches, by segment.

    Returns
    -------
    Sites
        One in the middle of each station, or of each part of it where a reach ends in between, so that every stretch
        of a bank has one. Without banks, as in standing water, on islands or in pipes, there is none.
    """
    parts = [(np.empty((0, 2)), np.empty(0), np.empty(0, int))]
    for rows in runs(sides["segment_no"], sides["side"]):
        side = cut(sides, rows)
        reach = reaches[int(side["segment_no"][0])]
        borders = np.sort(np.concatenate([side["from_m"], side["to_m"], reach["from_m"], reach["to_m"]]))
        borders = borders[np.concatenate([[True], np.diff(borders) > SAME_M])]
        at = (borders[1:] + borders[:-1]) / 2
        station = np.minimum(np.searchsorted(side["to_m"], at), len(side["to_m"]) - 1)
        banked = ~np.isin(side["kind"], NO_BANK) & ~side["island"].astype(bool)
        kept = banked[station]
        xy = along_bank(at, side["at_m"], np.column_stack([side["x"], side["y"]]))
        parts.append((xy[kept], at[kept], rows.start + station[kept]))
    xy, at, row = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Sites.of(xy, sides["segment_no"][row], sides["side"][row], at, by_segment=True)
