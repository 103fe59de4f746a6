"""All layers of a project, read and brought to one system: what a run starts from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import ArraySource, Bounds, Grid, GridSource, Lattice
from gisprio.contracts.layers import INPUT_LAYERS, LEGEND, VISITS
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Settings
from gisprio.inputs.box_tree import keep_trees
from gisprio.inputs.cover_polygons import PolygonSource, polygon_codes
from gisprio.inputs.crs import DEGREES, linear_unit_m, no_crs, transform_bounds, unnamed, working_crs
from gisprio.inputs.desk_table import is_desk_table, read_desk_table
from gisprio.inputs.digests import raster_digest, text_digest
from gisprio.inputs.faults import Fault, raise_faults
from gisprio.inputs.images import Image, image_faults
from gisprio.inputs.layers import VECTOR_LAYERS
from gisprio.inputs.legends import Legend, read_legend
from gisprio.inputs.own_layers import read_own_layers
from gisprio.inputs.paths import Place, expand_layers
from gisprio.inputs.raster_files import RasterFile, alike_together, head_findings
from gisprio.inputs.rasters import UNIT_M, RasterSource, round_cell
from gisprio.inputs.surveys import find_surveys, survey_key
from gisprio.inputs.tile_index import TileIndex
from gisprio.inputs.vectors import VectorFile, attribute_columns, column_faults, is_vector, read_vector, tidy

_REGION_MARGIN_M = 2000.0
"""Land cover of another system is drawn this far beyond the DEM."""

_MUCH_BYTES = 10**9
"""From so much on it is said that rasters are read."""

NO_CANOPY = ArraySource(Grid(np.empty((0, 0), np.float32), Lattice(0.0, 0.0, 1.0)))
"""The canopy where none is given: as a layer that is not given has no rows, it has no cells."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """What was read.

    Parameters
    ----------
    crs
        The working system.
    tables
        Every layer of ``INPUT_LAYERS`` by name; one that is not given has no rows; and ``own_NAME`` of ``[factor]``.
    rasters
        ``dem`` (float32 metres), ``land_cover`` (int32 codes) and ``canopy`` (float32 metres; without cells where it is
        not given); and ``own_NAME`` of ``[factor]`` (float32).
    findings
        What was noticed and repaired while reading.
    digests
        Of each layer that is given, and of the legend.
    extents
        Of each layer that is given, in degrees: west, south, east, north.
    index
        Heads and digests of the raster files.
    image
        Image of the ground for the foot of the map; None where it is not given.
    """

    crs: CRS
    tables: Mapping[str, pd.DataFrame]
    rasters: Mapping[str, GridSource]
    findings: Sequence[Finding]
    digests: Mapping[str, str]
    extents: Mapping[str, Bounds]
    index: TileIndex = field(default_factory=TileIndex)
    image: Image | None = None

    def close(self) -> None:
        """Close the raster files; they are opened again when asked for."""
        for source in self.rasters.values():
            if isinstance(source, (RasterSource, PolygonSource)):
                source.close()

    def remember(self) -> None:
        """Keep what is known of the raster files for later runs, where :func:`read_inputs` was told to.

        Raises
        ------
        OSError
            The disk is full or not writable.
        """
        self.index.keep()
        trees = [source.tree for source in self.rasters.values() if isinstance(source, RasterSource)]
        keep_trees(trees)


def read_inputs(settings: Settings, memory: Path | None = None, note: Callable[[str], None] | None = None) -> Inputs:
    """Read all layers of a config.

    Parameters
    ----------
    settings
        All sections that speak of layers are read.
    memory
        Folder with what earlier runs knew of raster files; nothing is written to it before
        :meth:`Inputs.remember`. None: all are read.
    note
        Told when so much is to be read that it takes a while.

    Returns
    -------
    Inputs
        Tables and grid sources in the working system.

    Raises
    ------
    InputError
        A layer is missing, cannot be read, has no system, no such column or no such geometry; all faults of one
        kind at once.
    SettingsError
        ``[run] crs`` cannot be the working system.
    """
    places = expand_layers(settings)
    legend = read_legend(settings.land_cover.legend, settings.folder)
    index = TileIndex(memory)
    rasters, vectors, findings = _open_all(places, index)
    _refuse_columns(settings, vectors)
    if note is not None:
        _tell_reading(index.unread(file for files in rasters.values() for file in files), note)
    dem = rasters["dem"]
    extents = [one for one in (_extent(dem), _extent(vectors.get("streams", ()))) if one is not None]
    crs = working_crs(settings.run.crs, extents)
    unit = settings.dem.vertical_unit
    with closing(RasterSource(dem, crs, "heights", UNIT_M[unit])) as unsorted:
        dem_digest = raster_digest(dem, unit, digest=index.digest)
        surveys, told = index.surveys(survey_key(unsorted, dem_digest), lambda: find_surveys(unsorted))
    findings += told
    heights = RasterSource(dem, crs, "heights", UNIT_M[unit], None, surveys, index.digest, index.trees)
    sources: dict[str, GridSource] = {"dem": heights}
    digests = {"dem": dem_digest, "legend": text_digest(legend.table.to_csv(index=False).splitlines())}
    tables, told, more = _tables(settings, vectors, crs)
    findings += told
    digests |= more
    if "land_cover" in rasters:
        files = rasters["land_cover"]
        cover = RasterSource(files, crs, "classes", 1.0, _around(heights), None, index.digest, index.trees)
        sources["land_cover"], cell_m = cover, round_cell(cover.cell_m)
        digests["land_cover"] = raster_digest(files, digest=index.digest)
    else:
        drawn, told, digests["land_cover"] = _cover_polygons(settings, vectors["land_cover"], crs, legend)
        findings += told
        sources["land_cover"], cell_m = drawn, drawn.cell_m
    tables["legend"] = _legend_table(legend, cell_m)
    sources["canopy"] = NO_CANOPY
    if "canopy" in rasters:
        canopy = rasters["canopy"]
        sources["canopy"] = RasterSource(canopy, crs, "values", 1.0, _around(heights), None, index.digest, index.trees)
        digests["canopy"] = raster_digest(canopy, digest=index.digest)
    findings += alike_together(list(_unit_findings(dem, unit)))
    image = Image(rasters["image"]) if "image" in rasters else None
    if image is not None:
        digests["image"] = raster_digest(image.files, digest=index.digest)
    own = read_own_layers(settings, crs, _around(heights), index)
    findings += own.findings
    extents_of = dict(_extents_in_degrees({**rasters, **vectors, **own.files}))
    digests |= own.digests
    return Inputs(crs, tables | own.tables, sources | own.rasters, findings, digests, extents_of, index, image)


def _tell_reading(sizes: Sequence[int], note: Callable[[str], None]) -> None:
    """Say how much is to be read where it is much."""
    if sum(sizes) >= _MUCH_BYTES:
        many = f"{len(sizes)} raster files that are" if len(sizes) > 1 else "a raster file that is"
        note(f"Reading {many} new or changed, {sum(sizes) / 1e9:.1f} GB; later runs need not ...")


def _open_all(
    places: Mapping[str, list[Place]], index: TileIndex
) -> tuple[dict[str, list[RasterFile]], dict[str, list[VectorFile]], list[Finding]]:
    """Read the heads of all rasters and all vector layers; faults of all of them at once."""
    rasters: dict[str, list[RasterFile]] = {}
    vectors: dict[str, list[VectorFile]] = {}
    findings: list[Finding] = []
    faults: list[Fault] = []
    for layer, where in places.items():
        wrong_heads: list[tuple[str, Fault]] = []
        told_heads: list[tuple[str, Finding]] = []
        for place in where:
            if layer in ("dem", "canopy", "image") or (layer == "land_cover" and not is_vector(place)):
                head = index.head(layer, place)
                if isinstance(head, Fault):
                    wrong_heads.append((place.name, head))
                    continue
                if head.crs is None:
                    wrong_heads.append((place.name, no_crs(place.name)))
                if layer == "image":
                    wrong_heads += [(place.name, one) for one in image_faults(head)]
                told_heads += [(place.name, one) for one in head_findings(layer, head)]
                rasters.setdefault(layer, []).append(head)
            else:
                read = read_desk_table if is_desk_table(layer, place) else read_vector
                file, wrong, told = read(layer, place)
                faults += wrong
                findings += told
                if file is not None:
                    note = unnamed(layer, place.name, file.crs)
                    findings += [note] if note is not None else []
                    vectors.setdefault(layer, []).append(file)
        faults += alike_together(wrong_heads)
        findings += alike_together(told_heads)
    if "land_cover" in rasters and "land_cover" in vectors:
        wanted = "rasters only, or polygons only."
        faults.append(Fault("[layers] land_cover mixes rasters and polygons.", wanted, "give one kind."))
    raise_faults(InputError, faults, "layers cannot be used")
    return rasters, vectors, findings


def _refuse_columns(settings: Settings, vectors: Mapping[str, list[VectorFile]]) -> None:
    faults: list[Fault] = []
    for kind in VECTOR_LAYERS:
        for file in vectors.get(kind.layer.name, []):
            faults += column_faults(file, kind.columns(settings.columns))
    for file in vectors.get("land_cover", []):
        faults += column_faults(file, {"land_cover.code": settings.columns.land_cover.code})
    needed = (
        ("properties", "id", settings.columns.properties.id, "the parcel's number"),
        ("inflows", "area_km2", settings.columns.inflows.area_km2, "the drainage area in km2"),
        ("land_cover", "code", settings.columns.land_cover.code, "the code of the cover"),
        ("setback_zones", "name", settings.columns.setback_zones.name, "the zone's name"),
    )
    for layer, key, column, what in needed:
        if layer in vectors and column is None:
            columns = ", ".join(attribute_columns(vectors[layer][0]))
            faults.append(
                Fault(
                    f"[columns] {layer}.{key} is not given, but [layers] {layer} is.",
                    f"the column that holds {what}; {vectors[layer][0].place.name} has {columns or 'no columns'}.",
                    f'write {layer}.{key} = "..." under [columns].',
                )
            )
    raise_faults(InputError, faults, "columns are not there")


def _tables(
    settings: Settings, vectors: Mapping[str, list[VectorFile]], crs: CRS
) -> tuple[dict[str, pd.DataFrame], list[Finding], dict[str, str]]:
    """Make the layers of the contract, and their digests."""
    tables: dict[str, pd.DataFrame] = {layer.name: empty(layer, crs) for layer in INPUT_LAYERS}
    findings: list[Finding] = []
    faults: list[Fault] = []
    digests: dict[str, str] = {}
    for kind in VECTOR_LAYERS:
        name = kind.layer.name
        if name not in vectors:
            continue
        frame, told, wrong = tidy(vectors[name], crs, kind.shape)
        findings += told
        faults += wrong
        if wrong:
            continue
        made = kind.make(frame, settings)
        findings += made.findings
        if kind.layer is VISITS and made.table.empty:
            continue  # an untouched form is no layer: it changes nothing, no digest either
        tables[name] = made.table
        digests[name] = table_digest(made.table)
    if "streams" in digests and tables["streams"].empty:
        name = ", ".join(file.place.name for file in vectors["streams"])
        faults.append(
            Fault(f"[layers] streams: {name} holds no lines.", "stream lines.", "check the layer in your GIS.")
        )
    raise_faults(InputError, faults, "layers cannot be used")
    return tables, findings, digests


def _cover_polygons(
    settings: Settings, files: Sequence[VectorFile], crs: CRS, legend: Legend
) -> tuple[PolygonSource, list[Finding], str]:
    frame, findings, faults = tidy(files, crs, "polygon")
    raise_faults(InputError, faults, "layers cannot be used")
    column = settings.columns.land_cover.code
    assert column is not None
    codes, ok, told = polygon_codes(frame, column, legend.table)
    kept = frame[ok]
    digest = table_digest(kept[["geometry"]].assign(code=codes[ok]))
    return PolygonSource(kept.geometry.to_numpy(), codes[ok]), findings + told, digest


def _legend_table(legend: Legend, cell_m: float) -> pd.DataFrame:
    """Give the legend with the narrowest thing the map shows: its own number, never below a cell."""
    return check(LEGEND, legend.table.assign(min_width_m=max(legend.min_width_m or 0.0, cell_m)))


def _unit_findings(dem: Sequence[RasterFile], unit: str) -> Iterator[tuple[str, Finding]]:
    """Say where a file tells another unit of its heights, or places that make the unit taken doubtful; and its name."""
    for file in dem:
        named, name = file.height_unit_m, file.place.name
        placed = linear_unit_m(file.crs) if file.crs is not None else None
        in_feet = placed is not None and placed < 0.5
        do = "set [dem] vertical_unit to the unit of the file."
        if named is not None and abs(named / UNIT_M[unit] - 1) > 1e-3:
            says = f'{name} says its heights are in units of {named:.4f} m; [dem] vertical_unit is "{unit}".'
            yield name, Finding("warning", "dem", "vertical_unit", "", says, do)
        elif named is None and placed is not None and in_feet != (unit in ("ft", "us-ft")):
            says = (
                f"{name} lies in a system in {'feet' if in_feet else 'metres'} and does not say what its heights "
                f'are in; [dem] vertical_unit is "{unit}". If it is not so, slopes, stream power and bank heights are '
                "three times too large or too small."
            )
            yield name, Finding("warning" if in_feet else "note", "dem", "vertical_unit", "", says, do)


def _extent(files: Sequence[RasterFile | VectorFile]) -> tuple[Bounds, CRS] | None:
    """Give the extent of all files of a layer, in the system of the first."""
    boxes = [(file.bounds, file.crs) for file in files if file.bounds is not None and file.crs is not None]
    if not boxes:
        return None
    crs = boxes[0][1]
    placed = [transform_bounds(bounds, other, crs) for bounds, other in boxes if bounds is not None]
    lows, highs = [box[:2] for box in placed], [box[2:] for box in placed]
    box = (min(x for x, _ in lows), min(y for _, y in lows), max(x for x, _ in highs), max(y for _, y in highs))
    return box, crs


def _extents_in_degrees(layers: Mapping[str, Sequence[RasterFile | VectorFile]]) -> Iterator[tuple[str, Bounds]]:
    for name, files in layers.items():
        extent = _extent(files)
        if extent is not None:
            yield name, transform_bounds(extent[0], extent[1], DEGREES)


def _around(heights: RasterSource) -> Bounds:
    lattice, (rows, columns) = heights.lattice, heights.shape
    x0, y1 = lattice.x0 - _REGION_MARGIN_M, lattice.y0 + _REGION_MARGIN_M
    x1 = lattice.x0 + columns * lattice.cell_m + _REGION_MARGIN_M
    return x0, lattice.y0 - rows * lattice.cell_m - _REGION_MARGIN_M, x1, y1
