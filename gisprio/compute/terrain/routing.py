"""Flow over a grid of heights: filled ground, directions, and what follows from them.

What is done, in the words of a method section. Depressions are filled to the level at which water leaves them, the
surface that priority-flood gives (barnes2014), found by another way: every cell is followed down the raw ground to
its pit, cells of one pit are a basin, and water rises on the graph of basins over the lowest passes between them.
Each cell then flows to the steepest of its eight lower neighbours, diagonal ones by their distance (ocallaghan1984);
of equal drops the first of E, S, W, N, then of SE, SW, NW, NE. Flats are drained by direction and not by tilting:
each of their cells points to where a cell of the same height that drains is fewest steps away. Stream order is
Strahler's (strahler1957), height above nearest drainage is the height over the stream cell met first downstream
(nobre2011).

Directions are 1 to 8 for E, SE, S, SW, W, NW, N, NE; OUTLET (0) where water leaves; NODATA (254) where there is no
ground.

Rules where ground ends:

- A cell on the rim of the grid or beside a cell without data flows inwards where a neighbour is lower. Else it is an
  outlet: water leaves there and nothing is raised above it.
- That holds at holes without data too: they swallow what flows in. Bridge them before, where they should not.
- Taken cells, such as those under a stream line, are outlets and are never raised.
- Where no stream is met on the way down to an outlet there is no label (-1) and no height above a stream (NaN).

Heights are held as float32, to 0.0002 m at 4,000 m. Counts are exact. No result depends on the number of threads.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.terrain.accumulation import DONE, accumulate, count_inflows, join_strips, order_streams
from gisprio.compute.terrain.cells import (
    NODATA,
    OUTLET,
    UNSET,
    WORKERS,
    Strip,
    T,
    bordered,
    in_threads,
    lay_strips,
    neighbour_offsets,
    without_border,
    zeros,
)
from gisprio.compute.terrain.directions import drain_flats, find_flat_ends, point_again, point_steepest
from gisprio.compute.terrain.drainage import carry_up
from gisprio.compute.terrain.filling import OUTSIDE, Passes, find_passes, flood_basins, label_basins, raise_basins

KERNELS = (
    point_steepest,
    label_basins,
    find_passes,
    flood_basins,
    raise_basins,
    point_again,
    find_flat_ends,
    drain_flats,
    carry_up,
)
"""What a run calls, and so compiles the first time; counts and order are compiled when they are asked for."""


@dataclass(frozen=True, slots=True)
class Routed:
    """Flow over a grid, of :func:`route`; whatever is asked of it comes as (rows, columns).

    Parameters
    ----------
    shape
        Rows and columns.
    flat_heights, flat_direction
        Filled heights [m], and directions; flat, with a border of one cell.
    strips
        Rows that are done together.
    workers
        Threads.
    """

    shape: tuple[int, int]
    flat_heights: NDArray[np.float32]
    flat_direction: NDArray[np.uint8]
    strips: list[Strip]
    workers: int = WORKERS

    @classmethod
    def along(cls, direction: NDArray[np.uint8], *, workers: int = WORKERS) -> Routed:
        """Take up the flow of an earlier route by its directions (rows, columns); filled heights are not known."""
        rows, columns = direction.shape
        flat = bordered((rows, columns), np.uint8, NODATA)
        without_border(flat, (rows, columns))[:] = direction
        return cls((rows, columns), np.empty(0, np.float32), flat, lay_strips((rows, columns), None), workers)

    @property
    def filled(self) -> NDArray[np.float32]:
        """Heights without depressions [m]; NaN where there is no ground."""
        return without_border(self.flat_heights, self.shape)

    @property
    def direction(self) -> NDArray[np.uint8]:
        """Directions 1 to 8, OUTLET or NODATA."""
        return without_border(self.flat_direction, self.shape)

    def counts(self) -> NDArray[np.int32] | NDArray[np.int64]:
        """Count the cells that drain through each cell, itself included; 0 where there is no ground."""
        size, offset, width = self.flat_direction.size, self._offset, self._width
        count = bordered(self.shape, np.int32 if size < 2**31 else np.int64, 0)
        inflow = bordered(self.shape, np.uint8, DONE)
        self._in_threads(lambda _, strip: count_inflows(self.flat_direction, inflow, count, offset, width, *strip))
        leaving = self._in_threads(
            lambda _, strip: accumulate(self.flat_direction, inflow, count, offset, *cells_of(strip, width))
        )
        join_strips(self.flat_direction, inflow, count, offset, np.concatenate(leaving))
        return without_border(count, self.shape)

    def strahler(self, stream: NDArray[np.bool_]) -> NDArray[np.uint8]:
        """Give stream cells their Strahler order, 0 elsewhere.

        Parameters
        ----------
        stream
            (rows, columns) stream cells. One whose way down leaves the stream ends it.
        """
        waiting = bordered(self.shape, np.uint8, 0)
        np.not_equal(self.direction, NODATA, out=without_border(waiting, self.shape), where=stream, casting="unsafe")
        order = bordered(self.shape, np.uint8, 0)
        order_streams(self.flat_direction, waiting, order, self._offset)
        return without_border(order, self.shape)

    def height_above(self, stream: NDArray[np.bool_], heights: NDArray[np.floating]) -> NDArray[np.float32]:
        """Give the height of each cell above the stream cell it meets first [m]; NaN where it meets none.

        Parameters
        ----------
        stream
            (rows, columns) stream cells.
        heights
            (rows, columns) raw heights [m]; below a stream where the ground was filled or lowered for routing.
        """
        above = self.carried(stream, heights)
        np.subtract(heights, above, out=above, casting="same_kind")
        return above

    def carried(self, stream: NDArray[np.bool_], values: NDArray[np.floating]) -> NDArray[np.float32]:
        """Give each cell the value of the stream cell it meets first; NaN where it meets none.

        Parameters
        ----------
        stream
            (rows, columns) stream cells.
        values
            (rows, columns) as float32; read on stream cells only.
        """
        flat = bordered(self.shape, np.float32, -np.inf)
        np.copyto(without_border(flat, self.shape), values, where=stream, casting="same_kind")
        unknown, nothing = np.array([-np.inf, np.nan], np.float32).view(np.int32)
        self._carry_up(flat.view(np.int32), int(unknown), int(nothing))
        return without_border(flat, self.shape)

    def met(self, label: NDArray[np.integer]) -> NDArray[np.int32]:
        """Give each cell the label it meets first on its way down; -1 where it meets none.

        Parameters
        ----------
        label
            (rows, columns) labels from 0 up on stream cells, -1 elsewhere.
        """
        unknown, nothing = -2, -1
        flat = bordered(self.shape, np.int32, unknown)
        np.copyto(without_border(flat, self.shape), label, where=label >= 0, casting="same_kind")
        self._carry_up(flat, unknown, nothing)
        return without_border(flat, self.shape)

    def _carry_up(self, values: NDArray[np.int32], unknown: int, nothing: int) -> None:
        offset, width = self._offset, self._width
        self._in_threads(
            lambda _, strip: carry_up(self.flat_direction, values, offset, unknown, nothing, *cells_of(strip, width))
        )

    def _in_threads(self, work: Callable[[int, Strip], T]) -> list[T]:
        return in_threads(work, self.strips, self.workers)

    @property
    def _width(self) -> int:
        return self.shape[1] + 2

    @property
    def _offset(self) -> NDArray[np.int64]:
        return neighbour_offsets(self._width)


def route(
    heights: NDArray[np.floating],
    taken: NDArray[np.bool_] | None = None,
    *,
    strips: int | None = None,
    workers: int = WORKERS,
) -> Routed:
    """Fill depressions and lead the flow over a grid.

    Parameters
    ----------
    heights
        (rows, columns) [m], float32 or float64; NaN where there is no ground. At least one cell.
    taken
        (rows, columns) cells that take the water up, such as those under a stream line; none when absent.
    strips, workers
        Strips the rows are cut into, and threads. They change no result.

    References
    ----------
    barnes2014, ocallaghan1984
    """
    rows, columns = heights.shape
    z = bordered((rows, columns), np.float32, np.nan)
    direction = bordered((rows, columns), np.uint8, NODATA)
    np.copyto(without_border(z, (rows, columns)), heights, casting="same_kind")
    without_border(direction, (rows, columns))[:] = UNSET if taken is None else np.where(taken, OUTLET, UNSET)
    routed = Routed((rows, columns), z, direction, lay_strips((rows, columns), strips), workers)
    _fill(routed)
    _direct(routed)
    return routed


def _fill(routed: Routed) -> None:
    """Point cells down the raw ground and raise depressions; directions that no longer hold are UNSET again."""
    z, direction, offset, width = routed.flat_heights, routed.flat_direction, routed._offset, routed._width
    strips = len(routed.strips)
    basin = bordered(routed.shape, np.int32, 0)
    routed._in_threads(lambda _, strip: point_steepest(z, direction, offset, width, *strip))
    after = routed._in_threads(
        lambda n, strip: label_basins(z, direction, basin, offset, *cells_of(strip, width), OUTSIDE + 1 + n, strips)
    )
    tables = routed._in_threads(
        lambda n, strip: _passes(z, basin, width, (after[n] - n) // strips, (strip[0] - (n == 0), strip[1]))
    )
    low, high, height = _gathered(tables)
    del tables
    level = flood_basins(low, high, height, np.argsort(height), max(after))
    routed._in_threads(lambda _, strip: raise_basins(z, direction, basin, level, offset, *cells_of(strip, width)))


def _passes(z: NDArray[np.float32], basin: NDArray[np.int32], width: int, basins: int, strip: Strip) -> Passes:
    """Find the passes of a strip that has about so many basins, in a table with room for four to each."""
    slots = 1 << (4 * basins).bit_length()
    table = (zeros(slots, np.int32), zeros(slots, np.int32), zeros(slots, np.float32))
    return find_passes(z, basin, width, *table, *cells_of(strip, width))


def _gathered(tables: list[Passes]) -> Passes:
    """Put the passes of several tables into one list."""
    full = [high != 0 for _, high, _ in tables]
    ends = np.cumsum([np.count_nonzero(some) for some in full])
    passes = (zeros(ends[-1], np.int32), zeros(ends[-1], np.int32), zeros(ends[-1], np.float32))
    for table, some, end in zip(tables, full, ends, strict=True):
        for column, all_of_it in zip(table, passes, strict=True):
            np.compress(some, column, out=all_of_it[end - np.count_nonzero(some) : end])
    return passes


def _direct(routed: Routed) -> None:
    """Point the cells that are UNSET: by steepest descent where a neighbour is lower, else through their flat."""
    z, direction, offset, width = routed.flat_heights, routed.flat_direction, routed._offset, routed._width
    flat = routed._in_threads(lambda _, strip: point_again(z, direction, offset, *cells_of(strip, width)))
    ends = routed._in_threads(lambda n, strip: find_flat_ends(z, direction, offset, flat[n], *cells_of(strip, width)))
    queue = zeros(sum(flat), np.int64)
    waiting = 0
    for some in ends:
        queue[waiting : waiting + some.size] = some
        waiting += some.size
    drain_flats(direction, offset, queue, waiting)


def cells_of(strip: Strip, width: int) -> tuple[int, int]:
    """Give the first flat cell of a strip and the cell after the last, borders left and right counted."""
    return strip[0] * width, strip[1] * width


def compiled_before() -> bool:
    """Say whether the kernels that a run calls were compiled on this machine before.

    Notes
    -----
    numba keeps an index for each kernel, named after its file, name, first line and Python. A kernel that was changed
    without moving is taken for the old one: it is compiled again, and nothing is said.
    """
    return all(has_index(kernel) for kernel in KERNELS)


def has_index(kernel: Callable[..., object]) -> bool:
    """Say whether numba keeps an index of a kernel, or the compiler is off."""
    stats = getattr(kernel, "stats", None)
    if stats is None:  # the compiler is off
        return True
    code = kernel.py_func.__code__  # type: ignore[attr-defined]
    python = f"py{sys.version_info.major}{sys.version_info.minor}"
    pattern = f"{Path(code.co_filename).stem}.{code.co_name}-{code.co_firstlineno}.{python}*.nbi"
    return any(Path(stats.cache_path).glob(pattern))
