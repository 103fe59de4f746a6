"""The output place: each way it can be wrong, with the whole message; and faults of the machine."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest

from gisprio.contracts.errors import RunError, SettingsError
from gisprio.run.places import machine_faults, make_results_folder, results_folder
from unit.run.fake_chain import make_settings

OWN = "  Do: give a folder of its own in [run] output or --out."


def refused(settings, out=None) -> str:
    with pytest.raises(SettingsError) as caught:
        results_folder(settings, out)
    return caught.value.report()


def test_output_starts_at_the_config_and_out_at_the_place_of_the_command(tmp_path, monkeypatch):
    settings = make_settings(tmp_path, run={"output": "../results/here"})
    assert results_folder(settings) == tmp_path / "results" / "here"
    assert not (tmp_path / "results").exists()
    monkeypatch.chdir(tmp_path)
    assert results_folder(settings, "elsewhere") == tmp_path / "elsewhere"


def test_a_file(tmp_path):
    (tmp_path / "taken").touch()
    assert refused(make_settings(tmp_path), tmp_path / "taken") == (
        f"SettingsError: the results folder {tmp_path / 'taken'} is a file.\n  Wanted: a folder.\n{OWN}"
    )


def test_inside_a_file(tmp_path):
    (tmp_path / "taken").touch()
    assert refused(make_settings(tmp_path), tmp_path / "taken" / "a" / "b") == (
        f"SettingsError: the results folder {tmp_path / 'taken' / 'a' / 'b'} would lie inside {tmp_path / 'taken'}, "
        f"which is a file.\n  Wanted: a folder inside folders.\n{OWN}"
    )


def test_the_folder_of_the_config(tmp_path):
    (tmp_path / "project").mkdir()
    assert refused(make_settings(tmp_path, run={"output": "."})) == (
        f"SettingsError: the results folder {tmp_path / 'project'} is the folder of the config.\n"
        f"  Wanted: a folder that holds nothing but results.\n{OWN}"
    )


def test_the_folder_of_the_data(tmp_path):
    (tmp_path / "project" / "data").mkdir(parents=True)
    assert refused(make_settings(tmp_path, run={"output": "data"})) == (
        f"SettingsError: the results folder {tmp_path / 'project' / 'data'} holds the data of layer dem.\n"
        f"  Wanted: a folder that holds nothing but results.\n{OWN}"
    )


def test_a_layer_from_the_results_themselves(tmp_path):
    (tmp_path / "project").mkdir()
    settings = make_settings(tmp_path, layers={"done": "results/ranked.gpkg|banks"})
    assert "holds the data of layer done" in refused(settings)


def test_not_writable(tmp_path, monkeypatch):
    said = (
        f"SettingsError: the results folder {tmp_path / 'results'} may not be written.\n"
        "  Wanted: a folder you may write to.\n"
        "  Do: change its permissions, or give another one in [run] output or --out."
    )
    with monkeypatch.context() as patched:
        patched.setattr(os, "access", lambda *_: False)
        assert refused(make_settings(tmp_path), tmp_path / "results") == said

    def denied(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "mkdir", denied)
    with pytest.raises(SettingsError) as caught:
        make_results_folder(tmp_path / "results")
    assert caught.value.report() == said


def test_other_faults_stay_what_they_are(tmp_path):
    for fault in (OSError(errno.EIO, "I/O"), ValueError("x"), RuntimeError("x"), sqlite3.OperationalError("x")):
        with pytest.raises(type(fault)) as caught, machine_faults(tmp_path):
            raise fault
        assert caught.value is fault


def test_a_library_that_does_not_say_that_the_disk_is_full(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=4096))
    with pytest.raises(RunError, match="is full"), machine_faults(tmp_path):
        raise RuntimeError("sqlite3_exec failed: disk I/O error")


def test_a_disk_that_is_really_full(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(small)], capture_output=True)
    if mounted.returncode:
        pytest.skip("no small file system can be mounted here")
    try:
        with pytest.raises(RunError, match=f"the disk that holds {small} is full"), machine_faults(small):
            (small / "file").write_bytes(bytes(2**20))
    finally:
        subprocess.run(["umount", str(small)], check=True)
