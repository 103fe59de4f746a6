"""A run from settings to published results."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from time import perf_counter
from typing import Any, Protocol

import pandas as pd
from pyproj import CRS

from gisprio.contracts.cards import Product, Results, Stage, write_function
from gisprio.contracts.errors import ContractError, InputError
from gisprio.contracts.findings import Finding, findings_from, findings_table
from gisprio.contracts.grids import GridSource
from gisprio.contracts.pictures import ImageSource
from gisprio.contracts.settings import Settings
from gisprio.products import PRODUCTS
from gisprio.products.stations import StationWriter
from gisprio.run.budget import budget, is_unchanged
from gisprio.run.chain import Chain, Progress, StageRun
from gisprio.run.code import stage_digests
from gisprio.run.crews import Alone, Crew, crew_of
from gisprio.run.fingerprints import libraries_digest
from gisprio.run.known import chosen_references
from gisprio.run.lock import locked
from gisprio.run.making import Maker
from gisprio.run.places import machine_faults, make_results_folder, results_folder
from gisprio.run.publish import RECORD, digests_of, finish_publishing, new_folder, new_place, publish
from gisprio.run.record import (
    RunRecord,
    counts_of,
    findings_count,
    layer_rows,
    log_text,
    now,
    parts_before,
    references_of,
    settings_as_config,
    stage_rows,
    table_rows,
)
from gisprio.run.shelf import Shelf
from gisprio.run.stages import RESULT_TABLES, STAGES, STATION_TABLE, promised, with_own_layers, with_work
from gisprio.run.still import StillFiles
from gisprio.run.store import CONFIG_PLACE, STORE, Store, read_json, write_json

STATIONS = "stations.parquet"
LOG = "run.log"
SMALL_TABLES = ("factors", "robustness", "sensitivity", "visit_agreement")
"""Tables of a few rows that go with the results and into run.json."""


class Given(Protocol):
    """Inputs as the run floor needs them."""

    @property
    def crs(self) -> Any:
        """The working system."""
        ...

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Layers by name."""
        ...

    @property
    def rasters(self) -> Mapping[str, GridSource]:
        """Grid sources by name."""
        ...

    @property
    def findings(self) -> Sequence[Finding]:
        """What was noticed while reading."""
        ...

    @property
    def digests(self) -> Mapping[str, str]:
        """Digest of each layer."""
        ...

    @property
    def image(self) -> ImageSource | None:
        """Image of the ground."""
        ...


class Unwatched:
    """A :class:`Progress` that says nothing."""

    def step(self, stage: str, done: int, total: int, seconds: float) -> None:
        """Say nothing."""

    def note(self, text: str) -> None:
        """Say nothing."""


def run(
    settings: Settings,
    *,
    out: str | Path | None = None,
    fresh: bool = False,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> RunRecord:
    """Read the layers, run the whole chain, publish the results.

    Parameters
    ----------
    settings
        From :func:`gisprio.read_settings`.
    out
        Folder for the results; ``[run] output`` when absent.
    fresh
        Compute everything again, whatever an earlier run left.
    workers
        Processes that share the work on tiles; with 1 this process does all of it.
    scheduler
        Address of a Dask scheduler whose workers do that, or "local" to start one with ``workers`` processes.
    progress
        Whoever watches.

    Returns
    -------
    RunRecord
        Of the finished run; ``gisprio.open_results(record.folder)`` gives the layers.

    Raises
    ------
    SettingsError, InputError
        The settings, the layers or the output place are wrong; earlier results are whole.
    MissingPart
        A scheduler was asked for, and Dask is not installed.
    RunError
        The machine gave out; earlier results are whole.
    """
    from gisprio.compute.scoring.weights import with_judged_weights
    from gisprio.inputs.checks import check_inputs
    from gisprio.inputs.project import read_inputs
    from gisprio.run.unchanged import marks_now, record_if_unchanged

    started = now()
    crew = crew_of(workers, scheduler)
    settings = with_judged_weights(settings)
    folder = results_folder(settings, out)
    if folder.exists():
        finish_publishing(folder)
    with machine_faults(nearest(folder)), StillFiles(settings) as files:
        marks = marks_now(settings)
        record = None if fresh else record_if_unchanged(folder, marks, started)
        if record is not None:
            return record
        inputs = read_inputs(settings, None if fresh else folder / STORE / "index", (progress or Unwatched()).note)
        with closing(inputs):
            findings = [*inputs.findings, *check_inputs(inputs, settings)]
            refuse_errors(findings)
            make_results_folder(folder)
            inputs.remember()
            job = Job(
                inputs=inputs,
                settings=settings,
                folder=folder,
                findings=tuple(findings),
                references=chosen_references(settings),
                fresh=fresh,
                progress=progress or Unwatched(),
                crew=crew,
                workers=workers,
                started=started,
                stages=with_work(with_own_layers(STAGES, inputs.tables, inputs.rasters), settings),
                files=files,
            )
            record = run_job(job)
            if marks is not None:
                marks.keep(folder, [*record.files, RECORD])
            write_json(folder / STORE / CONFIG_PLACE, {"folder": str(settings.folder.resolve())})
            return record


@dataclass(frozen=True, slots=True)
class Job:
    """Everything a run is made from.

    Parameters
    ----------
    inputs
        What was read.
    settings
        Settings of the run.
    folder
        The results folder.
    findings
        Of reading and checking.
    references
        Keys of sources besides those of the factors.
    fresh
        Take nothing from the store.
    progress
        Whoever watches.
    crew
        Who takes tiles through the piece stages.
    workers
        How many that are on this machine.
    started
        When the run began.
    stages
        The stage table.
    products
        What is written from the results.
    files
        Looks whether the files of the layers stay as they are; None where the inputs are of no files.
    """

    inputs: Given
    settings: Settings
    folder: Path
    findings: tuple[Finding, ...] = ()
    references: tuple[str, ...] = ()
    fresh: bool = False
    progress: Progress = Unwatched()  # noqa: RUF009 - it holds nothing
    crew: Crew = Alone()  # noqa: RUF009 - it holds nothing
    workers: int = 1
    started: str = ""
    stages: tuple[Stage, ...] = STAGES
    products: tuple[Product, ...] = PRODUCTS
    files: StillFiles | None = None


def run_job(job: Job) -> RunRecord:
    """Run a job under the lock of its folder, and publish what comes out.

    Raises
    ------
    InputError
        Another run holds the folder, a file that is not gisprio's stands where a result goes, or a layer changed.
    RunError
        The machine gave out.
    """
    make_results_folder(job.folder)
    notes: list[str] = []
    with machine_faults(job.folder), locked(job.folder, notes):
        for note in notes:
            job.progress.note(note)
        new = new_folder(job.folder)
        refuse_foreign(job.folder, [STATIONS, *(product.file for product in job.products), LOG, RECORD])
        crs = CRS.from_user_input(job.inputs.crs)
        shelf = Shelf(job.inputs.tables, job.inputs.rasters, job.inputs.digests, crs)
        store = Store(job.folder, crs)
        if store.dropped:
            notes.append(store.dropped)
            job.progress.note(store.dropped)
        code, libraries = stage_digests(job.stages, job.inputs.rasters), libraries_digest()
        needs = say_budget(job, store, code, libraries)
        with (
            honest_store(store, job),
            StationFile(new / STATIONS, crs.to_wkt(), job.settings) as stations,
        ):
            maker = Maker(job.settings, store, shelf, code, libraries, job.fresh)
            chain = Chain(maker, job.crew, job.progress, stations.take)
            runs, noticed = chain.run(job.stages)
        findings = findings_from(findings_table([*job.findings, *noticed]))
        refuse_errors(findings)
        record = _write_results(job, shelf, runs, findings, notes, stations.count, needs)
        given_up = store.settle(chain.entries(), 1e9 * job.settings.run.store_limit_gb)
        if given_up:
            job.progress.note(given_up)
        return record


def say_budget(job: Job, store: Store, code: Mapping[str, str], libraries: str) -> dict[str, int]:
    """Say what a run needs before it begins, and give it for run.json.

    Raises
    ------
    RunError
        Memory or disk are too small.
    """
    earlier = None if job.fresh else read_record(job.folder)
    kept = is_unchanged(earlier, store, settings_as_config(job.settings), job.inputs.digests, code, libraries)
    needs, says = budget(job.inputs, job.settings, job.workers, job.folder, unchanged=kept)
    if says:
        job.progress.note(says)
    return needs


@contextmanager
def honest_store(store: Store, job: Job) -> Iterator[None]:
    """Drop what a ``with`` block kept if it ends early and grids changed: made of new cells, it has the key of old."""
    before = set() if job.fresh else store.folders()
    try:
        yield
        if job.files is not None:
            job.files.refuse_changed()
    except BaseException:
        changed = job.files.changed() if job.files is not None else {}
        if any(layer in job.inputs.rasters or layer.startswith("factor.") for layer, _ in changed):
            store.drop(store.folders() - before)
        raise


class StationFile:
    """``stations.parquet``, to which each tile adds its rows; it counts them.

    Parameters
    ----------
    path
        The file to write.
    crs
        Working system as WKT.
    settings
        Settings of the run.
    """

    def __init__(self, path: Path, crs: str, settings: Settings) -> None:
        layer = promised(STATION_TABLE, settings)
        assert layer is not None
        self._writer = StationWriter(path, layer, crs)
        self.count = 0

    def __enter__(self) -> StationFile:
        return self

    def __exit__(self, *fault: object) -> None:
        self._writer.close()

    def take(self, rows: pd.DataFrame) -> None:
        """Append the rows of a tile."""
        self._writer.write(rows)
        self.count += len(rows)


def _write_results(
    job: Job,
    shelf: Shelf,
    runs: Sequence[StageRun],
    findings: Sequence[Finding],
    notes: Sequence[str],
    stations: int,
    needs: Mapping[str, int],
) -> RunRecord:
    """Write all files of the results beside, then publish them."""
    from gisprio.products.backdrop import draw_backdrop
    from gisprio.run.methods import items_of_run

    new = new_place(job.folder)
    tables = result_tables(shelf, findings)
    earlier = read_record(job.folder)
    factors, robustness, sensitivity, agreement = (table_rows(tables[name]) for name in SMALL_TABLES)
    methods = [key for stage in job.stages for key in stage.references]
    record = RunRecord(
        folder=job.folder,
        name=job.settings.run.name,
        started=job.started or now(),
        finished=now(),
        settings=settings_as_config(job.settings),
        inputs=dict(sorted(job.inputs.digests.items())),
        crs=shelf.crs.to_wkt(),
        stages=stage_rows(runs, parts_before(earlier), fresh=job.fresh),
        counts=counts_of(tables, stations),
        findings=findings_count(findings),
        factors=factors,
        robustness=robustness[0] if robustness else {},
        sensitivity=sensitivity,
        agreement=agreement[0] if agreement else {},
        references=references_of(factors, [*methods, *job.references]),
        budget=dict(needs),
        routing_cell_m=shelf.source("elevation").lattice.cell_m,
        cells_m={name: raster.lattice.cell_m for name, raster in job.inputs.rasters.items() if raster.shape[0]},
        layers=layer_rows(job.settings, job.inputs.tables),
    )
    told = record.as_json()
    elevation = shelf.source("elevation")
    backdrop = cache(lambda: draw_backdrop(elevation, record.crs, job.inputs.image))
    results = Results(tables, elevation, job.settings, told, record.crs, lambda: items_of_run(told), backdrop)
    names = [STATIONS, *write_products(job.products, results, new, job.progress), LOG]
    refuse_foreign(job.folder, names)
    (new / LOG).write_text(log_text(record.as_json(), notes, findings), "utf-8")
    record = replace(record, files=digests_of(new, names))
    write_json(new / RECORD, record.as_json())
    if job.files is not None:
        job.files.refuse_changed()
    publish(job.folder, [*names, RECORD], _gone(earlier, names))
    return record


def result_tables(shelf: Shelf, findings: Sequence[Finding]) -> dict[str, pd.DataFrame]:
    """Give the result layers by name, with ``findings`` and the small tables."""
    tables = {layer: shelf.table(name) for layer, name in RESULT_TABLES.items()}
    small = {name: shelf.table(name) for name in SMALL_TABLES}
    return {**tables, "findings": findings_table(findings), **small}


def write_products(products: Sequence[Product], results: Results, new: Path, progress: Progress) -> list[str]:
    """Write every product into a folder; give the names of the files.

    Raises
    ------
    ContractError
        A product did not write its file.
    """
    names: list[str] = []
    began = perf_counter()
    for product in products:
        progress.step("products", len(names), len(products), perf_counter() - began)
        path = new / product.file
        path.parent.mkdir(parents=True, exist_ok=True)
        write_function(product)(path, results)
        if product.optional and not path.is_file():
            continue
        if not path.is_file():
            raise ContractError(
                f"the product {product.file} was not written.",
                wanted=f"a file from {product.function}.",
                do="report this as a fault of gisprio, with run.log.",
            )
        names.append(product.file)
        if product.more:
            names += sorted(found.name for found in path.parent.glob(product.more))
    progress.step("products", len(products), len(products), perf_counter() - began)
    return names


def refuse_errors(findings: Sequence[Finding]) -> None:
    """Raise when there are findings that stop a run, all in one message.

    Raises
    ------
    InputError
        Naming each of them.
    """
    errors = [finding for finding in findings if finding.severity == "error"]
    if not errors:
        return
    lines = [f"{error.layer}: {error.says}\n      Do: {error.do}" for error in errors]
    many = "an error" if len(errors) == 1 else f"{len(errors)} errors"
    raise InputError(
        f"the layers have {many}; nothing was run.\n" + "\n".join(f"    {line}" for line in lines),
        wanted="layers without errors.",
        do="mend them; gisprio check CONFIG lists every finding.",
    )


def refuse_foreign(folder: Path, names: Sequence[str]) -> None:
    """Raise when a file that no run of gisprio made stands where a result would go.

    Parameters
    ----------
    folder
        The result folder, no publication pending.
    names
        Files a run would write.

    Raises
    ------
    InputError
        Naming each of them.
    """
    record = read_record(folder)
    own = set() if record is None else {*record.get("files", {}), RECORD}
    foreign = sorted(name for name in names if name not in own and (folder / name).is_file())
    if foreign:
        raise InputError(
            f"{folder} holds files that are not from a run of gisprio and have the names of results: "
            f"{', '.join(foreign)}.",
            wanted="a folder where no file of another origin would be overwritten.",
            do="move them away, or give another folder in [run] output or --out.",
        )


def read_record(folder: Path) -> dict[str, Any] | None:
    """Read run.json of a folder; None where there is none that can be read."""
    record = read_json(folder / RECORD)
    return record if record is not None and "gisprio" in record and "stages" in record else None


def nearest(folder: Path) -> Path:
    """Give the nearest folder that exists, from a folder upward."""
    while not folder.exists():
        folder = folder.parent
    return folder


def _gone(earlier: Mapping[str, Any] | None, names: Sequence[str]) -> dict[str, str]:
    if earlier is None:
        return {}
    return {
        name: digest
        for name, digest in earlier.get("files", {}).items()
        if name not in names and not Path(name).is_absolute() and ".." not in Path(name).parts
    }
