"""Land cover given as polygons, as a grid source: drawn by cell centres in fixed blocks of fine cells."""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.features import rasterize

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Bounds, Grid, Lattice, window_cells
from gisprio.inputs.normalised import as_text
from gisprio.inputs.rasters import NO_CODE
from gisprio.inputs.warp import BLOCK, BlockCache, window_from_blocks

CELL_M = 1.0
"""Side of a cell polygons are drawn on [m]."""

_CACHE_BYTES = 64 * 2**20


class PolygonSource:
    """Codes of polygons on a lattice with corners on whole multiples of its cell.

    A cell takes the code of the polygon its centre lies in; of polygons that overlap the later one counts.

    Parameters
    ----------
    shapes
        Polygons in the working system.
    codes
        One whole number a polygon.
    cell_m
        Side of a cell [m].
    """

    def __init__(self, shapes: NDArray[Any], codes: NDArray[np.int64], cell_m: float = CELL_M) -> None:
        self.shapes = shapes
        self.codes = codes
        self.cell_m = cell_m
        x0, y0, x1, y1 = shapely.total_bounds(shapes) if len(shapes) else (0.0, 0.0, 0.0, 0.0)
        left, top = math.floor(x0 / cell_m), math.ceil(y1 / cell_m)
        self._lattice = Lattice(left * cell_m, top * cell_m, cell_m)
        self._shape = (top - math.floor(y0 / cell_m), math.ceil(x1 / cell_m) - left)
        self._start()

    def _start(self) -> None:
        self._tree = shapely.STRtree(self.shapes)
        self._cache = BlockCache(_CACHE_BYTES)

    def __getstate__(self) -> dict[str, Any]:
        return {name: self.__dict__[name] for name in ("shapes", "codes", "cell_m", "_lattice", "_shape")}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._start()

    @property
    def lattice(self) -> Lattice:
        """The lattice of the whole source."""
        return self._lattice

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the whole source."""
        return self._shape

    def window(self, bounds: Bounds) -> Grid:
        """Give the cells that touch ``bounds``.

        Parameters
        ----------
        bounds
            x0, y0, x1, y1 in the working system [m].

        Returns
        -------
        Grid
            Codes as int32, :data:`NO_CODE` between the polygons; cut to the source, may be empty.
        """
        row0, row1, column0, column1 = window_cells(self._lattice, self._shape, bounds)

        def block(row: int, column: int) -> NDArray[np.generic]:
            return self._cache.block((0, row, column), lambda: self._draw(row, column))

        values = window_from_blocks((row0, row1), (column0, column1), block, np.array(NO_CODE, np.int32))
        return Grid(values, self._lattice, row0, column0, float(NO_CODE))

    def close(self) -> None:
        """Drop the blocks that were drawn."""
        self._cache = BlockCache(_CACHE_BYTES)

    def _draw(self, block_row: int, block_column: int) -> NDArray[np.int32]:
        side = BLOCK * self.cell_m
        x0, y1 = self._lattice.x0 + block_column * side, self._lattice.y0 - block_row * side
        here = np.sort(self._tree.query(shapely.box(x0, y1 - side, x0 + side, y1)))
        if not len(here):
            return np.full((BLOCK, BLOCK), NO_CODE, np.int32)
        drawn: NDArray[np.int32] = rasterize(
            zip(self.shapes[here], self.codes[here].tolist(), strict=True),
            out_shape=(BLOCK, BLOCK),
            fill=NO_CODE,
            transform=rasterio.Affine(self.cell_m, 0.0, x0, 0.0, -self.cell_m, y1),
            dtype="int32",
        )
        return drawn


def polygon_codes(
    frame: gpd.GeoDataFrame, column: str, legend: pd.DataFrame
) -> tuple[NDArray[np.int64], NDArray[np.bool_], list[Finding]]:
    """Give the legend's code of each polygon.

    Parameters
    ----------
    frame
        Tidy polygons.
    column
        Their column of codes, or of names as the legend writes them.
    legend
        The legend.

    Returns
    -------
    codes, ok, findings
        Codes, and which polygons have one; a warning names the words without a code, with their ground.
    """
    words = as_text(frame[column])
    by_word = {name.lower(): code for name, code in zip(legend["name"], legend["code"], strict=True)}
    codes = np.full(len(words), NO_CODE, np.int64)
    for at, word in enumerate(words):
        if word is not None:
            digits = word.removeprefix("-")
            codes[at] = int(word) if digits.isdecimal() else by_word.get(word.lower(), NO_CODE)
    ok = codes != NO_CODE
    if ok.all():
        return codes, ok, []
    area = (frame.geometry.area[~ok] / 1e4).groupby(words[~ok].fillna("(empty)").to_numpy()).sum()
    shown = listed(f"{word} ({hectares:.1f} ha)" for word, hectares in area.sort_values(ascending=False).items())
    says = f"land_cover.{column} holds words the legend does not name: {shown}. That ground has no cover."
    finding = Finding("warning", "land_cover", "unknown_code", "", says, "add them as names to a legend of your own.")
    return codes, ok, [finding]
