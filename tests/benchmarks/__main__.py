"""All benchmarks by one command, with their table written into README.md.

    python -m tests.benchmarks                      # all parts; under 5 minutes on 2 cores
    python -m tests.benchmarks --large corridor     # all parts, the one named at its largest size too; --large: all
    python -m tests.benchmarks --only routing start # some parts; the README is left alone

From the top of a checkout, with gisprio, `pip install -e ".[bench]"`, on Linux. Each part is a file; its docstring says
what is measured, against what, and the goal. Layers are made in a temporary folder and removed afterwards.
"""

from __future__ import annotations

import argparse
import shlex
import sys
import tempfile
from pathlib import Path
from time import perf_counter

from tests.benchmarks.parts import PARTS
from tests.benchmarks.rows import Row
from tests.benchmarks.session import Session
from tests.benchmarks.table import block, machine, put_between_marks

NAMES = tuple(part.name for part in PARTS)
README = Path(__file__).resolve().parents[2] / "README.md"


def main() -> int:
    """Run the benchmarks; 0 when all goals are held."""
    choices = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    choices.add_argument("--only", nargs="+", choices=NAMES, default=NAMES, metavar="NAME", help=", ".join(NAMES))
    choices.add_argument(
        "--large", nargs="*", choices=NAMES, metavar="NAME", help="at their largest size too; without names all"
    )
    choices.add_argument("--no-readme", action="store_true", help="leave README.md alone")
    choices.add_argument("--folder", help="where the layers are made for the time of the run (default: the system's)")
    chosen = choices.parse_args()
    large = () if chosen.large is None else chosen.large or NAMES
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="gisprio-benchmarks-", dir=chosen.folder) as folder:
        session = Session(Path(folder), large)
        for part in PARTS:
            if part.name in chosen.only:
                began = perf_counter()
                session.say(f"{part.name} ...")
                rows += part.rows(session)
                session.say(f"  {part.name}: {perf_counter() - began:.0f} s")
    command = " ".join(["python -m tests.benchmarks", *map(shlex.quote, sys.argv[1:])])
    told = block(rows, machine(command))
    sys.stdout.write(told)
    if not chosen.no_readme and set(chosen.only) == set(NAMES):
        README.write_text(put_between_marks(README.read_text("utf-8"), told), "utf-8")
    return 0 if all(row.missed_by == 0 for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
