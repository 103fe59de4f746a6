"""Growth of the core of a whole run with the length of streams.

Measured: the core of `whole_run` (reading, stages, tables; two workers) on watersheds of 500 and 1,500 reaches, with
`--large` of 5,000 too. Anchor: the smaller watershed. Goal: slope of log time on log reaches at most 1.05.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log
from typing import TYPE_CHECKING

from tests.benchmarks.rows import Part, Row
from tests.benchmarks.whole_run import LARGE, SMALL, WORKERS

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

MIDDLE = 1_500
GOAL = 1.05


def rows(session: Session) -> Sequence[Row]:
    """Compare sizes, each with the next."""
    sizes = [(SMALL, 3), (MIDDLE, 2)] + [(LARGE, 1)] * ("growth" in session.large)
    best = [min(session.runs(*size_turns(size)), key=lambda one: one["core_s"]) for size in sizes]
    return [
        Row(
            f"growth with stream length, {less['reaches']:,} to {more['reaches']:,} reaches",
            log(more["core_s"] / less["core_s"]) / log(more["reaches"] / less["reaches"]),
            f"slope of log time on log reaches: {less['core_s']:.1f} and {more['core_s']:.1f} s",
            GOAL,
            "",
        )
        for less, more in pairwise(best)
    ]


def size_turns(size: tuple[int, int]) -> tuple[int, int, int]:
    """Give reaches, workers and turns of a size."""
    return size[0], WORKERS, size[1]


PART = Part("growth", rows)
