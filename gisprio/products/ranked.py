"""The result layers as one GeoPackage that opens styled in general GIS software."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj

from gisprio.contracts.cards import Results
from gisprio.contracts.layers import (
    BANK_SETBACKS,
    BANKS,
    CROSSINGS,
    FACTORS,
    FINDINGS,
    FLOW_POINTS,
    GAPS,
    LONG_PROFILES,
    MONITORING,
    PROPERTIES,
    REACHES,
    SCARS,
    SHOWN_CONSTRAINTS,
    SHOWN_FRONTAGES,
    SHOWN_KNICKPOINTS,
    SHOWN_VISITS,
    SITES,
    WORKS_DONE,
)
from gisprio.contracts.schema import Layer
from gisprio.products.field_notes import columns_of, tell_fields
from gisprio.products.styles import layer_styles

LAYERS: tuple[Layer, ...] = (
    REACHES, BANKS, BANK_SETBACKS, GAPS, SITES, PROPERTIES, FLOW_POINTS, CROSSINGS, SHOWN_KNICKPOINTS,
    SHOWN_CONSTRAINTS, WORKS_DONE, SCARS, SHOWN_VISITS, MONITORING, SHOWN_FRONTAGES, LONG_PROFILES, FACTORS, FINDINGS,
)  # fmt: skip
"""Layers of the file, in order."""

STAMP = "1970-01-01T00:00:00.000Z"
"""Stands for the time of writing, so that equal results give equal bytes; run.json holds the true time."""

GPKG_VERSION = "1.3"
"""What GIS software of some years ago and phones read without a doubt."""

_STYLES_TABLE = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256),
    f_table_schema TEXT(256),
    f_table_name TEXT(256),
    f_geometry_column TEXT(256),
    styleName TEXT(30),
    styleQML TEXT,
    styleSLD TEXT,
    useAsDefault BOOLEAN,
    description TEXT,
    owner TEXT(30),
    ui TEXT(30),
    update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now'))
)
"""


def write_ranked(path: Path, results: Results) -> None:
    """Write ``ranked.gpkg``: the layers above, with their styles and what each field holds.

    Parameters
    ----------
    path
        File to write; one that is there is replaced.
    results
        Result layers in the working system.

    Notes
    -----
    GDAL writes the layers and closes the file; only then SQLite adds the styles.
    """
    path.unlink(missing_ok=True)
    for number, layer in enumerate(LAYERS):
        write_layer(path, layer, results.tables[layer.name], results.crs, append=number > 0)
    _add_styles(path, results)


def write_layer(path: Path, layer: Layer, frame: pd.DataFrame, crs: str, *, append: bool) -> None:
    """Write one layer into a GeoPackage; ``crs`` is the working system as WKT."""
    geometry_type = None
    if layer.geometry != "none":
        assert isinstance(frame, gpd.GeoDataFrame)
        geometry_type = _geometry_type(layer, frame)
        frame = frame.set_crs(pyproj.CRS.from_wkt(crs), allow_override=True).rename_geometry("geom")
    pyogrio.write_dataframe(
        frame,
        path,
        layer=layer.name,
        driver="GPKG",
        append=append,
        geometry_type=geometry_type,
        promote_to_multi=bool(geometry_type and geometry_type.startswith("Multi")),
        layer_options=_layer_options(layer),
        dataset_options=None if append else {"VERSION": GPKG_VERSION},
    )


def _layer_options(layer: Layer) -> dict[str, str]:
    options = {"DESCRIPTION": layer.says, "IDENTIFIER": layer.name}
    if layer.geometry != "none":
        options["GEOMETRY_NAME"] = "geom"
    return options


def _geometry_type(layer: Layer, frame: gpd.GeoDataFrame) -> str:
    """Give the type of a layer: polygons are multi always, lines where one of them is."""
    if layer.geometry in ("polygon", "point"):
        return "MultiPolygon" if layer.geometry == "polygon" else "Point"
    return "MultiLineString" if np.any(frame.geom_type == "MultiLineString") else "LineString"


def settle_counters(path: Path) -> None:
    """Put fixed numbers where a closed GeoPackage counts its changes, so that equal layers give equal bytes.

    GDAL makes one change more where the clock moved on between two layers.
    """
    with path.open("r+b") as file:
        for place in (24, 92):  # change counter, and the counter for which the version holds
            file.seek(place)
            file.write(bytes((0, 0, 0, 1)))


def _add_styles(path: Path, results: Results) -> None:
    with closing(sqlite3.connect(path)) as base, base:
        for layer in LAYERS:
            tell_fields(base, layer.name, columns_of(layer, results))
        add_styles(base, layer_styles(results.tables))
        base.execute("UPDATE gpkg_contents SET last_change = ?", (STAMP,))


def add_styles(base: sqlite3.Connection, styles: Mapping[str, str], says: str = "How {} are drawn.") -> None:
    """Add the styles of layers, as QML by name, to a GeoPackage, where GIS software takes them by itself."""
    base.execute(_STYLES_TABLE)
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles for GIS software.', ?)",
        (STAMP,),
    )
    base.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
        "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
        "VALUES ('', '', ?, 'geom', ?, ?, '', 1, ?, '', ?)",
        [(name, name, qml, says.format(name), STAMP) for name, qml in styles.items()],
    )
