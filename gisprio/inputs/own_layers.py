"""The layers of ``[factor.NAME]``: read and brought to the working system, as features or as a raster."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.grids import Bounds, GridSource
from gisprio.contracts.layers import OWN_PREFIX, own_layer
from gisprio.contracts.schema import check
from gisprio.contracts.settings import OwnFactor, Settings
from gisprio.inputs.crs import no_crs, unnamed
from gisprio.inputs.digests import raster_digest
from gisprio.inputs.faults import Fault, raise_faults
from gisprio.inputs.paths import Place, expand, nothing_there
from gisprio.inputs.raster_files import RasterFile, head_findings
from gisprio.inputs.rasters import RasterSource
from gisprio.inputs.tile_index import TileIndex
from gisprio.inputs.vectors import Shape, VectorFile, column_faults, is_vector, read_vector, tidy

Files = list[RasterFile] | list[VectorFile]


@dataclass
class OwnLayers:
    """What was read.

    Parameters
    ----------
    tables, rasters
        ``own_NAME`` of each factor: its features with their ``value``, or a grid source.
    files
        ``factor.NAME`` of each layer that should share ground with the others, and its files.
    findings, digests
        What was noticed, and the digest of each layer.
    """

    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    rasters: dict[str, GridSource] = field(default_factory=dict)
    files: dict[str, Files] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    digests: dict[str, str] = field(default_factory=dict)


def read_own_layers(settings: Settings, crs: CRS, region: Bounds, index: TileIndex) -> OwnLayers:
    """Read the layers of all factors of the user's own.

    Parameters
    ----------
    settings
        ``factor`` and ``folder`` are read.
    crs
        The working system.
    region
        Rasters of another system are not drawn beyond it [m].
    index
        What is known of raster files.

    Raises
    ------
    InputError
        A layer is not there, cannot be read, does not go with its measure, has no such column or geometry; all faults
        at once.
    """
    own = OwnLayers()
    faults: list[Fault] = []
    for name, factor in settings.factor.items():
        places = list(expand(factor.layer, settings.folder))
        if not places:
            found = [nothing_there(f"factor.{name}", factor.layer, settings.folder)]
        elif all(is_vector(place) for place in places):
            found = _read_features(own, name, factor, places, crs)
        else:
            found = _read_raster(own, name, factor, places, crs, region, index)
        faults += [_placed(fault, name) for fault in found]
    raise_faults(InputError, faults, "layers of [factor] cannot be used")
    return own


def _placed(fault: Fault, name: str) -> Fault:
    """Say of a fault that it is one of ``[factor.NAME]``, not of ``[layers]``."""
    says = fault.says.replace(f"[layers] factor.{name}:", f"[factor.{name}] layer:")
    return replace(fault, says=says.replace("[columns] column:", f"[factor.{name}] column:"))


def _read_raster(
    own: OwnLayers, name: str, factor: OwnFactor, places: Sequence[Place], crs: CRS, region: Bounds, index: TileIndex
) -> list[Fault]:
    layer, table = f"factor.{name}", OWN_PREFIX + name
    heads: list[RasterFile] = []
    faults: list[Fault] = []
    for place in places:
        head = index.head(layer, place)
        if isinstance(head, Fault):
            faults.append(head)
        elif head.crs is None:
            faults.append(no_crs(place.name))
        else:
            own.findings += head_findings(layer, head)
            heads.append(head)
    if not faults and (factor.measure in ("distance", "column") or factor.column is not None):
        key = "measure" if factor.measure in ("distance", "column") else "column"
        faults.append(
            Fault(
                f'[factor.{name}] {key}: {places[0].name} is a raster, which has no features.',
                'measure = "mean" or "share" without column for a raster, features for the others.',
                f"correct {key}, or give a layer of features.",
            )
        )  # fmt: skip
    if not faults:
        own.rasters[table] = RasterSource(heads, crs, "values", 1.0, region, None, index.digest, index.trees)
        own.digests[table] = raster_digest(heads, digest=index.digest)
        own.files[layer] = heads
    return faults


def _read_features(own: OwnLayers, name: str, factor: OwnFactor, places: Sequence[Place], crs: CRS) -> list[Fault]:
    layer, table = f"factor.{name}", OWN_PREFIX + name
    files: list[VectorFile] = []
    faults: list[Fault] = []
    for place in places:
        file, wrong, told = read_vector(layer, place)
        faults += wrong
        own.findings += told
        if file is not None:
            note = unnamed(layer, place.name, file.crs)
            own.findings += [note] if note is not None else []
            faults += column_faults(file, {"column": factor.column})
            files.append(file)
    if factor.measure == "mean" and factor.column is None:
        faults.append(
            Fault(
                f"[factor.{name}] column is missing: {places[0].name} holds features.",
                "the attribute whose mean counts, or a raster.",
                'add column = "...".',
            )
        )  # fmt: skip
    if faults:
        return faults
    shape: Shape = "polygon" if factor.measure in ("mean", "share") else _shape_of(files)
    frame, told, faults = tidy(files, crs, shape)
    own.findings += told
    if faults:
        return faults
    values, told = _numbers(name, factor.column, frame)
    own.findings += told
    made = gpd.GeoDataFrame({"value": values}, geometry=frame.geometry, crs=frame.crs).reset_index(drop=True)
    own.tables[table] = check(own_layer(name, shape), made)
    own.digests[table] = table_digest(own.tables[table])
    if factor.measure != "distance":  # what is near may well lie beyond the DEM
        own.files[layer] = files
    return []


def _shape_of(files: Sequence[VectorFile]) -> Shape:
    """Give the kind of geometry of the highest dimension."""
    kinds = {kind for file in files for kind in file.frame.geom_type.dropna()}
    if any("Polygon" in kind or "Collection" in kind for kind in kinds):
        return "polygon"
    return "line" if any("Line" in kind for kind in kinds) else "point"


def _numbers(name: str, column: str | None, frame: gpd.GeoDataFrame) -> tuple[pd.Series, list[Finding]]:
    """Give the values of a column as numbers; what is none is missing and a finding."""
    if column is None:
        return pd.Series(float("nan"), index=frame.index), []
    raw = frame[column]
    numbers = pd.to_numeric(raw, errors="coerce").astype("float64")
    numbers = numbers.where(numbers.abs() != float("inf"))
    wrong = raw.notna() & numbers.isna()
    if not wrong.any():
        return numbers, []
    shown = listed(dict.fromkeys(raw[wrong].tolist()))
    says = f"{column}: {int(wrong.sum())} values are no numbers and are taken as missing: {shown}."
    return numbers, [Finding("warning", f"factor.{name}", "value", "", says, "correct them if they should count.")]
