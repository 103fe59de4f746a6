"""Ranks as if some sites were done: the chain runs again on the layers of a run and works that nobody did yet."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.compute.compare.planting import ground_to_the_bank
from gisprio.contracts.digests import table_digest
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.layers import DONE
from gisprio.contracts.schema import check
from gisprio.contracts.settings import Settings
from gisprio.inputs.project import Inputs, read_inputs
from gisprio.products import PRODUCTS
from gisprio.run.chain import Progress
from gisprio.run.code import stage_digests
from gisprio.run.engine import Job, Unwatched, nearest, run_job
from gisprio.run.explain import unknown_id
from gisprio.run.fingerprints import libraries_digest
from gisprio.run.known import chosen_references
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.reopened import settings_of
from gisprio.run.results import RANKED, OpenedResults, open_results
from gisprio.run.stages import STAGES, with_own_layers, with_work
from gisprio.run.store import CONFIG_PLACE, STORE, read_json

KIND = "planting, as if done"
"""``done.kind`` of the works that nobody did yet."""


@contextmanager
def results_when_planted(
    opened: OpenedResults, sites: Sequence[str], config: Path | None = None, progress: Progress | None = None
) -> Iterator[OpenedResults]:
    """Give the results that a run would have if sites were planted long ago; they are gone after the ``with`` block.

    Parameters
    ----------
    opened
        The results.
    sites
        Ids of its sites.
    config
        The config of the run, from whose folder the layers are found; where it is None, the store knows the folder.
    progress
        Whoever watches.

    Raises
    ------
    InputError
        A site is not in the results, or the layers, gisprio or a library are not those of the run any more.
    SettingsError
        Nobody said where the layers are.
    RunError
        The machine gave out.

    Notes
    -----
    The ground of each site, as layer ``sites`` draws it and down to the water, is taken as planted
    ``[works] cover_after_y`` years ago: all that counts as cover then does. The rest is the chain itself on the same
    layers, so that the ranks are those of a run with such works in layer ``done``; what works do not touch comes from
    the store.
    """
    chosen = sites_of(opened, sites)
    settings = settings_with_folder(opened, config)
    with machine_faults(nearest(opened.folder)), locked(opened.folder, []):
        inputs = read_inputs(settings, opened.folder / STORE / "index", (progress or Unwatched()).note)
        with closing(inputs), tempfile.TemporaryDirectory(dir=opened.folder / STORE, prefix="planted-") as place:
            refuse_other_inputs(opened, inputs)
            folder = Path(place)
            _lend_store(opened.folder, folder)
            ground = ground_to_the_bank(chosen, opened.banks, opened.properties)
            planted = with_planted(inputs, chosen.set_geometry(ground), settings)
            run_job(
                Job(
                    inputs=planted,
                    settings=settings,
                    folder=folder,
                    references=chosen_references(settings),
                    progress=progress or Unwatched(),
                    stages=with_work(with_own_layers(STAGES, inputs.tables, inputs.rasters), settings),
                    products=tuple(product for product in PRODUCTS if product.file == RANKED),
                )
            )
            yield open_results(folder)


def sites_of(opened: OpenedResults, sites: Sequence[str]) -> gpd.GeoDataFrame:
    """Give the sites of these ids, each once.

    Raises
    ------
    InputError
        One is not in the results; the nearest are named.
    """
    table = opened.sites
    wanted = list(dict.fromkeys(sites))
    for name in wanted:
        if not (table["site_id"] == name).any():
            raise unknown_id(name, table["site_id"].tolist())
    return table[table["site_id"].isin(wanted)]


def settings_with_folder(opened: OpenedResults, config: Path | None) -> Settings:
    """Give the settings of a run with the folder its layers are found from.

    Raises
    ------
    InputError
        The config is not there.
    SettingsError
        No config is given, the store was cleaned, and a path is relative.
    """
    settings = settings_of(opened)
    if config is not None:
        if not config.is_file():
            raise InputError(
                f"{config} is not there.",
                wanted="the config of the run, from whose folder its layers are found.",
                do="give its path.",
            )
        return settings.model_copy(update={"folder": config.expanduser().resolve().parent})
    place = (read_json(opened.folder / STORE / CONFIG_PLACE) or {}).get("folder")
    if isinstance(place, str):
        return settings.model_copy(update={"folder": Path(place)})
    relative = [
        path
        for paths in settings.layers.given().values()
        for path in paths
        if "://" not in path and not Path(path).expanduser().is_absolute() and not path.startswith("/vsi")
    ]
    if relative:
        raise SettingsError(
            f"{relative[0]} is a path relative to the config, and results do not say where that is.",
            wanted="the config: to plant sites, the layers of the run are read again.",
            do="add --config CONFIG.",
        )
    return settings


def refuse_other_inputs(opened: OpenedResults, inputs: Inputs) -> None:
    """Refuse where a new run would differ by more than the planted sites.

    Raises
    ------
    InputError
        Naming what differs.
    """
    record = opened.record
    differ = [
        f"layer {name}"
        for name in sorted({*inputs.digests, *record["inputs"]})
        if inputs.digests.get(name) != record["inputs"].get(name)
    ]
    code, libraries = stage_digests(STAGES, inputs.rasters), libraries_digest()
    parts = {stage["name"]: stage.get("parts", {}) for stage in record["stages"] if stage.get("parts")}
    differ += ["gisprio"] if any(own.get("code") != code.get(name) for name, own in parts.items()) else []
    differ += ["a library"] if any(own.get("libraries") != libraries for own in parts.values()) else []
    if differ:
        raise InputError(
            f"{opened.folder} was made from other things than are here now: {', '.join(differ)}.",
            wanted="what the run was made from: the ranks must differ by the planted sites alone.",
            do="run again, then plant.",
        )


def with_planted(inputs: Inputs, sites: pd.DataFrame, settings: Settings) -> Inputs:
    """Add the ground of sites to the works done, as planting that is old enough to count as cover."""
    shapes = gpd.GeoSeries(sites.geometry.explode(index_parts=False).to_numpy(), crs=inputs.crs)
    count = len(shapes)
    rows = gpd.GeoDataFrame(
        {
            "kind": pd.Series([KIND] * count, dtype="str"),
            "planting": np.full(count, True),
            "year": pd.array([pd.NA] * count, dtype="Int64"),
            "age_y": np.full(count, float(settings.works.cover_after_y)),
            "status": pd.Series([None] * count, dtype="str"),
        },
        geometry=shapes,
        crs=inputs.crs,
    )
    done = inputs.tables["done"]
    both = gpd.GeoDataFrame(pd.concat([done, rows], ignore_index=True) if len(done) else rows, crs=inputs.crs)
    checked = check(DONE, both)
    assert isinstance(checked, gpd.GeoDataFrame)
    table = checked.set_crs(inputs.crs, allow_override=True)
    return replace(
        inputs,
        tables={**inputs.tables, "done": table},
        digests={**inputs.digests, "done": table_digest(table)},
    )


def _lend_store(folder: Path, other: Path) -> None:
    """Give another folder what a store keeps, by links where the disk has them: entries are never written to."""
    kept = folder / STORE / "kept"
    if not kept.is_dir():
        return
    (other / STORE).mkdir()
    shutil.copytree(kept, other / STORE / "kept", copy_function=_link_or_copy)
    with suppress(FileNotFoundError):
        shutil.copy2(folder / STORE / "store.json", other / STORE / "store.json")


def _link_or_copy(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
