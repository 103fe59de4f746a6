"""Checks of the layers that lie over the land cover: canopy heights and wetlands, seen beside the streams."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from gisprio.contracts.constants import CANOPY_LEAST, CANOPY_MOST, SAME_CELL
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.settings import Settings
from gisprio.inputs.project import Inputs
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.samples import points_along, values_at

Floats = NDArray[np.float64]

ACROSS = (0.1, 0.3, 0.5, 0.7, 0.9)
"""Where samples lie beside the stream, in setbacks."""

TALL_M, TALL_SHARE = 60.0, 0.01
"""Canopy above this on more than this share of the ground is doubted [own]."""

KNOWN_SHARE = 0.95
"""Share of the ground beside the streams with canopy heights under which it is told [own]."""

CHANNEL_SHARE = 0.5
"""Share of the stream length inside wetlands from which the layer is doubted [own]."""

_STEP_M = 25.0


def canopy_used(inputs: Inputs) -> bool:
    """Say whether there is a canopy no coarser than the land cover."""
    canopy, grain = inputs.rasters["canopy"], float(inputs.tables["legend"]["min_width_m"].max())
    return 0 not in canopy.shape and canopy.lattice.cell_m <= SAME_CELL.value * grain


def canopy_of_sense(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """The canopy is finer than the land cover, lies along the streams, and holds heights of trees in metres."""
    canopy = inputs.rasters["canopy"]
    if 0 in canopy.shape:
        return
    if not canopy_used(inputs):
        grain = float(inputs.tables["legend"]["min_width_m"].max())
        says = f"canopy: cells of {canopy.lattice.cell_m:g} m, coarser than the land cover ({grain:g} m): not used."
        yield Finding("warning", "canopy", "too_coarse", "", says, "give a finer canopy, or leave it out.")
        return
    heights = values_at(canopy, *_beside(inputs, settings.setback.most_m))
    if heights.size:
        yield from _coarse_files(inputs)
        yield from _canopy_heights(heights, settings.setback.most_m)


def _coarse_files(inputs: Inputs) -> Iterator[Finding]:
    """Find files of the canopy that are coarser than the land cover, though the finest is not."""
    canopy, grain = inputs.rasters["canopy"], float(inputs.tables["legend"]["min_width_m"].max())
    files = zip(canopy.files, canopy.cells_m, strict=True) if isinstance(canopy, RasterSource) else ()
    coarse = [file.place.name for file, cell in files if cell > SAME_CELL.value * grain]
    if coarse:
        says = f"canopy: {listed(coarse)} is coarser than the land cover ({grain:g} m), and counts as if it were fine."
        yield Finding("warning", "canopy", "coarse_file", "", says, "leave that file out; the land cover then stands.")


def _canopy_heights(heights: Floats, width_m: float) -> Iterator[Finding]:
    known = heights[~np.isnan(heights)]
    if not known.size:
        says = f"canopy: no data within {width_m:g} m of the streams; it changes no result."
        do = "check its extent and its coordinate system; or leave it out."
        yield Finding("warning", "canopy", "no_data", "", says, do)
        return
    odd = (known < CANOPY_LEAST.value) | (known > CANOPY_MOST.value)
    if odd.any():
        values = listed((f"{value:g}" for value in np.unique(known[odd])), most=3)
        says = (
            f"canopy: {odd.mean():.1%} of the heights beside the streams are no heights of trees "
            f"({CANOPY_LEAST.value:g} to {CANOPY_MOST.value:g} m), taken as no data: {values}."
        )
        do = "declare them as nodata in the file; where they are heights, check that they are in metres."
        yield Finding("warning", "canopy", "impossible_height", "", says, do)
    trees = known[~odd]
    tall = float((trees > TALL_M).mean()) if trees.size else 0.0
    if tall > TALL_SHARE:
        says = f"canopy: {tall:.1%} of the ground beside the streams has canopy above {TALL_M:g} m."
        do = "check that heights are in metres, not feet; in feet, low scrub counts as woody: multiply them by 0.3048."
        yield Finding("warning", "canopy", "unit", "", says, do)
    share = trees.size / heights.size
    if 0 < share < KNOWN_SHARE:
        says = f"canopy: known on {share:.0%} of the ground within {width_m:g} m of the streams."
        do = "elsewhere the land cover stands: mind that banks are not judged alike, or give canopy for all of them."
        yield Finding("note", "canopy", "partly_known", "", says, do)


def wetlands_of_sense(inputs: Inputs, settings: Settings) -> Iterator[Finding]:
    """Wetlands lie beside the streams, and are not the streams themselves."""
    wetlands, lines = inputs.tables["wetlands"], inputs.tables["streams"].geometry.to_numpy()
    if not len(wetlands) or not len(lines):
        return
    width = settings.setback.most_m
    tree = shapely.STRtree(wetlands.geometry.to_numpy())
    if not tree.query(lines, predicate="dwithin", distance=width).size:
        says = f"wetlands: none lies within {width:g} m of the streams; the layer changes no result."
        do = "check its extent and its coordinate system; or leave it out."
        yield Finding("warning", "wetlands", "away_from_streams", "", says, do)
        return
    points = points_along(lines, _STEP_M)
    inside = np.unique(tree.query(shapely.points(points.x, points.y), predicate="intersects")[0])
    share = points.length_m[inside].sum() / points.length_m.sum()
    if share > CHANNEL_SHARE:
        says = f"wetlands: {share:.0%} of the stream length lies inside them: the open channel may be among them."
        do = "leave out the polygons of open water and channels, else the ground beside a channel counts as wetland."
        yield Finding("warning", "wetlands", "channel", "", says, do)


def _beside(inputs: Inputs, width_m: float) -> tuple[Floats, Floats]:
    """Give places on both sides of the streams, out to the setback; x and y [m]."""
    points = points_along(inputs.tables["streams"].geometry.to_numpy(), _STEP_M)
    out = width_m * np.array([*ACROSS, *(-at for at in ACROSS)])
    x = points.x[:, None] - points.along_y[:, None] * out
    y = points.y[:, None] + points.along_x[:, None] * out
    return x.ravel(), y.ravel()
