"""What the parts of one run of the benchmarks share: a folder that goes away, worlds, and runs on them."""

from __future__ import annotations

import sys
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from tests.benchmarks.fresh import Measured, in_own_process
from tests.benchmarks.worlds import write_world

WARM = 60
"""Reaches of the first run, whose time nobody looks at."""


@dataclass
class Session:
    """One run of the benchmarks.

    Parameters
    ----------
    folder
        Where layers are made; removed afterwards.
    large
        Names of the parts that are measured at their largest size too.
    """

    folder: Path
    large: Collection[str] = ()
    _runs: dict[tuple[int, int], list[Measured]] = field(default_factory=dict)

    def say(self, text: str) -> None:
        """Say something in a line of its own."""
        sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

    def world(self, reaches: int) -> Path:
        """Give the config of a world of about so many reaches; made when asked for first."""
        folder = self.folder / f"world_{reaches}"
        if not folder.exists():
            self.say(f"  making a watershed of {reaches} reaches ...")
            write_world(folder, reaches)
        return folder / "world.toml"

    def runs(self, reaches: int, workers: int, turns: int) -> list[Measured]:
        """Give so many whole runs on a world, what was run before among them."""
        if reaches != WARM and not self._runs:
            self.runs(WARM, 2, 1)  # compiles the kernels
        config = self.world(reaches)
        made = self._runs.setdefault((reaches, workers), [])
        while len(made) < turns:
            self.say(f"  running {reaches} reaches with {workers} worker{'s' * (workers > 1)} ...")
            out = self.folder / f"results_{reaches}_{workers}"
            made.append(in_own_process("whole_run:run_once", config=str(config), out=str(out), workers=workers))
        return made[:turns]
