"""Runs the stages of a table in order: whole ones once, piece ones tile by tile, and keeps what they give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Protocol

import geopandas as gpd
import pandas as pd

from gisprio.contracts.cards import Stage
from gisprio.contracts.findings import Finding
from gisprio.run.crews import Crew
from gisprio.run.fingerprints import Parts, joined
from gisprio.run.making import Made, Maker, TileWork
from gisprio.run.pieces import Surroundings, grid_width, halo_width
from gisprio.run.stages import STATION_TABLE, needs_compiling
from gisprio.run.store import Entry
from gisprio.run.tiles import lay_tiles


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

    def add(self, made: Made) -> None:
        """Count a piece."""
        self.ran += made.ran
        self.kept += not made.ran
        self.seconds += made.seconds


@dataclass(frozen=True, slots=True)
class Chain:
    """Takes tables through the stages.

    Parameters
    ----------
    maker
        What stages are run with.
    crew
        Who takes tiles through the piece stages.
    progress
        Whoever watches.
    stations
        Gets the station results of each tile in turn.
    """

    maker: Maker
    crew: Crew
    progress: Progress
    stations: Callable[[pd.DataFrame], None]

    def run(self, stages: Sequence[Stage]) -> tuple[list[StageRun], list[Finding]]:
        """Run the stages in order; give how each went and what they noticed.

        Raises
        ------
        ContractError
            A stage broke its promise.
        RunError
            Workers were lost again and again.
        """
        runs: list[StageRun] = []
        with self.crew.ready([stage for stage in stages if stage.scope == "piece"]):
            for scope, some in groupby(stages, key=lambda stage: stage.scope):
                listed = tuple(some)
                runs += self._run_pieces(listed) if scope == "piece" else [self._run_whole(stage) for stage in listed]
        return runs, [finding for entry in self.entries() for finding in entry.findings]

    def entries(self) -> list[Entry]:
        """Give every entry this run made or kept, once."""
        return list({entry.folder: entry for kept in self.maker.shelf.entries.values() for entry in kept}.values())

    def _run_whole(self, stage: Stage) -> StageRun:
        self.progress.step(stage.name, 0, 1, 0.0)

        def say() -> None:
            if needs_compiling(stage):
                self.progress.note("Compiling the routing kernels, once on this machine ...")

        made = self.maker.whole(stage, say)
        self.maker.shelf.add([made.entry])
        run = StageRun(stage.name, stage.scope, parts=made.parts)
        run.add(made)
        self.progress.step(stage.name, 1, 1, run.seconds)
        return run

    def _run_pieces(self, stages: tuple[Stage, ...]) -> list[StageRun]:
        segments = self.maker.shelf.table("segments")
        assert isinstance(segments, gpd.GeoDataFrame)
        tiles = lay_tiles(segments, self.maker.settings.run.tile_m)
        work = TileWork(self.maker, stages, Surroundings(segments, *self._widths()))
        runs = [StageRun(stage.name, stage.scope) for stage in stages]
        tile_parts: list[list[Parts]] = [[] for _ in stages]
        entries: list[Entry] = []
        for run in runs:
            self.progress.step(run.name, 0, len(tiles), 0.0)
        for number, made in enumerate(self.crew.each(work, tiles)):
            for run, parts, each in zip(runs, tile_parts, made, strict=True):
                run.add(each)
                parts.append(each.parts)
                entries.append(each.entry)
                self.progress.step(run.name, number + 1, len(tiles), run.seconds)
                if STATION_TABLE in each.entry.digests:
                    self.stations(each.entry.table(STATION_TABLE))
        for run, parts in zip(runs, tile_parts, strict=True):
            run.parts = joined(parts)
        self.maker.shelf.add(entries)
        return runs

    def _widths(self) -> tuple[float, float]:
        """Give how far a tile sees, on tables and on grids [m]."""
        shelf = self.maker.shelf
        reaches = shelf.table("reach_measures") if shelf.has("reach_measures") else None
        cell_m = shelf.source("elevation").lattice.cell_m if "elevation" in shelf.entries else 0.0
        settings = self.maker.settings
        return halo_width(settings, reaches, cell_m), grid_width(settings, reaches, cell_m)
