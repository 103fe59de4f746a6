"""Cells of a routing grid: directions, the border around the data, strips of rows shared out among threads.

Arrays that kernels work on are flat and carry a border of one cell without data, so that a neighbour is an offset and
no kernel asks whether it has left the grid.
"""

from __future__ import annotations

import mmap
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

OUTLET = 0
"""Direction of a cell where water leaves, or is taken up."""
NODATA = 254
"""Direction of a cell without ground."""
UNSET = 255
"""Direction not known yet; none is left when routing is through."""
PENDING = 16
"""Added to the direction of a cell that drains a flat, until the flat is drained."""

STRIPS = 4
"""Strips of rows a large grid is cut into: more than threads, as some hold little ground."""
SMALL_CELLS = 200_000
"""A grid so small is one strip, and its arrays come from the allocator."""
THREADS = "OMP_NUM_THREADS"
"""Variable of the environment that says how many threads a process may use; OpenBLAS and Arrow heed it too."""


def threads_at_hand() -> int:
    """Give how many threads this process may use: as the environment says, else one a processor."""
    given = os.environ.get(THREADS, "")
    return int(given) if given.isdigit() and int(given) else os.cpu_count() or 1


WORKERS = min(STRIPS, threads_at_hand())
"""Threads."""

Strip = tuple[int, int]
"""First row and row after the last, border counted."""
T = TypeVar("T")


def neighbour_offsets(width: int) -> NDArray[np.int64]:
    """Give flat offsets of directions 0 to 8 in an array ``width`` wide, border included; 0 is the cell itself."""
    return np.array([0, 1, width + 1, width, width - 1, -1, -width - 1, -width, -width + 1], np.int64)


def bordered(shape: tuple[int, int], dtype: Any, value: float) -> NDArray[Any]:
    """Give a flat array for a grid of ``shape`` and its border, all of one value."""
    flat = zeros((shape[0] + 2) * (shape[1] + 2), dtype)
    if value != 0:
        flat[:] = value
    return flat


def zeros(size: int, dtype: Any) -> NDArray[Any]:
    """Give an array of zeros; a large one on pages of its own.

    Notes
    -----
    Such pages go back to the system when the array is let go of. The allocator keeps those of some MB, and so the chain
    of arrays that routing makes would hold a quarter more than it needs.
    """
    if size <= SMALL_CELLS:
        return np.zeros(size, dtype)
    pages = mmap.mmap(-1, size * np.dtype(dtype).itemsize, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    if hasattr(mmap, "MADV_HUGEPAGE"):
        pages.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(pages, dtype)


def without_border(flat: NDArray[Any], shape: tuple[int, int]) -> NDArray[Any]:
    """Give the view (rows, columns) of a flat bordered array."""
    return flat.reshape(shape[0] + 2, shape[1] + 2)[1:-1, 1:-1]


def lay_strips(shape: tuple[int, int], strips: int | None) -> list[Strip]:
    """Cut the rows of a grid into strips of about equal height.

    Parameters
    ----------
    shape
        Rows and columns, without the border.
    strips
        How many; None for what suits the size.
    """
    rows = shape[0]
    if strips is None:
        strips = STRIPS if rows * shape[1] > SMALL_CELLS else 1
    strips = max(1, min(strips, rows))
    cuts = [1 + rows * n // strips for n in range(strips + 1)]
    return list(pairwise(cuts))


def in_threads(work: Callable[[int, Strip], T], strips: list[Strip], workers: int) -> list[T]:
    """Do the same work on each strip, by number and rows; give what came out, in the order of the strips.

    Parameters
    ----------
    work
        Writes to cells of its own strip only, or nothing that depends on the other strips.
    strips
        Of :func:`lay_strips`.
    workers
        Threads; kernels let go of the interpreter.
    """
    if len(strips) == 1 or workers == 1:
        return [work(number, strip) for number, strip in enumerate(strips)]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(work, range(len(strips)), strips))
