"""Runs of neighbouring rows, as arrays: what a bank or a gap is, seen as rows of a table of station sides."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Rows = dict[str, NDArray[Any]]
"""Columns of some rows, by name."""


def columns_of(table: pd.DataFrame) -> Rows:
    """Give the columns of a table as arrays."""
    return {name: table[name].to_numpy() for name in table.columns}


def cut(columns: Rows, rows: slice) -> Rows:
    """Give the same columns of fewer rows: views, not copies."""
    return {name: values[rows] for name, values in columns.items()}


def runs(first: NDArray[Any], second: NDArray[Any], within: slice = slice(None)) -> list[slice]:
    """Give the runs of neighbouring rows that share two keys.

    >>> runs(np.array([7, 7, 8, 8]), np.array([0, 1, 1, 1]))
    [slice(0, 1, None), slice(1, 2, None), slice(2, 4, None)]
    """
    offset = within.start or 0
    a, b = first[within], second[within]
    if not len(a):
        return []
    edges = np.flatnonzero((a[1:] != a[:-1]) | (b[1:] != b[:-1])) + 1
    return [slice(offset + low, offset + high) for low, high in pairwise([0, *edges.tolist(), len(a)])]


@dataclass(frozen=True)
class Words:
    """A column of words as codes, -1 for none, and the words in order of name."""

    codes: NDArray[np.int64]
    names: list[str]

    @classmethod
    def of(cls, column: pd.Series) -> Words:
        """Make codes of a column of text."""
        codes, names = pd.factorize(column, sort=True)
        return cls(np.asarray(codes, np.int64), [str(name) for name in names])

    def most(self, rows: slice, weight: NDArray[np.floating]) -> str | None:
        """Name what holds the most weight among some rows; ties go to the first by name, None where nothing has any."""
        codes = self.codes[rows]
        told = (codes >= 0) & (weight > 0)
        if not told.any():
            return None
        return self.names[int(np.bincount(codes[told], weight[told]).argmax())]


def median(values: NDArray[np.floating]) -> float:
    """Give the median of what is not missing; NaN where all is."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else np.nan
