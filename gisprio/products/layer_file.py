"""Layers made on demand as one GeoPackage: styled, and with what each field means."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

import pandas as pd

from gisprio.contracts.schema import Layer
from gisprio.products.field_notes import tell_fields
from gisprio.products.ranked import STAMP, add_styles, settle_counters, write_layer


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
            tell_fields(base, layer.name, layer.columns)
        add_styles(base, styles or {})
        base.execute("UPDATE gpkg_contents SET last_change = ?", (STAMP,))
    settle_counters(path)
