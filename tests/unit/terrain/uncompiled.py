"""The routing chain run as it is written, with the compiler off, in a process of its own.

``python -m unit.terrain.uncompiled IN.npz OUT.npz`` from the folder of the tests; :func:`without_compiler` does so.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gisprio.compute.terrain.routing import route

TESTS = Path(__file__).parents[2]


def products(world: dict[str, NDArray], strips: int | None = None) -> dict[str, NDArray]:
    """Give all that routing gives of a world: ``heights``, ``taken`` where there is any, ``threshold``."""
    heights, taken = world["heights"], world.get("taken")
    routed = route(heights, taken, strips=strips)
    count = routed.counts()
    stream = count >= int(world["threshold"])
    label = np.where(stream, np.arange(count.size).reshape(count.shape), -1)
    return {
        "filled": routed.filled,
        "direction": routed.direction,
        "count": count,
        "order": routed.strahler(stream),
        "above": routed.height_above(stream, heights),
        "met": routed.met(label),
    }


def without_compiler(worlds: list[dict[str, NDArray]], folder: Path, strips: int) -> list[dict[str, NDArray]]:
    """Give the products of each world, made with NUMBA_DISABLE_JIT=1 in one process."""
    given, made = folder / "given.npz", folder / "made.npz"
    np.savez(given, **{f"{n}.{name}": value for n, world in enumerate(worlds) for name, value in world.items()})
    call = [sys.executable, "-m", "unit.terrain.uncompiled", str(given), str(made), str(strips)]
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent), os.environ.get("PYTHONPATH", "")])
    off = {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": paths, "PYTHONWARNINGS": "error::RuntimeWarning"}
    subprocess.run(call, env=os.environ | off, check=True, timeout=300)
    return _by_world(made)


def _by_world(path: Path) -> list[dict[str, NDArray]]:
    worlds: dict[int, dict[str, NDArray]] = {}
    with np.load(path) as stored:
        for key in stored.files:
            number, name = key.split(".", 1)
            worlds.setdefault(int(number), {})[name] = stored[key]
    return [worlds[n] for n in sorted(worlds)]


def main(given: str, made: str, strips: str) -> None:
    """Make the products of every world in a file."""
    assert not hasattr(route.__globals__["carry_up"], "py_func")  # the compiler is off
    results = [products(world, int(strips)) for world in _by_world(Path(given))]
    np.savez(made, **{f"{n}.{name}": value for n, result in enumerate(results) for name, value in result.items()})


if __name__ == "__main__":
    main(*sys.argv[1:])
