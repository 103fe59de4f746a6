"""Measuring in a fresh process: time and highest memory of a function, each time from nothing.

The function is named as "module:function" of this package, takes keywords that JSON can carry and gives a dict that it
can. It measures its own times, so imports and preparation stay out of them.
"""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from time import perf_counter, sleep
from typing import Any

Measured = dict[str, Any]
Side = tuple[str, Mapping[str, Any]]
"""A function by name, and its arguments."""
TURNS = 3
POLL_S = 0.05
ROOT = Path(__file__).resolve().parents[2]


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Give how long something took [s], and what it gave."""
    began = perf_counter()
    made = work()
    return perf_counter() - began, made


def in_own_process(function: str, **arguments: object) -> Measured:
    """Call a function in a fresh process; give what it gives, and ``peak_mb`` [MiB].

    ``peak_mb`` is the highest resident memory of the process and of those it started, each by its own VmHWM, summed up:
    at least as much as they held at any one moment.
    """
    call = [sys.executable, "-m", "tests.benchmarks.fresh", function, json.dumps(arguments)]
    process = subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    peaks: dict[int, int] = {}
    while process.poll() is None:
        for pid in family(process.pid):
            with suppress(OSError, IndexError):
                peaks[pid] = resident_bytes(pid)
        sleep(POLL_S)
    assert process.stdout is not None
    said = process.stdout.read().splitlines()
    if process.returncode:
        raise RuntimeError(f"{function} ended with {process.returncode}; what it said is above.")
    measured: Measured = json.loads(said[-1])
    own = measured.pop("own_peak_mb")  # read at its very end
    measured["peak_mb"] = own + sum(peak for pid, peak in peaks.items() if pid != process.pid) / 2**20
    return measured


def best_of_turns(turns: int = TURNS, **sides: Side) -> dict[str, Measured]:
    """Measure sides in turn, each time in a fresh process; give for each the turn that took least ``seconds``."""
    best: dict[str, Measured] = {}
    for _ in range(turns):
        for name, (function, arguments) in sides.items():
            measured = in_own_process(function, **arguments)
            if name not in best or measured["seconds"] < best[name]["seconds"]:
                best[name] = measured
    return best


def family(pid: int) -> list[int]:
    """Give a process and all it started that are still there."""
    found = [pid]
    for one in found:
        with suppress(OSError):
            for task in Path(f"/proc/{one}/task").iterdir():
                found += [int(child) for child in (task / "children").read_text().split()]
    return found


def resident_bytes(pid: int | str = "self") -> int:
    """Give the highest resident memory of a process so far."""
    return 1024 * int(Path(f"/proc/{pid}/status").read_text().split("VmHWM:")[1].split()[0])


def gigabytes(peak_mb: float) -> float:
    """Give GB (1e9 bytes) of MiB, in which peaks are told."""
    return peak_mb * 2**20 / 1e9


def main() -> int:
    """Call the function named, and print what it gives as the last line."""
    module, name = sys.argv[1].split(":")
    measured = getattr(importlib.import_module(f"tests.benchmarks.{module}"), name)(**json.loads(sys.argv[2]))
    sys.stdout.write("\n" + json.dumps({**measured, "own_peak_mb": resident_bytes() / 2**20}) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
