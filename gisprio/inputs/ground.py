"""The ground of a run looked at again: heights, land cover and image, one by one; what is gone is told, no fault."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import GisprioError, InputError
from gisprio.contracts.grids import Bounds, GridSource
from gisprio.contracts.settings import Settings
from gisprio.inputs.cover_polygons import PolygonSource, polygon_codes
from gisprio.inputs.crs import no_crs
from gisprio.inputs.digests import raster_digest
from gisprio.inputs.faults import Fault, raise_faults
from gisprio.inputs.images import Image, image_faults
from gisprio.inputs.legends import read_legend
from gisprio.inputs.paths import Place, expand, nothing_there
from gisprio.inputs.raster_files import RasterFile
from gisprio.inputs.rasters import UNIT_M, RasterSource
from gisprio.inputs.tile_index import TileIndex
from gisprio.inputs.vectors import column_faults, is_vector, read_vector, tidy

MUCH_BYTES = 10**8
"""Files that nobody knows are read whole, to tell whether they are those of the run, up to so much [own]."""
LAYERS = ("dem", "land_cover", "image")


@dataclass(frozen=True, slots=True)
class Ground:
    """What is there of the ground.

    Parameters
    ----------
    dem
        Heights [m] in the working system.
    land_cover
        Codes in the working system.
    legend
        ``code``, ``name``, ``cover`` of the codes; no rows without land cover.
    image
        Image of the user's.
    lacking
        Layer to why it is not there, in words.
    doubts
        Layer to why it may not be what the run read, in words.
    """

    dem: GridSource | None = None
    land_cover: GridSource | None = None
    legend: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["code", "name", "cover"]))
    image: Image | None = None
    lacking: Mapping[str, str] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)

    def close(self) -> None:
        """Close the raster files."""
        for source in (self.dem, self.land_cover):
            if isinstance(source, (RasterSource, PolygonSource)) and hasattr(source, "close"):
                source.close()


def open_ground(
    settings: Settings, crs: CRS, memory: Path | None, digests: Mapping[str, str], region: Bounds, *, named: bool
) -> Ground:
    """Open the layers that show the ground; no cell is read.

    Parameters
    ----------
    settings
        ``layers``, ``dem``, ``land_cover`` and ``columns`` are read.
    crs
        The working system of the run.
    memory
        Folder with what runs knew of raster files.
    digests
        Of the layers as the run read them.
    region
        Ground of interest [m]: land cover of another system is not drawn beyond it.
    named
        Whether the folder of the config is known; else a relative path is a layer that is gone.

    Returns
    -------
    Ground
        With a reason for each layer that cannot be shown.
    """
    index = TileIndex(memory)
    got: dict[str, object] = {}
    lacking: dict[str, str] = {}
    doubts: dict[str, str] = {}
    for layer in LAYERS:
        patterns = getattr(settings.layers, layer)
        if not patterns:
            lacking[layer] = f"[layers] {layer} is not given."
            continue
        try:
            places = _places(layer, patterns, settings, named=named)
            drawn = layer == "land_cover" and any(is_vector(place) for place in places)
            got[layer], digest = (
                _drawn_cover(places, settings, crs) if drawn else _opened(layer, places, settings, crs, index, region)
            )
            if layer == "land_cover":
                got["legend"] = read_legend(settings.land_cover.legend, settings.folder).table
        except GisprioError as error:
            lacking[layer] = str(error).partition("\n")[0]
            got.pop(layer, None)
            continue
        doubt = _doubt(digest, digests.get(layer))
        doubts |= {layer: doubt} if doubt else {}
    return Ground(**got, lacking=lacking, doubts=doubts)  # type: ignore[arg-type]


def _places(layer: str, patterns: Sequence[str], settings: Settings, *, named: bool) -> list[Place]:
    """Give the places of a layer.

    Raises
    ------
    InputError
        A path is relative to a folder that is not known, or nothing is there.
    """
    faults: list[Fault] = []
    places: list[Place] = []
    for pattern in patterns:
        path = Path(pattern.partition("|")[0].strip()).expanduser()
        if not (named or path.is_absolute() or "://" in pattern):
            says = f"[layers] {layer}: {pattern} is relative to the config; add --config CONFIG to say where that is."
            faults.append(Fault(says, "", ""))
            continue
        found = list(expand(pattern, settings.folder))
        faults += [] if found else [nothing_there(layer, pattern, settings.folder)]
        places += found
    raise_faults(InputError, faults[:1], "")
    return list(dict.fromkeys(places))


def _opened(
    layer: str, places: Sequence[Place], settings: Settings, crs: CRS, index: TileIndex, region: Bounds
) -> tuple[RasterSource | Image, str | None]:
    """Open rasters; their digest, where it is told without reading much.

    Raises
    ------
    InputError
        One cannot be opened or placed.
    """
    files: list[RasterFile] = []
    for place in places:
        head = index.head(layer, place)
        fault = head if isinstance(head, Fault) else no_crs(place.name) if head.crs is None else None
        if layer == "image" and isinstance(head, RasterFile):
            fault = fault or next(iter(image_faults(head)), None)
        raise_faults(InputError, [fault] if fault else [], "")
        assert isinstance(head, RasterFile)
        files.append(head)
    unit = settings.dem.vertical_unit
    meaning = (unit,) if layer == "dem" else ()
    much = sum(index.unread(files)) > MUCH_BYTES or any(file.far for file in files)
    digest = None if much else raster_digest(files, *meaning, digest=index.digest)
    if layer == "image":
        return Image(files), digest
    if layer == "dem":
        return RasterSource(files, crs, "heights", UNIT_M[unit]), digest
    return RasterSource(files, crs, "classes", 1.0, region), digest


def _drawn_cover(places: Sequence[Place], settings: Settings, crs: CRS) -> tuple[PolygonSource, str | None]:
    """Draw a land cover of polygons.

    Raises
    ------
    InputError
        A file cannot be read, or has no column of codes.
    """
    files = []
    faults: list[Fault] = []
    for place in places:
        file, wrong, _ = read_vector("land_cover", place)
        faults += wrong
        if file is not None:
            faults += column_faults(file, {"land_cover.code": settings.columns.land_cover.code})
            files.append(file)
    raise_faults(InputError, faults[:1], "")
    frame, _, faults = tidy(files, crs, "polygon")
    raise_faults(InputError, faults[:1], "")
    column = settings.columns.land_cover.code
    if column is None:
        raise InputError("[columns] land_cover.code is not given.", wanted="a column.", do="name it.")
    legend = read_legend(settings.land_cover.legend, settings.folder)
    codes, ok, _ = polygon_codes(frame, column, legend.table)
    kept = frame[ok]
    digest = table_digest(kept[["geometry"]].assign(code=codes[ok]))
    return PolygonSource(kept.geometry.to_numpy(), codes[ok]), digest


def _doubt(digest: str | None, of_run: str | None) -> str:
    """Say why a layer may not be what the run read; empty where it is the same."""
    if of_run is None:
        return "was no layer of the run."
    if digest is None:
        return "may have changed since the run: nobody knows any more what was read then."
    return "" if digest == of_run else "is not the one that the run read."
