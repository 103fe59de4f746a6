"""Cleaning removes the store and nothing else."""

from __future__ import annotations

import json
import os
import socket

import pytest

from gisprio.contracts.errors import InputError
from gisprio.run.clean import clean
from gisprio.run.engine import run_job
from unit.run import fake_chain as fake


def go(tmp_path):
    return run_job(fake.job(fake.make_inputs(), fake.make_settings(tmp_path), tmp_path / "results"))


def files(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_the_store_goes_and_the_results_stay(tmp_path):
    go(tmp_path)
    folder = tmp_path / "results"
    (folder / "notes.txt").write_text("mine")
    before = files(folder)
    size = sum(path.stat().st_size for path in (folder / ".gisprio").rglob("*") if path.is_file())
    assert clean(folder) == size > 10_000
    assert files(folder) == before
    assert not (folder / ".gisprio").exists()
    assert [stage["ran"] for stage in go(tmp_path).stages[:2]] == [1, 1]


def test_a_folder_that_is_no_result_is_left_alone(tmp_path):
    (tmp_path / ".gisprio").mkdir()
    (tmp_path / ".gisprio" / "thesis.txt").write_text("mine")
    with pytest.raises(InputError, match="is not a result folder"):
        clean(tmp_path)
    assert (tmp_path / ".gisprio" / "thesis.txt").read_text() == "mine"


def test_a_folder_in_use_is_left_alone(tmp_path):
    go(tmp_path)
    store = tmp_path / "results" / ".gisprio"
    holder = {"pid": os.getpid(), "host": socket.gethostname(), "started": "2026-01-01T00:00:00+00:00", "born": ""}
    (store / "lock").write_text(json.dumps(holder))
    with pytest.raises(InputError, match="is in use by another run: process"):
        clean(tmp_path / "results")
    assert (store / "kept").is_dir()
