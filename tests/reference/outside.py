"""Packages that tests compare with: asked for by name, skipped where absent, failed where GISPRIO_REFERENCE=required.

Some are only wanted for data files inside them; these are never imported.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest


def library(name: str) -> ModuleType:
    """Give an imported library, or stop the test."""
    try:
        return importlib.import_module(name)
    except ImportError as missing:
        stop(f"{name} is not at hand ({missing}): pip install -e '.[reference]'")


def data_file(package: str, ending: str) -> Path:
    """Give the path of the one data file of a package that ends so, or stop the test."""
    try:
        files = metadata.files(package) or []
    except metadata.PackageNotFoundError:
        stop(f"{package} is not at hand: pip install --no-deps {package}")
    (found,) = [file for file in files if str(file).endswith(ending)]
    return Path(str(found.locate()))


def stop(reason: str, environment: Mapping[str, str] = os.environ) -> NoReturn:
    """Skip the test, or fail it where the references are required."""
    if environment.get("GISPRIO_REFERENCE") == "required":
        pytest.fail(f"{reason} (GISPRIO_REFERENCE=required)", pytrace=False)
    pytest.skip(reason)
