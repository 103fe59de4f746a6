"""The wheel holds the package, every shipped file, the licence and the change log, and nothing else."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import gisprio

CHECKOUT = Path(__file__).resolve().parents[2]
NOT_SHIPPED = {"__pycache__", ".gisprio"}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Build the wheel with the build backend that is installed, without asking the network."""
    folder = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(CHECKOUT)],
        check=True,
        capture_output=True,
        timeout=300,
    )
    (file,) = folder.glob("*.whl")
    assert file.name == f"gisprio-{gisprio.__version__}-py3-none-any.whl"
    return zipfile.ZipFile(file)


def files_below(folder: Path) -> set[str]:
    """Give the paths below a folder, hidden and cached files left out."""
    paths = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    kept = (path for path in paths if not NOT_SHIPPED & set(path.parts) and not path.name.startswith("."))
    return {path.as_posix() for path in kept}


@pytest.mark.slow
def test_every_shipped_file_reads_the_same_from_the_wheel(wheel: zipfile.ZipFile) -> None:
    names = files_below(CHECKOUT / "configs")
    home = "gisprio/configs/"
    inside = {name.removeprefix(home) for name in wheel.namelist() if name.startswith(home)}
    assert inside == names
    assert "tansy-brook.toml" in names
    for name in names:
        assert wheel.read(f"gisprio/configs/{name}") == (CHECKOUT / "configs" / name).read_bytes(), name


@pytest.mark.slow
def test_every_module_and_asset_is_in_the_wheel(wheel: zipfile.ZipFile) -> None:
    package = files_below(CHECKOUT / "gisprio")
    assert {f"gisprio/{name}" for name in package} <= set(wheel.namelist())
    assert {"gisprio/LICENSE", "gisprio/CHANGELOG.md", "gisprio/py.typed"} <= set(wheel.namelist())


@pytest.mark.slow
def test_wheel_holds_nothing_of_tests_or_sample(wheel: zipfile.ZipFile) -> None:
    tops = {name.partition("/")[0] for name in wheel.namelist()}
    assert tops == {"gisprio", f"gisprio-{gisprio.__version__}.dist-info"}
    assert [name for name in wheel.namelist() if name.endswith((".pyc", ".nbi", ".nbc"))] == []


@pytest.mark.slow
def test_metadata_names_command_licence_and_python(wheel: zipfile.ZipFile) -> None:
    info = f"gisprio-{gisprio.__version__}.dist-info"
    assert "gisprio = gisprio.faces.main:main" in wheel.read(f"{info}/entry_points.txt").decode()
    metadata = wheel.read(f"{info}/METADATA").decode().split("\n\n")[0].splitlines()
    assert "License-Expression: MIT" in metadata
    assert "Requires-Python: <3.14,>=3.11" in metadata
    bounds = [line for line in metadata if line.startswith("Requires-Dist:") and "extra ==" not in line]
    assert len(bounds) == 23
    assert [line for line in bounds if ">=" not in line or "<" in line] == []
