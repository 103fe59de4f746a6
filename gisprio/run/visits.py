"""Chooses where to go and look, and writes the field form: the first ranks, and a random part of the rest."""

from __future__ import annotations

import datetime as dt
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from gisprio.compute.scoring.keys import whole_weights
from gisprio.contracts.errors import InputError
from gisprio.contracts.visits import form_fields
from gisprio.inputs.contacts import read_contacts
from gisprio.products.visit_form import LAYER, write_form, write_points
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import results_of
from gisprio.run.store import STORE

FORM_FILE, KMZ_FILE, GPX_FILE = "visits.gpkg", "visits.kmz", "visits.gpx"
RANDOM_PART = 4
"""One random place for so many of the first [own]: without them nobody could say whether the score agrees."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What was written: the form, how many places by rank and at random, banks left out for want of leave to enter."""

    form: Path
    top: int
    at_random: int
    closed: int
    asked: bool
    seed: int

    def told(self) -> str:
        """Say it in a few lines."""
        lines = [
            f"{self.form} has {self.top + self.at_random} places: {self.top} of the first ranks and {self.at_random} "
            f"drawn at random from the other ranked banks (seed {self.seed}), in mixed order; the form shows neither "
            f"rank nor score. {KMZ_FILE} and {GPX_FILE} hold the points for phones.",
        ]
        if self.closed:
            lines.append(f"{self.closed} ranked banks were left out: no owner along them lets people in on that day.")
        if not self.asked:
            lines.append("No table of contacts was given: ask before you go onto anybody's land.")
        return "\n".join([*lines, "Filled in, give the file back as [layers] visits, and run again."])


def write_visits(
    folder: str | Path,
    *,
    top: int | None = None,
    seed: int = 1,
    contacts: Path | None = None,
    roadside: bool = False,
    day: dt.date | None = None,
) -> Chosen:
    """Write the field form of a result folder.

    Parameters
    ----------
    folder
        A result folder.
    top
        So many of the first ranks; ``[robustness] top_n`` when absent. A quarter more is drawn at random.
    seed
        Of the random part and of the order.
    contacts
        The private table of contacts: only banks along a property with leave to enter on the day are chosen.
    roadside
        Choose among all banks all the same: what can be seen from roads and from the water.
    day
        The day; today when absent.

    Raises
    ------
    InputError
        It is no result folder, no bank is ranked, or the form that is there has been filled in.
    RunError
        The disk is full.
    """
    results = results_of(folder)
    home = Path(folder).expanduser().resolve()
    _refuse_filled(home / FORM_FILE)
    banks = results.tables["banks"]
    ranked = banks[banks["rank"].notna()]
    if not len(ranked):
        raise InputError(
            f"{folder} has no bank to visit.", wanted="ranked banks.", do="see column not_ranked of the banks."
        )
    everywhere = len(ranked)
    if contacts is not None and not roadside:
        ranked = _where_people_may_go(ranked, results.tables["frontages"], contacts, day or dt.date.today())
    reaches = results.tables["reaches"].set_index("reach_id").reindex(ranked["reach_id"])
    beside = {"strahler_order": reaches["strahler_order"].to_numpy(), "reach_length_m": reaches["length_m"].to_numpy()}
    wanted = top or results.settings.robustness.top_n
    chosen = choose_banks(ranked.assign(**beside), wanted, seed)
    places = form_places(chosen, digest_of_run(results.record)[:12], results.crs)
    with locked(home, []), machine_faults(home), tempfile.TemporaryDirectory(dir=home / STORE) as folder_of_new:
        made = {name: Path(folder_of_new) / name for name in (FORM_FILE, KMZ_FILE, GPX_FILE)}
        write_form(made[FORM_FILE], places, form_fields(results.settings.report.units))
        write_points(made[KMZ_FILE], made[GPX_FILE], places)
        for name, path in made.items():
            os.replace(path, home / name)
    first = int((places["chosen"] == "top").sum())
    closed = everywhere - len(ranked)
    return Chosen(home / FORM_FILE, first, len(places) - first, closed, contacts is not None, seed)


def _where_people_may_go(ranked: pd.DataFrame, frontages: pd.DataFrame, contacts: Path, day: dt.date) -> pd.DataFrame:
    """Keep the banks along a property with leave to enter on a day.

    Raises
    ------
    InputError
        There is none.
    """
    open_ids = read_contacts(contacts).open_on(day)
    along = frontages.loc[frontages["property_id"].isin(open_ids), "bank_id"]
    kept = ranked[ranked["bank_id"].isin(along)]
    if not len(kept):
        raise InputError(
            "No owner lets people in on that day.",
            wanted="ranked banks, with access_ok_until of the table of contacts in date.",
            do="ask for leave, or add --roadside.",
        )
    return kept


def choose_banks(ranked: pd.DataFrame, top: int, seed: int) -> pd.DataFrame:
    """Choose banks to visit: the first ranks, and a quarter as many at random from the rest.

    Parameters
    ----------
    ranked
        Ranked banks with ``bank_id``, ``rank``, ``need`` and ``strahler_order``.
    top
        So many of the first.
    seed
        Of the random part and of the order.

    Returns
    -------
    DataFrame
        Rows of ``ranked`` with ``chosen`` (top or random), in random order.

    Notes
    -----
    The rest is parted into strata by need and stream order; each gives its share of the places by largest remainder,
    so that the random part looks like the rest does.
    """
    ordered = ranked.sort_values(["rank", "bank_id"], ignore_index=True)
    first, rest = ordered[:top], ordered[top:]
    draw = np.random.default_rng(seed)
    count = min(-(-top // RANDOM_PART), len(rest))
    strata = [rows for _, rows in rest.groupby(["need", "strahler_order"], dropna=False, sort=True)]
    number = whole_weights({str(place): len(rows) for place, rows in enumerate(strata)}, count).values()
    drawn = [rows.iloc[draw.permutation(len(rows))[:n]] for rows, n in zip(strata, number, strict=True)]
    both = pd.concat([first.assign(chosen="top"), *(rows.assign(chosen="random") for rows in drawn)])
    return both.iloc[draw.permutation(len(both))].reset_index(drop=True)


def form_places(chosen: pd.DataFrame, run: str, crs: str) -> gpd.GeoDataFrame:
    """Give a point on each bank, in the middle of its worst stretch, and words that name it; no score, no rank.

    Parameters
    ----------
    chosen
        Banks with their lines, which run downstream, ``worst_from_m``, ``worst_to_m``, ``reach_length_m``, ``chosen``.
    run
        Digest of the run.
    crs
        The working system as WKT.
    """
    lines = np.asarray(gpd.GeoSeries(chosen["geometry"]).values)
    middle = (chosen["worst_from_m"] + chosen["worst_to_m"]) / 2  # upstream from the reach's downstream end
    share = (1 - middle / chosen["reach_length_m"]).fillna(0.5).clip(0, 1).to_numpy(float)
    one = shapely.get_type_id(lines) == shapely.GeometryType.LINESTRING
    whole = np.where(one, lines, shapely.get_geometry(lines, 0))
    points = shapely.line_interpolate_point(whole, share, normalized=True)
    frame = gpd.GeoDataFrame(geometry=points, crs=pyproj.CRS.from_wkt(crs))
    degrees = frame.geometry.to_crs(4326)
    streams = [name if isinstance(name, str) else "unnamed stream" for name in chosen["name"]]
    numbers = [f"V{number + 1:03d}" for number in range(len(chosen))]
    words = [f"{stream}, {side} bank looking downstream" for stream, side in zip(streams, chosen["side"], strict=True)]
    return frame.assign(
        visit_id=numbers,
        place=words,
        side=chosen["side"].to_numpy(),
        latitude=degrees.y.round(6),
        longitude=degrees.x.round(6),
        bank_id=chosen["bank_id"].to_numpy(),
        chosen=chosen["chosen"].to_numpy(),
        run=run,
    )


def _refuse_filled(path: Path) -> None:
    """Refuse to write over a form in which somebody filled in anything.

    Raises
    ------
    InputError
        Saying how many places were; or it is no form.
    """
    if not path.exists():
        return
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    both = [[field.name for field in form_fields(units)] for units in ("si", "us")]
    try:
        form = pyogrio.read_dataframe(path, layer=LAYER, read_geometry=False)
    except (DataLayerError, DataSourceError):
        form = pd.DataFrame()
    fields = next((names for names in both if {*names, "run"} <= set(form)), None)
    if fields is None:
        raise InputError(
            f"{path} is there and is no form that gisprio visits wrote.",
            wanted="no file of that name, or an empty form.",
            do="move it away, then write a new one.",
        )
    own = form[fields]
    filled = int((own.notna() & (own.astype(str) != "")).any(axis=1).sum())
    if filled:
        raise InputError(
            f"{path} has been filled in at {filled} places.",
            wanted="no form of that name, or one that is still empty.",
            do="move it away, and name it in [layers] visits; then write a new one.",
        )
