"""Kernels: none is of the kind that two threads may not call, one process compiles, what it kept is found."""

from __future__ import annotations

import ctypes
import fcntl
import json
import os
import shutil
import subprocess
import sys
import threading
from importlib import import_module
from pathlib import Path

import pytest
from numba.core.dispatcher import Dispatcher

import gisprio
from gisprio.run import compiling, making
from gisprio.run.engine import run_job
from unit.run import fake_chain as fake

PACKAGE = Path(gisprio.__file__).parent


def kernels() -> dict[str, Dispatcher]:
    """Give every kernel of gisprio, by module and name."""
    files = [path for path in PACKAGE.rglob("*.py") if "numba" in path.read_text("utf-8")]
    modules = [".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in files]
    named = [(module, name, value) for module in modules for name, value in vars(import_module(module)).items()]
    return {f"{module}.{name}": value for module, name, value in named if isinstance(value, Dispatcher)}


def test_no_kernel_is_parallel_and_all_let_go_of_the_interpreter_and_are_kept():
    found = kernels()
    assert len(found) > 40
    options = {name: kernel.targetoptions for name, kernel in found.items()}
    assert [name for name, of in options.items() if of.get("parallel")] == []
    assert [name for name, of in options.items() if not of.get("nogil")] == []
    assert [name for name, kernel in found.items() if not kernel.stats.cache_path] == []


def test_stages_run_behind_the_lock_of_the_compiler(tmp_path, monkeypatch):
    behind: list[str] = []
    plain = making.compiled_once
    monkeypatch.setattr(making, "compiled_once", lambda stage: behind.append(stage.name) or plain(stage))
    monkeypatch.setattr("gisprio.run.engine.stage_digests", lambda stages, _: {s.name: "code" for s in stages})
    run_job(fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / "results"))
    assert set(behind) == {stage.name for stage in fake.STAGES}


def test_who_has_to_compile_waits_for_the_lock_and_lets_go_of_it_where_another_compiled(tmp_path, monkeypatch):
    compiled, entered, leave = (threading.Event() for _ in range(3))
    monkeypatch.setattr(compiling, "lock_path", lambda: tmp_path / "lock")
    monkeypatch.setattr(compiling, "needs_compiling", lambda _: not compiled.is_set())

    def work() -> None:
        with compiling.compiled_once(fake.STAGES[0]):
            entered.set()
            leave.wait(20)

    other = compiling.open_lock()
    fcntl.flock(other, fcntl.LOCK_EX)
    worker = threading.Thread(target=work)
    worker.start()
    try:
        assert not entered.wait(0.3)
        compiled.set()
        fcntl.flock(other, fcntl.LOCK_UN)
        assert entered.wait(20)
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)  # the worker is inside, and holds it no more
    finally:
        os.close(other)
        leave.set()
        worker.join(20)


SUM_DOWN = """
import json, sys, time
import numpy as np
from gisprio.compute.terrain.supply import sum_down, sum_way_down
from gisprio.run.compiling import compiled_once
from gisprio.run.stages import STAGES

stage = next(stage for stage in STAGES if stage.name == "delivery")
print("ready", flush=True)
sys.stdin.readline()
with compiled_once(stage):
    direction = np.array([254] * 5 + [254, 1, 1, 0, 254] + [254] * 5, np.uint8)  # three cells in a row, eastward
    offset = np.array([0, 1, 6, 5, 4, -1, -6, -5, -4])
    inflow = np.array([255] * 6 + [0, 1, 1] + [255] * 6, np.uint8)
    count = np.where(direction == 254, 0, 1)
    weight, slope = np.ones(15, KIND), np.ones(15, KIND)
    sum_down(direction, inflow, count, weight, slope, offset)
    way = np.zeros(15, np.float32)
    sum_way_down(direction, way, np.ones(15, np.float32), np.ones(15, np.float32), offset, 10.0)
of = sum_down.stats
print(json.dumps({"count": count[6:9].tolist(), "sum": weight[6:9].tolist(),
                  "made": sum(of.cache_misses.values()), "found": sum(of.cache_hits.values()),
                  "at": of.cache_path}))
"""
"""What a process does: call two kernels as a stage does; it says what came out, and what it compiled or found."""


class Called:
    """A process of its own that calls kernels once it is told to."""

    def __init__(self, folder: Path, kind: str = "np.float32", root: Path = PACKAGE.parent, **environment: str):
        known = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
        known |= {"PYTHONPATH": str(root), "PYTHONDONTWRITEBYTECODE": "1", "TMPDIR": str(folder)} | environment
        self._process = subprocess.Popen(
            [sys.executable, "-c", SUM_DOWN.replace("KIND", kind)],
            env=known, cwd=folder, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            preexec_fn=heed_permissions,
        )  # fmt: skip
        assert self._process.stdout.readline() == "ready\n"

    def go(self) -> Called:
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return self

    def said(self) -> dict:
        out, _ = self._process.communicate(timeout=60)
        assert self._process.returncode == 0
        return json.loads(out)


def heed_permissions() -> None:
    """Let a process of root be refused what its permissions do not grant."""
    ctypes.CDLL(None).prctl(24, 1, 0, 0, 0)  # PR_CAPBSET_DROP, CAP_DAC_OVERRIDE


RIGHT = {"count": [1, 2, 3], "sum": [1.0, 2.0, 3.0]}


@pytest.mark.slow
def test_of_two_processes_at_first_start_one_compiles_and_the_next_finds_it(tmp_path):
    cache = {"NUMBA_CACHE_DIR": str(tmp_path / "cache")}
    pair = [Called(tmp_path, **cache) for _ in range(2)]
    said = [process.said() for process in [process.go() for process in pair]]
    assert [{name: one[name] for name in RIGHT} for one in said] == [RIGHT, RIGHT]
    assert sorted((one["made"], one["found"]) for one in said) == [(0, 1), (1, 0)]
    third = Called(tmp_path, **cache).go().said()
    assert third == RIGHT | {"made": 0, "found": 1, "at": third["at"]}
    assert Path(third["at"]).is_relative_to(tmp_path / "cache")


@pytest.mark.slow
def test_where_gisprio_may_not_be_written_kernels_are_kept_in_a_folder_of_the_user(tmp_path):
    root = tmp_path / "installed"
    shutil.copytree(PACKAGE, root / "gisprio", ignore=shutil.ignore_patterns("__pycache__", "assets"))
    for folder in [root, *(path for path in root.rglob("*") if path.is_dir())]:
        folder.chmod(0o555)
    home = {"HOME": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path / "home")}
    try:
        first, second = (Called(tmp_path, root=root, **home).go().said() for _ in range(2))
    finally:
        for folder in [root, *(path for path in root.rglob("*") if path.is_dir())]:
            folder.chmod(0o755)
    assert first == RIGHT | {"made": 1, "found": 0, "at": first["at"]}
    assert second == RIGHT | {"made": 0, "found": 1, "at": first["at"]}
    assert Path(first["at"]).is_relative_to(tmp_path / "home")
    assert not list(root.rglob("*.nbi"))
