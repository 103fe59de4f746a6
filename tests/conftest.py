"""What every kind of test may ask for.

Sockets are closed by pytest-socket (``addopts`` in pyproject.toml), but for local ones and loopback.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def checkout() -> Path:
    """Give the folder of the source tree."""
    return CHECKOUT


@pytest.fixture(scope="session")
def third_fork() -> Path:
    """Give the folder of the real layers of one small watershed; skip where they are not at hand."""
    given = os.environ.get("GISPRIO_REAL_LAYERS")
    folder = Path(given) if given else CHECKOUT.parent / "shared" / "real" / "third-fork"
    if not folder.is_dir():
        if given:
            pytest.fail(f"GISPRIO_REAL_LAYERS names {folder}, which is no folder")
        pytest.skip("real layers are not at hand; GISPRIO_REAL_LAYERS may name the third-fork folder")
    return folder


@pytest.fixture(scope="session")
def sample_config() -> Path:
    """Give the config of the sample layers."""
    return CHECKOUT / "configs" / "tansy-brook.toml"
