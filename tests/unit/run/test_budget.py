"""The budget: what it says, what it refuses and what it proposes; memory that really runs short."""

from __future__ import annotations

import json
import os
import resource
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from gisprio.compute.terrain.relief import lay_routing_grid
from gisprio.contracts.errors import InputError, RunError
from gisprio.run import budget as rules
from gisprio.run.budget import Need, Room, Size, memory_there, need_of, refuse_what_does_not_fit, size_of
from gisprio.run.crews import Processes
from gisprio.run.engine import run_job
from gisprio.run.places import machine_faults
from tables import settings, source
from unit.run import fake_chain as fake

TREE = Path(__file__).resolve().parents[3]
SAMPLE = Size(624_000, 66_300_000, 52_304, 16e6, 62.4e6, 20_922, 523, 153, 2000, 1)
THIRD_FORK = Size(132_825, 329_385, 33_366, 16e6, 104.1e6, 13_346, 334, 78, 2000, 1)
WORLD = Size(898_704, 10_884_304, 97_553, 16e6, 57.5e6, 39_021, 976, 2025, 2000, 1)
MEASURED = {
    "sample": (SAMPLE, 953e6, 24.7e6),
    "third-fork": (THIRD_FORK, 638e6, 9.7e6),
    "500 reaches": (WORLD, 1018e6, 36.7e6),
}
"""Size, peak memory and disk of whole runs in fresh processes, 25 November 2026 (sizes by ``size_of``)."""
LARGE = Size(400e6, 4e10, 100e3, 16e6, 4e10, 40e3, 1000, 0, 2000, 1)
"""200 x 200 km in cells of 10 m of a DEM of 1 m."""


@pytest.mark.parametrize("name", MEASURED)
def test_the_estimate_is_within_a_factor_of_two_of_what_was_measured(name):
    size, memory_b, disk_b = MEASURED[name]
    need = need_of(size)
    assert memory_b / 2 < need.memory_b < 2 * memory_b
    assert disk_b / 2 < need.disk_b < 2 * disk_b


def test_a_size_comes_from_the_layers(tmp_path):
    inputs = fake.make_inputs()  # 200 x 200 cells of 100 m, 12 streams of 100 m
    size = size_of(inputs, fake.make_settings(tmp_path), 2)
    assert (size.routing_cells, size.source_cells, size.stream_m, size.workers) == (40_000, 40_000, 1200.0, 2)
    assert (size.sides, size.banks, size.area_m2) == (480, 12, 4e8)
    coarse = size_of(inputs, fake.make_settings(tmp_path, dem={"routing_cell_m": 250.0}), 2)
    assert coarse.routing_cells == 10_000  # blocks of 2 x 2


def test_what_is_said():
    assert Need(1.24e9, 4.04e8, 185).says() == "Needs roughly 1.2 GB of memory, 404 MB of disk and 3 minutes."


def refused(size: Size, room: Room) -> str:
    with pytest.raises(RunError) as caught:
        refuse_what_does_not_fit(need_of(size), room, size, 1.0, 10.0, Path("/data"))
    assert caught.value.exit_code == 4
    return caught.value.report()


def test_memory_that_does_not_fit_names_the_cell_that_would(monkeypatch):
    monkeypatch.setattr(rules, "BASE_B", 1e9)
    for part in ("BANK_B", "DRAW_B", "SIDE_B", "PROPERTY_B"):
        monkeypatch.setattr(rules, part, 0.0)
    monkeypatch.setattr(rules, "CELL_B", 100.0)  # 41 GB at 10 m; 11 GB at 20 m
    assert refused(LARGE, Room(11.1e9, 1e12)) == (
        "RunError: this run needs roughly 41.0 GB of memory, and there are 11.1 GB. Nothing was run; earlier results "
        "are whole.\n  Wanted: a run that fits the machine.\n"
        "  Do: set [dem] routing_cell_m = 20, which would fit."
    )
    assert refused(LARGE, Room(0.5e9, 1e12)).endswith(
        "  Do: make room, or take a smaller area with [layers] watershed and layers cut to it; no routing cell would "
        "fit."
    )
    two = replace(LARGE, workers=2)
    assert refused(two, Room(41.1e9, 1e12)).endswith("  Do: use --workers 1, which would fit.")


def test_the_cell_that_is_named_fits_and_the_next_smaller_one_does_not():
    said = refused(LARGE, Room(5e9, 1e12))
    cell = int(said.split("routing_cell_m = ")[1].split(",")[0])
    memory = [need_of(replace(LARGE, routing_cells=4e10 / side**2)).memory_b for side in (cell - 1, cell)]
    assert memory[1] <= 5e9 < memory[0]


def test_disk_that_does_not_fit():
    said = refused(LARGE, Room(1e15, 1e9))
    assert "of disk, and /data has 1.0 GB free. Nothing was run" in said
    assert "of memory" not in said


def test_a_run_that_fits_is_not_refused():
    need = need_of(SAMPLE)
    refuse_what_does_not_fit(need, Room(need.memory_b, need.disk_b), SAMPLE, 1.0, 10.0, Path("/data"))


# ---------------------------------------------------------------- what there is


def write_machine(folder: Path, cgroup: str, files: dict[str, str]) -> tuple[Path, Path]:
    about = {
        "proc/meminfo": "MemTotal: 9000000 kB\nMemAvailable: 8000000 kB\n",
        "proc/self/status": "VmSize: 2000 kB\nVmRSS: 1000 kB\n",
        "proc/self/cgroup": cgroup,
    }
    for name, text in {**about, **files}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder / "proc", folder / "groups"


def test_memory_is_the_least_of_machine_and_control_groups(tmp_path):
    own = 1000 * 1024
    assert memory_there(*write_machine(tmp_path / "none", "0::/\n", {})) == 8_000_000 * 1024 + own
    second = {
        "groups/a/memory.max": "5000000\n", "groups/a/memory.current": "3000000\n",
        "groups/a/memory.stat": "anon 5\ninactive_file 1000000\n",
        "groups/a/b/memory.max": "max\n", "groups/a/b/memory.current": "3000000\n",
    }  # fmt: skip
    assert memory_there(*write_machine(tmp_path / "two", "0::/a/b\n", second)) == 3_000_000 + own
    first = {
        "groups/memory/x/memory.limit_in_bytes": "4000000\n", "groups/memory/x/memory.usage_in_bytes": "4500000\n"
    }  # fmt: skip
    assert memory_there(*write_machine(tmp_path / "one", "9:cpu:/\n4:memory:/x\n", first)) == own


def test_the_limit_of_the_process_counts(tmp_path, monkeypatch):
    monkeypatch.setattr(resource, "getrlimit", lambda _: (5_000 * 1024, resource.RLIM_INFINITY))
    assert memory_there(*write_machine(tmp_path, "0::/\n", {})) == (1000 + 3000) * 1024


# ---------------------------------------------------------------- in a run


class Watcher(list):
    def step(self, *_: object) -> None:
        """Say nothing."""

    def note(self, text: str) -> None:
        self.append(text)


@pytest.fixture
def _same_code(monkeypatch):
    monkeypatch.setattr("gisprio.run.engine.stage_digests", lambda stages, _: {s.name: "code" for s in stages})


@pytest.mark.usefixtures("_same_code")
def test_a_run_says_its_need_and_an_unchanged_one_is_neither_asked_nor_refused(tmp_path, monkeypatch):
    said = Watcher()
    job = replace(fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / "results"), progress=said)
    record = run_job(job)
    assert said == [Need(*record.budget.values()).says()]
    assert json.loads((tmp_path / "results" / "run.json").read_text())["budget"] == record.budget
    before = (tmp_path / "results" / "banks.csv").read_bytes()
    monkeypatch.setattr(rules, "memory_there", lambda: 1e6)
    assert run_job(job).budget == record.budget
    assert len(said) == 1
    for other in (replace(job, fresh=True), replace(job, settings=fake.make_settings(tmp_path, run={"tile_m": 900.0}))):
        with pytest.raises(RunError, match="of memory, and there are 1 MB"):
            run_job(other)
    assert (tmp_path / "results" / "banks.csv").read_bytes() == before


def test_routing_cells_of_20_m_are_means_of_blocks_twice_as_large():
    dem = source(np.arange(16, dtype=np.float32).reshape(4, 4), 0.0, 0.0, 5.0)
    fine, coarse = (
        lay_routing_grid({}, {"dem": dem}, settings(dem={"routing_cell_m": side}))["elevation"] for side in (10.0, 20.0)
    )
    assert (fine.lattice.cell_m, coarse.lattice.cell_m) == (10.0, 20.0)
    assert coarse.values.tolist() == [[7.5]]
    assert fine.values.mean() == 7.5


# ---------------------------------------------------------------- memory short


@pytest.mark.parametrize(
    "error",
    [
        MemoryError(), OSError(12, "Cannot allocate memory"), RuntimeError("std::bad_alloc"), KeyError("x"),
        ImportError("libx.so: failed to map segment from shared object"), RuntimeError("can't start new thread"),
    ],
)  # fmt: skip
def test_libraries_tell_of_short_memory_in_many_ways(error, tmp_path):
    short = not isinstance(error, KeyError)
    with pytest.raises(RunError if short else KeyError) as caught, machine_faults(tmp_path):
        raise error
    assert not short or str(caught.value).startswith("the memory gave out.")


def test_an_error_that_memory_led_to_is_short_memory_and_others_stay(tmp_path):
    unread = InputError("dem.tif cannot be read.")
    unread.__cause__ = MemoryError()
    with pytest.raises(RunError, match="the memory gave out"), machine_faults(tmp_path):
        raise unread
    with pytest.raises(InputError), machine_faults(tmp_path):
        raise InputError("the note 'out of memory' is no number.")


SHORT = """
import resource, sys
sys.path[:0] = [{tests!r}]
import numpy as np
from unit.run import fake_chain as fake

def greedy(core, halo, sources, settings):
    mapped = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (mapped + 2**26, resource.RLIM_INFINITY))
    return np.ones(2**30)
"""


@pytest.mark.slow
@pytest.mark.usefixtures("_same_code")
def test_memory_short_in_a_worker_leaves_earlier_results_whole(tmp_path, monkeypatch):
    (tmp_path / "greedy.py").write_text(SHORT.format(tests=str(TREE / "tests")))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), str(TREE), str(TREE / "tests")]))
    monkeypatch.syspath_prepend(str(tmp_path))
    job = fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / "results")
    run_job(job)
    before = {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()}
    stages = tuple(replace(s, function="greedy:greedy") if s.name == "ponds" else s for s in job.stages)
    with pytest.raises(RunError) as caught:
        run_job(replace(job, stages=stages, crew=Processes(2), fresh=True))
    assert caught.value.report() == (
        "RunError: the memory gave out.\n  Wanted: more memory, or less at a time.\n"
        "  Do: set a smaller [run] tile_m, or close other programs. Earlier results are whole, finished stages are "
        "kept."
    )
    after = {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()}
    assert after == before
