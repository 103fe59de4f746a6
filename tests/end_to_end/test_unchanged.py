"""A run of which nothing changed reads no layer; whatever may have changed makes it read."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import gisprio
import gisprio.inputs.project as project
import gisprio.run.unchanged as unchanged
from gisprio.faces.main import main
from makers import straight_valley

LONG_AGO = 1_700_000_000


class ReadError(Exception):
    """The layers were read."""


def age(folder: Path, by_s: int = 0) -> None:
    for path in folder.glob("*.*"):
        os.utime(path, (LONG_AGO + by_s, LONG_AGO + by_s))


@pytest.fixture(scope="module")
def finished(tmp_path_factory) -> Path:
    """A folder whose files are old, with the results of a run."""
    folder = tmp_path_factory.mktemp("finished")
    config = straight_valley().write(folder)
    text = config.read_text().replace("dem.tif", "de*.tif")
    config.write_text(text)
    age(folder)
    gisprio.run(gisprio.read_settings(config))
    return folder


@pytest.fixture
def world(finished, monkeypatch):
    """The same, in which nothing may be read."""

    def refuse(*_, **__):
        raise ReadError

    monkeypatch.setattr(project, "read_inputs", refuse)
    return finished


def run_again(folder: Path, **more: object) -> dict:
    return gisprio.run(gisprio.read_settings(folder / "tiny.toml"), **more).as_json()


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_nothing_is_read_or_written_but_the_record_and_the_log(world, capsys):
    results = world / "results"
    before = contents(results)
    first = run_again(world)
    after = contents(results)
    assert {name for name in after if after[name] != before[name]} == {"run.json", "run.log"}
    assert set(after) == set(before)
    assert all(stage["ran"] == 0 and stage["why"] in ("unchanged", "nothing to do") for stage in first["stages"])
    assert run_again(world)["stages"] == first["stages"]
    files = gisprio.open_results(results).record["files"]
    assert files["run.log"] == hashlib.sha256(contents(results)["run.log"]).hexdigest()  # it tells the time it took
    assert files | {"run.log": ""} == first["files"] | {"run.log": ""}
    assert main(["explain", str(results)]) == 0
    told = capsys.readouterr().out
    assert "unchanged" in told
    assert " ran " not in told.split("Store")[0].replace("0 ran", "")
    assert main(["run", str(world / "tiny.toml")]) == 0
    assert "Most urgent banks" in capsys.readouterr().out


def test_a_map_written_again_changes_nothing(world):
    assert main(["map", str(world / "results"), "--audience", "board"]) == 0
    drawn = (world / "results" / "map-board.html").read_bytes()
    told = run_again(world)
    assert (world / "results" / "map-board.html").read_bytes() == drawn
    assert told["files"]["map-board.html"] == hashlib.sha256(drawn).hexdigest()


def touch(folder: Path) -> None:
    os.utime(folder / "dem.tif", (LONG_AGO + 9, LONG_AGO + 9))


def add_a_journal(folder: Path) -> None:
    (folder / "streams.gpkg-wal").write_bytes(b"")
    os.utime(folder / "streams.gpkg-wal", (LONG_AGO, LONG_AGO))


def add_a_tile(folder: Path) -> None:
    shutil.copy2(folder / "dem.tif", folder / "dew.tif")


def edit_the_legend(folder: Path) -> None:
    legend = folder / "legend.csv"
    legend.write_text(legend.read_text() + "\n")
    os.utime(legend, (LONG_AGO, LONG_AGO))


def change_a_setting(folder: Path) -> None:
    config = folder / "tiny.toml"
    config.write_text(config.read_text() + "[robustness]\nseed = 2\n")


def edit_a_result(folder: Path) -> None:
    banks = folder / "results" / "banks.csv"
    banks.write_text(banks.read_text() + "mine\n")


def edit_a_result_and_write_a_map(folder: Path) -> None:
    edit_a_result(folder)
    assert main(["map", str(folder / "results")]) == 0


def delete_a_result(folder: Path) -> None:
    (folder / "results" / "map.html").unlink()


def write_it_now(folder: Path) -> None:
    os.utime(folder / "dem.tif")


def set_the_clock_back(folder: Path) -> None:
    age(folder, 10_000_000_000 - LONG_AGO)


def clean_the_store(folder: Path) -> None:
    assert main(["clean", str(folder / "results")]) == 0


CHANGES: tuple[Callable[[Path], None], ...] = (
    touch, add_a_journal, add_a_tile, edit_the_legend, change_a_setting, edit_a_result, delete_a_result, write_it_now,
    set_the_clock_back, clean_the_store, edit_a_result_and_write_a_map,
)  # fmt: skip


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_what_may_have_changed_is_read(change, world, tmp_path):
    folder = Path(shutil.copytree(world, tmp_path / "again"))
    marks = folder / "results" / ".gisprio" / unchanged.MARKS
    marks.write_text(marks.read_text().replace(str(world), str(folder)))
    settings = gisprio.read_settings(folder / "tiny.toml")
    kept = unchanged.read_json(marks)
    kept["asked"] = unchanged.marks_now(settings).asked  # the folder is part of the settings
    unchanged.write_json(marks, kept)
    run_again(folder)
    change(folder)
    with pytest.raises(ReadError):
        run_again(folder)


def test_fresh_reads_and_so_does_another_library(world, monkeypatch):
    with pytest.raises(ReadError):
        run_again(world, fresh=True)
    monkeypatch.setattr(unchanged, "version", lambda name: "0.0")
    with pytest.raises(ReadError):
        run_again(world)


def test_another_gisprio_reads(world, monkeypatch):
    monkeypatch.setattr(unchanged, "_own_files", lambda: iter(()))
    with pytest.raises(ReadError):
        run_again(world)


@pytest.mark.parametrize("path", ["https://example.org/dem.tif", "dem.vrt"])
def test_what_lies_elsewhere_is_never_told_by_size_and_date(world, tmp_path, path):
    config = tmp_path / "tiny.toml"
    (tmp_path / "dem.vrt").write_text("<VRTDataset/>")
    os.utime(tmp_path / "dem.vrt", (LONG_AGO, LONG_AGO))
    text = (world / "tiny.toml").read_text().replace("de*.tif", path)
    config.write_text(text.replace('"cover.tif"', f'"{world}/cover.tif"'))
    assert unchanged.marks_now(gisprio.read_settings(config)) is None


def test_files_beside_each_other(tmp_path):
    for name in ("a.shp", "a.dbf", "a.shp.xml", "ab.shp", "b.gpkg", "b.gpkg-wal", "b.gpkg-shm", "bb.gpkg", "c"):
        (tmp_path / name).touch()
    found = sorted(path.name for path in unchanged.beside([tmp_path / "a.shp", tmp_path / "b.gpkg"]))
    assert found == ["a.dbf", "a.shp", "a.shp.xml", "b.gpkg", "b.gpkg-shm", "b.gpkg-wal"]
