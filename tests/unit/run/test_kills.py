"""kill -9 at any moment: results are those of one run or of the next, never a mixture, and the next run is whole."""

from __future__ import annotations

import os
import random
import signal
import sys
import time
from pathlib import Path

import pytest

from gisprio.contracts.digests import table_digest
from gisprio.run.engine import run_job
from gisprio.run.fingerprints import file_digest
from gisprio.run.results import open_results
from gisprio.run.store import last_table
from unit.run import fake_chain as fake

pytestmark = [pytest.mark.slow, pytest.mark.skipif(sys.platform == "win32", reason="processes are forked")]
TRIES = 20
PONDS = (fake.PONDS_AT, (0, 1, 3))
"""Two states of a layer, so that each run has something to change."""


@pytest.fixture(autouse=True)
def _same_code(monkeypatch):
    monkeypatch.setattr("gisprio.run.engine.stage_digests", lambda stages, _: {s.name: "code" for s in stages})


def go(folder: Path, ponds: tuple[int, ...]) -> None:
    run_job(fake.job(fake.make_inputs(ponds), fake.make_settings(folder.parent), folder))


def killed_after(seconds: float, folder: Path, ponds: tuple[int, ...]) -> bool:
    """Run in a process of its own and kill it after a while; say whether it was still at work."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            go(folder, ponds)
            status = 0
        finally:
            os._exit(status)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    _, how = os.waitpid(child, 0)
    return os.WIFSIGNALED(how)


def state(folder: Path) -> dict[str, str]:
    """Read the results as anybody would; their files are those run.json names."""
    results = open_results(folder)
    for name, digest in results.record["files"].items():
        assert file_digest(folder / name) == digest, f"{name} is of another run than run.json"
    return {name: results.record["files"][name] for name in ("banks.csv", "sums.txt")}


def test_twenty_kills_lose_nothing(tmp_path):
    whole = []
    for number, ponds in enumerate(PONDS):
        go(tmp_path / f"undisturbed{number}", ponds)
        whole.append(state(tmp_path / f"undisturbed{number}"))
    assert whole[0] != whole[1]
    folder = tmp_path / "results"
    began = time.perf_counter()
    go(folder, PONDS[0])
    took = time.perf_counter() - began
    chance = random.Random(20)
    caught, tries = 0, 0
    while caught < TRIES and tries < 4 * TRIES:
        tries += 1
        caught += killed_after(chance.uniform(0, took), folder, PONDS[tries % 2])
        assert state(folder) in whole
    assert caught == TRIES
    go(folder, PONDS[1])
    assert state(folder) == whole[1]
    for name in fake.TABLES:
        tables = [last_table(place, name) for place in (folder, tmp_path / "undisturbed1")]
        assert table_digest(tables[0]) == table_digest(tables[1])
    left = [path.name for path in (folder / ".gisprio").rglob("*") if ".part" in path.name or path.name == "lock"]
    assert left == []
