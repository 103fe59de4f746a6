"""Crews: processes and a Dask cluster give what one process gives, and a lost worker loses nothing."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from gisprio.compute.terrain.cells import THREADS, threads_at_hand
from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import MissingPart, RunError
from gisprio.run.crews import Alone, Processes, crew_of, few_threads
from gisprio.run.engine import run_job
from gisprio.run.store import last_table
from unit.run import fake_chain as fake

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def _same_code(monkeypatch):
    monkeypatch.setattr("gisprio.run.engine.stage_digests", lambda stages, _: {s.name: "code" for s in stages})


def go(tmp_path, crew, folder="results"):
    job = fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / folder)
    return run_job(replace(job, crew=crew))


def digests(folder: Path) -> dict[str, str]:
    return {name: table_digest(last_table(folder, name)) for name in fake.TABLES}


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """What one process gives."""
    folder = tmp_path_factory.mktemp("alone")
    go(folder, Alone())
    return digests(folder / "results")


@pytest.mark.parametrize("workers", [2, 4])
def test_processes_give_what_one_gives(workers, alone, tmp_path):
    record = go(tmp_path, Processes(workers))
    assert digests(tmp_path / "results") == alone
    assert [(stage["ran"], stage["kept"]) for stage in record.stages][2:4] == [(8, 0), (8, 0)]
    again = go(tmp_path, Processes(workers))
    assert [(stage["ran"], stage["kept"]) for stage in again.stages][2:4] == [(0, 8), (0, 8)]


def test_what_a_lost_worker_had_begun_is_begun_again(alone, tmp_path, monkeypatch):
    monkeypatch.setenv("FAKE_DIE", f"doubles 2 {tmp_path / 'deaths'}")
    go(tmp_path, Processes(2))
    assert (tmp_path / "deaths").read_text() == "xx"
    assert digests(tmp_path / "results") == alone


def test_a_tile_that_kills_every_worker_ends_the_run_and_leaves_earlier_results(alone, tmp_path, monkeypatch):
    go(tmp_path, Alone())
    before = {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()}
    monkeypatch.setenv("FAKE_DIE", f"ponds 99 {tmp_path / 'deaths'}")
    job = fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / "results", fresh=True)
    with pytest.raises(RunError) as error:
        run_job(replace(job, crew=Processes(2)))
    assert str(error.value) == (
        "3 worker processes in a row ended by themselves while they worked on tile -2_0.\n"
        "  Wanted: workers that stay until their tiles are done.\n"
        "  Do: look whether the machine ran short of memory; use fewer --workers, or a smaller [run] tile_m."
    )
    assert {path.name: path.read_bytes() for path in (tmp_path / "results").iterdir() if path.is_file()} == before


def test_a_fault_of_a_stage_in_a_worker_is_told_as_it_is(tmp_path, monkeypatch):
    monkeypatch.setenv("FAKE_FAIL", "doubles")
    monkeypatch.setenv("FAKE_FAULT", "bug")
    with pytest.raises(ZeroDivisionError):
        go(tmp_path, Processes(2))


def threads_here() -> tuple[int, ...]:
    """Give the process, and how many threads gisprio, OpenBLAS and Arrow may use in it."""
    import pyarrow as pa

    from gisprio.compute.terrain import cells

    return os.getpid(), cells.WORKERS, int(os.environ[THREADS]), pa.cpu_count()


def test_workers_share_the_threads_of_the_run(monkeypatch):
    monkeypatch.setenv(THREADS, "6")
    crew = Processes(2)
    with crew.ready([]):
        here, *threads = crew._waiting.submit(threads_here).result()
    assert here != os.getpid()
    assert threads == [3, 3, 3]
    for given, workers, share in (("6", 2, "3"), ("4", 3, "1"), ("1", 4, "1")):
        monkeypatch.setenv(THREADS, given)
        with few_threads(workers):
            assert os.environ[THREADS] == share
        assert os.environ[THREADS] == given


def test_threads_are_those_of_the_environment_or_one_a_processor(monkeypatch):
    for given, wanted in (("3", 3), ("", os.cpu_count()), ("0", os.cpu_count()), ("4,2", os.cpu_count())):
        monkeypatch.setenv(THREADS, given)
        assert threads_at_hand() == wanted
    monkeypatch.delenv(THREADS)
    with few_threads(1):
        assert os.environ[THREADS] == str(os.cpu_count())
    assert THREADS not in os.environ


def test_workers_start_while_whole_stages_run_and_end_with_a_run_that_fails(tmp_path, monkeypatch):
    import multiprocessing

    before = set(multiprocessing.active_children())
    seen = []
    plain = fake.join
    monkeypatch.setattr(fake, "join", lambda *all_of_it: seen.append(started()) or plain(*all_of_it))

    def started() -> int:
        return len(set(multiprocessing.active_children()) - before)

    go(tmp_path, Processes(2))
    monkeypatch.setattr(fake, "join", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        go(tmp_path, Processes(2), "others")
    assert seen == [2]
    for _ in range(100):
        if not started():
            break
        time.sleep(0.05)
    assert started() == 0


def test_one_worker_is_this_process():
    assert isinstance(crew_of(1, None), Alone)
    assert isinstance(crew_of(2, None), Processes)


def test_without_dask_a_scheduler_is_a_missing_part(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingPart) as error:
        crew_of(1, "local")
    assert str(error.value) == (
        "--scheduler: Dask is not installed.\n"
        "  Wanted: the optional part gisprio[cluster].\n"
        '  Do: pip install "gisprio[cluster]", or use --workers N, which needs nothing more.'
    )


def test_dask_is_not_imported_unless_asked_for():
    code = "import sys; from gisprio.run.crews import crew_of; crew_of(2, None); print('distributed' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


@pytest.fixture
def scheduler(tmp_path):
    """Start a Dask scheduler and two worker processes on loopback TCP; give its address."""
    pytest.importorskip("distributed")
    tests = Path(__file__).resolve().parents[2]
    environment = {**os.environ, "PYTHONPATH": f"{tests}:{tests.parent}"}
    about = tmp_path / "scheduler.json"
    python = [sys.executable, "-m", "distributed.cli.dask_scheduler"]
    options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-show", "--scheduler-file", str(about)]
    quiet = {"env": environment, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    processes = [subprocess.Popen([*python, *options], **quiet)]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file", str(about)]
    options = ["--nworkers", "1", "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"]
    processes += [subprocess.Popen([*worker, *options], **quiet) for _ in range(2)]
    try:
        yield address_in(about)
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            process.wait(20)


def address_in(about: Path) -> str:
    import json

    for _ in range(600):
        if about.is_file() and about.stat().st_size:
            return json.loads(about.read_text())["address"]
        time.sleep(0.1)
    raise AssertionError("the scheduler did not start")


def test_a_dask_cluster_gives_the_same_though_a_worker_is_killed(scheduler, alone, tmp_path, monkeypatch):
    assert scheduler.startswith("tcp://127.0.0.1:")
    marker = tmp_path / "deaths"
    settings = fake.make_settings(tmp_path)
    job = fake.job(fake.make_inputs(), settings, tmp_path / "results")
    kill_once(scheduler, marker)
    run_job(replace(job, crew=crew_of(1, scheduler)))
    assert marker.read_text() == "x"
    assert digests(tmp_path / "results") == alone


def kill_once(address: str, marker: Path) -> None:
    """Tell the workers that the first of them to double dies."""
    import distributed

    def tell(name: str, value: str) -> None:
        os.environ[name] = value

    with distributed.Client(address, timeout=60) as client:
        client.wait_for_workers(2, timeout=60)
        client.run(tell, "FAKE_DIE", f"doubles 1 {marker}")


def test_a_scheduler_that_is_not_there(tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("gisprio.run.cluster.PATIENCE_S", 1)
    with pytest.raises(RunError) as error:
        go(tmp_path, crew_of(1, "tcp://127.0.0.1:9"))
    assert str(error.value) == (
        "Dask, tcp://127.0.0.1:9: the scheduler does not answer. Tiles that were done are kept; earlier results are "
        "whole.\n"
        "  Wanted: a scheduler whose workers stay, have this gisprio, and see the layers and the result folder.\n"
        "  Do: look at the workers' logs and memory, then run again; or leave --scheduler out."
    )
