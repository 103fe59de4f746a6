"""Runs the stages of a table in order: whole ones once, piece ones tile by tile, and keeps what they give."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from time import perf_counter
from typing import Any, Protocol

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from gisprio.contracts.cards import Stage
from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import ContractError
from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.grids import Grid
from gisprio.contracts.schema import check
from gisprio.contracts.settings import Settings
from gisprio.run.fingerprints import Parts, joined, key_of, section_digests
from gisprio.run.pieces import Surroundings, core_rows, halo_width
from gisprio.run.shelf import Shelf
from gisprio.run.stages import STATION_TABLE, needs_compiling, promised, stage_function
from gisprio.run.store import Entry, Store
from gisprio.run.tiles import Tile, lay_tiles


class Progress(Protocol):
    """Whoever watches a run."""

    def step(self, stage: str, done: int, total: int, seconds: float) -> None:
        """Say that ``done`` of ``total`` pieces of a stage are through after so much work; first 0 of them."""
        ...

    def note(self, text: str) -> None:
        """Say something in one line."""
        ...


@dataclass(slots=True)
class StageRun:
    """How one stage went: how many pieces ran, how many were kept from before, what it was made from.

    Parameters
    ----------
    name, scope
        Of the stage table.
    ran, kept
        Pieces that ran now, and pieces taken from the store; a whole stage is one piece.
    seconds
        Time it took in this run.
    parts
        Digests of what it was made from, tiles put together.
    """

    name: str
    scope: str
    ran: int = 0
    kept: int = 0
    seconds: float = 0.0
    parts: Parts = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chain:
    """What the stages need besides tables.

    Parameters
    ----------
    settings
        Settings of the run.
    store
        Where outcomes are kept.
    shelf
        Tables and grids at hand; stages add theirs.
    code
        Digest of gisprio's code.
    fresh
        Take nothing from the store.
    progress
        Whoever watches.
    stations
        Gets the station results of each tile in turn.
    """

    settings: Settings
    store: Store
    shelf: Shelf
    code: str
    fresh: bool
    progress: Progress
    stations: Callable[[pd.DataFrame], None]

    def run(self, stages: Sequence[Stage]) -> tuple[list[StageRun], list[Finding]]:
        """Run the stages in order; give how each went and what they noticed.

        Raises
        ------
        ContractError
            A stage broke its promise.
        """
        runs: list[StageRun] = []
        for scope, some in groupby(stages, key=lambda stage: stage.scope):
            listed = list(some)
            runs += self._run_pieces(listed) if scope == "piece" else [self._run_whole(stage) for stage in listed]
        return runs, [finding for entry in self.entries() for finding in entry.findings]

    def entries(self) -> list[Entry]:
        """Give every entry this run made or kept, once."""
        return list({entry.folder: entry for kept in self.shelf.entries.values() for entry in kept}.values())

    def _run_whole(self, stage: Stage) -> StageRun:
        self.progress.step(stage.name, 0, 1, 0.0)
        parts = self._parts(stage, {f"table {name}": self.shelf.digest(name) for name in stage.reads + stage.as_is})
        run = StageRun(stage.name, stage.scope, parts=parts)

        def call() -> dict[str, Any]:
            tables = {name: self.shelf.table(name) for name in stage.reads + stage.as_is}
            return stage_function(stage)(tables, self._sources(stage), self.settings.part(stage.sections))

        self.shelf.add([self._kept_or_run(stage, parts, call, run)])
        self.progress.step(stage.name, 1, 1, run.seconds)
        return run

    def _run_pieces(self, stages: list[Stage]) -> list[StageRun]:
        """Take each tile through all of these stages before the next, so that little is held at a time."""
        segments = self.shelf.table("segments")
        assert isinstance(segments, gpd.GeoDataFrame)
        tiles = lay_tiles(segments, self.settings.run.tile_m)
        around = Surroundings(segments, self._halo_width())
        runs = {stage.name: StageRun(stage.name, stage.scope) for stage in stages}
        tile_parts: dict[str, list[Parts]] = {stage.name: [] for stage in stages}
        entries: list[Entry] = []
        for stage in stages:
            self.progress.step(stage.name, 0, len(tiles), 0.0)
        for number, tile in enumerate(tiles):
            made: dict[str, Entry] = {}
            for stage in stages:
                entry, parts = self._run_piece(stage, tile, around, made, runs[stage.name])
                tile_parts[stage.name].append(parts)
                made.update(dict.fromkeys(entry.digests, entry))
                entries.append(entry)
                self.progress.step(stage.name, number + 1, len(tiles), runs[stage.name].seconds)
            if STATION_TABLE in made:
                self.stations(made[STATION_TABLE].table(STATION_TABLE))
        for name, run in runs.items():
            run.parts = joined(tile_parts[name])
        self.shelf.add(entries)
        return list(runs.values())

    def _run_piece(
        self, stage: Stage, tile: Tile, around: Surroundings, made: Mapping[str, Entry], run: StageRun
    ) -> tuple[Entry, Parts]:
        reaches = self.shelf.table("reach_measures") if self.shelf.has("reach_measures") else None
        ready = {
            name: core_rows(name, self.shelf.table(name), tile, reaches) for name in stage.reads if name not in made
        }
        near = {name: around.rows(name, self.shelf.table(name), tile) for name in stage.halo}
        digests = {f"table {name}": made[name].digests[name] for name in stage.reads if name in made}
        digests |= {f"table {name}": table_digest(frame) for name, frame in ready.items()}
        digests |= {f"table {name}": self.shelf.digest(name) for name in stage.as_is}
        digests |= {f"halo {name}": table_digest(frame) for name, frame in near.items()}
        parts = self._parts(stage, digests)

        def call() -> dict[str, Any]:
            core = {name: made[name].table(name) if name in made else ready[name] for name in stage.reads}
            halo = near | {name: self.shelf.table(name) for name in stage.as_is}
            return stage_function(stage)(core, halo, self._sources(stage), self.settings.part(stage.sections))

        return self._kept_or_run(stage, parts, call, run), parts

    def _kept_or_run(self, stage: Stage, parts: Parts, call: Callable[[], dict[str, Any]], run: StageRun) -> Entry:
        began = perf_counter()
        key = key_of(stage.name, parts)
        entry = None if self.fresh else self.store.find(stage.name, key)
        if entry is not None:
            run.kept += 1
        else:
            if needs_compiling(stage):
                self.progress.note("Compiling the routing kernels, once on this machine ...")
            outcome, findings = held_to_promise(stage, call(), self.shelf.crs, self.settings)
            entry = self.store.keep(stage.name, key, outcome, findings, perf_counter() - began)
            run.ran += 1
        run.seconds += perf_counter() - began
        return entry

    def _parts(self, stage: Stage, digests: Parts) -> Parts:
        sources = {f"source {name}": self.shelf.source_digest(name) for name in stage.sources}
        return {"code": self.code, **section_digests(self.settings, stage.sections), **digests, **sources}

    def _sources(self, stage: Stage) -> dict[str, Any]:
        return {name: self.shelf.source(name) for name in stage.sources}

    def _halo_width(self) -> float:
        reaches = self.shelf.table("reach_measures") if self.shelf.has("reach_measures") else None
        cell_m = self.shelf.source("elevation").lattice.cell_m if "elevation" in self.shelf.entries else 0.0
        return halo_width(self.settings, reaches, cell_m)


def held_to_promise(
    stage: Stage, given: Mapping[str, Any], crs: CRS, settings: Settings | None = None
) -> tuple[dict[str, pd.DataFrame | Grid], list[Finding]]:
    """Hold what a stage gave to the stage table and to the layers; take the findings out.

    Parameters
    ----------
    stage
        The stage.
    given
        Its tables and grids; ``findings`` may be among them.
    crs
        Working system.
    settings
        Settings of the run, for the columns of the user's own factors.

    Returns
    -------
    tables and grids, checked, with a plain index; findings

    Raises
    ------
    ContractError
        Names are missing or were not promised, or a table breaks its layer.
    """
    names = set(given) - {"findings"}
    if names != set(stage.writes):
        raise ContractError(
            f"stage {stage.name} gave {_named(names)}, not {_named(stage.writes)}.",
            wanted="what run/stages.py says it writes.",
            do="report this as a fault of gisprio, with run.log.",
        )
    outcome: dict[str, pd.DataFrame | Grid] = {}
    for name in stage.writes:
        value = given[name]
        if isinstance(value, Grid):
            outcome[name] = value
            continue
        layer = promised(name, settings)
        frame = (check(layer, value) if layer else value).reset_index(drop=True)
        outcome[name] = frame.set_crs(crs, allow_override=True) if isinstance(frame, gpd.GeoDataFrame) else frame
    noticed = given.get("findings")
    if noticed is None:
        return outcome, []
    return outcome, findings_from(noticed) if isinstance(noticed, pd.DataFrame) else list(noticed)


def _named(names: Iterable[str]) -> str:
    return ", ".join(sorted(names)) or "nothing"
