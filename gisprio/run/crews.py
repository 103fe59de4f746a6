"""Crews: who takes tiles through the piece stages. This process alone, processes of its own, or a cluster."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager, nullcontext
from typing import Protocol

from gisprio.compute.terrain.cells import THREADS, threads_at_hand
from gisprio.contracts.cards import Stage
from gisprio.contracts.errors import RunError
from gisprio.run.making import Made, TileWork
from gisprio.run.orders import Order, work_of, write_order
from gisprio.run.stages import stage_function
from gisprio.run.tiles import Tile

MOST_LOSSES = 3
"""Workers that may be lost while not one tile gets done."""


class Crew(Protocol):
    """Takes tiles through the piece stages, and gives what came out in the order of the tiles."""

    def ready(self, stages: Sequence[Stage]) -> AbstractContextManager[object]:
        """Get ready for tiles of some piece stages while the run goes on; what waits in vain is ended."""
        ...

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

    def ready(self, stages: Sequence[Stage]) -> AbstractContextManager[object]:
        """Do nothing."""
        return nullcontext()

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
    Processes, not threads: the piece stages spend their time in pandas and numpy code that holds Python's lock. On the
    sample in 17 tiles two threads took 200 s where one took 248 s, both side by side on a busy machine with two
    processors, which gives two threads the larger share: 1.24 times at most. What does let go of the lock, kernels and
    cuts of polygons, has threads of its own inside the stages. Processes are spawned, so that none inherits a half-used
    GDAL, and they share no GDAL dataset. A job is a tile's number; what a stage makes of it goes to the store, and its
    place there comes back.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._waiting: ProcessPoolExecutor | None = None

    @contextmanager
    def ready(self, stages: Sequence[Stage]) -> Iterator[None]:
        """Start the workers, so that they import what they need while the process itself runs the first stages."""
        self._waiting = self._pool(self._workers)
        with few_threads(self._workers), interrupts_later():
            for _ in range(self._workers):
                self._waiting.submit(import_stages, tuple(stages))
        try:
            yield
        finally:
            if self._waiting is not None:
                stop(self._waiting, finished=False)
                self._waiting = None

    def each(self, work: TileWork, tiles: Sequence[Tile]) -> Iterator[list[Made]]:
        """Give what each stage made of each tile; what a lost worker had begun is begun again."""
        order = write_order(work)
        done, losses = 0, 0
        while done < len(tiles):
            pool = self._waiting or self._pool(min(self._workers, len(tiles) - done))
            self._waiting = None
            begun = done
            jobs: list[Future[list[Made]]] = []
            try:
                with few_threads(self._workers), interrupts_later():
                    jobs += [pool.submit(do_tile, order, tile) for tile in tiles[done:]]
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
        return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), start_worker)


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


def import_stages(stages: Sequence[Stage]) -> None:
    """Import what some stages need, in a worker."""
    for stage in stages:
        stage_function(stage)


@contextmanager
def few_threads(workers: int) -> Iterator[None]:
    """Let processes that are started meanwhile share the threads of this one."""
    before = os.environ.get(THREADS)
    os.environ[THREADS] = str(max(1, threads_at_hand() // workers))
    try:
        yield
    finally:
        if before is None:
            del os.environ[THREADS]
        else:
            os.environ[THREADS] = before


def start_worker() -> None:
    """Let the first process alone hear of Ctrl-C, for it ends the workers; end when it is gone, also if killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_first, daemon=True).start()


def _end_with_first() -> None:
    first = multiprocessing.parent_process()
    if first is not None:
        first.join()
        os._exit(1)


@contextmanager
def interrupts_later() -> Iterator[None]:
    """Hold Ctrl-C back while workers are started: they would hear it before they know that it is not for them."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
