"""Where the hillslope enters the streams: through which bank, and at which place along the segment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.terrain.flow import PIECE_M
from gisprio.compute.terrain.routing import Routed
from gisprio.contracts.grids import Grid

HEAD_CELLS = 1.5
"""Ground that enters so near to a source comes from above the stream, through neither bank [own]."""


@dataclass(frozen=True, slots=True)
class Banks:
    """Pieces of bank: segments cut every 50 m upstream, two sides each; a rest under half joins its neighbour.

    Parameters
    ----------
    table
        ``segment_no``, ``from_m``, ``to_m``, ``side``; left, then right of each piece.
    first
        First row of each segment, by ``segment_no``.
    pieces
        Number of pieces of each segment, by ``segment_no``.
    """

    table: pd.DataFrame
    first: NDArray[np.int64]
    pieces: NDArray[np.int64]

    @classmethod
    def of(cls, segments: pd.DataFrame) -> Banks:
        """Cut segments, which are numbered from 0 in their order."""
        length = segments["length_m"].to_numpy(float)
        pieces = np.maximum(1, np.floor(length / PIECE_M + 0.5 + 1e-9)).astype(np.int64)
        first = 2 * (np.cumsum(pieces) - pieces)
        number = np.repeat(np.arange(len(length)), 2 * pieces)
        step = (np.arange(2 * pieces.sum()) - first[number]) // 2
        end = np.where(step == pieces[number] - 1, length[number], (step + 1) * PIECE_M)
        side = np.arange(len(number)) % 2
        table = pd.DataFrame({"segment_no": number, "from_m": step * PIECE_M, "to_m": end, "side": side})
        return cls(table, first, pieces)

    def at(
        self, segment_no: NDArray[np.int64], at_m: NDArray[np.floating], side: NDArray[np.integer]
    ) -> NDArray[np.int64]:
        """Give the row of places along segments; (n,)."""
        step = np.minimum(np.floor(at_m / PIECE_M + 1e-9).astype(np.int64), self.pieces[segment_no] - 1)
        return self.first[segment_no] + 2 * step + side


def find_entries(
    routed: Routed,
    label: NDArray[np.int32],
    segment_of: NDArray[np.int64],
    segments: pd.DataFrame,
    elevation: Grid,
) -> pd.DataFrame:
    """Find the last cells of the hillslope, which flow straight into a cell under a stream line.

    Parameters
    ----------
    routed
        Flow, taken up by the stream cells.
    label
        (rows, columns) label of each stream cell, -1 elsewhere.
    segment_of
        (n,) segment of each label.
    segments
        Layer ``segments``, by number.
    elevation
        The routing grid.

    Returns
    -------
    DataFrame
        ``row``, ``column`` of the cell; ``x``, ``y`` of its middle; ``segment_no``; ``at_m`` upstream from the lower
        end of the segment, at the nearest point of the line; ``side`` on which the cell lies, -1 for neither: at the
        head of a source, or straight beyond an end.
    """
    row, column, met = _last_cells(routed, label)
    segment_no = segment_of[met]
    x, y = elevation.lattice.centres(row + elevation.row, column + elevation.column)
    lines = np.asarray(segments.geometry.array)[segment_no]
    length = segments["length_m"].to_numpy(float)[segment_no]
    down = shapely.line_locate_point(lines, shapely.points(x, y))
    side = _sides(lines, length, down, x, y, elevation.lattice.cell_m / 2)
    source = ~np.isin(segments["segment_no"], segments["downstream_no"])
    side[source[segment_no] & (down <= HEAD_CELLS * elevation.lattice.cell_m)] = -1
    return pd.DataFrame(
        {"row": row, "column": column, "x": x, "y": y, "segment_no": segment_no, "at_m": length - down, "side": side}
    )


def _last_cells(
    routed: Routed, label: NDArray[np.int32]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Give row, column of the cells that flow into a stream cell, and its label; sorted by row and column."""
    direction = routed.direction
    rows, columns = routed.shape
    stream = np.argwhere(label >= 0)
    found = []
    for number, step in enumerate(((0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)), start=1):
        cell = stream - step  # whose direction ``number`` would lead to the stream
        inside = (cell >= 0).all(axis=1) & (cell[:, 0] < rows) & (cell[:, 1] < columns)
        cell, into = cell[inside], stream[inside]
        flows = direction[cell[:, 0], cell[:, 1]] == number
        found.append(np.column_stack([cell[flows], label[into[flows, 0], into[flows, 1]]]))
    every = np.concatenate(found).astype(np.int64)
    every = every[np.lexsort((every[:, 1], every[:, 0]))]
    return every[:, 0], every[:, 1], every[:, 2]


def _sides(
    lines: NDArray[np.object_],
    length: NDArray[np.floating],
    down: NDArray[np.floating],
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    reach_m: float,
) -> NDArray[np.int64]:
    """Give the side of the line each point lies on, 0 left, 1 right, looking downstream; -1 straight on it.

    The line's way is that from a little above the nearest point to a little below it, so that a corner has one too.
    """
    above = shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(down - reach_m, 0.0)))
    below = shapely.get_coordinates(shapely.line_interpolate_point(lines, np.minimum(down + reach_m, length)))
    here = shapely.get_coordinates(shapely.line_interpolate_point(lines, down))
    way, out = below - above, np.column_stack([x, y]) - here
    cross = way[:, 0] * out[:, 1] - way[:, 1] * out[:, 0]
    tiny = np.abs(cross) <= 1e-9 * np.hypot(*way.T) * np.maximum(np.hypot(*out.T), 1.0)
    return np.where(tiny, -1, np.where(cross > 0, 0, 1))
