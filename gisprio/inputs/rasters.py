"""Rasters as grid sources in the working system: windows of one file or of many, never a whole raster."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.enums import MaskFlags
from rasterio.errors import RasterioError
from rasterio.windows import Window

from gisprio.contracts.constants import FOOT_M, US_SURVEY_FOOT_M
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import listed
from gisprio.contracts.grids import NO_SURVEY, Bounds, Grid, Lattice, window_cells
from gisprio.inputs.box_tree import BoxTree
from gisprio.inputs.crs import same, transform_bounds
from gisprio.inputs.digests import FileDigest, file_digest, raster_digest, text_digest
from gisprio.inputs.raster_files import GDAL_CACHE_BYTES, RasterFile, native_cell_m, open_raster
from gisprio.inputs.servers import url_of
from gisprio.inputs.warp import (
    BlockCache,
    block_places,
    pick_bilinear,
    pick_nearest,
    stretch_bilinear,
    window_from_blocks,
)

Kind = Literal["heights", "classes", "values"]

NO_CODE = -(2**31)
"""Value of class grids that means "no data"."""

UNIT_M = {"m": 1.0, "cm": 0.01, "ft": FOOT_M.value, "us-ft": US_SURVEY_FOOT_M.value}
"""Metres in one unit of height, by the words of ``[dem] vertical_unit``."""

LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""Land lies between these; heights beyond are taken as undeclared "no data"."""

_MOST_OPEN = 64
_CACHE_BYTES = 64 * 2**20
_PANEL_CELLS = 8192
"""Widest panel of columns, unless the files are packed in longer rows [cells] [own]."""


class RasterSource:
    """One grid over one or many raster files; the first file that has data at a cell gives it.

    Files in the working system with square north-up cells that fit the lattice are read as they are. Others
    are drawn on the lattice block by block: heights bilinear, classes nearest. The lattice is that of the
    file with the finest cells; where that one is in another system, corners lie on multiples of a round cell.

    Parameters
    ----------
    files
        Heads of the files, in order of preference; each has a system.
    crs
        The working system.
    kind
        ``heights``: float32 metres, NaN where there is no data. ``classes``: int32, :data:`NO_CODE` there.
        ``values``: any numbers as float32, NaN there, drawn on another lattice as classes are.
    unit_m
        Metres in one unit of height.
    region
        Box of interest [m]; files of another system are not drawn beyond it. None: all of them.
    surveys
        Survey of each file, as :func:`~gisprio.inputs.surveys.find_surveys` tells. None: all are one.
    digest
        Gives the digest of each file of this machine.
    trees
        Folder in which the tree of the files' boxes is kept; None: nowhere.

    Raises
    ------
    InputError
        When a file cannot be placed in the working system.
    """

    def __init__(
        self,
        files: Sequence[RasterFile],
        crs: CRS,
        kind: Kind,
        unit_m: float = 1.0,
        region: Bounds | None = None,
        surveys: Sequence[int] | None = None,
        digest: FileDigest = file_digest,
        trees: Path | None = None,
    ) -> None:
        self.files = tuple(files)
        self.crs = crs
        self.kind: Kind = kind
        self.unit_m = unit_m
        self.surveys = tuple(surveys) if surveys is not None else (0,) * len(self.files)
        self.cells_m = tuple(native_cell_m(file, crs) for file in self.files)
        self.boxes = [_box_in(file, crs, region) for file in self.files]
        finest = int(np.argmin(self.cells_m))
        self._lattice, self._shape = _lattice_over(self.files[finest], self.cells_m[finest], self.boxes, crs)
        self._offsets = tuple(_offset_on(file, self._lattice, crs) for file in self.files)
        self.tree = BoxTree(self.boxes, trees)
        self._digest = digest
        self._file_digests: dict[int, str] = {}
        self._start()

    def _start(self) -> None:
        self._local = threading.local()
        self._opened: list[Any] = []
        self._cache = BlockCache(_CACHE_BYTES)
        self._lock = threading.RLock()
        self.impossible: dict[float, int] = {}
        """Heights that no land has, met so far, with the number of times."""

    def __getstate__(self) -> dict[str, Any]:
        for number in range(len(self.files)):
            self.file_digest(number)  # goes along: no worker reads the files for it
        kept = ("files", "crs", "kind", "unit_m", "surveys", "cells_m", "boxes", "tree")
        return {name: self.__dict__[name] for name in (*kept, "_lattice", "_shape", "_offsets", "_file_digests")}

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

    @property
    def cell_m(self) -> float:
        """Side of the finest file's cells on the ground [m]."""
        return min(self.cells_m)

    @property
    def survey_cells_m(self) -> tuple[float, ...]:
        """Side of the coarsest cells of each survey on the ground [m]."""
        coarsest = [0.0] * (max(self.surveys) + 1)
        for cell, own in zip(self.cells_m, self.surveys, strict=True):
            coarsest[own] = max(coarsest[own], cell)
        return tuple(coarsest)

    def window(self, bounds: Bounds) -> Grid:
        """Give the cells that touch ``bounds``.

        Parameters
        ----------
        bounds
            x0, y0, x1, y1 in the working system [m].

        Returns
        -------
        Grid
            Heights as float32 [m] or codes as int32; cut to the source, may be empty.

        Raises
        ------
        InputError
            When a file can no longer be read, or a file of classes holds fractions.
        """
        return self._window(bounds, None)

    def window_digest(self, bounds: Bounds) -> str:
        """Digest what decides a window: the files that reach into it, byte by byte, and how they are read.

        Parameters
        ----------
        bounds
            x0, y0, x1, y1 in the working system [m].

        Raises
        ------
        InputError
            When a file can no longer be read.
        """
        read = [(self.cells_m[n], self.surveys[n], self._offsets[n], self.file_digest(n)) for n in self._near(bounds)]
        return text_digest([self.kind, self.unit_m, self._lattice, self._shape, self.survey_cells_m, *read])

    def file_digest(self, number: int) -> str:
        """Give the digest of one of the files."""
        if number not in self._file_digests:
            self._file_digests[number] = raster_digest(self.files[number : number + 1], digest=self._digest)
        return self._file_digests[number]

    def _near(self, bounds: Bounds) -> list[int]:
        """Give the files that reach into a window, in order of preference."""
        return self.tree.near(bounds, 2 * self._lattice.cell_m)

    def surveyed_window(self, bounds: Bounds) -> tuple[Grid, Grid]:
        """Give the cells that touch ``bounds``, and the survey each of them comes from, int16; no data is -1.

        Parameters, result and faults are those of :meth:`window`.
        """
        row0, row1, column0, column1 = window_cells(self._lattice, self._shape, bounds)
        survey = np.full((row1 - row0, column1 - column0), NO_SURVEY, np.int16)
        grid = self._window(bounds, survey)
        return grid, Grid(survey, self._lattice, row0, column0, NO_SURVEY)

    def _window(self, bounds: Bounds, survey: NDArray[np.int16] | None) -> Grid:
        """Give a window; write the survey of its cells into ``survey``."""
        row0, row1, column0, column1 = window_cells(self._lattice, self._shape, bounds)
        empty = self._empty()
        values = np.full((row1 - row0, column1 - column0), empty)
        missing = np.ones(values.shape, bool)
        with self._lock:
            for number in self._near(bounds) if values.size else ():
                if not missing.any():
                    break
                rows, columns = self._held(number, (row0, row1), (column0, column1))
                part = np.s_[rows[0] - row0 : rows[1] - row0, columns[0] - column0 : columns[1] - column0]
                got = self._file_window(number, rows, columns)
                np.copyto(values[part], got, where=missing[part])
                still = values[part] == empty if self.kind == "classes" else np.isnan(values[part])
                if survey is not None:
                    survey[part][missing[part] & ~still] = self.surveys[number]
                missing[part] = still
        nodata = float(NO_CODE) if self.kind == "classes" else None
        return Grid(values, self._lattice, row0, column0, nodata)

    def block_heights(
        self, block: int, row0: int, surveys: NDArray[np.int16], column0: int = 0
    ) -> NDArray[np.float32]:
        """Give heights whose cells are blocks of lattice cells, as they stand in their files.

        Parameters and result are those of :class:`~gisprio.contracts.grids.BlockedSource`, faults those of
        :meth:`window`.
        """
        found = np.full(surveys.shape, np.nan, np.float32)
        blocks = Lattice(self._lattice.x0, self._lattice.y0, self._lattice.cell_m * block)
        rows, columns = surveys.shape
        x0, y1 = blocks.x0 + column0 * blocks.cell_m, blocks.y0 - row0 * blocks.cell_m
        for number in self._near((x0, y1 - rows * blocks.cell_m, x0 + columns * blocks.cell_m, y1)):
            if not math.isclose(self.cells_m[number], blocks.cell_m, rel_tol=1e-5):
                continue
            offset = _offset_on(self.files[number], blocks, self.crs)
            wanted = (surveys == self.surveys[number]) & np.isnan(found)
            if offset is not None and wanted.any():
                down, right = row0 - offset[0], column0 - offset[1]
                values, valid = self.file_cells(number, down, down + rows, right, right + columns)
                np.copyto(found, values.astype(np.float32), where=wanted & valid)
        return found

    def panel_columns(self, block: int) -> int:
        """Give how many columns to read at once, from top to bottom, so that what is packed together is read once.

        Parameters and result are those of :class:`~gisprio.contracts.grids.PanelledSource`.
        """
        packed = {file.block for file, offset in zip(self.files, self._offsets, strict=True) if offset is not None}
        rows, columns = (max((one[k] for one in packed), default=1) for k in (0, 1))
        wide = max(columns, min(_PANEL_CELLS, GDAL_CACHE_BYTES // (2 * 8 * rows)))  # two rows of blocks stay decoded
        unit = math.lcm(block, *(one[1] for one in packed if one[1] <= wide))
        return unit * max(1, wide // unit) if unit <= 2 * wide else block * max(1, wide // block)

    def file_cells(
        self, number: int, row0: int, row1: int, column0: int, column1: int
    ) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
        """Give cells of one file as they lie in it, in metres or codes, and which of them hold data.

        Parameters
        ----------
        number
            The file, as in ``files``.
        row0, row1, column0, column1
            First cell and the one after the last, of the file; those beyond it hold no data.

        Raises
        ------
        InputError
            When the file can no longer be read.
        """
        with self._lock:
            return self._read(number, row0, row1, column0, column1)

    def close(self) -> None:
        """Close the files; they are opened again when asked for."""
        with self._lock:
            for dataset in self._opened:
                dataset.close()
            self._local = threading.local()
            self._opened = []
            self.tree.close()

    def _empty(self) -> NDArray[np.generic]:
        return np.array(NO_CODE, np.int32) if self.kind == "classes" else np.array(np.nan, np.float32)

    def _held(
        self, number: int, rows: tuple[int, int], columns: tuple[int, int]
    ) -> tuple[tuple[int, int], tuple[int, int]]:
        """Give the rows and columns of a window that a file can fill; all of them where it is drawn on the lattice."""
        offset, file = self._offsets[number], self.files[number]
        if offset is None:
            return rows, columns
        top, left = (min(max(at, low), high) for at, (low, high) in zip(offset, (rows, columns), strict=True))
        bottom, right = offset[0] + file.rows, offset[1] + file.columns
        return (top, min(max(bottom, top), rows[1])), (left, min(max(right, left), columns[1]))

    def _file_window(self, number: int, rows: tuple[int, int], columns: tuple[int, int]) -> NDArray[np.generic]:
        offset = self._offsets[number]
        if offset is not None:
            values, valid = self._read(
                number,
                rows[0] - offset[0],
                rows[1] - offset[0],
                columns[0] - offset[1],
                columns[1] - offset[1],
            )
            empty = self._empty()
            return (values if valid.all() else np.where(valid, values, empty)).astype(empty.dtype, copy=False)

        if self.kind == "heights" and self._lies_alike(number):
            return self._stretch(number, rows, columns)

        def block(row: int, column: int) -> NDArray[np.generic]:
            return self._cache.block((number, row, column), lambda: self._warp(number, row, column))

        return window_from_blocks(rows, columns, block, self._empty())

    def _lies_alike(self, number: int) -> bool:
        """Say whether rows and columns of a file run as those of the lattice, so that it need only be stretched."""
        file = self.files[number]
        assert file.crs is not None
        return file.north_up and same(file.crs, self.crs)

    def _stretch(self, number: int, rows: tuple[int, int], columns: tuple[int, int]) -> NDArray[np.generic]:
        """Draw a file that lies as the lattice does on cells of the lattice."""
        file, empty = self.files[number], self._empty()
        x, y = self._lattice.centres(np.arange(*rows)[:, None], np.arange(*columns))
        row, column = (y.ravel() - file.transform[5]) / file.transform[4], (x - file.transform[2]) / file.transform[0]
        r0, c0 = max(0, math.floor(row.min()) - 1), max(0, math.floor(column.min()) - 1)
        r1, c1 = min(file.rows, math.floor(row.max()) + 2), min(file.columns, math.floor(column.max()) + 2)
        if r0 >= r1 or c0 >= c1:
            return np.full((len(row), len(column)), empty)
        values, valid = self._read(number, r0, r1, c0, c1)
        heights, ok = stretch_bilinear(values, valid, row - r0, column - c0)
        return np.where(ok, heights, empty).astype(empty.dtype)

    def _warp(self, number: int, block_row: int, block_column: int) -> NDArray[np.generic]:
        """Draw one file on one block of the lattice."""
        file = self.files[number]
        to_source = Transformer.from_crs(self.crs, file.crs, always_xy=True)
        x, y = block_places(self._lattice, block_row, block_column, to_source)
        a, b, c, d, e, f = (~rasterio.Affine(*file.transform))[:6]
        column, row = a * x + b * y + c, d * x + e * y + f
        with np.errstate(invalid="ignore"):
            near = (row >= 0) & (row < file.rows) & (column >= 0) & (column < file.columns)
        empty = self._empty()
        if not near.any():
            return np.full(row.shape, empty)
        r0, r1 = max(0, int(row[near].min()) - 1), min(file.rows, int(row[near].max()) + 2)
        c0, c1 = max(0, int(column[near].min()) - 1), min(file.columns, int(column[near].max()) + 2)
        values, valid = self._read(number, r0, r1, c0, c1)
        row, column = np.where(near, row - r0, -1.0), np.where(near, column - c0, -1.0)
        if self.kind == "heights":
            heights, ok = pick_bilinear(values, valid, row, column)
            return np.where(ok, heights, empty).astype(empty.dtype)
        codes, ok = pick_nearest(values, valid, row, column)
        return np.where(ok, codes, empty).astype(empty.dtype)

    def _read(
        self, number: int, row0: int, row1: int, column0: int, column1: int
    ) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
        """Read cells of a file in metres or codes; cells beyond the file are not valid."""
        file = self.files[number]
        r0, r1 = min(max(row0, 0), file.rows), min(max(row1, 0), file.rows)
        c0, c1 = min(max(column0, 0), file.columns), min(max(column1, 0), file.columns)
        shape = (row1 - row0, column1 - column0)
        if r0 >= r1 or c0 >= c1:
            return np.zeros(shape, np.int64 if self.kind == "classes" else np.float64), np.zeros(shape, bool)
        stored, held = self._stored(number, Window(c0, r0, c1 - c0, r1 - r0))
        read = {"heights": self._heights, "classes": self._codes, "values": _numbers}[self.kind]
        numbers, ok = read(file, stored, held)
        if numbers.shape == shape:
            return numbers, ok
        inner = np.s_[r0 - row0 : r1 - row0, c0 - column0 : c1 - column0]
        values, valid = np.zeros(shape, numbers.dtype), np.zeros(shape, bool)
        values[inner], valid[inner] = numbers, ok
        return values, valid

    def _stored(self, number: int, window: Window) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Give numbers as they are stored, and which of them the file does not call no data."""
        try:
            dataset = self._dataset(number)
            if dataset.mask_flag_enums[0] == [MaskFlags.all_valid]:
                numbers = dataset.read(1, window=window)
                return numbers, np.ones(numbers.shape, bool)
            if self._no_land(number, dataset):
                numbers = dataset.read(1, window=window)
                return numbers, ~_nearly(numbers, dataset.nodata)
            got = dataset.read(1, window=window, masked=True)
        except RasterioError:
            raise not_read(self.files[number]) from None
        return got.data, ~np.ma.getmaskarray(got)

    def _no_land(self, number: int, dataset: Any) -> bool:
        """Say whether "no data" of a file of heights is one number far from all land; its mask need not be read."""
        if self.kind != "heights" or dataset.mask_flag_enums[0] != [MaskFlags.nodata]:
            return False
        metres = (dataset.nodata * self.files[number].scale + self.files[number].offset) * self.unit_m
        return bool(math.isfinite(metres) and not 2 * LOWEST_M < metres < 2 * HIGHEST_M)

    def _heights(
        self, file: RasterFile, numbers: NDArray[Any], ok: NDArray[np.bool_]
    ) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
        metres = numbers
        if (file.scale, file.offset, self.unit_m) != (1.0, 0.0, 1.0) or not np.issubdtype(numbers.dtype, np.floating):
            metres = (numbers.astype(np.float64) * file.scale + file.offset) * self.unit_m
        with np.errstate(invalid="ignore"):
            land = (metres >= LOWEST_M) & (metres <= HIGHEST_M) & ok
        if land.all():
            return metres, land
        odd = ok & ~land & ~np.isnan(metres)
        if odd.any():
            stored, count = np.unique(numbers[odd], return_counts=True)
            for value, times in zip(stored[:9].tolist(), count[:9].tolist(), strict=True):
                if len(self.impossible) >= 99 and float(value) not in self.impossible:
                    break
                self.impossible[float(value)] = self.impossible.get(float(value), 0) + times
        return np.where(land, metres, np.zeros((), metres.dtype)), land

    def _codes(
        self, file: RasterFile, numbers: NDArray[Any], ok: NDArray[np.bool_]
    ) -> tuple[NDArray[np.generic], NDArray[np.bool_]]:
        if (file.scale, file.offset) != (1.0, 0.0) or np.issubdtype(numbers.dtype, np.floating):
            numbers = numbers.astype(np.float64) * file.scale + file.offset
            ok = ok & np.isfinite(numbers)
            numbers = np.where(ok, numbers, 0.0)
            if (numbers != np.round(numbers)).any():
                raise InputError(
                    f"[layers] land_cover: {file.place.name} holds fractions such as "
                    f"{numbers[numbers != np.round(numbers)][0]:g}.",
                    wanted="whole numbers, the codes of a legend.",
                    do="give the map of classes, not one of shares or heights.",
                )
        return numbers.astype(np.int64), ok

    def _dataset(self, number: int) -> Any:
        opened: OrderedDict[int, Any] = self._local.__dict__.setdefault("datasets", OrderedDict())
        if number not in opened:
            if len(opened) >= _MOST_OPEN:
                dropped = opened.popitem(last=False)[1]
                dropped.close()
                self._opened.remove(dropped)
            opened[number] = open_raster(self.files[number].place)
            self._opened.append(opened[number])
        opened.move_to_end(number)
        return opened[number]


def _nearly(numbers: NDArray[Any], nodata: float) -> NDArray[np.bool_]:
    """Say which numbers GDAL takes for a "no data" number: of single precision also its nearest neighbours."""
    equal: NDArray[np.bool_] = numbers == nodata
    if numbers.dtype != np.float32:
        return equal
    odd = ~equal & (np.abs(numbers) > min(abs(nodata) * 0.99, 1e30))
    if odd.any():
        near, wanted = numbers[odd], np.float32(nodata)
        with np.errstate(over="ignore"):  # beyond single precision all is near, as it is for GDAL
            equal[odd] = np.abs(near - wanted) < np.finfo(np.float32).eps * np.abs(near + wanted) * np.float32(2)
    return equal


def _numbers(file: RasterFile, numbers: NDArray[Any], ok: NDArray[np.bool_]) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Give numbers as they are meant; what is not finite is no data."""
    meant = numbers.astype(np.float64) * file.scale + file.offset
    ok = ok & np.isfinite(meant)
    return np.where(ok, meant, 0.0), ok


def not_read(file: RasterFile) -> InputError:
    """Word that a file could be opened, but not read."""
    if file.far:
        name = url_of(file.place) or file.place.name
        return InputError(
            f"{name} could be opened, but not read to its end: its server no longer answers, or not in time.",
            wanted="a server that answers as long as the run takes.",
            do="run again when it does, finished stages are kept; or download the file and give its path.",
        )
    if file.gone:
        return InputError(
            f"{file.place.name} is made of files that are not there: {listed(file.gone)}.",
            wanted="all the files it names, at least where the run reads it.",
            do="put them back, or build it again without them.",
        )
    return InputError(
        f"{file.place.name} could be opened, but not read to its end.",
        wanted="a whole file.",
        do="copy or download it again.",
    )


def round_cell(cell_m: float) -> float:
    """Round a cell to two figures.

    Examples
    --------
    >>> round_cell(27.76), round_cell(0.9984), round_cell(304.8)
    (28.0, 1.0, 300.0)
    """
    return float(f"{cell_m:.1e}")


def _box_in(file: RasterFile, crs: CRS, region: Bounds | None) -> Bounds | None:
    """Give the part of a file's extent inside the region, in the working system."""
    assert file.crs is not None
    bounds = file.bounds
    if region is not None and not same(file.crs, crs):
        seen = transform_bounds(region, crs, file.crs)
        x0, y0, x1, y1 = (
            max(bounds[0], seen[0]),
            max(bounds[1], seen[1]),
            min(bounds[2], seen[2]),
            min(bounds[3], seen[3]),
        )
        if x0 >= x1 or y0 >= y1:
            return None
        bounds = (x0, y0, x1, y1)
    return transform_bounds(bounds, file.crs, crs)


def _lattice_over(
    finest: RasterFile, cell_m: float, boxes: Sequence[Bounds | None], crs: CRS
) -> tuple[Lattice, tuple[int, int]]:
    """Give the lattice of the finest file, grown to hold all boxes, and its size."""
    assert finest.crs is not None
    if finest.north_up and same(finest.crs, crs):
        cell, at_x, at_y = finest.transform[0], finest.transform[2], finest.transform[5]
    else:
        cell, at_x, at_y = round_cell(cell_m), 0.0, 0.0
    held = [box for box in boxes if box is not None]
    if not held:
        return Lattice(at_x, at_y, cell), (0, 0)
    slack = 1e-6  # share of a cell: a box that ends on the lattice needs no further cell
    left = math.floor((min(box[0] for box in held) - at_x) / cell + slack)
    top = math.floor((at_y - max(box[3] for box in held)) / cell + slack)
    right = math.ceil((max(box[2] for box in held) - at_x) / cell - slack)
    bottom = math.ceil((at_y - min(box[1] for box in held)) / cell - slack)
    return Lattice(at_x + left * cell, at_y - top * cell, cell), (bottom - top, right - left)


def _offset_on(file: RasterFile, lattice: Lattice, crs: CRS) -> tuple[int, int] | None:
    """Give the row and column of a file's corner where its cells are cells of the lattice, else None."""
    assert file.crs is not None
    if not (file.north_up and same(file.crs, crs)):
        return None
    if not math.isclose(file.transform[0], lattice.cell_m, rel_tol=1e-6):
        return None
    column = (file.transform[2] - lattice.x0) / lattice.cell_m
    row = (lattice.y0 - file.transform[5]) / lattice.cell_m
    fits = abs(column - round(column)) < 1e-3 and abs(row - round(row)) < 1e-3
    return (round(row), round(column)) if fits else None
