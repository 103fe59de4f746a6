"""What a run has at hand: tables and grids by name, with their digests; those of stages lie in the store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd
from pyproj import CRS

from gisprio.contracts.digests import table_digest
from gisprio.contracts.grids import ArraySource, Bounds, DigestedSource, GridSource
from gisprio.contracts.schema import empty
from gisprio.run.fingerprints import grid_digest, source_digest, text_digest
from gisprio.run.pieces import put_together
from gisprio.run.stages import promised
from gisprio.run.store import Entry


class Shelf:
    """Tables and grid sources of one run, by name.

    Parameters
    ----------
    tables
        Tables the inputs give.
    rasters
        Grid sources the inputs give.
    raster_digests
        Digest of the files behind each of them.
    crs
        Working system.
    """

    def __init__(
        self,
        tables: Mapping[str, pd.DataFrame],
        rasters: Mapping[str, GridSource],
        raster_digests: Mapping[str, str],
        crs: CRS,
    ) -> None:
        self.crs = crs
        self.raster_digests = dict(raster_digests)
        self.entries: dict[str, list[Entry]] = {}
        self._tables = dict(tables)
        self._sources = dict(rasters)
        self._digests: dict[str, str] = {}
        self._window_digests: dict[tuple[str, Bounds], str] = {}
        wkt = crs.to_wkt()
        self._source_digests = {
            name: source_digest(raster_digests.get(name, ""), source.lattice, source.shape, wkt)
            for name, source in rasters.items()
        }

    def add(self, entries: Iterable[Entry]) -> None:
        """Add what a stage gave: one entry, or one a tile."""
        for entry in entries:
            for name in entry.digests:
                self.entries.setdefault(name, []).append(entry)

    def has(self, name: str) -> bool:
        """Say whether a table is at hand."""
        return name in self._tables or name in self.entries

    def table(self, name: str) -> pd.DataFrame:
        """Give a whole table; tiles are put together. A layer the user did not give has no rows."""
        if name not in self._tables:
            layer = promised(name)
            if name in self.entries:
                parts = [entry.table(name) for entry in self.entries[name]]
                self._tables[name] = put_together(parts, layer.key if layer else ())
            elif layer is not None:
                self._tables[name] = empty(layer, self.crs)
            else:
                raise KeyError(name)
        return self._tables[name]

    def digest(self, name: str) -> str:
        """Give the content digest of a table."""
        if name not in self._digests:
            if name in self.entries:
                kept = [entry.digests[name] for entry in self.entries[name]]
                self._digests[name] = kept[0] if len(kept) == 1 else text_digest(" ".join(kept))
            else:
                self._digests[name] = table_digest(self.table(name))
        return self._digests[name]

    def source(self, name: str) -> GridSource:
        """Give a grid source: an input's, or a stage's grid by memory map."""
        if name not in self._sources:
            self._sources[name] = ArraySource(self.entries[name][0].grid(name))
        return self._sources[name]

    def window_digest(self, name: str, frame: Bounds) -> str:
        """Give the digest of what decides a window of a grid source: its cells, or the files that reach into it."""
        key = (name, frame)
        if key not in self._window_digests:
            source = self.source(name)
            if isinstance(source, ArraySource):
                found = f"{grid_digest(source.window(frame))} {source.shape}"
            elif isinstance(source, DigestedSource):
                found = f"{source.window_digest(frame)} {self.crs.to_wkt()}"
            else:
                found = self.source_digest(name)
            self._window_digests[key] = text_digest(found)
        return self._window_digests[key]

    def source_digest(self, name: str) -> str:
        """Give the digest of a whole grid source."""
        if name not in self._source_digests:
            self._source_digests[name] = self.entries[name][0].digests[name]
        return self._source_digests[name]
