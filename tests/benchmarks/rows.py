"""What a part gives: rows of the table, each a number of this run beside what it should be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.benchmarks.session import Session


@dataclass(frozen=True)
class Row:
    """A number of this run.

    Parameters
    ----------
    work
        What was done.
    value
        The number.
    baseline
        What it is a ratio to, by call; with seconds of both sides.
    limit
        Highest value, or lowest with ``least``; None where there is no goal.
    unit
        As it stands behind the value: "x", "s", "GB", or none.
    least
        Whether more is better.
    """

    work: str
    value: float
    baseline: str
    limit: float | None = None
    unit: str = "x"
    least: bool = False

    @property
    def missed_by(self) -> float:
        """Share of the limit by which the goal is missed; 0 where it is held or there is none."""
        if self.limit is None:
            return 0.0
        over = self.limit - self.value if self.least else self.value - self.limit
        return max(0.0, over / self.limit)

    @property
    def goal(self) -> str:
        """The goal in words."""
        if self.limit is None:
            return ""
        return f"at {'least' if self.least else 'most'} {told(self.limit, self.unit)}"

    @property
    def this_run(self) -> str:
        """The value in words, and by how much it misses the goal."""
        missed = f"{told(self.value, self.unit)}; missed by {max(1, round(100 * self.missed_by))} %"
        return missed if self.missed_by > 0 else told(self.value, self.unit)


@dataclass(frozen=True)
class Part:
    """A part of the benchmarks.

    Parameters
    ----------
    name
        As ``--only`` takes it.
    rows
        Measures, and gives rows.
    """

    name: str
    rows: Callable[[Session], Sequence[Row]]


def told(value: float, unit: str) -> str:
    """Word a number: three figures, without an exponent.

    >>> told(0.03912, "x"), told(123.4, "s"), told(2.0, "")
    ('0.0391 x', '123 s', '2')
    """
    figures = f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"
    return f"{figures} {unit}".strip()
