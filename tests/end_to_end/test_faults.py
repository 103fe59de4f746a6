"""Faults inflicted on real runs: what the exit code is, what is said, and that nothing is lost.

Each starts from the results of an undisturbed run of three valleys (a tile of 1 km each), one property redrawn.
Afterwards the earlier results are byte-equal, or the new ones are in place, and one more run gives what a never
disturbed run gives. A few of them are tried each time; ``GISPRIO_FAULTS=all python -m pytest
tests/end_to_end/test_faults.py`` tries all, in some minutes, and prints the table.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio

import gisprio
from end_to_end.starter import Command, Starter
from end_to_end.test_tiles import _digests as digests
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import read_lock
from makers import HEAD_M, PASTURE, SIDE_SLOPE, SLOPE, VALLEY_HALF_M, WATER, WOODY, Place, World, frame
from seeds import commit_seeds

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not Path("/proc/self").exists(), reason="faults are those of Linux")]
APART_M = 2 * VALLEY_HALF_M
LENGTH_M = 600.0
VALLEYS = 3
PLACE = Place(y0=5_300_700.0)
ALL = os.environ.get("GISPRIO_FAULTS") == "all"
KILLS = 20 if ALL else 2
NOBODY = 65534


def _side(v):
    return np.abs((v + VALLEY_HALF_M) % APART_M - VALLEY_HALF_M)


def _height(u, v):
    along = np.where(u >= -HEAD_M, -SLOPE * u, SLOPE * HEAD_M + 0.02 * (u + HEAD_M))
    return 100.0 + SIDE_SLOPE * _side(v) + along


def _cover(u, v):
    return np.where(_side(v) < 3, WATER, np.where(_side(v) < 15, WOODY, PASTURE))


def valleys() -> World:
    """Even V valleys side by side, a parcel at each."""
    across = [number * APART_M for number in range(VALLEYS)]
    layers = {
        "streams": frame([PLACE.line((0, v), (LENGTH_M, v)) for v in across]),
        "properties": frame([PLACE.box(0, v, LENGTH_M, v + 200) for v in across], parcel=[f"p{v:.0f}" for v in across]),
        "water": frame([PLACE.box(-20, v - 3, LENGTH_M + 20, v + 3) for v in across]),
    }
    extent = (-605.0, -605.0, LENGTH_M + 305.0, across[-1] + 605.0)
    config = {"run": "tile_m = 1000.0", "robustness": "draws = 20"}
    return World(PLACE, _height, _cover, extent, layers, cover_cell=5.0, config=config)


def redraw_property(folder: Path) -> None:
    layer = gpd.read_file(folder / "properties.gpkg")
    layer.loc[1, "geometry"] = PLACE.box(0, APART_M, LENGTH_M - 100, APART_M + 200)
    layer.to_file(folder / "properties.gpkg", driver="GPKG")


@dataclass
class Trial:
    """A folder with layers and results, and what commands are started from."""

    starter: Starter
    folder: Path
    monkeypatch: pytest.MonkeyPatch

    @property
    def config(self) -> Path:
        return self.folder / "tiny.toml"

    @property
    def results(self) -> Path:
        return self.folder / "results"

    def start(self, *options: object, **how: object) -> Command:
        return self.starter.start("run", self.config, *options, **how)

    def run(self, *options: object, **how: object) -> Command:
        command = self.start(*options, **how)
        command.code = command.wait()
        return command


def contents(results: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(results.iterdir()) if path.is_file()}


# --- places where a fault strikes: code that a command runs before it begins


def strike(target: str, action: str, after: int = 0) -> str:
    """Give code that does something as a function of gisprio is called, ``after`` calls later."""
    module, _, name = target.partition(":")
    owner, _, last = name.rpartition(".")
    return f"""
import contextlib, importlib, os, signal
owner = importlib.import_module({module!r})
for part in {owner.split(".") if owner else []!r}:
    owner = getattr(owner, part)
def struck(*args, call=getattr(owner, {last!r}), left=[{after}], **named):
    if left[0] == 0:
        {action}
    left[0] -= 1
    return call(*args, **named)
setattr(owner, {last!r}, struck)
"""


PAUSE = "os.kill(os.getpid(), signal.SIGSTOP)"
BEFORE_TILES = "gisprio.run.chain:lay_tiles"
BEFORE_PRODUCTS = "gisprio.run.engine:write_products"
BEFORE_DIGESTS = "gisprio.run.engine:digests_of"
BEFORE_PUBLISHING = "gisprio.run.engine:publish"
EACH_TILE = "gisprio.run.making:TileWork.on"
EACH_ENTRY = "gisprio.run.store:Store.keep"
TILE_CAME = "gisprio.run.engine:StationFile.take"


def paused(command: Command) -> Command:
    """Wait until a command has stopped itself."""
    until = time.monotonic() + 60
    while _state_of(command.pid) != "T":
        assert time.monotonic() < until, command.err
        assert command.poll() is None, command.err
        time.sleep(0.01)
    return command


def _state_of(pid: int) -> str:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]


def of_session(pid: int) -> list[int]:
    """Give the processes that live in the session of a command, itself not among them."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            state, _, _, session = stat.read_text().rpartition(")")[2].split()[:4]
            if int(session) == pid and state != "Z" and int(stat.parent.name) != pid:
                found.append(int(stat.parent.name))
    return found


def refuse_orphans(pid: int) -> None:
    until = time.monotonic() + 10
    while of_session(pid):
        assert time.monotonic() < until, f"left behind: {of_session(pid)}"
        time.sleep(0.05)


@contextmanager
def other_disk(place: Path, size: str = "24m") -> Iterator[Path]:
    """Mount a small file system."""
    place.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(place)], capture_output=True, check=False
    ) if hasattr(os, "geteuid") and os.geteuid() == 0 and shutil.which("mount") else None  # fmt: skip
    if done is None or done.returncode:
        pytest.skip("a file system can be mounted by root only")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


# --- the faults; each gives the command it struck


FILL = """
import contextlib
with contextlib.suppress(OSError), open({filler!r}, "wb", 0) as file:
    while True:
        file.write(bytes(4096))
"""


def disk_full(target: str, after: int = 0) -> Callable[[Trial], Command]:
    def inflict(trial: Trial) -> Command:
        with moved_to_other_disk(trial) as disk:
            filler = disk / "filler"
            fill = f"exec({FILL.format(filler=str(filler))!r})"
            command = trial.run(first=strike(target, fill, after))
            assert filler.exists()
            filler.unlink()
        assert command.err.endswith(
            f"RunError: the disk that holds {trial.results} is full.\n"
            "  Wanted: room for the results and for .gisprio, the store.\n"
            "  Do: free some room and run again. Earlier results are whole, finished stages are kept.\n"
        )
        return command

    return inflict


@contextmanager
def moved_to_other_disk(trial: Trial) -> Iterator[Path]:
    """Have the results on a small disk that is mounted at their folder, and back."""
    kept = trial.folder / "kept"
    trial.results.rename(kept)
    with other_disk(trial.results) as disk:
        shutil.copytree(kept, disk, dirs_exist_ok=True)
        yield disk
        shutil.rmtree(kept)
        shutil.copytree(disk, kept)
    trial.results.rmdir()
    kept.rename(trial.results)


def read_only(trial: Trial) -> Command:
    with moved_to_other_disk(trial) as disk:
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        command = trial.run()
        assert digests(trial.results)
        subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
    assert command.err == not_writable(trial)
    return command


def not_writable(trial: Trial) -> str:
    return (
        f"SettingsError: the results folder {trial.results} may not be written.\n"
        "  Wanted: a folder you may write to.\n"
        "  Do: change its permissions, or give another one in [run] output or --out.\n"
    )


def no_permission(mode: int) -> Callable[[Trial], Command]:
    def inflict(trial: Trial) -> Command:
        if os.geteuid() != 0:
            pytest.skip("only root can become another user")
        with tempfile.TemporaryDirectory() as text:
            open_to_all = Path(text)
            open_to_all.chmod(0o755)
            inside = Path(shutil.move(trial.folder, open_to_all / "trial"))
            moved = Trial(trial.starter, inside, trial.monkeypatch)
            for path in [inside, *inside.iterdir()]:
                path.chmod(0o755)
            locked_up = inside if mode == 0o700 else moved.results
            out = ["--out", moved.results]
            config = shutil.copytree(inside, open_to_all / "layers", ignore=shutil.ignore_patterns("results"))
            locked_up.chmod(mode)
            command = trial.starter.start("run", config / "tiny.toml", *out, uid=NOBODY)
            command.code = command.wait()
            locked_up.chmod(0o755)
            shutil.move(inside, trial.folder)
            assert command.err == not_writable(moved)
        return command

    return inflict


def mount_point(trial: Trial) -> Command:
    with moved_to_other_disk(trial):
        return trial.run()


def store_on_other_disk(trial: Trial) -> Command:
    with other_disk(trial.folder / "disk") as disk:
        shutil.move(trial.results / ".gisprio", disk / "store")
        (trial.results / ".gisprio").symlink_to(disk / "store")
        command = trial.run()
        assert not (trial.results / ".gisprio-new").exists()
        (trial.results / ".gisprio").unlink()
    return command


def results_on_other_disk(trial: Trial) -> Command:
    with other_disk(trial.folder / "disk") as disk:
        shutil.move(trial.results, disk / "results")
        trial.results.symlink_to(disk / "results")
        command = trial.run()
        trial.results.unlink()
        shutil.copytree(disk / "results", trial.results)
    return command


def store_link_to_nothing(trial: Trial) -> Command:
    store = trial.results / ".gisprio"
    shutil.move(store, trial.folder / "store")
    store.symlink_to(trial.folder / "not mounted")
    command = trial.run()
    store.unlink()
    shutil.move(trial.folder / "store", store)
    assert command.err == (
        f"SettingsError: {store}, where the store goes, is no folder, or a link to none.\n"
        "  Wanted: a folder, a link to one, or nothing of that name.\n"
        "  Do: remove it, or mount the disk that it leads to.\n"
    )
    return command


READER = """
import sqlite3, sys
page = open({page!r}, "rb")
file = sqlite3.connect({file!r}, isolation_level=None)
if {wal}:
    file.execute("pragma journal_mode = wal")
    file.execute("create table notes (text)")
file.execute("begin")
def look():
    page.seek(0)
    return str((len(page.read()), *file.execute("select sum(frontage_m), count(*) from properties").fetchone()))
print(look(), flush=True)
sys.stdin.readline()
print(look(), flush=True)
if {wal}:
    file.execute("insert into notes values ('of my own')")
    file.execute("commit")
file.close()
"""


def open_elsewhere(wal: bool) -> Callable[[Trial], Command]:
    def inflict(trial: Trial) -> Command:
        file, page = trial.results / "ranked.gpkg", trial.results / "map.html"
        code = READER.format(file=str(file), page=str(page), wal=wal)
        reader = subprocess.Popen(
            [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        first = reader.stdout.readline()
        command = trial.run()
        assert reader.communicate("\n", timeout=60) == (first, None)
        assert reader.returncode == 0
        with sqlite3.connect(file) as new:
            (sound,) = new.execute("pragma integrity_check").fetchone()
            (frontage, rows) = new.execute("select sum(frontage_m), count(*) from properties").fetchone()
        new.close()
        assert sound == "ok"
        assert f"{frontage}, {rows}" not in first
        assert [path.name for path in trial.results.glob("ranked.gpkg*")] == ["ranked.gpkg"]
        return command

    return inflict


def two_at_once(trial: Trial) -> Command:
    one = paused(trial.start(first=strike(BEFORE_PUBLISHING, PAUSE)))
    holder = read_lock(trial.results)
    command = trial.run()
    assert command.err == (
        f"InputError: {trial.results} is in use by another run: process {one.pid} on {socket.gethostname()}, "
        f"since {holder.started}.\n"
        "  Wanted: one run at a time in a result folder.\n"
        f"  Do: wait for it to end; when it is surely gone, delete {trial.results / '.gisprio' / 'lock'}.\n"
    )
    one.send(signal.SIGKILL)
    one.wait()
    return command


def set_times(folder: Path, to: float) -> None:
    for path in folder.rglob("*"):
        os.utime(path, (to, to))


def clock_set_back(trial: Trial) -> Command:
    """The clock was ahead by years: all that is there is of the future, the lock of a process that is gone too."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    lock = {"pid": gone.pid, "host": socket.gethostname(), "started": "2099-01-01T00:00:00+00:00", "born": "1"}
    (trial.results / ".gisprio" / "lock").write_text(json.dumps(lock))
    set_times(trial.folder, 4e9)
    return trial.run()


def older_date(trial: Trial) -> Command:
    """The layer that was edited has its old size, and a date before that of the file it replaced."""
    assert (trial.folder / "properties.gpkg").stat().st_size == (trial.folder / "water.gpkg").stat().st_size
    set_times(trial.folder, 1e8)
    return trial.run()


def changed_during(file: str, became: str, target: str, change: Callable[[Trial], None]) -> Callable[[Trial], Command]:
    """Change a layer while a run stands still at a function; put it back afterwards."""
    layer = {"dem.tif": "dem", "properties.gpkg": "properties"}[file]

    def inflict(trial: Trial) -> Command:
        path = trial.folder / file
        kept = shutil.copy2(path, trial.folder / "kept")
        command = paused(trial.start("--fresh", first=strike(target, PAUSE)))
        change(trial)
        command.send(signal.SIGCONT)
        command.code = command.wait()
        os.replace(kept, path)
        assert command.err.endswith(
            "InputError: layers changed while the run read them; nothing was published.\n"
            f"    {layer}: {path} {became}\n"
            "  Wanted: layers that stay as they are while a run is at work.\n"
            "  Do: run again when they are saved. Earlier results are whole.\n"
        )
        return command

    return inflict


def remove_properties(trial: Trial) -> None:
    (trial.folder / "properties.gpkg").unlink()


def remove_heights(trial: Trial) -> None:
    (trial.folder / "dem.tif").unlink()


def raise_heights(trial: Trial) -> None:
    with rasterio.open(trial.folder / "dem.tif", "r+") as file:
        cells = file.read(1)
        cells[:, : cells.shape[1] // 2] += np.linspace(0, 3, cells.shape[0], dtype=np.float32)[:, None]
        file.write(cells, 1)


def move_property(trial: Trial) -> None:
    layer = gpd.read_file(trial.folder / "properties.gpkg")
    layer.loc[0, "parcel"] = "another"
    layer.to_file(trial.folder / "properties.gpkg", driver="GPKG")


def ended_by(number: int, says: str, *options: str, to_group: bool) -> Callable[[Trial], Command]:
    """End a run that has done a tile, of three."""

    def inflict(trial: Trial) -> Command:
        shutil.rmtree(trial.results / ".gisprio" / "kept")
        target, after = (TILE_CAME, 0) if options else (EACH_TILE, 1)
        command = paused(trial.start(*options, first=strike(target, PAUSE, after)))
        assert not options or of_session(command.pid)
        command.send(number, to_group=to_group)
        if number != signal.SIGKILL:
            command.send(signal.SIGCONT)
        command.code = command.wait()
        assert command.seconds < 30  # two or three, where nothing else is at work
        refuse_orphans(command.pid)
        assert command.err.endswith(says)
        assert "Traceback" not in command.err
        assert (read_lock(trial.results) is None) == (number != signal.SIGKILL)
        return command

    return inflict


def closed_pipe(stream: str) -> Callable[[Trial], Command]:
    def inflict(trial: Trial) -> Command:
        command = trial.run(closed=[stream])
        assert (command.out, command.err)[stream == "out"] != ""
        return command

    return inflict


def other_format(trial: Trial) -> Command:
    (trial.results / ".gisprio" / "store.json").write_text('{"format": 0}')
    command = trial.run()
    says = "The store was of format 0, not 1: dropped, all is computed again."
    assert says in command.err.splitlines()
    assert says in (trial.results / "run.log").read_text()
    assert {stage["kept"] for stage in gisprio.open_results(trial.results).record["stages"]} == {0}
    return command


SAYS = "Interrupted; earlier results are whole.\n"
FAULTS: dict[str, tuple[Callable[[Trial], Command], int]] = {
    "disk full as the store is written": (disk_full(EACH_ENTRY, 1), 4),
    "disk full as products are written": (disk_full(BEFORE_PRODUCTS), 4),
    "disk full in publishing": (disk_full(BEFORE_PUBLISHING), 4),
    "output read-only": (read_only, 2),
    "no permission to write": (no_permission(0o555), 2),
    "no permission to enter": (no_permission(0o700), 2),
    "output is a mount point": (mount_point, 0),
    "store on another disk": (store_on_other_disk, 0),
    "output on another disk, by a link": (results_on_other_disk, 0),
    "store a link to nothing": (store_link_to_nothing, 2),
    "results open elsewhere": (open_elsewhere(False), 0),
    "results open elsewhere, WAL": (open_elsewhere(True), 0),
    "two runs at once": (two_at_once, 2),
    "clock set back by years": (clock_set_back, 0),
    "layer edited, older date, same size": (older_date, 0),
    "layer edited during the run": (
        changed_during("properties.gpkg", "changed", BEFORE_DIGESTS, move_property), 2),
    "layer removed during the run": (
        changed_during("properties.gpkg", "is gone", BEFORE_PRODUCTS, remove_properties), 2),
    "heights edited during the run": (
        changed_during("dem.tif", "changed", EACH_TILE, raise_heights), 2),
    "heights removed during the run": (
        changed_during("dem.tif", "is gone", BEFORE_TILES, remove_heights), 2),
    "Ctrl-C": (ended_by(signal.SIGINT, SAYS, to_group=True), 130),
    "Ctrl-C, two workers": (ended_by(signal.SIGINT, SAYS, "--workers", "2", to_group=True), 130),
    "SIGTERM": (ended_by(signal.SIGTERM, "Told to end; earlier results are whole.\n", to_group=False), 143),
    "SIGTERM, two workers": (
        ended_by(signal.SIGTERM, "Told to end; earlier results are whole.\n", "--workers", "2", to_group=False), 143),
    "kill -9, two workers": (ended_by(signal.SIGKILL, "", "--workers", "2", to_group=False), -9),
    "closed pipe for results": (closed_pipe("out"), 0),
    "closed pipe for progress": (closed_pipe("err"), 0),
    "store of another format": (other_format, 0),
}  # fmt: skip
"""What is inflicted, and the exit code; lost: nothing."""
FEW = ("output read-only", "layer edited during the run", "Ctrl-C, two workers")
"""Those that are tried each time."""


@pytest.fixture(scope="module")
def starter(tmp_path_factory) -> Iterator[Starter]:
    one = Starter(tmp_path_factory.mktemp("commands"))
    yield one
    one.close()


@pytest.fixture(scope="module")
def plain(starter, tmp_path_factory) -> Path:
    """Give layers, and the results of an undisturbed run."""
    folder = tmp_path_factory.mktemp("plain")
    command = starter.start("run", valleys().write(folder))
    assert command.wait() == 0, command.err
    return folder


@pytest.fixture(scope="module")
def wanted(starter, plain, tmp_path_factory) -> tuple[dict[str, str], dict[str, str]]:
    """Give digests of undisturbed results: of the layers as they are, and with a property redrawn."""
    folder = tmp_path_factory.mktemp("redrawn")
    shutil.copytree(plain, folder, dirs_exist_ok=True)
    redraw_property(folder)
    command = starter.start("run", folder / "tiny.toml", "--fresh")
    assert command.wait() == 0, command.err
    before, after = digests(plain / "results"), digests(folder / "results")
    assert before != after
    return before, after


@pytest.fixture(scope="module")
def table(request) -> Iterator[list[str]]:
    """Gather the lines of the fault table; they are printed at the end."""
    lines: list[str] = []
    yield lines
    reporter = request.config.pluginmanager.getplugin("terminalreporter")
    if reporter is not None:
        with request.config.pluginmanager.getplugin("capturemanager").global_and_fixture_disabled():
            reporter.section("faults")
            for line in [row("fault", "tries", "lost", "exit code", "s to end"), *lines]:
                reporter.write_line(line)


def row(*cells: object) -> str:
    return f"{cells[0]:<38} {cells[1]:>5} {cells[2]:>5} {cells[3]:>9} {cells[4]:>9}"


@pytest.mark.parametrize("fault", FAULTS if ALL else FEW)
def test_nothing_is_lost(fault, starter, plain, wanted, table, tmp_path, monkeypatch, record_property):
    inflict, code = FAULTS[fault]
    trial = Trial(starter, Path(shutil.copytree(plain, tmp_path / "trial")), monkeypatch)
    redraw_property(trial.folder)
    earlier = contents(trial.results)
    command = inflict(trial)
    assert command.code == code, command.err
    if code:
        assert contents(trial.results) == earlier
        assert digests(trial.results) == wanted[0]
        last = trial.run()
        assert last.code == 0, last.err
    if code in (130, 143, -9):
        stages = gisprio.open_results(trial.results).record["stages"]
        assert all(stage["kept"] > 0 for stage in stages if stage["scope"] == "piece")
    assert digests(trial.results) == wanted[1]
    assert [path.name for path in trial.results.iterdir() if path.name.startswith(".")] in ([".gisprio"], [])
    table.append(row(fault, 1, 0, code, f"{command.seconds:.1f}"))
    record_property("fault", table[-1])


def test_twenty_kills_of_a_real_run_lose_nothing(starter, plain, wanted, table, tmp_path, record_property):
    folder = Path(shutil.copytree(plain, tmp_path / "trial"))
    layers = [(plain / "properties.gpkg").read_bytes()]
    redraw_property(folder)
    layers.append((folder / "properties.gpkg").read_bytes())
    chance = random.Random(commit_seeds(1)[0])
    began = time.monotonic()
    assert starter.start("run", plain / "tiny.toml", "--out", tmp_path / "timed").wait() == 0
    took = time.monotonic() - began
    caught, tries, state, seen, read = 0, 0, 1, 0, {}
    results = folder / "results"
    shutil.rmtree(results / ".gisprio" / "kept")
    while caught < KILLS and tries < 3 * KILLS:
        tries += 1
        command = starter.start("run", folder / "tiny.toml")
        time.sleep(chance.uniform(0, 0.6 * took))
        with suppress(ProcessLookupError):
            command.send(signal.SIGKILL)
        ended = command.wait()
        assert ended in (0, -signal.SIGKILL), command.err
        caught += ended == -signal.SIGKILL
        record = gisprio.open_results(results).record
        assert record["files"] == {name: file_digest(results / name) for name in record["files"]}
        key = record["finished"], record["files"]["ranked.gpkg"]
        read[key] = read.get(key) or digests(results)
        assert read[key] in wanted
        if ended == 0:
            assert read[key] == wanted[state]
            state, seen = 1 - state, seen + 1
            (folder / "properties.gpkg").write_bytes(layers[state])
            shutil.rmtree(results / ".gisprio" / "kept")
    assert caught == KILLS
    last = starter.start("run", folder / "tiny.toml")
    assert last.wait() == 0, last.err
    assert digests(results) == wanted[state]
    left = [path.name for path in (results / ".gisprio").rglob("*") if ".part" in path.name or path.name == "lock"]
    assert left == []
    table.append(row("kill -9 at random moments", KILLS, 0, -9, f"{command.seconds:.1f}"))
    record_property("fault", table[-1])
