"""Digests of content: grids, settings, libraries; and the key of a stage on a piece.

A key is made of named parts, so that a later run can say which of them changed.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from pathlib import Path

import numpy as np

from gisprio.contracts.grids import Grid, Lattice
from gisprio.contracts.settings import Settings

LIBRARIES = (
    "numpy",
    "scipy",
    "pandas",
    "geopandas",
    "shapely",
    "pyproj",
    "rasterio",
    "pyogrio",
    "pyarrow",
    "numba",
)
"""Libraries whose version is part of every key and stands in run.json."""

Parts = dict[str, str]
"""What a key is made of: ``code``, ``libraries``, ``section NAME``, ``table NAME``, ``halo NAME``, ``source NAME``."""


def grid_digest(grid: Grid) -> str:
    """Digest a grid by content: place, kind of number, no-data value, cells."""
    lattice = grid.lattice
    head = (lattice.x0, lattice.y0, lattice.cell_m, grid.row, grid.column, grid.nodata)
    digest = hashlib.sha256(f"{head}{grid.values.shape}{grid.values.dtype}".encode())
    for row in range(0, grid.values.shape[0], 1024):
        digest.update(np.ascontiguousarray(grid.values[row : row + 1024]).tobytes())
    return digest.hexdigest()


def source_digest(file_digest: str, lattice: Lattice, shape: tuple[int, int], crs: str) -> str:
    """Digest a raster input: its files, and the lattice it is read on in the working system."""
    return text_digest(f"{file_digest} {lattice.x0} {lattice.y0} {lattice.cell_m} {shape} {crs}")


def text_digest(text: str) -> str:
    """Digest a text."""
    return hashlib.sha256(text.encode()).hexdigest()


def file_digest(path: Path) -> str:
    """Digest a file by its bytes (sha256, hexadecimal)."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def section_digests(settings: Settings, sections: tuple[str, ...]) -> Parts:
    """Digest the named settings sections, each on its own."""
    content = settings.model_dump(mode="json", include=set(sections))
    return {f"section {name}": text_digest(json.dumps(content[name], sort_keys=True)) for name in sections}


def libraries_digest() -> str:
    """Digest the versions of Python, of the libraries, and of the GEOS, PROJ and GDAL inside their wheels."""
    return text_digest(json.dumps(library_versions(), sort_keys=True))


def library_versions() -> dict[str, str]:
    """Give the versions of Python, of the libraries and of the GEOS, PROJ and GDAL inside their wheels."""
    import pyogrio
    import pyproj
    import rasterio
    import shapely

    found = {"python": platform.python_version()} | {name: version(name) for name in LIBRARIES}
    found["shapely GEOS"] = shapely.geos_version_string
    found["pyproj PROJ"] = pyproj.proj_version_str
    found["rasterio GDAL"] = rasterio.__gdal_version__
    found["rasterio PROJ"] = rasterio.__proj_version__
    found["pyogrio GDAL"] = pyogrio.__gdal_version_string__
    return found


def key_of(stage: str, parts: Mapping[str, str]) -> str:
    """Give the key of a stage: a digest over its name and all named parts."""
    return text_digest(json.dumps([stage, sorted(parts.items())]))


def joined(parts: Iterable[Mapping[str, str]]) -> Parts:
    """Put the parts of a piece stage's tiles together, name by name, in the order given."""
    lists: dict[str, list[str]] = {}
    for part in parts:
        for name, digest in part.items():
            lists.setdefault(name, []).append(digest)
    return {
        name: digests[0] if len(set(digests)) == 1 else text_digest(" ".join(digests))
        for name, digests in lists.items()
    }
