"""Crews: who takes tiles through the piece stages. This process alone, processes of its own, or a cluster."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Protocol

from gisprio.contracts.errors import RunError
from gisprio.run.making import Made, TileWork
from gisprio.run.orders import Order, work_of, write_order
from gisprio.run.tiles import Tile

MOST_LOSSES = 3
"""Workers that may be lost while not one tile gets done."""


class Crew(Protocol):
    """Takes tiles through the piece stages, and gives what came out in the order of the tiles."""

    def each(self, work: TileWork, tiles: Sequence[Tile]) -> Iterator[list[Made]]:
        """Give what each stage made of each tile.

        Raises
        ------
        ContractError
            A stage broke its promise.
        RunError
            Workers were lost again and again.
        """
        ...


class Alone:
    """Does all the work in the process itself."""

    def each(self, work: TileWork, tiles: Sequence[Tile]) -> Iterator[list[Made]]:
        """Give what each stage made of each tile, one after another."""
        return (work.on(tile) for tile in tiles)


class Processes:
    """Processes of this program, on this machine.

    Parameters
    ----------
    workers
        How many.

    Notes
    -----
    Processes, not threads: the piece stages spend their time in pandas and numpy code that holds Python's lock. They
    are spawned, so that none inherits a half-used GDAL, and they share no GDAL dataset. A job is a tile's number;
    what a stage makes of it goes to the store, and its place there comes back.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers

    def each(self, work: TileWork, tiles: Sequence[Tile]) -> Iterator[list[Made]]:
        """Give what each stage made of each tile; what a lost worker had begun is begun again."""
        order = write_order(work)
        done, losses = 0, 0
        while done < len(tiles):
            pool = self._pool(min(self._workers, len(tiles) - done))
            begun = done
            jobs = [pool.submit(do_tile, order, tile) for tile in tiles[done:]]
            try:
                for job in jobs:
                    made = job.result()
                    done += 1
                    yield made
            except BrokenProcessPool:
                losses = losses + 1 if done == begun else 1
                if losses >= MOST_LOSSES:
                    raise lost(losses, tiles[done]) from None
            finally:
                stop(pool, finished=done == len(tiles))

    def _pool(self, workers: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), leave_interrupts)


def crew_of(workers: int, scheduler: str | None) -> Crew:
    """Give the crew that a run asks for.

    Raises
    ------
    MissingPart
        A scheduler is asked for, and Dask is not installed.
    """
    if scheduler is not None:
        from gisprio.run.cluster import Cluster

        return Cluster(scheduler, workers)
    return Processes(workers) if workers > 1 else Alone()


def do_tile(order: Order, tile: Tile) -> list[Made]:
    """Take a tile through the piece stages, in a worker."""
    return work_of(order).on(tile)


def leave_interrupts() -> None:
    """Let the first process alone hear of Ctrl-C: it ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def stop(pool: ProcessPoolExecutor, *, finished: bool) -> None:
    """End the workers of a pool, at once where there is work left that nobody waits for."""
    processes = list((pool._processes or {}).values())
    pool.shutdown(wait=finished, cancel_futures=True)
    if not finished:
        for process in processes:
            process.terminate()


def lost(losses: int, tile: Tile) -> RunError:
    """Word that workers were lost while one tile was under way."""
    return RunError(
        f"{losses} worker processes in a row ended by themselves while they worked on tile {tile.name}.",
        wanted="workers that stay until their tiles are done.",
        do="look whether the machine ran short of memory; use fewer --workers, or a smaller [run] tile_m.",
    )
