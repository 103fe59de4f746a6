"""Layers made on demand as one GeoPackage: styled, and with what each field means."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

import pandas as pd

from gisprio.contracts.schema import Layer
from gisprio.products.ranked import STAMP, STYLES_TABLE, write_layer

_FIELDS_TABLE = """
CREATE TABLE gpkg_data_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
    constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name)
)
"""
_EXTENSIONS_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
    table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
    CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
)
"""


def write_layers(
    path: Path, layers: Sequence[tuple[Layer, pd.DataFrame]], crs: str, styles: Mapping[str, str] | None = None
) -> None:
    """Write layers into one file.

    Parameters
    ----------
    path
        File to write; one that is there is replaced.
    layers
        Each with its frame.
    crs
        The working system as WKT.
    styles
        QML by layer name.

    Notes
    -----
    GDAL writes the layers and closes the file; only then SQLite adds styles and what fields mean. No clock: equal
    layers give equal bytes.
    """
    path.unlink(missing_ok=True)
    for number, (layer, frame) in enumerate(layers):
        write_layer(path, layer, frame, crs, append=number > 0)
    with closing(sqlite3.connect(path)) as base, base:
        for layer, _ in layers:
            _tell_fields(base, layer)
        _add_styles(base, styles or {})
        base.execute("UPDATE gpkg_contents SET last_change = ?", (STAMP,))


def _tell_fields(base: sqlite3.Connection, layer: Layer) -> None:
    """Say what each field of a layer means."""
    if not base.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_data_columns'").fetchone():
        base.execute(_FIELDS_TABLE)
        base.execute(_EXTENSIONS_TABLE)
        base.execute(
            "INSERT INTO gpkg_extensions VALUES ('gpkg_data_columns', NULL, 'gpkg_schema', "
            "'http://www.geopackage.org/spec/#extension_schema', 'read-write')"
        )
    rows = [(layer.name, column.name, column.says) for column in layer.columns]
    base.executemany("INSERT INTO gpkg_data_columns (table_name, column_name, description) VALUES (?, ?, ?)", rows)


def _add_styles(base: sqlite3.Connection, styles: Mapping[str, str]) -> None:
    base.execute(STYLES_TABLE)
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles for GIS software.', ?)",
        (STAMP,),
    )
    for name, qml in styles.items():
        base.execute(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
            "styleQML, styleSLD, useAsDefault, description, owner, update_time) "
            "VALUES ('', '', ?, 'geom', ?, ?, '', 1, ?, '', ?)",
            (name, name, qml, f"How {name} are drawn.", STAMP),
        )
