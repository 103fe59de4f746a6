"""What each column of a layer holds, for the notes of a workbook and the fields of a GeoPackage."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator

import pandas as pd

from gisprio.contracts.cards import Results
from gisprio.contracts.schema import Column, Layer
from gisprio.products.tables import plain_table

FIELDS_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
    constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name)
);
"""
RULES_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
    constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
    max NUMERIC, max_is_inclusive BOOLEAN, description TEXT, UNIQUE (constraint_name, constraint_type, value)
);
"""
_EXTENSIONS_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
    table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
    CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
)
"""


def columns_of(layer: Layer, results: Results) -> list[Column]:
    """Give the columns of a table as it stands, with what the contract or the card of a factor says of each."""
    told = {column.name: column for column in (*_factor_columns(results.tables["factors"]), *layer.columns)}
    return [told.get(str(name), Column(str(name), "text", "")) for name in plain_table(results.tables[layer.name])]


def _factor_columns(factors: pd.DataFrame) -> Iterator[Column]:
    for row in factors.itertuples():
        title = row.title[:1].lower() + row.title[1:]
        yield Column(row.value_column, "float", row.says, row.unit, null=True)
        yield Column(row.basis_column, "text", f"How {title} was got.", null=True)
        yield Column(row.score_column, "float", f"Score of {title}, 0 to 100.", null=True)
        says = f"Score of {title}, 0 to 100, where the {row.group} score alone is worst."
        yield Column(row.worst_column, "float", says, null=True)


def told_of(column: Column) -> str:
    """Say what a column holds, with its unit and whether it may be empty."""
    parts = [column.says, f"Unit: {column.unit}." if column.unit else ""]
    parts.append("Empty where it is not known or does not apply." if column.null else "")
    return "\n".join(part for part in parts if part) or column.name


def add_schema_tables(base: sqlite3.Connection) -> None:
    """Add the tables of the GeoPackage schema extension, which say what fields mean and what they may hold."""
    base.execute(_EXTENSIONS_TABLE)
    base.execute(FIELDS_TABLE)
    base.execute(RULES_TABLE)
    for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
        base.execute(
            "INSERT OR IGNORE INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
            "SELECT ?, NULL, 'gpkg_schema', 'http://www.geopackage.org/spec/#extension_schema', 'read-write' "
            "WHERE NOT EXISTS (SELECT 1 FROM gpkg_extensions WHERE table_name = ?)",
            (table, table),
        )


def tell_fields(base: sqlite3.Connection, layer: str, columns: Iterable[Column]) -> None:
    """Say in a GeoPackage what each field of a layer holds, where GIS software looks for it."""
    add_schema_tables(base)
    rows = [(layer, column.name, told_of(column).replace("\n", " ")) for column in columns]
    base.executemany("INSERT INTO gpkg_data_columns (table_name, column_name, description) VALUES (?, ?, ?)", rows)
