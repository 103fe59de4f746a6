"""Time, memory and growth of routing, as ratios to topotoolbox in the same run on the same ground.

Measured: six products, filled ground, directions with flats drained, counts, stream order, height above the stream, of
streams that begin at 2,000 cells. Anchor: the same by topotoolbox (`fillsinks`, `FlowObject`, `flow_accumulation`,
`StreamObject`, `streamorder`, `vertdistance2stream`). Each size runs in a process of its own; both sides in turn, warm,
the least of three wall times. Memory is how far the resident size rises in the first pass, the kernels at hand and all
results held. On a busy machine the ratio of processor times, which is printed, is the steadier one: it charges gisprio
for both of its threads.

Goals: at 9e6 cells 0.30 times topotoolbox, growth at most 1.05 from 1e6, at most 16 bytes a cell; with `--large` at 1e8
cells (15 minutes, 8 GiB) 0.20 times and 1.15.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import log
from pathlib import Path
from time import perf_counter, process_time
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.terrain.routing import Routed, route
from tests.benchmarks.fresh import in_own_process
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

SIDES = (1_000, 3_000)
LARGE = 10_000
STREAM_CELLS = 2_000
TURNS = 3
GOALS = {1_000: (None, 1.05), 3_000: (0.30, 1.05), 10_000: (0.20, 1.15)}
"""Side: highest ratio to topotoolbox, highest growth from the size before."""
GOAL_BYTES = 16.0
HILLS_M = 0.002
ROUGH_M = 0.1
SLOPE = 0.1
WAVE_CELLS = 1_000.0


def ground(side: int, seed: int = 3) -> NDArray[np.float32]:
    """Make ground of an invented place: hills of noise on a slope, roughness, lakes, a wavy collar without data.

    Parameters
    ----------
    side
        Rows and columns; cells of 1 m.
    seed
        Of the noise.

    Notes
    -----
    A cell of large ground looks like one of small ground: amplitudes go by waves a cell, not by waves a map.
    """
    rng = np.random.default_rng(seed)
    waves = np.fft.rfft2(rng.standard_normal((side, side), np.float32))
    down, right = np.fft.fftfreq(side).astype(np.float32)[:, None], np.fft.rfftfreq(side).astype(np.float32)[None]
    waves *= np.maximum(np.hypot(down, right), 1.0 / WAVE_CELLS) ** np.float32(-2.2)
    heights = np.fft.irfft2(waves, (side, side)).astype(np.float32)
    del waves
    heights *= np.float32(HILLS_M)
    away = (np.arange(side, dtype=np.float32) - side / 2) / side
    heights += SLOPE * side * away[:, None]
    heights += rng.standard_normal((side, side), np.float32) * np.float32(ROUGH_M)
    np.maximum(heights, np.quantile(heights[:: side // 500, :: side // 500], 0.06), out=heights)
    for row in range(side):
        angle = np.arctan2(away[row], away)
        heights[row, np.hypot(away[row], away) > 0.46 + 0.02 * np.sin(9 * angle)] = np.nan
    return heights


def all_six(heights: NDArray[np.float32]) -> tuple[Routed, list[NDArray]]:
    """Make the six products by gisprio."""
    routed = route(heights)
    count = routed.counts()
    stream = count >= STREAM_CELLS
    return routed, [count, routed.strahler(stream), routed.height_above(stream, heights)]


def all_six_by_topotoolbox(heights: NDArray[np.float32]) -> list[object]:
    """Make the six products by topotoolbox."""
    import topotoolbox

    grid = topotoolbox.GridObject()
    grid.z, grid.cellsize = heights, 1.0
    filled = grid.fillsinks()
    flow = topotoolbox.FlowObject(grid)
    stream = topotoolbox.StreamObject(flow, threshold=STREAM_CELLS)
    return [filled, flow.flow_accumulation(), stream.streamorder(), flow.vertdistance2stream(stream, grid)]


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Give the wall time and the processor time of something [s]."""
    began, used = perf_counter(), process_time()
    work()
    return perf_counter() - began, process_time() - used


def _resident(what: str) -> int:
    return 1024 * int(Path("/proc/self/status").read_text().split(what)[1].split()[0])


def bytes_above(work: Callable[[], object]) -> int:
    """Give how far the resident size rises while something is done, its results still held."""
    Path("/proc/self/clear_refs").write_text("5")  # the highest is the present one
    before = _resident("VmRSS:")
    held = work()
    return _resident("VmHWM:") - before if held is not None else 0


def measure(side: int, path: str) -> dict[str, float]:
    """Measure one size in this process; the ground lies in a file."""
    all_six(np.random.default_rng(1).random((300, 300), np.float32))
    heights = np.load(path)
    peak = bytes_above(lambda: all_six(heights)) / heights.size
    own, other = [], []
    for _ in range(TURNS):
        own.append(timed(lambda: all_six(heights)))
        other.append(timed(lambda: all_six_by_topotoolbox(heights)))
    routed, (count, order, _) = all_six(heights)
    valid = ~np.isnan(heights)
    return {
        "cells": heights.size,
        "valid": float(valid.mean()),
        "raised": float((routed.filled > heights).sum() / valid.sum()),
        "largest": int(count.max()),
        "order": int(order.max()),
        "own_s": min(wall for wall, _ in own),
        "other_s": min(wall for wall, _ in other),
        "own_cpu_s": min(cpu for _, cpu in own),
        "other_cpu_s": min(cpu for _, cpu in other),
        "bytes": peak,
    }


def rows(session: Session) -> Sequence[Row]:
    """Measure each size, and its growth from the size before."""
    measured = {}
    for side in (*SIDES, LARGE) if "routing" in session.large else SIDES:
        path = session.folder / f"ground_{side}.npy"
        np.save(path, ground(side))
        measured[side] = in_own_process("routing:measure", side=side, path=str(path))
        session.say(f"  {measured[side]}")
        path.unlink()
    made = []
    for small, side in pairwise(measured):
        less, more = measured[small], measured[side]
        (goal, goal_growth), cells = GOALS[side], f"{side**2:.0e} cells".replace("e+0", "e")
        growth = log(more["own_s"] / less["own_s"]) / log(more["cells"] / less["cells"])
        against = f"topotoolbox: {more['own_s']:.2f} against {more['other_s']:.2f} s"
        times = f"slope of log time on log cells: {less['own_s']:.3f} and {more['own_s']:.2f} s"
        made += [
            Row(f"routing, six products, {cells}", more["own_s"] / more["other_s"], against, goal),
            Row(f"growth of routing up to {cells}", growth, times, goal_growth, ""),
            Row(f"memory of routing, {cells}", more["bytes"], "above the heights, a cell", GOAL_BYTES, "B"),
        ]
    return made


PART = Part("routing", rows)
