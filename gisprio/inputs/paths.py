"""Where the layers are: paths of the config, made whole, globs filled in."""

from __future__ import annotations

import glob
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from gisprio.contracts.errors import InputError
from gisprio.contracts.settings import Settings
from gisprio.inputs.faults import Fault, raise_faults

_GLOB = frozenset("*?[")


@dataclass(frozen=True, slots=True)
class Place:
    """One data source.

    Parameters
    ----------
    path
        Absolute path of a file or folder, or an address that GDAL opens.
    sublayer
        The layer inside it; empty where the config names none.
    """

    path: str
    sublayer: str = ""

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        short = self.path.rstrip("/\\").replace("\\", "/").rpartition("/")[2] or self.path
        return f"{short}|{self.sublayer}" if self.sublayer else short

    @property
    def is_local(self) -> bool:
        """Whether it is a file of this machine."""
        return not self.path.startswith("/vsi")


SETTLED_NS = 2_000_000_000
"""A file whose date lies nearer before the reading than this, or after it, may change again under the same date."""


def given_layers(settings: Settings) -> dict[str, tuple[str, ...]]:
    """Give the paths and globs of every layer that the config names, those of zones too; not of own factors."""
    zones = {"setback_zones": (settings.setback.zones,)} if settings.setback.zones else {}
    return {**settings.layers.given(), **zones}


def own_factor_layers(settings: Settings) -> dict[str, tuple[str, ...]]:
    """Give the path or glob of the layer of each factor of the user's own, as ``factor.NAME``."""
    return {f"factor.{name}": (factor.layer,) for name, factor in settings.factor.items()}


def expand_layers(settings: Settings) -> dict[str, list[Place]]:
    """Give every layer of the config with the places it stands for.

    Parameters
    ----------
    settings
        ``layers``, ``setback.zones`` and ``folder`` are read.

    Returns
    -------
    dict
        Layers in the order of the settings; places in the order of the config, what a glob finds by name.

    Raises
    ------
    InputError
        With every path that is not there and every glob that finds nothing.
    """
    found: dict[str, list[Place]] = {}
    faults: list[Fault] = []
    for layer, patterns in given_layers(settings).items():
        places: list[Place] = []
        for pattern in patterns:
            got = list(expand(pattern, settings.folder))
            if not got:
                faults.append(nothing_there(layer, pattern, settings.folder))
            places += got
        found[layer] = list(dict.fromkeys(places))
    raise_faults(InputError, faults, "layers are not where the config says")
    return found


def expand(pattern: str, folder: Path) -> Iterator[Place]:
    """Give the places that a path or glob of the config stands for; relative ones start at ``folder``."""
    path, _, sublayer = pattern.partition("|")
    path, sublayer = path.strip(), sublayer.strip().removeprefix("layername=")
    if path.startswith("/vsi"):
        yield Place(path, sublayer)
        return
    if "://" in path:
        yield Place(f"/vsicurl/{path}" if path.startswith(("http://", "https://")) else path, sublayer)
        return
    whole = Path(path).expanduser()
    whole = whole if whole.is_absolute() else folder / whole
    if whole.exists():
        yield Place(str(whole.resolve()), sublayer)
    elif _GLOB & set(path):
        for one in sorted(glob.glob(str(whole), recursive=True)):
            yield Place(str(Path(one).resolve()), sublayer)


def nothing_there(layer: str, pattern: str, folder: Path) -> Fault:
    """Give the fault of a path or glob that stands for no place."""
    path = pattern.partition("|")[0].strip()
    if _GLOB & set(path):
        return Fault(
            f'[layers] {layer}: no file fits "{pattern}".',
            f"at least one file; a relative pattern starts at {folder}.",
            "check the folder and the ending in the pattern.",
        )
    return Fault(
        f'[layers] {layer}: there is no file "{pattern}".',
        f"a file that is there; a relative path starts at {folder}.",
        "correct the path, or take the layer out of the config.",
    )
