"""Digests of what was read: files as bytes, rasters with how they are read."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from pathlib import Path

from gisprio.contracts.errors import InputError
from gisprio.inputs.raster_files import RasterFile

FileDigest = Callable[[str], str]
"""Gives the digest of a file of this machine."""

_STEP = 2**20


def file_digest(path: str | Path) -> str:
    """Give the SHA-256 of a file's bytes; once read, as long as its size and date stay.

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    try:
        about = Path(path).stat()
        return _bytes_digest(str(path), about.st_size, about.st_mtime_ns)
    except OSError as error:
        raise InputError(
            f"{path} cannot be read: {error.strerror}.",
            wanted="a file that may be read.",
            do="check its permissions, or copy it to another place.",
        ) from None


@lru_cache(maxsize=100_000)
def _bytes_digest(path: str, size: int, changed_ns: int) -> str:
    """Read a file in steps of 1 MiB; size and date are there for the cache alone."""
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while step := file.read(_STEP):
            digest.update(step)
    return digest.hexdigest()


def bytes_digest(content: bytes) -> str:
    """Give the SHA-256 of bytes."""
    return hashlib.sha256(content).hexdigest()


def text_digest(parts: Iterable[object]) -> str:
    """Give the SHA-256 of values, each written as Python writes it."""
    return hashlib.sha256("\n".join(repr(part) for part in parts).encode()).hexdigest()


def raster_digest(files: Sequence[RasterFile], *meaning: object, digest: FileDigest = file_digest) -> str:
    """Give the digest of a raster source: bytes and heads of its files in order, and how they are read.

    Parameters
    ----------
    files
        The files. Of one on a server the address counts, and what the server says of it.
    meaning
        What else decides the values, such as the unit of height.
    digest
        Gives the digest of each file of this machine.

    Raises
    ------
    InputError
        When a file cannot be read.
    """
    parts: list[object] = list(meaning)
    for file in files:
        wkt = file.crs.to_wkt() if file.crs is not None else ""
        parts += [wkt, file.transform, file.rows, file.columns, file.kind, file.scale, file.offset]
        parts += [file.nodata, file.mask]
        if file.far:
            parts += [file.place.path, file.version]
        parts += [digest(name) for name in file.beside]
    return text_digest(parts)
