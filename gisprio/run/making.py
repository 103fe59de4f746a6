"""Makes what stages give: runs a stage, on the whole or on a tile, or takes what an earlier run kept of it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from time import perf_counter
from typing import Any

import pandas as pd

from gisprio.contracts.cards import Stage
from gisprio.contracts.digests import table_digest
from gisprio.contracts.grids import FramedSource
from gisprio.contracts.settings import Settings
from gisprio.run.compiling import compiled_once
from gisprio.run.fingerprints import Parts, key_of, section_digests
from gisprio.run.pieces import Surroundings, core_rows
from gisprio.run.promises import held_to_promise
from gisprio.run.shelf import Shelf
from gisprio.run.stages import stage_function
from gisprio.run.store import Entry, Store
from gisprio.run.tiles import Tile


@dataclass(frozen=True, slots=True)
class Made:
    """What a stage gave on the whole or on a tile.

    Parameters
    ----------
    entry
        Where it is kept.
    parts
        What it was made from.
    ran
        Whether it ran now, or was kept from before.
    seconds
        Time it took now.
    """

    entry: Entry
    parts: Parts
    ran: bool
    seconds: float


class TileTables:
    """Tables of one tile: cut out of whole tables or made on it, each cut, read and digested once.

    Parameters
    ----------
    shelf
        Whole tables.
    tile
        The tile.
    around
        Finds what is near it.

    Notes
    -----
    What is handed out is a shallow copy: a column that a stage adds to it is seen by that stage alone.
    """

    def __init__(self, shelf: Shelf, tile: Tile, around: Surroundings) -> None:
        self.frame = around.frame(tile)
        self._shelf, self._tile, self._around = shelf, tile, around
        self._made: dict[str, Entry] = {}
        self._frames: dict[tuple[str, str], pd.DataFrame] = {}
        self._digests: dict[tuple[str, str], str] = {}

    def add(self, entry: Entry) -> None:
        """Add what a stage gave on the tile."""
        self._made.update(dict.fromkeys(entry.digests, entry))

    def forget_all_but(self, names: Collection[str]) -> None:
        """Let go of the tables that no later stage reads."""
        self._frames = {key: frame for key, frame in self._frames.items() if key[1] in names}

    def core(self, name: str) -> pd.DataFrame:
        """Give the rows of a table that belong to the tile."""
        return self._once(("core", name), self._core).copy(deep=False)

    def halo(self, name: str) -> pd.DataFrame:
        """Give the rows of a whole table near the tile."""
        return self._once(("halo", name), self._halo).copy(deep=False)

    def core_digest(self, name: str) -> str:
        """Give the digest of the rows that belong to the tile."""
        return self._made[name].digests[name] if name in self._made else self._digest(("core", name), self._core)

    def halo_digest(self, name: str) -> str:
        """Give the digest of the rows near the tile."""
        return self._digest(("halo", name), self._halo)

    def _core(self, name: str) -> pd.DataFrame:
        if name in self._made:
            return self._made[name].table(name)
        reaches = self._shelf.table("reach_measures") if self._shelf.has("reach_measures") else None
        return core_rows(name, self._shelf.table(name), self._tile, reaches)

    def _halo(self, name: str) -> pd.DataFrame:
        return self._around.rows(name, self._shelf.table(name), self._tile)

    def _once(self, key: tuple[str, str], make: Callable[[str], pd.DataFrame]) -> pd.DataFrame:
        if key not in self._frames:
            self._frames[key] = make(key[1])
        return self._frames[key]

    def _digest(self, key: tuple[str, str], make: Callable[[str], pd.DataFrame]) -> str:
        if key not in self._digests:
            self._digests[key] = table_digest(self._once(key, make))
        return self._digests[key]


@dataclass(frozen=True, slots=True)
class Maker:
    """What stages are run with.

    Parameters
    ----------
    settings
        Settings of the run.
    store
        Where outcomes are kept.
    shelf
        Tables and grids at hand.
    code
        Digest of the code that each stage can reach.
    libraries
        Digest of the versions of the libraries.
    fresh
        Take nothing from the store.
    """

    settings: Settings
    store: Store
    shelf: Shelf
    code: Mapping[str, str]
    libraries: str
    fresh: bool

    def whole(self, stage: Stage, before_it_runs: Callable[[], None]) -> Made:
        """Make what a whole stage gives.

        Raises
        ------
        ContractError
            The stage broke its promise.
        """
        names = stage.reads + stage.as_is
        digests = {f"table {name}": self.shelf.digest(name) for name in names}
        digests |= {f"source {name}": self.shelf.source_digest(name) for name in stage.sources}
        parts = self._parts(stage, digests)

        def call() -> dict[str, Any]:
            before_it_runs()
            tables = {name: self.shelf.table(name) for name in names}
            sources = {name: self.shelf.source(name) for name in stage.sources}
            return stage_function(stage)(tables, sources, self.settings.part(stage.sections))

        return self._kept_or_run(stage, parts, call)

    def piece(self, stage: Stage, tables: TileTables) -> Made:
        """Make what a piece stage gives on a tile.

        Raises
        ------
        ContractError
            The stage broke its promise.
        """
        digests = {f"table {name}": tables.core_digest(name) for name in stage.reads}
        digests |= {f"table {name}": self.shelf.digest(name) for name in stage.as_is}
        digests |= {f"halo {name}": tables.halo_digest(name) for name in stage.halo}

        def call() -> dict[str, Any]:
            core = {name: tables.core(name) for name in stage.reads}
            halo = {name: tables.halo(name) for name in stage.halo}
            halo |= {name: self.shelf.table(name) for name in stage.as_is}
            sources = {name: FramedSource(self.shelf.source(name), tables.frame) for name in stage.sources}
            return stage_function(stage)(core, halo, sources, self.settings.part(stage.sections))

        digests |= {f"source {name}": self.shelf.window_digest(name, tables.frame) for name in stage.sources}
        return self._kept_or_run(stage, self._parts(stage, digests), call)

    def _kept_or_run(self, stage: Stage, parts: Parts, call: Callable[[], dict[str, Any]]) -> Made:
        began = perf_counter()
        key = key_of(stage.name, parts)
        entry = None if self.fresh else self.store.find(stage.name, key)
        ran = entry is None
        if entry is None:
            with compiled_once(stage):
                given = call()
            outcome, findings = held_to_promise(stage, given, self.shelf.crs, self.settings)
            entry = self.store.keep(stage.name, key, outcome, findings, perf_counter() - began)
        return Made(entry, parts, ran, perf_counter() - began)

    def _parts(self, stage: Stage, digests: Parts) -> Parts:
        made_by = {"code": self.code[stage.name], "libraries": self.libraries}
        return {**made_by, **section_digests(self.settings, stage.sections), **digests}


@dataclass(frozen=True, slots=True)
class TileWork:
    """Takes a tile through the piece stages, all of them before the next tile, so that little is held at a time.

    Parameters
    ----------
    maker
        What stages are run with.
    stages
        The piece stages, in order.
    around
        Finds what is near a tile.
    """

    maker: Maker
    stages: tuple[Stage, ...]
    around: Surroundings

    def on(self, tile: Tile) -> list[Made]:
        """Give what each stage made of a tile, in order.

        Raises
        ------
        ContractError
            A stage broke its promise.
        """
        tables = TileTables(self.maker.shelf, tile, self.around)
        made: list[Made] = []
        for stage, later in zip(self.stages, self._read_later(), strict=True):
            made.append(self.maker.piece(stage, tables))
            tables.add(made[-1].entry)
            tables.forget_all_but(later)
        return made

    def _read_later(self) -> list[set[str]]:
        """Name the tables that stages after each stage read."""
        readers = [{*stage.reads, *stage.halo} for stage in self.stages]
        return [set().union(*readers[place:]) for place in range(1, len(readers) + 1)]
