"""Writes the desk check of a result folder: a table to fill in, and a page with clips of the first banks."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from gisprio.contracts.cards import Results
from gisprio.contracts.errors import InputError
from gisprio.contracts.grids import box_around
from gisprio.contracts.settings import Settings
from gisprio.inputs.desk_table import filled_rows
from gisprio.inputs.ground import Ground, open_ground
from gisprio.products.desk import Grounds, Run, bearing_words, desk_page, lines_of, write_desk_table
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.store import CONFIG_PLACE, STORE, read_json, write_whole
from gisprio.run.visits import form_places

TABLE, PAGE = "desk.csv", "desk.html"
STEP_M = 5.0
"""The bank's direction at a place is taken over so much each way [own]."""
_MARGIN_M = 2000.0
"""Land cover of another system is drawn so far beyond the places."""
_COLUMNS = (
    "visit_id", "rank", "bank_id", "stream", "property_id", "side", "latitude", "longitude", "bearing_deg", "bearing",
    "need", "length_m", "gap_length_m", "buffer_width_m", "setback_m", "why", "run",
)  # fmt: skip
"""Columns of the table, in order; those to be filled in come before the last."""


@dataclass(frozen=True, slots=True)
class Check:
    """What was written: table and page, how many banks, notes on layers that are gone or not those of the run."""

    table: Path
    page: Path
    banks: int
    notes: tuple[str, ...]

    def told(self) -> str:
        """Say it in a few lines."""
        many = "1 bank" if self.banks == 1 else f"{self.banks} banks"
        return "\n".join(
            [
                f"{self.page} shows {many} of the first ranks on heights, land cover and image.",
                *self.notes,
                f"Write a verdict into {self.table}, give it back as [layers] visits, and run again.",
            ]
        )


def write_desk(folder: str | Path, *, top: int | None = None, config: Settings | None = None) -> Check:
    """Write the desk check of a result folder.

    Parameters
    ----------
    folder
        A result folder.
    top
        So many of the first ranks; ``[robustness] top_n`` when absent.
    config
        Settings that say where the layers are, in place of those of the run.

    Raises
    ------
    InputError
        It is no result folder, no bank is ranked, or the table that is there has been filled in.
    RunError
        The disk is full.

    Notes
    -----
    Clips are drawn from the layers, which results do not keep. A layer that is gone, or cannot be read, leaves its clip
    empty and says so.
    """
    home = Path(folder).expanduser().resolve()
    _refuse_filled(home / TABLE)
    results = results_of(folder)
    if not results.tables["banks"]["rank"].notna().any():
        raise InputError(
            f"{folder} has no bank to look at.", wanted="ranked banks.", do="see column not_ranked of the banks."
        )
    places = desk_places(results, top or results.settings.robustness.top_n)
    settings, named = settings_with_folder(results, home, config)
    crs, index = pyproj.CRS.from_wkt(results.crs), home / STORE / "index"
    region = box_around(places.geometry.x.to_numpy(), places.geometry.y.to_numpy(), _MARGIN_M)
    with closing(open_ground(settings, crs, index, results.record["inputs"], region, named=named)) as ground:
        page = _page(results, places, ground, image_given=bool(settings.layers.image))
    with locked(home, []), machine_faults(home):
        write_whole(home / PAGE, partial(_write_text, text=page))
        write_whole(home / TABLE, partial(write_desk_table, places=pd.DataFrame(places[list(_COLUMNS)])))
    return Check(home / TABLE, home / PAGE, len(places), _notes(ground.lacking, ground.doubts))


def _page(results: Results, places: gpd.GeoDataFrame, ground: Ground, *, image_given: bool) -> str:
    """Give the page of some places."""
    settings, record = results.settings, results.record
    run = Run(
        name=settings.run.name,
        day=record["started"][:10],
        digest=digest_of_run(record)[:12],
        crs=results.crs,
        counts=tuple(settings.setback.counts),
        units=settings.report.units,
    )
    seen = (ground.dem, ground.land_cover, ground.image, ground.legend, ground.lacking, ground.doubts)
    lines = lines_of(places, *(results.tables[name] for name in ("banks", "reaches", "gaps")))
    return desk_page(places, lines, Grounds(*seen, image_given), run)


def _write_text(path: Path, text: str) -> None:
    path.write_text(text, "utf-8")


def settings_with_folder(results: Results, home: Path, config: Settings | None) -> tuple[Settings, bool]:
    """Give settings that say where layers are, and whether the folder that relative paths start at is known."""
    if config is not None:
        return config, True
    place = (read_json(home / STORE / CONFIG_PLACE) or {}).get("folder")
    if not isinstance(place, str):
        return results.settings, False
    return results.settings.model_copy(update={"folder": Path(place)}), True


def desk_places(results: Results, top: int) -> gpd.GeoDataFrame:
    """Give the banks of the first ranks as points in the middle of their worst stretch, with what the table says.

    Parameters
    ----------
    results
        Finished results.
    top
        So many.

    Returns
    -------
    GeoDataFrame
        By rank: the columns of the table, and ``reach_id``, ``bankfull_width_m``, ``outward_x``, ``outward_y`` (unit
        vector from the bank to its land) and ``north_deg`` (true north, clockwise from the grid's north [degrees]).
    """
    banks = results.tables["banks"]
    first = banks[banks["rank"].notna()].sort_values(["rank", "bank_id"], ignore_index=True)[:top]
    reaches = results.tables["reaches"].set_index("reach_id").reindex(first["reach_id"])
    chosen = first.assign(chosen="top", reach_length_m=reaches["length_m"].to_numpy())
    places = form_places(chosen, digest_of_run(results.record)[:12], results.crs)
    outward = outward_of(first.geometry.to_numpy(), places.geometry.to_numpy(), first["side"].eq("left").to_numpy())
    bearing, north = bearings(places.geometry.to_numpy(), outward, results.crs)
    whole = np.round(bearing).astype(int) % 360
    owners = results.tables["frontages"].groupby("bank_id")["property_id"].agg(lambda ids: "; ".join(sorted(ids)))
    said = ("rank", "need", "length_m", "gap_length_m", "buffer_width_m", "setback_m", "why", "reach_id")
    return places.assign(
        **{name: first[name].to_numpy() for name in said},
        visit_id=[f"D{number + 1:03d}" for number in range(len(places))],
        stream=[name if isinstance(name, str) else "unnamed stream" for name in first["name"]],
        property_id=owners.reindex(first["bank_id"]).to_numpy(object),
        bearing_deg=whole,
        bearing=[bearing_words(float(degrees)) for degrees in whole],
        outward_x=outward[:, 0],
        outward_y=outward[:, 1],
        north_deg=north,
        bankfull_width_m=reaches["bankfull_width_m"].to_numpy(),
    )


def outward_of(lines: np.ndarray, points: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Give unit vectors from banks to their land at places on them.

    Parameters
    ----------
    lines
        (n,) bank lines, downstream.
    points
        (n,) places on them.
    left
        (n,) whether a bank is the left one, looking downstream.

    Returns
    -------
    ndarray
        (n, 2).
    """
    along = shapely.line_locate_point(lines, points)
    behind, ahead = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(along + off, 0.0)))
        for off in (-STEP_M, STEP_M)
    )
    way = ahead - behind
    turned = np.column_stack([-way[:, 1], way[:, 0]]) * np.where(left, 1.0, -1.0)[:, None]
    unit: np.ndarray = turned / np.maximum(np.hypot(*turned.T), 1e-9)[:, None]
    return unit


def bearings(points: np.ndarray, outward: np.ndarray, crs: str) -> tuple[np.ndarray, np.ndarray]:
    """Give the bearing of vectors from true north, and true north from the grid's north.

    Parameters
    ----------
    points
        (n,) places in the working system.
    outward
        (n, 2) unit vectors there.
    crs
        The working system as WKT.

    Returns
    -------
    bearing, north
        (n,) degrees clockwise: 0 to 360, and -180 to 180.
    """
    to_degrees = pyproj.Transformer.from_crs(crs, "OGC:CRS84", always_xy=True)
    at = shapely.get_coordinates(points)
    geod = pyproj.Geod(ellps="WGS84")
    start = to_degrees.transform(*at.T)
    towards = [to_degrees.transform(*(at + 10.0 * vector).T) for vector in (outward, np.array([0.0, 1.0]))]
    bearing, grid = (np.asarray(geod.inv(*start, *end)[0]) for end in towards)
    return bearing % 360, -grid


def _notes(lacking: Mapping[str, str], doubts: Mapping[str, str]) -> tuple[str, ...]:
    """Say which clips are missing or may not show what the run read."""
    gone = [f"No clips of {layer}: {says}" for layer, says in lacking.items() if not says.endswith("is not given.")]
    return (*gone, *(f"[layers] {layer} {says}" for layer, says in doubts.items()))


def _refuse_filled(path: Path) -> None:
    """Refuse to write over a table in which somebody filled in anything.

    Raises
    ------
    InputError
        Saying how many rows were; or it is no such table.
    """
    if not path.exists():
        return
    filled = filled_rows(path)
    if filled is None:
        raise InputError(
            f"{path} is there and is no table that gisprio desk wrote.",
            wanted="no file of that name, or an empty table.",
            do="move it away, then write a new one.",
        )
    if filled:
        raise InputError(
            f"{path} has been filled in at {filled} places.",
            wanted="no table of that name, or one that is still empty.",
            do="move it away, and name it in [layers] visits; then write a new one.",
        )
