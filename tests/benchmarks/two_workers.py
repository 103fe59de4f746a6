"""Two workers beside one, on the stages that run tile by tile.

Measured: wall time from the first piece stage to the whole stage after them, in runs on 1,500 reaches (some 16 tiles)
with two workers, starting the processes and what goes to the store included; one run of each, as they take long.
Anchor: the same with one. Goal: at least 1.7 times as fast.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tests.benchmarks.growth import MIDDLE
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

GOAL = 1.7
TURNS = 1


def rows(session: Session) -> Sequence[Row]:
    """Compare one worker with two."""
    one, two = (min(run["pieces_s"] for run in session.runs(MIDDLE, workers, TURNS)) for workers in (1, 2))
    work = f"two workers on the piece stages, {MIDDLE:,} reaches"
    return [Row(work, one / two, f"one worker: {one:.1f} against {two:.1f} s", GOAL, least=True)]


PART = Part("two_workers", rows)
