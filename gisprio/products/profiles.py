"""Long profiles as a table and as a picture that needs no program but a browser."""

from __future__ import annotations

from pathlib import Path

from gisprio.contracts.cards import Results
from gisprio.products.tables import write_table


def write_profiles_table(path: Path, results: Results) -> None:
    """Write the layer ``long_profiles`` as CSV."""
    write_table(path, results.tables["long_profiles"])
