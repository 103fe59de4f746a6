"""Publishing, with real processes: a kill at any step, two runs at once, a stale lock, a full disk."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from gisprio.contracts.errors import InputError
from gisprio.run.engine import run_job
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import locked, read_lock
from gisprio.run.publish import finish_publishing
from gisprio.run.results import open_results
from unit.run import fake_chain as fake

CHECKOUT = Path(__file__).resolve().parents[2]
FILES = ("banks.csv", "run.json", "run.log", "stations.parquet", "sums.txt")

RUN = """
    from pathlib import Path
    from unit.run import fake_chain as fake
    from gisprio.run.engine import run_job
    folder = Path({folder!r})
    run_job(fake.job(fake.make_inputs({ponds!r}), fake.make_settings(folder), folder / "results"))
"""


def python(code: str, **values: object) -> subprocess.Popen:
    """Start a Python with gisprio and the tests at hand."""
    path = os.pathsep.join([str(CHECKOUT), str(CHECKOUT / "tests")])
    return subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code).format(**values)],
        env={**os.environ, "PYTHONPATH": path}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}


def run_here(folder: Path, ponds: tuple[int, ...] = fake.PONDS_AT) -> dict[str, bytes]:
    run_job(fake.job(fake.make_inputs(ponds), fake.make_settings(folder), folder / "results"))
    return contents(folder / "results")


@pytest.mark.parametrize("replaced", [0, 1, 3, 4])
def test_killed_between_manifest_and_last_file_the_next_command_finishes(tmp_path, replaced):
    before = run_here(tmp_path)
    results = tmp_path / "results"
    (results / "ranked.gpkg-wal").write_bytes(b"not gisprio's, so it stays")
    code = RUN.replace(
        "    folder = Path",
        """    import os, signal
    import gisprio.run.publish as publishing
    def put(folder, name, digest, put=publishing._put_in_place, left=[{replaced}]):
        if not left[0]:
            os.kill(os.getpid(), signal.SIGKILL)
        left[0] -= 1
        put(folder, name, digest)
    publishing._put_in_place = put
    folder = Path""",
        1,
    )
    killed = python(code, folder=str(tmp_path), ponds=(1,), replaced=replaced)
    assert killed.wait(60) == -signal.SIGKILL
    assert (results / ".gisprio" / "publish.json").exists()
    assert (results / "sums.txt").read_text() == ("2 2\n" if replaced == 4 else "10 2\n")  # the last but run.json
    assert (results / "run.json").read_bytes() == before["run.json"]
    record = open_results(results).record
    assert (results / "sums.txt").read_text() == "2 2\n"
    assert not (results / ".gisprio" / "publish.json").exists()
    assert not (results / ".gisprio" / "new").exists()
    assert json.loads((results / "run.json").read_text()) == record
    assert (results / "ranked.gpkg-wal").exists()
    assert record["files"] == {name: file_digest(results / name) for name in record["files"]}


def test_killed_before_the_manifest_earlier_results_are_byte_equal(tmp_path):
    before = run_here(tmp_path)
    code = RUN.replace(
        "    folder = Path",
        """    import os, signal
    import gisprio.run.engine as engine
    engine.publish = lambda *a: os.kill(os.getpid(), signal.SIGKILL)
    folder = Path""",
        1,
    )
    assert python(code, folder=str(tmp_path), ponds=(1,)).wait(60) == -signal.SIGKILL
    results = tmp_path / "results"
    assert contents(results) == before
    assert finish_publishing(results) is False
    assert contents(results) == before
    after = run_here(tmp_path, (1,))  # takes the dead run's lock over
    assert after["sums.txt"] == b"2 2\n"
    assert "Took over the lock of process " in (results / "run.log").read_text()


def test_a_second_run_in_the_same_folder_names_the_holder(tmp_path):
    run_here(tmp_path)
    holder = python(
        """
        import time
        from pathlib import Path
        from gisprio.run.lock import locked
        with locked(Path({folder!r}) / "results", []):
            print("held", flush=True)
            time.sleep(60)
        """,
        folder=str(tmp_path),
    )
    try:
        assert holder.stdout.readline() == "held\n"
        held = read_lock(tmp_path / "results")
        with pytest.raises(InputError) as caught:
            run_here(tmp_path)
        lock = tmp_path / "results" / ".gisprio" / "lock"
        assert caught.value.report() == (
            f"InputError: {tmp_path / 'results'} is in use by another run: process {holder.pid} on "
            f"{socket.gethostname()}, since {held.started}.\n"
            "  Wanted: one run at a time in a result folder.\n"
            f"  Do: wait for it to end; when it is surely gone, delete {lock}."
        )
    finally:
        holder.kill()
        holder.wait()
    run_here(tmp_path)


def test_the_lock_of_a_dead_process_is_taken_over_with_a_note(tmp_path):
    dead = python("import os; print(os.getpid())")
    dead.wait(60)
    place = tmp_path / ".gisprio"
    place.mkdir()
    holder = {"pid": dead.pid, "host": socket.gethostname(), "started": "2026-01-01T00:00:00+00:00", "born": ""}
    (place / "lock").write_text(json.dumps(holder))
    notes: list[str] = []
    with locked(tmp_path, notes):
        assert read_lock(tmp_path).pid == os.getpid()
    assert notes == [f"Took over the lock of process {dead.pid} (2026-01-01T00:00:00+00:00), which is gone."]
    assert list(place.iterdir()) == []


def test_a_lock_of_another_host_or_without_sense_is_respected(tmp_path):
    place = tmp_path / ".gisprio"
    place.mkdir()
    for text in ('{"pid": 1, "host": "elsewhere", "started": "yesterday", "born": ""}', "?"):
        (place / "lock").write_text(text)
        with pytest.raises(InputError, match=r"process \d+ on (elsewhere|an unknown host)"):
            with locked(tmp_path, []):
                pass
        assert (place / "lock").read_text() == text


def test_a_file_system_without_hard_links(tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    with locked(tmp_path, []):
        assert read_lock(tmp_path).pid == os.getpid()
        with pytest.raises(InputError, match="is in use by another run"), locked(tmp_path, []):
            pass
    assert read_lock(tmp_path) is None


def test_a_number_given_to_another_process_is_no_holder(tmp_path):
    place = tmp_path / ".gisprio"
    place.mkdir()
    holder = {"pid": os.getpid(), "host": socket.gethostname(), "started": "long ago", "born": "1"}
    (place / "lock").write_text(json.dumps(holder))
    if not Path("/proc/self/stat").exists():
        pytest.skip("this system does not tell when a process began")
    with locked(tmp_path, []):
        pass


def test_a_folder_where_a_file_should_go(tmp_path):
    (tmp_path / "results" / "sums.txt").mkdir(parents=True)
    with pytest.raises(InputError) as caught:
        run_here(tmp_path)
    assert caught.value.report() == (
        f"InputError: {tmp_path / 'results' / 'sums.txt'} is a folder; the results have a file of that name.\n"
        "  Wanted: no folder of that name in the results folder.\n"
        "  Do: move it away and run again; what was computed is kept."
    )


def test_a_file_of_another_origin_is_not_overwritten(tmp_path):
    results = tmp_path / "results"
    results.mkdir()
    (results / "banks.csv").write_text("a list of my own\n")
    with pytest.raises(InputError) as caught:
        run_here(tmp_path)
    assert caught.value.report() == (
        f"InputError: {results} holds files that are not from a run of gisprio and have the names of results: "
        "banks.csv.\n"
        "  Wanted: a folder where no file of another origin would be overwritten.\n"
        "  Do: move them away, or give another folder in [run] output or --out."
    )
    assert contents(results) == {"banks.csv": b"a list of my own\n"}
    (results / "banks.csv").rename(results / "mine.csv")
    assert set(run_here(tmp_path)) == {*FILES, "mine.csv"}


def test_torn_results_are_told(tmp_path):
    run_here(tmp_path)
    results = tmp_path / "results"
    manifest = {"format": 1, "files": [{"name": "banks.csv", "sha256": "0" * 64}], "gone": []}
    (results / ".gisprio" / "publish.json").write_text(json.dumps(manifest))
    with pytest.raises(InputError) as caught:
        open_results(results)
    assert caught.value.report() == (
        f"InputError: {results / 'banks.csv'} is not the file the last run made, and the new one is not in "
        f"{results / '.gisprio' / 'new'}.\n"
        "  Wanted: one of the two.\n"
        f"  Do: delete {results / '.gisprio' / 'publish.json'} and run again."
    )


def test_a_reader_waits_while_a_run_is_publishing(tmp_path):
    run_here(tmp_path)
    code = RUN.replace(
        "    folder = Path",
        """    import time
    import gisprio.run.publish as publishing
    def put(folder, name, digest, put=publishing._put_in_place):
        print("publishing", flush=True)
        time.sleep(0.3)
        put(folder, name, digest)
    publishing._put_in_place = put
    folder = Path""",
        1,
    )
    running = python(code, folder=str(tmp_path), ponds=(1,))
    assert running.stdout.readline() == "publishing\n"
    began = time.monotonic()
    record = open_results(tmp_path / "results").record
    assert time.monotonic() - began > 0.3
    assert (tmp_path / "results" / "sums.txt").read_text() == "2 2\n"
    assert running.wait(60) == 0
    assert json.loads((tmp_path / "results" / "run.json").read_text()) == record


def test_all_files_are_there(tmp_path):
    assert tuple(run_here(tmp_path)) == FILES


@pytest.mark.parametrize("name", ["../letter.txt", "/tmp/letter.txt"])
def test_a_manifest_that_leads_out_of_the_folder_is_refused(tmp_path, name):
    folder = tmp_path / "results"
    (folder / ".gisprio").mkdir(parents=True)
    letter = tmp_path / "letter.txt"
    letter.write_text("dear neighbour")
    manifest = {"files": [], "gone": [{"name": name, "sha256": file_digest(letter)}]}
    (folder / ".gisprio" / "publish.json").write_text(json.dumps(manifest))
    with pytest.raises(InputError, match="names a file outside the folder"):
        finish_publishing(folder)
    assert letter.read_text() == "dear neighbour"
