"""The table of a run, and its place in the README between two marks."""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.rows import Row

BEGIN = "<!-- benchmarks: written by `python -m tests.benchmarks` -->"
END = "<!-- end of benchmarks -->"
HEAD = ("work", "goal", "this run", "baseline")


def block(rows: Sequence[Row], said: str) -> str:
    """Give what stands between the marks: a line on the run, and the table.

    Parameters
    ----------
    rows
        At least one.
    said
        Date, machine and command of the run.
    """
    missed = sum(row.missed_by > 0 for row in rows)
    aims = sum(row.limit is not None for row in rows)
    held = "All goals were held." if not missed else f"{missed} of {aims} goals were missed."
    lines = [HEAD, ("---",) * len(HEAD), *((row.work, row.goal, row.this_run, row.baseline) for row in rows)]
    table = "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)
    return f"{said} {held}\n\n{table}\n"


def put_between_marks(text: str, new: str) -> str:
    """Give a text with what stands between the marks replaced.

    Raises
    ------
    ValueError
        The marks do not stand there once each, in this order.
    """
    if (text.count(BEGIN), text.count(END)) != (1, 1) or text.index(BEGIN) > text.index(END):
        raise ValueError(f"README.md does not hold, once each and in this order:\n{BEGIN}\n{END}")
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{new}{END}{rest.partition(END)[2]}"


def machine(command: str) -> str:
    """Say when, where and how a run was made."""
    cpu = re.search(r"model name\s*: (.*)", Path("/proc/cpuinfo").read_text())
    memory = int(Path("/proc/meminfo").read_text().split()[1]) / 2**20
    return (
        f"Measured {datetime.now(UTC):%Y-%m-%d} by `{command}` on {os.cpu_count()} cores "
        f"({cpu[1] if cpu else platform.machine()}), {memory:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}; each side in fresh processes in turn, kernels warm, files cached."
    )
