"""Layers that read well and are likely wrong: units, legends, dates, heights of crowns, layers of another place."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd
import shapely
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.findings import Finding
from gisprio.contracts.settings import Settings
from gisprio.inputs.dates import year_of
from gisprio.inputs.project import Inputs
from gisprio.inputs.samples import LinePoints, outside_of, percent, points_along, some_tiles, values_at

STEP_M = 25.0
WATER_SHARE = 0.6
"""Share of water in the land cover beside the streams, outside water polygons, that is doubted [own]."""
ONE_CLASS_SHARE = 0.99
"""Share of one class beside the streams from which the map says nothing [own]."""
NO_COUNTING_SHARE = 0.001
"""Share of the classes that count below which all banks are gaps [own]."""
DRY_SHARE = 0.5
"""Share of the places inside water polygons without water that is doubted [own]."""
OVERHANG_M = 10.0
"""So far from the edge of the water no trees stand over it [own]."""
RING_STEP_M = 10.0
LEAST_POINTS = 20
"""So many places are needed to judge a share [own]."""
OLD_COVER_Y = 8.0
"""Age of the land cover from which it is told: in that time young trees show and woods are cut [own]."""
CROWN_M = 3.0
"""Step at the edges of woods from which heights are those of crowns: bare ground has none on average [own]."""
CROWN_CELL_M = 10.0
"""On larger cells the edge of a wood does not show [own]."""
MOST_TILES = 16
"""Edges are looked for in so many tiles, spread evenly along the streams: a median needs no more."""
LEAST_EDGES = 50
"""So many edges are needed to tell a step [own]."""
FINES_AS_SHARE = 1.0
"""Silt and clay of all soils at most this: a share, not percent; sands have over 1 % [own]."""
FEET_LEAST_M = 45.0
"""A setback from this on, in a round number of metres, may have been meant in feet (150 ft are 46 m) [own]."""
NEAR_STREAM_M = 100.0
"""A layer of things at the water with none so near to a stream is doubted [own]."""


def _beside(inputs: Inputs, settings: Settings) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lay places along the streams and across them, to the setback on both sides: x, y (n, 8)."""
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), STEP_M)
    across = np.array([-7, -5, -3, -1, 1, 3, 5, 7]) / 8 * settings.setback.most_m
    return _across(points, across)


def _across(points: LinePoints, across: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lay places to the left of points, square to their lines: x, y (n, k)."""
    return points.x[:, None] - points.along_y[:, None] * across, points.y[:, None] + points.along_x[:, None] * across


def cover_of_sense(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The land cover beside the streams is a mixture that land can have."""
    x, y = _beside(inputs, settings)
    cover = _covers(inputs, x, y)
    cover = cover[outside_of(inputs.tables["water"].geometry.to_numpy(), x, y) & cover.notna().to_numpy()]
    if len(cover) < LEAST_POINTS:
        return
    shares = cover.value_counts(normalize=True)
    width, most = settings.setback.most_m, shares.index[0]
    counts = settings.setback.counts
    if shares[most] >= ONE_CLASS_SHARE:
        odd = f"{percent(shares[most])} {most}"
    elif shares.get("water", 0.0) >= WATER_SHARE:
        odd = f"{percent(shares['water'])} water"
    elif shares.reindex(counts).sum() < NO_COUNTING_SHARE:
        odd = f"none of what counts ({', '.join(counts)}), most of it {most} ({percent(shares[most])})"
    else:
        return
    says = (
        f"the ground within {width:g} m of the streams is {odd} by the land cover: the legend may be that of another "
        "map, and then buffer widths, gaps and delivery are wrong everywhere."
    )
    do = f'check that [land_cover] legend = "{settings.land_cover.legend}" is the legend of this map.'
    yield Finding("warning", "land_cover", "odd_cover", "", says, do)


def water_is_wet(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Inside water polygons the land cover shows water or marsh, near their edge perhaps trees above."""
    cell = inputs.rasters["land_cover"].lattice.cell_m
    for inside_m, wet in ((max(cell, OVERHANG_M), ("water", "wetland")), (cell, ("water", "wetland", "woody"))):
        cover = _cover_inside(inputs, inside_m)
        dry = cover[~cover.isin(wet)].value_counts() / max(len(cover), 1)
        if len(cover) < LEAST_POINTS or dry.sum() < DRY_SHARE:
            continue
        says = (
            f"inside the water polygons the land cover shows no water at {percent(dry.sum())} of {len(cover)} places, "
            f"but {dry.index[0]}: its legend is that of another map, it lies beside the others, or the polygons are "
            "not the water. Buffer widths and gaps are uncertain."
        )
        do = "lay land_cover and water over each other in your GIS."
        yield Finding("warning", "land_cover", "dry_water", "", says, do)
        return


def _cover_inside(inputs: Inputs, inside_m: float) -> pd.Series:
    """Give the known classes along a ring so far inside the water polygons."""
    inner = shapely.get_parts(shapely.buffer(inputs.tables["water"].geometry.to_numpy(), -inside_m))
    rings = shapely.get_exterior_ring(inner[~shapely.is_empty(inner)])
    points = points_along(rings, RING_STEP_M)
    return _covers(inputs, points.x, points.y).dropna()


def _covers(inputs: Inputs, x: NDArray[np.float64], y: NDArray[np.float64]) -> pd.Series:
    """Give the class of the land cover at places, row by row; None where unknown."""
    legend = inputs.tables["legend"]
    codes = values_at(inputs.rasters["land_cover"], x, y).ravel()
    return pd.Series(codes).map(dict(zip(legend["code"].astype(float), legend["cover"], strict=True)))


def cover_of_today(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The land cover is not much older than what else is known of the banks."""
    year = cover_year(settings)
    if year is None:
        return
    newer, last = [], int(year_of(settings.run.as_of) or year) if settings.run.as_of else year
    for layer, what in (("done", "works"), ("eroding", "banks seen to erode")):
        years = inputs.tables[layer]["year"].dropna().astype(int)
        late = years[years > year]
        if len(late):
            span = f"{late.min()}" if late.min() == late.max() else f"{late.min()} to {late.max()}"
            newer.append(f"{len(late)} of {len(years)} {what} ({span})")
            last = max(last, int(late.max()))
    if last - year < OLD_COVER_Y:
        return
    says = (
        f"the land cover shows {year}, {last - year} years before {last}"
        + (f"; newer than it are {' and '.join(newer)}" if newer else "")
        + ". Woods cut or planted since are not in it: buffer widths and gaps are those of then."
    )
    yield Finding("warning", "land_cover", "old_cover", "", says, "get a newer map, or look at air photos of the top.")


def cover_year(settings: Settings) -> int | None:
    """Give the year the land cover shows: as given, else the one in the legend's name, else None."""
    if settings.land_cover.year is not None:
        return settings.land_cover.year
    named = re.search(r"-((?:19|20)\d\d)$", settings.land_cover.legend)
    return int(named.group(1)) if named else None


def heights_of_ground(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The heights are those of the ground, without a step up at the edge of woods."""
    step = inputs.rasters["dem"].lattice.cell_m
    if step > CROWN_CELL_M:
        return
    step = max(step, inputs.rasters["land_cover"].lattice.cell_m)
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), 2 * STEP_M)
    x, y = _across(points, np.arange(-12.0, 13.0) * step)
    rows = np.concatenate([*some_tiles(points.x, points.y, MOST_TILES), np.zeros(0, np.int64)])
    x, y = x[rows], y[rows]
    cover = _covers(inputs, x, y).to_numpy().reshape(x.shape)
    steps = edge_steps(values_at(inputs.rasters["dem"], x, y), cover == "woody", pd.notna(cover) & (cover != "water"))
    if len(steps) < LEAST_EDGES or np.median(steps) < CROWN_M:
        return
    says = (
        f"the heights step up by {np.median(steps):.1f} m at the edge of woods (median of {len(steps)} edges near the "
        "streams): they are those of crowns, not of the ground. Slopes, flow paths and bank heights are wrong there."
    )
    do = "give a model of the terrain (DTM), not of the surface (DSM)."
    yield Finding("warning", "dem", "crowns", "", says, do)


def edge_steps(height: NDArray[np.float64], woody: NDArray[np.bool_], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Give how far the heights step up from open ground into woods, beyond the slope on both sides.

    Parameters
    ----------
    height
        (n, k) heights at even steps across lines [m]; NaN where unknown.
    woody, known
        (n, k) whether the place is wooded; whether its cover is known.

    Returns
    -------
    array
        One step an edge that has three places alike on both sides [m].

    Notes
    -----
    Of places a b c | d e f: (e - b) - 1.5 ((b - a) + (f - e)), with the sign that leads into the wood. Crowns and
    cells that do not lie cell on cell may put the step one place beside the edge.
    """
    heights, wooded = (sliding_window_view(values, 6, axis=1) for values in (height, woody))
    near, far = wooded[..., :3], wooded[..., 3:]
    into = (far.all(axis=-1) & ~near.any(axis=-1)).astype(int)
    out = (near.all(axis=-1) & ~far.any(axis=-1)).astype(int)
    a, b, _, _, e, f = np.moveaxis(heights, -1, 0)
    step = (into - out) * ((e - b) - 1.5 * ((b - a) + (f - e)))
    judged = sliding_window_view(known, 6, axis=1).all(axis=-1) & (into + out > 0) & np.isfinite(step)
    return np.asarray(step[judged])


def fines_in_percent(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Silt and clay are percent, not a share."""
    fines = inputs.tables["soils"]["silt_clay_pct"].dropna()
    if len(fines) and 0 < fines.max() <= FINES_AS_SHARE:
        says = (
            f"soils.silt_clay is at most {fines.max():g}: that looks like a share, and percent is wanted. As it "
            "stands every bank counts as sand."
        )
        yield Finding("warning", "soils", "fines_unit", "", says, "multiply by 100 if it is a share.")


def setback_in_metres(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """A setback of a run that reports in feet was given in metres."""
    width = settings.setback.most_m
    if settings.report.units == "us" and width >= FEET_LEAST_M and width % 5 == 0:
        says = f"[setback] width_m = {width:g} is {width / FOOT_M.value:.0f} ft; the key is in metres."
        do = f"write {width * FOOT_M.value:.4g} if {width:g} ft are meant; every gap hangs on it."
        yield Finding("note", "banks", "setback_unit", "", says, do)


def layers_at_streams(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Layers of things at the water have some near the streams."""
    lines = inputs.tables["streams"].geometry.to_numpy()
    if not len(lines):
        return
    tree = shapely.STRtree(lines)
    for layer in ("water", "bank_lines", "done", "eroding"):
        shapes = inputs.tables[layer].geometry.to_numpy()
        if len(shapes) and not len(tree.query(shapes, predicate="dwithin", distance=NEAR_STREAM_M)[0]):
            away = float(np.min(shapely.distance(shapes, lines[tree.nearest(shapes)])))
            says = (
                f"no stream lies within {NEAR_STREAM_M:g} m of any of the {len(shapes)} features of {layer}; the "
                f"nearest is {away:.0f} m away. The layer changes nothing."
            )
            do = "check that it is of this watershed, and in the coordinate system it says."
            yield Finding("warning", layer, "far_from_streams", "", says, do)
