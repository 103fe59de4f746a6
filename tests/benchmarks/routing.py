"""Time, memory and growth of routing, as ratios to topotoolbox in the same run on the same ground.

From the top of a checkout, with topotoolbox installed:

    python -m tests.benchmarks.routing              # 1e6 and 9e6 cells
    python -m tests.benchmarks.routing --large      # and 1e8: about 15 minutes, 8 GiB

Six products each: filled ground, directions with flats drained, counts, stream order, height above the stream, of
streams that begin at 2,000 cells. Each size runs in a process of its own; both sides in turn, warm, the least of three
wall times. Memory is how far the resident size rises in the first pass, the kernels at hand and all results held; read
from /proc, so on Linux only. On a busy machine the ratio of processor times is the steadier one: it charges gisprio for
both of its threads.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable
from itertools import pairwise
from math import log
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.terrain.routing import Routed, route

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


def in_own_process(side: int, folder: str) -> dict[str, float]:
    """Make the ground of a size, and measure it in a fresh process."""
    path = f"{folder}/ground_{side}.npy"
    np.save(path, ground(side))
    call = [sys.executable, "-m", __spec__.name, "--measure", str(side), path]
    return json.loads(subprocess.run(call, check=True, stdout=subprocess.PIPE, text=True).stdout)


def report(rows: dict[int, dict[str, float]]) -> bool:
    """Print what was measured beside the goals; say whether they hold."""
    say = sys.stdout.write
    say(
        "   cells  valid raised order   gisprio s  topotoolbox s   ratio  (goal)  of cpu"
        "  ns a cell  B a cell  growth  (goal)\n"
    )
    growth = {
        side: log(rows[side]["own_s"] / rows[small]["own_s"]) / log(rows[side]["cells"] / rows[small]["cells"])
        for small, side in pairwise(rows)
    }
    held = True
    for side, row in rows.items():
        goal, goal_growth = GOALS[side]
        ratio, grown = row["own_s"] / row["other_s"], growth.get(side)
        ratio_cpu = row["own_cpu_s"] / row["other_cpu_s"]
        held &= (goal is None or ratio <= goal) and (grown is None or grown <= goal_growth)
        held &= row["bytes"] <= GOAL_BYTES or goal is None  # a small grid pays for tables and threads
        say(
            f"{row['cells']:8.0e} {row['valid']:6.2f} {row['raised']:6.2f} {row['order']:5.0f} "
            f"{row['own_s']:11.3f} {row['other_s']:14.3f} {ratio:7.3f} {goal or '':>7} {ratio_cpu:7.3f} "
            f"{1e9 * row['own_s'] / row['cells']:10.1f} {row['bytes']:9.1f} "
            f"{'' if grown is None else format(grown, '.2f'):>7} {'' if grown is None else goal_growth:>7}\n"
        )
    say("All goals hold.\n" if held else "NOT all goals hold.\n")
    return held


def main() -> int:
    """Run the benchmark; 0 when all goals hold."""
    import tempfile

    choices = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    choices.add_argument("--large", action="store_true", help="and 1e8 cells")
    choices.add_argument("--measure", nargs=2, metavar=("SIDE", "FILE"), help=argparse.SUPPRESS)
    chosen = choices.parse_args()
    if chosen.measure:
        sys.stdout.write(json.dumps(measure(int(chosen.measure[0]), chosen.measure[1])))
        return 0
    sides = (*SIDES, LARGE) if chosen.large else SIDES
    with tempfile.TemporaryDirectory() as folder:
        return 0 if report({side: in_own_process(side, folder) for side in sides}) else 1


if __name__ == "__main__":
    sys.exit(main())
