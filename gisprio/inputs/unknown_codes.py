"""Codes near the streams that a legend does not name, with their ground."""

from __future__ import annotations

from typing import Any

import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize

from gisprio.contracts.grids import Grid, GridSource
from gisprio.inputs.samples import TILE_M


def unknown_codes_ha(
    cover: GridSource, lines: NDArray[Any], reach_m: float, known: NDArray[np.int64]
) -> dict[int, float]:
    """Measure the ground of unknown codes near lines.

    Parameters
    ----------
    cover
        Codes.
    lines
        Stream lines [m].
    reach_m
        Distance from the lines [m].
    known
        The codes of the legend.

    Returns
    -------
    dict
        Unknown code to its ground [ha], by cells whose centre lies within reach.
    """
    found: dict[int, float] = {}
    tree = shapely.STRtree(lines)
    cell_ha = cover.lattice.cell_m**2 / 1e4
    for x0, y0 in _tiles_near(lines, reach_m):
        box = (x0, y0, x0 + TILE_M, y0 + TILE_M)
        grid = cover.window(box)
        if not grid.values.size:
            continue
        strange = grid.valid() & ~np.isin(grid.values, known) & _centres_inside(grid, box)
        if not strange.any():
            continue
        near = lines[tree.query(shapely.box(*box).buffer(reach_m))]
        strange &= _drawn(shapely.buffer(near, reach_m), grid)
        codes, counts = np.unique(grid.values[strange], return_counts=True)
        for code, count in zip(codes.tolist(), counts.tolist(), strict=True):
            found[code] = found.get(code, 0.0) + count * cell_ha
    return found


def _tiles_near(lines: NDArray[Any], reach_m: float) -> list[tuple[float, float]]:
    """Give the lower left corners of the tiles that come near the lines, in order of place."""
    # pieces of one tile's length, so that the box of a long line does not call for tiles far from it
    pieces = shapely.get_parts(shapely.segmentize(lines, TILE_M))
    coordinates, line = shapely.get_coordinates(pieces, return_index=True)
    same = line[1:] == line[:-1]
    low = np.minimum(coordinates[1:], coordinates[:-1])[same] - reach_m
    high = np.maximum(coordinates[1:], coordinates[:-1])[same] + reach_m
    first, last = np.floor(low / TILE_M).astype(int), np.floor(high / TILE_M).astype(int)
    boxes = {tuple(box) for box in np.column_stack([first, last]).tolist()}
    tiles = {(column, row) for c0, r0, c1, r1 in boxes for column in range(c0, c1 + 1) for row in range(r0, r1 + 1)}
    return [(column * TILE_M, row * TILE_M) for column, row in sorted(tiles)]


def _centres_inside(grid: Grid, box: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    """Say which cells have their centre in a tile: each cell belongs to one tile."""
    rows, columns = (np.arange(count) for count in grid.values.shape)
    x, _ = grid.lattice.centres(np.zeros_like(columns), grid.column + columns)
    _, y = grid.lattice.centres(grid.row + rows, np.zeros_like(rows))
    return ((y >= box[1]) & (y < box[3]))[:, None] & ((x >= box[0]) & (x < box[2]))[None, :]


def _drawn(shapes: NDArray[Any], grid: Grid) -> NDArray[np.bool_]:
    """Say which cells have their centre in one of the shapes."""
    cell = grid.lattice.cell_m
    left, top = grid.lattice.x0 + grid.column * cell, grid.lattice.y0 - grid.row * cell
    if not len(shapes):
        return np.zeros(grid.values.shape, bool)
    drawn = rasterize(
        shapes, out_shape=grid.values.shape, transform=rasterio.Affine(cell, 0, left, 0, -cell, top), dtype="uint8"
    )
    return np.asarray(drawn > 0)
