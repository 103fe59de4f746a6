"""Makes what stages give: runs a stage, on the whole or on a tile, or takes what an earlier run kept of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from time import perf_counter
from typing import Any

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

    def piece(self, stage: Stage, tile: Tile, around: Surroundings, made: Mapping[str, Entry]) -> Made:
        """Make what a piece stage gives on a tile; ``made`` holds what earlier stages gave on it, by table.

        Raises
        ------
        ContractError
            The stage broke its promise.
        """
        reaches = self.shelf.table("reach_measures") if self.shelf.has("reach_measures") else None
        ready = {
            name: core_rows(name, self.shelf.table(name), tile, reaches) for name in stage.reads if name not in made
        }
        near = {name: around.rows(name, self.shelf.table(name), tile) for name in stage.halo}
        digests = {f"table {name}": made[name].digests[name] for name in stage.reads if name in made}
        digests |= {f"table {name}": table_digest(frame) for name, frame in ready.items()}
        digests |= {f"table {name}": self.shelf.digest(name) for name in stage.as_is}
        digests |= {f"halo {name}": table_digest(frame) for name, frame in near.items()}

        def call() -> dict[str, Any]:
            core = {name: made[name].table(name) if name in made else ready[name] for name in stage.reads}
            halo = near | {name: self.shelf.table(name) for name in stage.as_is}
            sources = {name: FramedSource(self.shelf.source(name), frame) for name in stage.sources}
            return stage_function(stage)(core, halo, sources, self.settings.part(stage.sections))

        frame = around.frame(tile)
        digests |= {f"source {name}": self.shelf.window_digest(name, frame) for name in stage.sources}
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
        tables: dict[str, Entry] = {}
        made: list[Made] = []
        for stage in self.stages:
            made.append(self.maker.piece(stage, tile, self.around, tables))
            tables.update(dict.fromkeys(made[-1].entry.digests, made[-1].entry))
        return made
