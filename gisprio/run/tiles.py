"""Fixed tiles of the working system, and the order they are run in."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Tile:
    """A tile and the segments that belong to it.

    Parameters
    ----------
    column, row
        Place on the tile lattice, origin 0; ``column`` grows eastward, ``row`` northward.
    segment_nos
        Segments whose downstream end lies in it, in rising order.
    """

    column: int
    row: int
    segment_nos: NDArray[np.int64]

    @property
    def name(self) -> str:
        """Name for messages and the store."""
        return f"{self.column}_{self.row}"


def lay_tiles(segments: gpd.GeoDataFrame, tile_m: float) -> list[Tile]:
    """Share segments among tiles; tiles without a segment do not exist.

    Parameters
    ----------
    segments
        Layer ``segments``: lines drawn downstream.
    tile_m
        Side of a tile [m].

    Returns
    -------
    list of Tile
        In Hilbert order, so that neighbours in the list are neighbours on the ground.
    """
    if segments.empty:
        return []
    ends = shapely.get_coordinates(shapely.get_point(segments.geometry.to_numpy(), -1))
    places = np.floor(ends / tile_m).astype(np.int64)
    numbers = segments["segment_no"].to_numpy(np.int64)
    unique, which = np.unique(places, axis=0, return_inverse=True)
    order = np.argsort(hilbert(unique[:, 0], unique[:, 1]), kind="stable")
    which = which.reshape(-1)
    return [Tile(int(unique[k, 0]), int(unique[k, 1]), np.sort(numbers[which == k])) for k in order]


def hilbert(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give the place of cells along a Hilbert curve over the smallest square (power of two) that holds them.

    Parameters
    ----------
    column, row
        Cells; shape (n,), any sign.

    Returns
    -------
    (n,) array
        Distance along the curve, 0 at the lowest column and row.

    Notes
    -----
    The curve halves the square level by level; in each level the quadrant adds its share and turns the
    rest so that the ends of neighbouring quadrants touch.

    Examples
    --------
    >>> hilbert(np.array([0, 1, 1, 0]), np.array([0, 0, 1, 1])).tolist()
    [0, 3, 2, 1]
    """
    x = np.asarray(column, np.int64) - np.min(column, initial=np.iinfo(np.int64).max)
    y = np.asarray(row, np.int64) - np.min(row, initial=np.iinfo(np.int64).max)
    if x.size == 0:
        return np.zeros(0, np.int64)
    side = 1 << int(max(x.max(), y.max(), 1)).bit_length()
    place = np.zeros(x.shape, np.int64)
    half = side // 2
    while half:
        right = (x & half) > 0
        upper = (y & half) > 0
        place += half * half * np.where(right, np.where(upper, 2, 3), np.where(upper, 1, 0))
        flip = right & ~upper
        x, y = np.where(flip, half - 1 - (x & (half - 1)), x), np.where(flip, half - 1 - (y & (half - 1)), y)
        x, y = np.where(upper, x, y), np.where(upper, y, x)
        x, y = x & (half - 1), y & (half - 1)
        half //= 2
    return place
