"""The parts of the benchmarks, in the order of the table."""

from __future__ import annotations

from tests.benchmarks import (
    bank_shares,
    corridor,
    growth,
    raster_memory,
    routing,
    start,
    strips_on_properties,
    two_workers,
    whole_run,
)
from tests.benchmarks.rows import Part

PARTS: tuple[Part, ...] = (
    bank_shares.PART,
    strips_on_properties.PART,
    whole_run.PART,
    corridor.PART,
    growth.PART,
    raster_memory.PART,
    two_workers.PART,
    start.PART,
    routing.PART,
)
