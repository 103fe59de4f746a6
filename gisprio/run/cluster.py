"""A crew of Dask workers: on other machines that see the same files, or started here. An optional part."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from typing import Any

from gisprio.contracts.cards import Stage
from gisprio.contracts.errors import MissingPart, RunError
from gisprio.run.crews import MOST_LOSSES, do_tile
from gisprio.run.making import Made, TileWork
from gisprio.run.orders import write_order
from gisprio.run.tiles import Tile

LOCAL = "local"
PATIENCE_S = 20
"""How long a scheduler may take to answer."""


class Cluster:
    """Workers of a Dask scheduler.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://10.0.0.5:8786``; or ``local``, which starts one with processes here.
    workers
        Processes to start where it is ``local``.

    Raises
    ------
    MissingPart
        Dask is not installed.

    Notes
    -----
    Jobs carry a tile and the paths of what is needed, never arrays, so every worker has to see the result folder and
    the layers under the same paths. A tile whose worker was lost is given to another one.
    """

    def __init__(self, address: str, workers: int) -> None:
        self._address = address
        self._workers = workers
        self._dask = dask_distributed()

    def ready(self, stages: Sequence[Stage]) -> AbstractContextManager[object]:
        """Do nothing: workers elsewhere are there already."""
        return nullcontext()

    def each(self, work: TileWork, tiles: Sequence[Tile]) -> Iterator[list[Made]]:
        """Give what each stage made of each tile, in the order of the tiles.

        Raises
        ------
        RunError
            The scheduler cannot be reached or went away, or workers were lost again and again.
        """
        order = write_order(work)
        with ExitStack() as open_ones:
            client = self._client(open_ones)
            jobs = [client.submit(do_tile, order, tile, pure=False, retries=MOST_LOSSES) for tile in tiles]
            for job, tile in zip(jobs, tiles, strict=True):
                try:
                    yield job.result()
                except self._dask.scheduler.KilledWorker:
                    raise self._gone(f"workers were lost again and again on tile {tile.name}") from None
                except (self._dask.CancelledError, asyncio.CancelledError, OSError) as error:
                    raise self._gone(f"the scheduler was lost ({type(error).__name__})") from error

    def _client(self, open_ones: ExitStack) -> Any:
        address: Any = self._address
        if address == LOCAL:
            address = open_ones.enter_context(
                self._dask.LocalCluster(
                    n_workers=self._workers, threads_per_worker=1, processes=True, dashboard_address=None
                )
            )
        try:
            return open_ones.enter_context(self._dask.Client(address, timeout=PATIENCE_S))
        except (OSError, ValueError) as error:
            raise self._gone("the scheduler does not answer") from error

    def _gone(self, what: str) -> RunError:
        return RunError(
            f"Dask, {self._address}: {what}. Tiles that were done are kept; earlier results are whole.",
            wanted="a scheduler whose workers stay, have this gisprio, and see the layers and the result folder.",
            do="look at the workers' logs and memory, then run again; or leave --scheduler out.",
        )


def dask_distributed() -> Any:
    """Import Dask's scheduler.

    Raises
    ------
    MissingPart
        It is not installed.
    """
    try:
        import distributed
        import distributed.scheduler
    except ImportError:
        raise MissingPart(
            "--scheduler: Dask is not installed.",
            wanted="the optional part gisprio[cluster].",
            do='pip install "gisprio[cluster]", or use --workers N, which needs nothing more.',
        ) from None
    return distributed
