"""Compares two result folders: what differs in what they were made from, then gaps, ranks, works, totals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from gisprio.compute.compare.gaps import change_runs, gap_changes, in_clear_gap, rows_of
from gisprio.compute.compare.inputs import SUBJECTS, doubtful, incomparable, input_differences
from gisprio.compute.compare.matching import pair_banks, pair_polygons, pair_stations
from gisprio.compute.compare.ranks import bank_whys, moved_ranks, property_whys, score_whys
from gisprio.compute.compare.totals import sub_watershed_totals
from gisprio.compute.compare.works import new_works, stations_beside, works_told
from gisprio.compute.visits.monitoring import monitoring_series
from gisprio.contracts.compare import (
    CHANGED_GAPS,
    COMPARE_LAYERS,
    COMPARED_INPUTS,
    MOVED_RANKS,
    TOTALS,
    UNMATCHED,
    WORKS_BETWEEN,
    Compared,
    Comparison,
)
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.findings import listed
from gisprio.contracts.schema import check
from gisprio.products.compare import write_compare_layers, write_compare_map, write_compare_page
from gisprio.products.tables import write_table
from gisprio.run.chain import Progress
from gisprio.run.engine import STATIONS
from gisprio.run.fingerprints import file_digest
from gisprio.run.lock import locked
from gisprio.run.places import machine_faults
from gisprio.run.planted import results_when_planted, sites_of
from gisprio.run.record import digest_of_run
from gisprio.run.reopened import as_written
from gisprio.run.results import RANKED, OpenedResults, open_results
from gisprio.run.stages import STAGES
from gisprio.run.store import STORE, read_json, write_json, write_whole

PAGE, LAYERS, MAP, MANIFEST = "compare.html", "compare.gpkg", "compare-map.svg", "compare.json"
GAP_SUBJECTS = {"asked", "strips", "gaps"}
"""Where one of these was measured in two ways, so were gaps."""
_NEEDED = ("reaches", "banks", "gaps", "sites", "properties", "works_done")
_STATION_COLUMNS = [
    *("segment_id", "reach_id", "bank_id", "station_no", "side", "at_m", "length_m", "gap", "buffer_width_m"),
    "woody_share",
]


@dataclass(frozen=True, slots=True)
class Told:
    """What was written: the page, and the comparison in a few lines."""

    page: Path
    comparison: Comparison
    lines: tuple[str, ...]

    def told(self) -> str:
        """Say it."""
        return "\n".join([f"Wrote {self.page} and its tables, layers and map beside it.", *self.lines])


def write_comparison(
    before: str | Path,
    after: str | Path | None = None,
    *,
    planted: Sequence[str] = (),
    out: Path | None = None,
    config: Path | None = None,
    progress: Progress | None = None,
) -> Told:
    """Compare two result folders, or one with itself as if sites of it were planted.

    Parameters
    ----------
    before, after
        Result folders; ``after`` is None where ``planted`` names sites.
    planted
        Ids of sites of ``before``.
    out
        Folder for what is written; ``compare`` in ``after``, or ``planted`` in ``before``, when absent.
    config
        Config of the run, for planted sites, where its store no longer says where the layers are.
    progress
        Whoever watches.

    Raises
    ------
    InputError
        One is no result folder, lacks what is compared, or is of another watershed; a site is unknown.
    SettingsError
        The folder may not be written, or holds files of those names that are not gisprio's.
    RunError
        The machine gave out.
    """
    first = open_results(before)
    refuse_lacking(first)
    again = (
        results_when_planted(first, planted, config, progress) if planted else nullcontext(open_results(after or ""))
    )
    with again as second:
        refuse_lacking(second)
        comparison = comparison_of(first, second, planted)
        home = first.folder if planted else second.folder
    place = (out or home / ("planted" if planted else "compare")).expanduser().resolve()
    page = _write(place, home, comparison)
    return Told(page, comparison, tuple(_lines(comparison)))


def comparison_of(first: OpenedResults, second: OpenedResults, planted: Sequence[str] = ()) -> Comparison:
    """Compare two opened results.

    Raises
    ------
    InputError
        No bank of one lies near one of the other.
    """
    differences = input_differences(first.record, second.record, STAGES)
    differences = _with_planted(differences, planted)
    unlike, doubts = incomparable(differences), doubtful(differences)
    keys = {subject.key for subject in unlike}
    comparable = not keys & GAP_SUBJECTS
    to_crs = _mover(first.record["crs"], second.record["crs"])
    stations = _stations(first, to_crs), _stations(second, None)
    there, back = pair_stations(*stations), pair_stations(stations[1], stations[0])
    if not (there >= 0).any():
        raise other_watershed(first, second)
    settings = second.record["settings"]
    shortest = float(settings["setback"]["shortest_gap_m"])
    stations = (_labelled(*stations, there), stations[1])
    then, now = gap_changes(*stations, there, back)
    if not comparable:
        then, now = np.full_like(then, ""), np.full_like(now, "")
    runs = pd.concat(
        [
            change_runs(stations[0], stations[1], there, then, shortest),
            change_runs(stations[1], stations[0], back, now, shortest),
        ],
        ignore_index=True,
    )
    pairs = _pairs(first, second, stations, there, to_crs)
    tables = {
        "inputs": check(COMPARED_INPUTS, _titled(differences)),
        "changes": _changes_layer(runs, second.record["crs"]),
        "ranks": _ranks(first, second, pairs, keys),
        "totals": check(TOTALS, sub_watershed_totals(*stations, runs, comparable=comparable)),
        "works": _works(first, second, stations, back, to_crs),
        "unmatched": _unmatched(first, second, pairs),
        "monitoring": monitoring_series(_visits(first, second, to_crs)),
    }
    return Comparison(
        before=_compared(first),
        after=_compared(second) if not planted else replace(_compared(first), folder="the same, planted"),
        tables=tables,
        incomparable=tuple(subject.title for subject in unlike),
        doubtful=tuple(subject.title for subject in doubts),
        comparable_gaps=comparable,
        reaches=as_written(np.asarray(second.reaches.geometry.array)),
        crs=second.record["crs"],
        setback_m=float(second.banks["setback_m"].max()) if len(second.banks) else 0.0,
        shortest_gap_m=shortest,
        top_n=int(settings["robustness"]["top_n"]),
        units=settings["report"]["units"],
        planted=tuple(planted),
        planted_m=float(sites_of(first, planted)["length_m"].sum()) if planted else 0.0,
    )


def refuse_lacking(opened: OpenedResults) -> None:
    """Refuse results of a gisprio that kept less than is compared.

    Raises
    ------
    InputError
        Naming what is not there.
    """
    import pyogrio

    there = {str(name) for name, _ in pyogrio.list_layers(opened.file(RANKED))}
    lacking = [f"layer {name} of {RANKED}" for name in _NEEDED if name not in there]
    lacking += [STATIONS] if not (opened.folder / STATIONS).is_file() else []
    lacking += [f"{key} of run.json" for key in ("inputs", "factors", "references") if key not in opened.record]
    if lacking:
        raise InputError(
            f"{opened.folder} lacks what is compared: {', '.join(lacking)}.",
            wanted="results of a gisprio that keeps them, as this one does.",
            do="run again; what is kept in .gisprio makes that quick.",
        )


def other_watershed(first: OpenedResults, second: OpenedResults) -> InputError:
    """Word that two runs share no bank."""
    return InputError(
        f"no bank of {first.folder} lies near one of {second.folder}: {first.record['name']} and "
        f"{second.record['name']} are other watersheds, or one of them lies wrong.",
        wanted="two runs of one watershed.",
        do="look at both maps; where one lies wrong, mend its coordinate system and run again.",
    )


def _compared(opened: OpenedResults) -> Compared:
    record = opened.record
    return Compared(record["name"], opened.folder.name, record["started"][:10], digest_of_run(record)[:12])


def _titled(differences: pd.DataFrame) -> pd.DataFrame:
    """Give what a difference reaches in words."""
    titles = {subject.key: subject.title for subject in SUBJECTS}
    words = ["; ".join(titles[key] for key in text.split(", ") if key) for text in differences["reaches"]]
    return differences.assign(reaches=pd.Series(words, index=differences.index, dtype="str"))


def _with_planted(differences: pd.DataFrame, planted: Sequence[str]) -> pd.DataFrame:
    if not planted:
        return differences
    own = (differences["kind"] == "layer") & (differences["name"] == "done")
    many = f"{len(set(planted))} site{'s' if len(set(planted)) > 1 else ''}"
    return differences.assign(after=differences["after"].mask(own, f"the same, and {many} as planted and grown"))


Mover = Callable[[np.ndarray], np.ndarray]


def _mover(source: str, target: str) -> Mover | None:
    """Give what takes coordinates from one working system to another; None where they are one."""
    before, after = (pyproj.CRS.from_wkt(text) for text in (source, target))
    if before == after:
        return None
    change = pyproj.Transformer.from_crs(before, after, always_xy=True)
    return lambda xy: np.column_stack(change.transform(xy[:, 0], xy[:, 1])) if len(xy) else xy


def _moved(shapes: np.ndarray, mover: Mover | None) -> np.ndarray:
    return shapes if mover is None else shapely.transform(shapes, mover)


def _stations(opened: OpenedResults, mover: Mover | None) -> pd.DataFrame:
    """Read what is compared of the stations."""
    frame = gpd.read_parquet(opened.file(STATIONS), columns=[*_STATION_COLUMNS, "geometry"])
    xy = shapely.get_coordinates(frame.geometry.to_numpy())
    xy = xy if mover is None else mover(xy)
    table = pd.DataFrame(frame[_STATION_COLUMNS]).assign(x=xy[:, 0], y=xy[:, 1])
    table["clear"] = in_clear_gap(table, opened.gaps)
    return rows_of(table, pd.DataFrame(opened.banks))


def _labelled(before: pd.DataFrame, after: pd.DataFrame, there: np.ndarray) -> pd.DataFrame:
    """Give stations of before the sub-watershed of their partner, so that both runs are summed by one label."""
    label = np.append(after["sub_watershed_id"].to_numpy(object), [None])[there]
    return before.assign(sub_watershed_id=np.where(there >= 0, label, before["sub_watershed_id"].to_numpy(object)))


def _changes_layer(runs: pd.DataFrame, crs: str) -> gpd.GeoDataFrame:
    shapes = gpd.GeoSeries(runs["shape"].to_numpy(object), crs=pyproj.CRS.from_wkt(crs))
    frame = gpd.GeoDataFrame(runs.drop(columns="shape"), geometry=shapes)
    checked = check(CHANGED_GAPS, frame)
    assert isinstance(checked, gpd.GeoDataFrame)
    return checked.set_crs(pyproj.CRS.from_wkt(crs), allow_override=True)


def _pairs(
    first: OpenedResults,
    second: OpenedResults,
    stations: tuple[pd.DataFrame, pd.DataFrame],
    there: np.ndarray,
    mover: Mover | None,
) -> dict[str, pd.DataFrame]:
    """Find the banks, sites and properties that are the same."""
    pairs = {"bank": pair_banks(*stations, there)}
    for what in ("site", "property"):
        tables = [_table(opened, what) for opened in (first, second)]
        shapes = [np.asarray(table.geometry.array) for table in tables]
        ids = [table[f"{what}_id"].tolist() for table in tables]
        pairs[what] = pair_polygons(ids[0], _moved(shapes[0], mover), ids[1], shapes[1])
    return pairs


def _table(opened: OpenedResults, what: str) -> gpd.GeoDataFrame:
    return {"bank": lambda: opened.banks, "site": lambda: opened.sites, "property": lambda: opened.properties}[what]()


def _ranks(
    first: OpenedResults, second: OpenedResults, pairs: dict[str, pd.DataFrame], unlike: set[str]
) -> pd.DataFrame:
    """Tell ranks of banks, sites and properties."""
    tables = {what: [pd.DataFrame(_table(opened, what)) for opened in (first, second)] for what in pairs}
    factors = (first.record["factors"], second.record["factors"])
    whys = {
        "bank": bank_whys(tables["bank"][0], tables["bank"][1], pairs["bank"], factors),
        "site": score_whys(tables["site"][0], tables["site"][1], pairs["site"], "site_id"),
        "property": property_whys(tables["property"][0], tables["property"][1], pairs["property"]),
    }
    told = []
    for what, subject in (("bank", "ranks"), ("site", "sites"), ("property", "properties")):
        by = "priority_gap_m" if what == "property" else "priority"
        (old, new), other = tables[what], subject in unlike
        table = moved_ranks(old, new, pairs[what], f"{what}_id", whys[what], other_rules=other, by=by)
        told.append(table.assign(what=what, comparable=not other, gap_comparable=not unlike & GAP_SUBJECTS))
    return check(MOVED_RANKS, pd.concat(told, ignore_index=True))


def _works(
    first: OpenedResults,
    second: OpenedResults,
    stations: tuple[pd.DataFrame, pd.DataFrame],
    back: np.ndarray,
    mover: Mover | None,
) -> gpd.GeoDataFrame:
    """Tell works that the earlier run did not know."""
    before, after = first.works_done, second.works_done
    shapes, old = (np.asarray(table.geometry.array) for table in (after, before))
    fresh = new_works(pd.DataFrame(after), shapes, pd.DataFrame(before), _moved(old, mover))
    works, shapes = pd.DataFrame(after)[fresh], shapes[fresh]
    later = stations[1]
    gap_then = np.append(stations[0]["gap"].to_numpy(bool), False)[back]
    closed = gap_then & ~later["gap"].to_numpy(bool) & later["buffer_width_m"].notna().to_numpy(bool)
    width = float(second.banks["setback_m"].max()) if len(second.banks) else 0.0
    table = works_told(works, stations_beside(later, shapes, width), later, closed)
    frame = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes[table.index], index=table.index))
    checked = check(WORKS_BETWEEN, frame.reset_index(drop=True))
    assert isinstance(checked, gpd.GeoDataFrame)
    return checked.set_crs(pyproj.CRS.from_wkt(second.record["crs"]), allow_override=True)


def _visits(first: OpenedResults, second: OpenedResults, mover: Mover | None) -> pd.DataFrame:
    """Give the visits of both runs, those of both once, on the banks of the later run where it has them."""
    later, earlier = (opened.visits if "visits" in opened.record["counts"] else None for opened in (second, first))
    if earlier is None or later is None or not len(earlier):
        return pd.DataFrame() if later is None else later
    earlier = earlier.set_geometry(_moved(np.asarray(earlier.geometry.array), mover), crs=later.crs)
    both = gpd.GeoDataFrame(pd.concat([later, earlier], ignore_index=True)) if len(later) else earlier
    place = np.round(shapely.get_coordinates(both.geometry.to_numpy()), 0)
    same = pd.DataFrame({"x": place[:, 0], "y": place[:, 1], "side": both["side"], "date": both["date_y"]})
    return both[~same.duplicated().to_numpy()].reset_index(drop=True)


def _unmatched(first: OpenedResults, second: OpenedResults, pairs: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Count what found no partner, and name some."""
    rows = []
    for what, own in pairs.items():
        ids = [_table(opened, what)[f"{what}_id"] for opened in (first, second)]
        alone = [sorted(set(names) - set(own[end])) for names, end in zip(ids, ("before", "after"), strict=True)]
        rows.append(
            {
                "what": what,
                "before": len(ids[0]),
                "after": len(ids[1]),
                "matched": len(own),
                "gone": listed(alone[0]),
                "came": listed(alone[1]),
            }
        )
    return check(UNMATCHED, pd.DataFrame(rows))


def _write(place: Path, home: Path, comparison: Comparison) -> Path:
    """Write all files, each whole."""
    writers: dict[str, Callable[[Path], Any]] = {
        f"compare-{name}.csv": partial(write_table, frame=comparison.tables[name]) for name in COMPARE_LAYERS
    }
    writers |= {
        MAP: partial(write_compare_map, comparison=comparison),
        LAYERS: partial(write_compare_layers, comparison=comparison),
        PAGE: partial(write_compare_page, comparison=comparison),
    }
    with machine_faults(home), locked(home, []):
        _refuse_foreign(place, list(writers))
        place.mkdir(parents=True, exist_ok=True)
        for name, write in writers.items():
            write_whole(place / name, write)
        files = {name: file_digest(place / name) for name in sorted(writers)}
        ends = {"before": comparison.before.digest, "after": comparison.after.digest}
        write_json(place / MANIFEST, {**ends, "planted": list(comparison.planted), "files": files})
    return place / PAGE


def _refuse_foreign(place: Path, names: Sequence[str]) -> None:
    """Refuse to write over files that no comparison made.

    Raises
    ------
    SettingsError
        Naming them; or the place is a file.
    """
    own = (read_json(place / MANIFEST) or {}).get("files")
    foreign = [name for name in names if (place / name).exists() and name not in (own if isinstance(own, dict) else {})]
    if foreign or (place.exists() and not place.is_dir()) or place.name == STORE:
        there = (
            f"holds files of these names that are not gisprio's: {', '.join(foreign)}" if foreign else "is no folder"
        )
        raise SettingsError(
            f"{place} {there}.",
            wanted="a folder where nothing of another origin would be overwritten.",
            do="give another one with --out.",
        )


def _lines(comparison: Comparison) -> list[str]:
    """Say in a few lines what was found."""
    from gisprio.products.compare_words import in_short

    return list(in_short(comparison))
