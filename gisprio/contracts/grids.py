"""Grids as compute sees them: a window of numbers with its place, and a source that gives windows.

Compute never opens a file: inputs implement :class:`GridSource`, tests pass :class:`ArraySource`.
Windows lie on the source's own lattice and carry their place on it as whole rows and columns, so the cell
of a point does not depend on which window it was read through.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from gisprio.contracts.errors import ContractError

Bounds = tuple[float, float, float, float]

NO_SURVEY = -1
"""Survey of a cell without data."""


@dataclass(frozen=True, slots=True)
class Lattice:
    """A north-up lattice of square cells in the working system.

    Parameters
    ----------
    x0, y0
        Upper left corner of cell (0, 0) [m].
    cell_m
        Side of a cell [m].
    """

    x0: float
    y0: float
    cell_m: float

    def rows_columns(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Give the cell of each point (row down, column right); any shape. A point that is NaN lies in no cell: -1."""
        column = np.floor((np.asarray(x, float) - self.x0) / self.cell_m)
        row = np.floor((self.y0 - np.asarray(y, float)) / self.cell_m)
        lost = np.isnan(column) | np.isnan(row)
        return np.where(lost, -1, row).astype(np.int64), np.where(lost, -1, column).astype(np.int64)

    def centres(
        self, row: NDArray[np.int64], column: NDArray[np.int64]
    ) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
        """Give x and y of cell centres [m]."""
        return self.x0 + (np.asarray(column) + 0.5) * self.cell_m, self.y0 - (np.asarray(row) + 0.5) * self.cell_m


@dataclass(frozen=True, slots=True)
class Grid:
    """A window of a lattice.

    Parameters
    ----------
    values
        (rows, columns); any number type.
    lattice
        The lattice of the whole source.
    row, column
        Place of ``values[0, 0]`` on the lattice.
    nodata
        Value that means "no data"; None when there is none. NaN is no data always.
    """

    values: NDArray[np.generic]
    lattice: Lattice
    row: int = 0
    column: int = 0
    nodata: float | None = None

    def valid(self) -> NDArray[np.bool_]:
        """Say which cells hold data; (rows, columns)."""
        return self._holds(self.values)

    def _holds(self, values: NDArray[np.generic]) -> NDArray[np.bool_]:
        """Say which of some values of the grid are data; any shape."""
        ok = np.ones(values.shape, bool)
        if np.issubdtype(values.dtype, np.floating):
            ok &= ~np.isnan(values)
        if self.nodata is not None:
            ok &= values != self.nodata
        return ok

    def index(
        self, x: NDArray[np.float64], y: NDArray[np.float64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """Give row, column in ``values`` (clipped) and whether the point lies inside; shape of ``x``."""
        row, column = self.lattice.rows_columns(x, y)
        row, column = row - self.row, column - self.column
        inside = (row >= 0) & (column >= 0) & (row < self.values.shape[0]) & (column < self.values.shape[1])
        return np.where(inside, row, 0), np.where(inside, column, 0), inside

    def nearest(self, x: NDArray[np.float64], y: NDArray[np.float64], outside: float) -> NDArray[np.generic]:
        """Give the value of the cell each point lies in; ``outside`` where there is none."""
        if self.values.size == 0:
            return np.full(np.shape(x), outside, self.values.dtype)
        row, column, inside = self.index(x, y)
        got = self.values[row, column]
        return np.where(inside & self._holds(got), got, np.asarray(outside, self.values.dtype))

    def bilinear(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give values between cell centres; NaN where one of the four cells has no data."""
        rows, columns = self.values.shape
        if rows < 2 or columns < 2:
            return np.full(np.shape(x), np.nan)
        fc = (np.asarray(x, float) - self.lattice.x0) / self.lattice.cell_m - 0.5
        fr = (self.lattice.y0 - np.asarray(y, float)) / self.lattice.cell_m - 0.5
        c0, r0 = np.floor(fc), np.floor(fr)
        tc, tr = fc - c0, fr - r0
        c, r = c0 - self.column, r0 - self.row
        inside = (r >= 0) & (c >= 0) & (r < rows - 1) & (c < columns - 1)  # never true of NaN
        r, c = np.where(inside, r, 0).astype(np.int64), np.where(inside, c, 0).astype(np.int64)
        corners = (self.values[r + down, c + right] for down in (0, 1) for right in (0, 1))
        z = [np.where(self._holds(corner), corner.astype(np.float64), np.nan) for corner in corners]
        top = z[0] * (1 - tc) + z[1] * tc
        low = z[2] * (1 - tc) + z[3] * tc
        return np.where(inside, top * (1 - tr) + low * tr, np.nan)


class GridSource(Protocol):
    """Whatever gives windows of one grid in the working system."""

    @property
    def lattice(self) -> Lattice:
        """The lattice of the whole source."""
        ...

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the whole source."""
        ...

    def window(self, bounds: Bounds) -> Grid:
        """Give the cells that touch ``bounds`` (x0, y0, x1, y1) [m], cut to the source; may be empty."""
        ...


@runtime_checkable
class SurveyedSource(GridSource, Protocol):
    """A grid source that knows which survey each of its heights comes from."""

    def surveyed_window(self, bounds: Bounds) -> tuple[Grid, Grid]:
        """Give the window, and one of the same cells with the number of the survey, :data:`NO_SURVEY` for none."""
        ...


@runtime_checkable
class BlockedSource(GridSource, Protocol):
    """A grid source that may hold heights whose cells are whole blocks of its lattice."""

    def block_heights(
        self, block: int, row0: int, surveys: NDArray[np.int16], column0: int = 0
    ) -> NDArray[np.float32]:
        """Give the heights of cells that are blocks of ``block`` x ``block`` lattice cells, as they were measured.

        Parameters
        ----------
        block
            Cells along the side of a block.
        row0
            First row of blocks.
        surveys
            (rows, columns) the survey wanted of each block.
        column0
            First column of blocks.

        Returns
        -------
        ndarray
            Shape of ``surveys`` [m]; NaN where the survey wanted has no such cell there.
        """
        ...


@runtime_checkable
class PanelledSource(GridSource, Protocol):
    """A grid source that knows how wide a panel is best, where more than a window is read."""

    def panel_columns(self, block: int) -> int:
        """Give a number of columns, a multiple of ``block``, to read at once from top to bottom."""
        ...


@runtime_checkable
class DigestedSource(GridSource, Protocol):
    """A grid source that can digest what decides a window without reading it."""

    def window_digest(self, bounds: Bounds) -> str:
        """Digest what decides the cells that touch ``bounds``."""
        ...


@dataclass(frozen=True, slots=True)
class FramedSource:
    """A grid source of which only what lies in a frame may be read: what a stage reads is what its key was made of.

    Parameters
    ----------
    source
        The source.
    frame
        x0, y0, x1, y1 [m].
    """

    source: GridSource
    frame: Bounds

    @property
    def lattice(self) -> Lattice:
        """The lattice of the whole source."""
        return self.source.lattice

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the whole source."""
        return self.source.shape

    @property
    def survey_cells_m(self) -> tuple[float, ...]:
        """Side of the cells each survey was measured on [m]."""
        return survey_cells(self.source)

    def window(self, bounds: Bounds) -> Grid:
        """Give the cells that touch ``bounds``.

        Raises
        ------
        ContractError
            They reach beyond the frame.
        """
        self._refuse_outside(bounds)
        return self.source.window(bounds)

    def surveyed_window(self, bounds: Bounds) -> tuple[Grid, Grid]:
        """Give the cells that touch ``bounds`` and the survey of each; raises as :meth:`window`."""
        self._refuse_outside(bounds)
        return surveyed_window(self.source, bounds)

    def _refuse_outside(self, bounds: Bounds) -> None:
        asked, framed = (window_cells(self.lattice, self.shape, box) for box in (bounds, self.frame))
        empty = asked[0] >= asked[1] or asked[2] >= asked[3]
        inside = asked[0] >= framed[0] and asked[1] <= framed[1] and asked[2] >= framed[2] and asked[3] <= framed[3]
        if not (empty or inside):
            raise ContractError(
                f"a stage reads cells of {bounds}, beyond what it may see, {self.frame}.",
                wanted="windows within the surroundings of the tile.",
                do="report this as a fault of gisprio, with run.log.",
            )


@dataclass(frozen=True, slots=True)
class ArraySource:
    """A grid source over an array at hand (or a memory map)."""

    grid: Grid

    @property
    def lattice(self) -> Lattice:
        """The lattice of the array."""
        return self.grid.lattice

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the array."""
        rows, columns = self.grid.values.shape
        return rows, columns

    def window(self, bounds: Bounds) -> Grid:
        """Give the cells that touch ``bounds``: a view, not a copy."""
        row0, row1, column0, column1 = window_cells(self.lattice, self.shape, bounds)
        return Grid(self.grid.values[row0:row1, column0:column1], self.lattice, row0, column0, self.grid.nodata)


def box_around(x: NDArray[np.float64], y: NDArray[np.float64], margin: float = 0.0) -> Bounds:
    """Give the box that holds places, of any shape but none empty, and a margin around it [m]."""
    return float(x.min()) - margin, float(y.min()) - margin, float(x.max()) + margin, float(y.max()) + margin


def window_cells(lattice: Lattice, shape: tuple[int, int], bounds: Bounds) -> tuple[int, int, int, int]:
    """Give row0, row1, column0, column1 of the cells that touch ``bounds``, cut to ``shape``."""
    (row0, row1), (column0, column1) = lattice.rows_columns(
        np.array([bounds[0], bounds[2]]), np.array([bounds[3], bounds[1]])
    )
    rows, columns = shape
    row0, row1 = int(np.clip(row0, 0, rows)), int(np.clip(row1 + 1, 0, rows))
    column0, column1 = int(np.clip(column0, 0, columns)), int(np.clip(column1 + 1, 0, columns))
    return row0, max(row0, row1), column0, max(column0, column1)


def surveyed_window(source: GridSource, bounds: Bounds) -> tuple[Grid, Grid]:
    """Give the cells that touch ``bounds`` and the survey of each, int16; a source without surveys is one, number 0."""
    if isinstance(source, SurveyedSource):
        return source.surveyed_window(bounds)
    grid = source.window(bounds)
    survey = np.where(grid.valid(), 0, NO_SURVEY).astype(np.int16)
    return grid, Grid(survey, grid.lattice, grid.row, grid.column, NO_SURVEY)


def survey_cells(source: GridSource) -> tuple[float, ...]:
    """Give the side of the cells each survey of a source was measured on [m]; a source without surveys is one."""
    cells: tuple[float, ...] = getattr(source, "survey_cells_m", (source.lattice.cell_m,))
    return cells


def bilinear_within(
    heights: Grid, surveys: Grid, x: NDArray[np.float64], y: NDArray[np.float64], own: NDArray[np.integer]
) -> NDArray[np.float64]:
    """Give heights between cell centres that come from one survey, row by row.

    Parameters
    ----------
    heights, surveys
        Windows of the same cells.
    x, y
        (n, k) places [m].
    own
        (n,) survey of each row; the heights of any other, and those of a row of :data:`NO_SURVEY`, are missing.

    Returns
    -------
    array
        (n, k); NaN where one of the four cells has no data or is of another survey.
    """
    found = np.full(np.shape(x), np.nan)
    for number in np.unique(own[own != NO_SURVEY]):
        rows = own == number
        kept = np.where(heights.valid() & (surveys.values == number), heights.values, np.nan)
        grid = Grid(kept, heights.lattice, heights.row, heights.column)
        found[rows] = grid.bilinear(x[rows], y[rows])
    return found
