"""Watershed-wide ranking of stream banks: which are likely to erode, which lack their riparian setback."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gisprio.run.engine import run
    from gisprio.run.known import read_settings
    from gisprio.run.results import open_results

__version__ = "0.1.0.dev0"
__all__ = ["__version__", "open_results", "read_settings", "run"]

_HOMES = {
    "read_settings": "gisprio.run.known",
    "run": "gisprio.run.engine",
    "open_results": "gisprio.run.results",
}


def __getattr__(name: str) -> Any:
    """Import the Python face on first use, so that ``import gisprio`` stays light."""
    if name not in _HOMES:
        raise AttributeError(f"module 'gisprio' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
