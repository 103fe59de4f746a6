"""A whole run, beside reading its layers and writing its tables with nothing done between.

Measured: `gisprio.run(settings, fresh=True, workers=2)` on a made watershed, in a fresh process. Its core is all but
the products, of which only `ranked.gpkg` counts: reading and checking the layers, the stages with all that is kept of
them, the tables. Anchor: reading the same rasters whole (`rasterio.open(path, num_threads=2).read(1)`), the same vector
layers (`pyogrio.read_dataframe(path, use_arrow=True)`), writing the layers of `ranked.gpkg` and `stations.parquet`
again with pyogrio and pyarrow.

Goals: core at most 10 times the anchor; all products within 60 s and 2 GB at 5,000 reaches (9e6 cells of heights, 1e8
of land cover, 20,000 properties; `--large`). Else a tenth of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

from tests.benchmarks.fresh import Measured, gigabytes, in_own_process, timed
from tests.benchmarks.rows import Part, Row

if TYPE_CHECKING:
    from tests.benchmarks.session import Session

SMALL, LARGE = 500, 5_000
WORKERS = 2
TABLES = "ranked.gpkg"
GOAL_TIMES, GOAL_S, GOAL_GB = 10.0, 60.0, 2.0


class Clock:
    """Notes when each stage, and each product, began."""

    def __init__(self) -> None:
        self.began: dict[str, float] = {}
        self.products: list[float] = []

    def step(self, stage: str, done: int, total: int, seconds: float) -> None:
        """Note the time."""
        self.began.setdefault(stage, perf_counter())
        if stage == "products":
            self.products.append(perf_counter())

    def note(self, text: str) -> None:
        """Say nothing."""


def run_once(config: str, out: str, workers: int) -> Measured:
    """Run a world in this process; give times [s] and how much there was."""
    import gisprio
    from gisprio.products import PRODUCTS
    from gisprio.run.stages import STAGES

    clock = Clock()
    settings = gisprio.read_settings(config)
    began = perf_counter()
    record = gisprio.run(settings, out=out, fresh=True, workers=workers, progress=clock)
    ended = perf_counter()
    scopes = [stage.scope for stage in STAGES]
    first = scopes.index("piece")
    after = first + scopes[first:].index("whole")
    at = [product.file for product in PRODUCTS].index(TABLES)
    tables = clock.products[at + 1] - clock.products[at]
    products = clock.began["products"]
    return {
        "seconds": ended - began,
        "core_s": products - began + tables,
        "reading_s": clock.began[STAGES[0].name] - began,
        "stages_s": products - clock.began[STAGES[0].name],
        "pieces_s": clock.began[STAGES[after].name] - clock.began[STAGES[first].name],
        "products_s": ended - products,
        "reaches": record.counts["reaches"],
    }


def read_and_write(config: str, results: str, out: str) -> Measured:
    """Read the layers of a world and write the tables of a run on it, with nothing between."""
    import pyarrow.parquet
    import pyogrio
    import rasterio

    ranked, stations, target = Path(results, TABLES), Path(results, "stations.parquet"), Path(out)
    layers = {str(name): pyogrio.read_dataframe(ranked, layer=name) for name, _ in pyogrio.list_layers(ranked)}
    station_rows = pyarrow.parquet.read_table(stations)
    target.mkdir(parents=True, exist_ok=True)

    def work() -> None:
        for name in ("dem.tif", "cover.tif"):
            with rasterio.open(Path(config).parent / name, num_threads=2) as file:
                file.read(1)
        for name in ("streams.gpkg", "properties.gpkg", "watershed.gpkg"):
            pyogrio.read_dataframe(Path(config).parent / name, use_arrow=True)
        for name, layer in layers.items():
            pyogrio.write_dataframe(layer, target / TABLES, layer=name)
        pyarrow.parquet.write_table(station_rows, target / "stations.parquet")

    return {"seconds": timed(work)[0]}


def rows(session: Session) -> Sequence[Row]:
    """Measure a tenth of the size, or all of it."""
    size, turns = (LARGE, 1) if "whole_run" in session.large else (SMALL, 3)
    whole = min(session.runs(size, WORKERS, turns), key=lambda one: one["core_s"])
    results = session.folder / f"results_{size}_{WORKERS}"
    bare = min(
        in_own_process(
            "whole_run:read_and_write",
            config=str(session.world(size)),
            results=str(results),
            out=str(session.folder / f"bare_{turn}"),
        )["seconds"]
        for turn in range(3)
    )
    session.say(f"  {whole}")
    about = f"{whole['reaches']:,} reaches"
    goal_s, goal_gb = (GOAL_S, GOAL_GB) if size == LARGE else (None, None)
    return [
        Row(
            f"core of a whole run, {about}, 2 workers",
            whole["core_s"] / bare,
            f"its layers read, its tables written by rasterio and pyogrio: {whole['core_s']:.1f} against {bare:.2f} s",
            GOAL_TIMES,
        ),
        Row(f"the same with all products, {about}", whole["seconds"], "wall time", goal_s, "s"),
        Row(f"memory of it, {about}", gigabytes(whole["peak_mb"]), "VmHWM of three processes, summed", goal_gb, "GB"),
    ]


PART = Part("whole_run", rows)
