"""Finished results as products take them, so that a map can be written again without a run."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pydantic import ValidationError
from pyproj import CRS

from gisprio.contracts.cards import Results
from gisprio.contracts.errors import InputError
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.pictures import Picture
from gisprio.contracts.schema import Layer, check, empty
from gisprio.contracts.settings import Settings
from gisprio.inputs.config import as_tuples
from gisprio.run.methods import items_of_run
from gisprio.run.results import RANKED, OpenedResults, open_results
from gisprio.run.stages import RESULT_TABLES, promised

BACKDROP = "backdrop.tif"
LATER = ("monitoring",)
"""Layers that results of before have not, and are read as empty."""
IN_RECORD = ("robustness", "sensitivity")
"""Small tables that run.json holds."""


def results_of(folder: str | Path) -> Results:
    """Read finished results back, as products take them.

    Parameters
    ----------
    folder
        A result folder.

    Returns
    -------
    Results
        The same tables, settings and record as in the run; no heights, but the picture that was drawn of them.

    Raises
    ------
    InputError
        It is not a result folder, or it was written by a gisprio that kept less.
    """
    opened = open_results(folder)
    refuse_older(opened)
    record, settings = opened.record, settings_of(opened)
    tables = {name: _table(opened, name, settings) for name in (*RESULT_TABLES, "factors", "findings")}
    tables |= {name: _from_record(record[name], name) for name in IN_RECORD}
    no_heights = Grid(np.empty((0, 0), np.float32), Lattice(0.0, 0.0, float(record["routing_cell_m"])))
    backdrop = cache(lambda: _picture(opened))
    return Results(
        tables, ArraySource(no_heights), settings, record, record["crs"], lambda: items_of_run(record), backdrop
    )


def refuse_older(opened: OpenedResults) -> None:
    """Refuse results that lack what products are made from.

    Raises
    ------
    InputError
        Naming what is not there.
    """
    there = layers_of(opened)
    wanted = {*RESULT_TABLES, "factors", "findings"} - {*LATER, *there}
    lacking = [f"layer {name} of {RANKED}" for name in (*RESULT_TABLES, "factors", "findings") if name in wanted]
    lacking += [BACKDROP] if BACKDROP not in opened.record.get("files", {}) else []
    if lacking:
        raise InputError(
            f"{opened.folder} lacks what a map is made from: {', '.join(lacking)}.",
            wanted="results of a gisprio that keeps them, as this one does.",
            do="run again; what is kept in .gisprio makes that quick.",
        )


def layers_of(opened: OpenedResults) -> set[str]:
    """Give the names of the result layers that are there."""
    import pyogrio

    return {str(name) for name, _ in pyogrio.list_layers(opened.file(RANKED))}


def settings_of(opened: OpenedResults) -> Settings:
    """Give the settings of the run from its record; their folder is not known.

    Raises
    ------
    InputError
        A key is not one of this version's, or its value.
    """
    try:
        return Settings.model_validate(as_tuples(opened.record["settings"]))
    except ValidationError as error:
        keys = sorted({".".join(str(part) for part in one["loc"]) for one in error.errors()})
        raise InputError(
            f"the settings in {opened.folder / 'run.json'} are not those of this gisprio: {', '.join(keys)}.",
            wanted="run.json as a run of this version writes it.",
            do="run again.",
        ) from None


def _table(opened: OpenedResults, name: str, settings: Settings) -> pd.DataFrame:
    """Read a layer, in the kinds its contract names; columns that an older gisprio did not write are null."""
    layer = promised(RESULT_TABLES.get(name, name), settings)
    assert layer is not None
    if name in LATER and name not in layers_of(opened):
        return empty(layer)
    frame: pd.DataFrame = getattr(opened, name)
    frame = frame.assign(**{one.name: None for one in layer.columns if one.null and one.name not in frame})
    if layer.geometry == "none":
        return check(layer, frame)
    shapes = as_written(np.asarray(frame.geometry.array))
    crs = CRS.from_wkt(opened.record["crs"])
    return _checked(layer, gpd.GeoDataFrame(pd.DataFrame(frame).drop(columns="geometry"), geometry=shapes), crs)


def _checked(layer: Layer, frame: gpd.GeoDataFrame, crs: CRS) -> gpd.GeoDataFrame:
    checked = check(layer, frame)
    assert isinstance(checked, gpd.GeoDataFrame)
    return checked.set_crs(crs, allow_override=True)


def as_written(shapes: NDArray[np.object_]) -> NDArray[np.object_]:
    """Give shapes of one part as that part: the file holds them as several of one."""
    kinds = shapely.get_type_id(shapes)
    single = np.isin(kinds, (5, 6)) & (shapely.get_num_geometries(shapes) == 1)
    return np.asarray(np.where(single, shapely.get_geometry(shapes, 0), shapes), object)


def _from_record(rows: Any, name: str) -> pd.DataFrame:
    """Make a small table of its rows in run.json."""
    layer = promised(name)
    assert layer is not None
    found = [rows] if isinstance(rows, dict) else rows
    return check(layer, pd.DataFrame(found, columns=layer.names()))


def _picture(opened: OpenedResults) -> Picture | None:
    """Read the picture at the foot of the map."""
    from rasterio.errors import RasterioError

    from gisprio.products.backdrop import read_backdrop

    path = opened.file(BACKDROP)
    try:
        return read_backdrop(path)
    except RasterioError:
        raise InputError(
            f"{path} cannot be read.",
            wanted="the file that the run wrote.",
            do="run again; what is kept in .gisprio makes that quick.",
        ) from None
