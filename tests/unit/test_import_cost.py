"""``--help`` and ``--version`` answer at once: they import click, and nothing else from outside."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

import gisprio

HEAVY = {
    "numpy",
    "pandas",
    "pydantic",
    "rich",
    "numba",
    "geopandas",
    "shapely",
    "pyproj",
    "rasterio",
    "pyogrio",
}
# Without compiled bytecode; 0.15 s with it.
LONGEST_S = 0.4
TRIES = 7


def answer(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a Python as a user would, with this source tree in front."""
    tree = str(Path(gisprio.__file__).resolve().parents[1])
    environment = {**os.environ, "PYTHONPATH": tree, "COLUMNS": "100"}
    return subprocess.run(
        [sys.executable, *arguments], capture_output=True, text=True, timeout=60, check=True, env=environment
    )


def imported(*arguments: str) -> set[str]:
    """Give the top-level names of all modules that a Python imports."""
    log = answer("-X", "importtime", *arguments).stderr
    modules = re.findall(r"^import time:\s+\d+ \|\s+\d+ \|\s+(\S+)$", log, flags=re.MULTILINE)
    return {module.partition(".")[0] for module in modules}


def test_measure_sees_what_is_imported() -> None:
    assert {"numpy", "gisprio"} <= imported("-c", "import numpy, gisprio")


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_only_click_is_imported(option: str) -> None:
    modules = imported("-m", "gisprio", option)
    assert {"gisprio", "click"} <= modules
    assert modules & HEAVY == set()
    started_with = imported("-c", "pass")  # what the environment itself loads at start
    assert modules & set(packages_distributions()) - started_with <= {"gisprio", "click"}


def test_import_of_the_package_is_light() -> None:
    assert imported("-c", "import gisprio") & HEAVY == set()


def test_help_names_the_commands_and_version_the_version() -> None:
    told = answer("-m", "gisprio", "--help").stdout
    listed = set(re.findall(r"^  ([a-z]+) ", told, flags=re.MULTILINE))
    assert {"new", "check", "run", "explain", "methods"} <= listed
    assert gisprio.__version__ in answer("-m", "gisprio", "--version").stdout


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_answer_comes_at_once(option: str) -> None:
    seconds = []
    for _ in range(TRIES):
        begun = time.perf_counter()
        answer("-m", "gisprio", option)
        seconds.append(time.perf_counter() - begun)
    assert min(seconds) <= LONGEST_S
