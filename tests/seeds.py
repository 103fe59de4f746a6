"""Seeds that change with every commit, so that a tolerance is not fitted to three lucky numbers."""

from __future__ import annotations

import hashlib
import os
import subprocess
from pathlib import Path


def commit() -> str:
    """Give the hash of the commit: of the checkout, else as ``GISPRIO_COMMIT`` says, else a fixed word."""
    here = Path(__file__).resolve().parent.parent
    if (here / ".git").exists():
        asked = subprocess.run(
            ["git", "-c", f"safe.directory={here}", "-C", str(here), "rev-parse", "HEAD"],
            capture_output=True,
            text=True,
            check=False,
        )
        if asked.returncode == 0:
            return asked.stdout.strip()
    return os.environ.get("GISPRIO_COMMIT") or "no commit"


def commit_seeds(count: int = 3) -> tuple[int, ...]:
    """Give seeds from the hash of the commit; ``GISPRIO_SEEDS="5 77"`` gives others, to repeat what failed."""
    given = os.environ.get("GISPRIO_SEEDS")
    if given:
        return tuple(int(seed) for seed in given.replace(",", " ").split())
    drawn = hashlib.sha256(commit().encode()).hexdigest()
    return tuple(int(drawn[8 * n : 8 * n + 6], 16) for n in range(count))
