"""What every kind of test may ask for.

Sockets are closed by pytest-socket (``addopts`` in pyproject.toml), but for local ones and loopback.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent
LONG = ("tests/end_to_end/", "tests/unit/run/", "tests/properties/")
"""Where the long files are."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put long files first, so that no process is left alone with one at the end; the order in a file stays."""
    items.sort(key=lambda item: not any(part in item.path.as_posix() for part in LONG))


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


@pytest.fixture(scope="session")
def sample_results(tmp_path_factory: pytest.TempPathFactory, sample_config: Path) -> Path:
    """Run the sample with its own settings and give the result folder; workers side by side share one run."""
    import gisprio

    root = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        root = root.parent
    folder, ended = root / "sample", root / "sample.ended"
    try:
        folder.mkdir()
    except FileExistsError:
        while not ended.exists():
            time.sleep(0.2)
        return folder
    try:
        gisprio.run(gisprio.read_settings(sample_config), out=folder)
    finally:
        ended.touch()
    return folder
