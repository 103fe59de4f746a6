"""How soon the command answers: a rerun in which nothing changed, `--help`, `--version`.

Measured: wall time of `gisprio run` on the sample when its results are there and nothing changed; of `--help` and
`--version`, with bytecode and without that of gisprio and click; and whether these two import more than they need.
Anchor of the rerun: `python -c "import geopandas, rasterio"`, what any program of this kind pays before it starts. The
other two have absolute goals. Least of 3.

Goals: rerun under 3 s; `--help` and `--version` at most 0.15 s with bytecode, 0.4 s without, and no numpy, pandas,
pydantic or rich imported.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tests.benchmarks.fresh import ROOT, timed
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

SAMPLE = ROOT / "configs" / "tansy-brook.toml"
BARE = ("-c", "import geopandas, rasterio")
HEAVY = {"numpy", "pandas", "pydantic", "rich"}
TURNS = 3
GOAL_RERUN_S, GOAL_S, GOAL_PLAIN_S = 3.0, 0.15, 0.4


def answer(*arguments: str, tree: Path = ROOT, compile_it: bool = True) -> subprocess.CompletedProcess[str]:
    """Run a Python on a source tree."""
    environment = {**os.environ, "PYTHONPATH": str(tree)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    if not compile_it:
        environment["PYTHONDONTWRITEBYTECODE"] = "1"
    call = [sys.executable, *arguments]
    return subprocess.run(call, check=True, capture_output=True, text=True, env=environment, cwd=tree)


def least_s(*arguments: str, tree: Path = ROOT, compile_it: bool = True) -> float:
    """Give the least wall time of some calls, after one that does not count [s]."""
    answer(*arguments, tree=tree, compile_it=compile_it)
    return min(timed(lambda: answer(*arguments, tree=tree, compile_it=compile_it))[0] for _ in range(TURNS))


def uncompiled(folder: Path) -> Path:
    """Copy gisprio and click without their bytecode, as an installer leaves them that does not compile."""
    for package in ("gisprio", "click"):
        origin = importlib.util.find_spec(package)
        assert origin is not None
        assert origin.origin is not None
        shutil.copytree(Path(origin.origin).parent, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def heavy_imports(option: str) -> set[str]:
    """Give what heavy libraries an option imports."""
    log = answer("-X", "importtime", "-m", "gisprio", option).stderr
    modules = re.findall(r"^import time:\s+\d+ \|\s+\d+ \|\s+(\S+)$", log, flags=re.MULTILINE)
    return HEAVY & {module.partition(".")[0] for module in modules}


def rows(session: Session) -> Sequence[Row]:
    """Measure the rerun and the two options."""
    run = ("-m", "gisprio", "run", str(SAMPLE), "--out", str(session.folder / "sample"))
    session.say("  running the sample ...")
    answer(*run)
    bare, rerun = least_s(*BARE), least_s(*run)
    tree = uncompiled(session.folder / "no_bytecode")
    made = [
        Row("rerun of the sample, nothing changed", rerun, "wall time", GOAL_RERUN_S, "s"),
        Row("the same", rerun / bare, f'`python -c "import geopandas, rasterio"`: {bare:.2f} s'),
    ]
    for option in ("--help", "--version"):
        call = ("-m", "gisprio", option)
        heavy = heavy_imports(option)
        said = f"wall time; of numpy, pandas, pydantic, rich it imports {', '.join(sorted(heavy)) or 'none'}"
        limits = (0.0, 0.0) if heavy else (GOAL_S, GOAL_PLAIN_S)
        made += [
            Row(f"`gisprio {option}`, with bytecode", least_s(*call), said, limits[0], "s"),
            Row(f"`gisprio {option}`, without", least_s(*call, tree=tree, compile_it=False), said, limits[1], "s"),
        ]
    return made


PART = Part("start", rows)
