"""The layers of the contract, made from tidy vector layers: columns found, kinds named, ids made text."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.layers import (
    BANK_LINES,
    CONSTRAINTS,
    DONE,
    ERODING,
    INFLOWS,
    PARCELS,
    ROADS,
    SETBACK_ZONES,
    SOILS,
    STREAMS,
    SUB_WATERSHEDS,
    VISITS,
    WATER,
    WATERSHED,
    WETLANDS,
)
from gisprio.contracts.schema import Layer
from gisprio.contracts.settings import Columns, Settings
from gisprio.contracts.shipped import shipped
from gisprio.contracts.words import STREAM_KINDS
from gisprio.inputs.dates import as_years, year_of
from gisprio.inputs.normalised import Normalised, as_numbers, as_text
from gisprio.inputs.normalised import column as _column
from gisprio.inputs.normalised import made_layer as _done
from gisprio.inputs.vectors import FEATURE, Shape
from gisprio.inputs.visits import make_visits

FCODES = "stream_kinds/nhd-fcode.csv"
DIVERGENCES = {"0": 0, "1": 1, "2": 2, "main": 1, "minor": 2}
"""What the words and codes of ``streams.divergence`` mean."""


@dataclass(frozen=True, slots=True)
class VectorLayer:
    """How a layer of the config becomes one of the contract.

    Parameters
    ----------
    layer
        The contract.
    shape
        What geometries it holds.
    columns
        Key below ``[columns]`` to column name, from the settings.
    make
        From the tidy frame and the settings to the layer.
    """

    layer: Layer
    shape: Shape
    columns: Callable[[Columns], dict[str, str | None]]
    make: Callable[[gpd.GeoDataFrame, Settings], Normalised]


def make_streams(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the stream lines.

    Parameters
    ----------
    frame
        Tidy single lines in the working system.
    settings
        ``columns`` and ``stream_kinds`` are read.

    Returns
    -------
    Normalised
        Layer ``streams``; of lines that are equal but for their direction the first is kept.

    Raises
    ------
    ContractError
        When the frame was not tidy.
    """
    named = settings.columns.streams
    findings: list[Finding] = []
    ids = as_text(_column(frame, named.id))
    if named.id is not None:
        rows = ids[~frame[FEATURE].duplicated()]
        twice = rows[rows.notna() & rows.duplicated()]
        if len(twice):
            says = f"streams: {twice.nunique()} ids stand on several lines: {listed(dict.fromkeys(twice))}."
            findings.append(Finding("note", "streams", "duplicate_id", "", says, "nothing to do: ids are only shown."))
    kinds, told = _kinds(_column(frame, named.kind), frame.geometry.length, named.kind is not None, settings)
    findings += told
    area, told = as_numbers("streams", "area_km2", _column(frame, named.area_km2), 0.0, np.inf)
    findings += told
    equal = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), frame.index).duplicated()
    if equal.any():
        length = frame.geometry.length[equal].sum() / 1000
        says = f"streams: {int(equal.sum())} lines ({length:.2f} km) are drawn twice; each is taken once."
        findings.append(Finding("warning", "streams", "duplicate_geometry", "", says, "delete the doubles."))
    divergence, told = _divergences(_column(frame, named.divergence))
    findings += told
    columns = {
        "source_id": ids,
        "name": as_text(_column(frame, named.name)),
        "kind": kinds,
        "class": as_text(_column(frame, named.class_)),
        "area_km2": area,
        "divergence": divergence,
    }
    return _done(STREAMS, frame[~equal], {name: values[~equal] for name, values in columns.items()}, findings)


def _divergences(values: pd.Series) -> tuple[pd.Series, list[Finding]]:
    """Read 2 or minor, 0, 1 or main; what is neither says nothing and is a finding."""
    words = as_text(values)
    codes = words.map(lambda word: DIVERGENCES.get(word.lower()) if isinstance(word, str) else None)
    strange = words.notna() & codes.isna()
    if not strange.any():
        return codes, []
    shown = listed(dict.fromkeys(words[strange]))
    says = f"streams.divergence: {int(strange.sum())} values are not 0, 1, 2, main or minor and say nothing: {shown}."
    return codes, [Finding("warning", "streams", "value", "", says, "give 2 on minor paths, 0 or 1 elsewhere.")]


def _kinds(values: pd.Series, length_m: pd.Series, given: bool, settings: Settings) -> tuple[pd.Series, list[Finding]]:
    """Name what each line is: by the config's map, a kind's own word, an FCode; else unconfirmed."""
    if not given:
        return pd.Series("natural", index=values.index, dtype=object), []
    words = as_text(values).fillna("")
    known = {**fcode_kinds(), **{kind: kind for kind in STREAM_KINDS}, **settings.stream_kinds}
    kinds = words.map(lambda word: known.get(word) or known.get(word.lower()))
    unknown = kinds.isna()
    if not unknown.any():
        return kinds.astype(object), []
    totals = (length_m[unknown] / 1000).groupby(words[unknown]).sum().sort_values(ascending=False)
    shown = listed(f"{word or '(empty)'} ({total:.1f} km)" for word, total in totals.items())
    finding = Finding(
        "warning",
        "streams",
        "unknown_kind",
        "",
        f"streams.kind holds words or codes without a meaning here: {shown}. Those lines are unconfirmed.",
        'say what they are under [stream_kinds], as in "' + str(totals.index[0]) + '" = "natural".',
    )
    return kinds.fillna("unconfirmed").astype(object), [finding]


def fcode_kinds() -> dict[str, str]:
    """Give the kind of each FCode of the US hydrography data, by its digits."""
    lines = shipped(FCODES).read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return {row["code"]: row["kind"] for row in rows}


def make_inflows(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the inflows; those without an area above 0 are left out. Parameters and raises as :func:`make_streams`."""
    area, findings = as_numbers("inflows", "area_km2", _column(frame, settings.columns.inflows.area_km2), 0.0, np.inf)
    known = area > 0
    if not known.all():
        says = f"inflows: {int((~known).sum())} of {len(known)} points have no area above 0 and are left out."
        findings.append(Finding("warning", "inflows", "no_area", "", says, "give the drainage area in km2."))
    return _done(INFLOWS, frame[known], {"area_km2": area[known]}, findings)


def make_properties(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the parcels: rows of one id are one parcel; rows without an id are left out.

    Parameters
    ----------
    frame
        Tidy polygons in the working system.
    settings
        ``columns`` is read; ``properties.id`` is given.

    Returns
    -------
    Normalised
        Layer ``properties``, in the order in which ids first come.

    Raises
    ------
    ContractError
        When the frame was not tidy.
    """
    named = settings.columns.properties
    findings: list[Finding] = []
    ids = as_text(_column(frame, named.id))
    classes = as_text(_column(frame, named.class_))
    if ids.isna().any():
        says = (
            f"properties: {int(ids.isna().sum())} of {len(ids)} parcels have no id in {named.id} and are left out "
            f"({frame.geometry.area[ids.isna()].sum() / 1e4:.1f} ha)."
        )
        findings.append(Finding("warning", "properties", "missing_id", "", says, "give them an id."))
        frame, classes, ids = frame[ids.notna()], classes[ids.notna()], ids.dropna()
    findings += _stacked(frame, ids)
    several = ids.duplicated(keep=False)
    if several.any():
        names = list(dict.fromkeys(ids[several]))
        says = f"properties: {len(names)} ids stand on several rows, joined into one parcel each: {listed(names)}."
        do = f"check that {named.id} is the parcel's number, not the owner's or the map sheet's."
        findings.append(Finding("note", "properties", "duplicate_id", "", says, do))
    shapes = frame.geometry.groupby(ids.to_numpy(), sort=False).agg(
        lambda group: group.iloc[0] if len(group) == 1 else shapely.union_all(group.to_numpy())
    )
    first = classes.groupby(ids.to_numpy(), sort=False).first()
    order = list(dict.fromkeys(ids))
    joined = gpd.GeoDataFrame(geometry=gpd.GeoSeries([shapes[name] for name in order], crs=frame.crs), crs=frame.crs)
    columns = {"property_id": order, "class": [first[name] if pd.notna(first[name]) else None for name in order]}
    return _done(PARCELS, joined, columns, findings)


def _stacked(frame: gpd.GeoDataFrame, ids: pd.Series) -> list[Finding]:
    """Find parcels with one shape and several ids, as flats of one house often are."""
    shape = pd.Series(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), frame.index)
    several = ids.groupby(shape.to_numpy()).transform("nunique").to_numpy() > 1 if len(ids) else np.zeros(0, bool)
    if not several.any():
        return []
    says = f"properties: {int(several.sum())} parcels share their exact shape with another id: {listed(ids[several])}."
    do = "keep one row a shape (flats of one house), else the same bank counts for each of them."
    return [Finding("warning", "properties", "duplicate_geometry", "", says, do)]


def make_water(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the water polygons; parameters and raises as :func:`make_streams`."""
    return _done(WATER, frame, {"kind": as_text(_column(frame, settings.columns.water.kind))}, [])


def make_roads(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the roads; parameters and raises as :func:`make_streams`."""
    return _done(ROADS, frame, {"class": as_text(_column(frame, settings.columns.roads.class_))}, [])


def make_soils(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the soil units; parameters and raises as :func:`make_streams`."""
    named = settings.columns.soils
    k, told = as_numbers("soils", "k", _column(frame, named.k), 0.0, np.inf)
    fines, more = as_numbers("soils", "silt_clay", _column(frame, named.silt_clay), 0.0, 100.0)
    return _done(SOILS, frame, {"k_us": k, "silt_clay_pct": fines}, told + more)


def make_bank_lines(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the bank lines; parameters and raises as :func:`make_streams`."""
    named = settings.columns.bank_lines
    years, findings = as_years("bank_lines", "date", _column(frame, named.date))
    error, told = as_numbers("bank_lines", "error_m", _column(frame, named.error_m), 0.0, np.inf)
    if years.notna().any() and years.isna().any():
        says = (
            f"bank_lines: {int(years.isna().sum())} of {len(years)} lines have no date: the setback is measured from "
            "them only where no dated line is, and no retreat is."
        )
        findings.append(Finding("warning", "bank_lines", "no_date", "", says, "give them a date."))
    return _done(BANK_LINES, frame, {"date_y": years, "error_m": error}, findings + told)


def make_wetlands(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the wetlands; parameters and raises as :func:`make_streams`."""
    return _done(WETLANDS, frame, {}, [])


def make_constraints(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make what keeps a bank from being planted; parameters and raises as :func:`make_streams`."""
    return _done(CONSTRAINTS, frame, {"kind": as_text(_column(frame, settings.columns.constraints.kind))}, [])


def make_done(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the works already done; those that a status or a later date says are not done are left out.

    Parameters
    ----------
    frame
        Tidy geometries in the working system.
    settings
        ``columns``, ``works`` and ``run.as_of`` are read.

    Returns
    -------
    Normalised
        Layer ``done``.

    Raises
    ------
    ContractError
        When the frame was not tidy.
    """
    named, works = settings.columns.done, settings.works
    kinds = as_text(_column(frame, named.kind))
    words = kinds.fillna("").str.lower()
    planting = words.map(lambda text: any(word in text for word in works.planting)) | (words == "")
    years, findings = as_years("done", "date", _column(frame, named.date))
    as_of = year_of(settings.run.as_of) if settings.run.as_of is not None else years.max()
    told_status = as_text(_column(frame, named.status))
    status = told_status.fillna("").str.lower()
    undone = status.map(lambda text: text.startswith(works.not_done))
    later = years > (np.inf if as_of is None else as_of)
    for which, why in ((undone, f"are not done by their status ({listed(sorted(set(status[undone])))})"),
                       (later & ~undone, f"are of a date after [run] as_of {settings.run.as_of}")):  # fmt: skip
        if which.any():
            says = f"done: {int(which.sum())} of {len(frame)} works {why} and are left out."
            findings.append(Finding("note", "done", "not_done", "", says, "nothing to do, if that is right."))
    kept = ~undone & ~later
    year = pd.array(np.floor(years[kept]), dtype="Int64")
    columns = {"kind": kinds[kept], "planting": planting[kept], "year": year, "age_y": (as_of - years)[kept]}
    columns["status"] = told_status[kept]
    return _done(DONE, frame[kept], columns, findings)


def make_eroding(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the banks seen to erode; parameters and raises as :func:`make_streams`."""
    named = settings.columns.eroding
    years, findings = as_years("eroding", "date", _column(frame, named.date))
    height, told = as_numbers("eroding", "height_m", _column(frame, named.height_m), 0.0, np.inf)
    year = pd.Series(pd.array(np.floor(years), dtype="Int64"), index=frame.index)
    return _done(ERODING, frame, {"year": year, "height_m": height}, findings + told)


def make_watershed(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the area of interest; parameters and raises as :func:`make_streams`."""
    return _done(WATERSHED, frame, {}, [])


def make_sub_watersheds(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the sub-watersheds, numbered where no name is given; parameters and raises as :func:`make_streams`."""
    numbers = pd.Series([str(number) for number in range(1, len(frame) + 1)], index=frame.index, dtype=object)
    names = as_text(_column(frame, settings.columns.sub_watersheds.name))
    return _done(SUB_WATERSHEDS, frame, {"name": names.where(names.notna(), numbers)}, [])


def make_setback_zones(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the zones of setback rules; ground without a name is in no zone.

    Parameters and raises as :func:`make_streams`.
    """
    names = as_text(_column(frame, settings.columns.setback_zones.name))
    findings = []
    unknown = sorted(set(names.dropna()) - set(settings.setback.zone))
    if unknown:
        says = f"setback_zones: no rule is given for {listed(unknown)}; the rule of [setback] itself is asked there."
        findings.append(Finding("warning", "setback_zones", "no_rule", "", says, "add [setback.zone.NAME] for them."))
    return _done(SETBACK_ZONES, frame[names.notna()], {"zone": names[names.notna()]}, findings)


VECTOR_LAYERS: tuple[VectorLayer, ...] = (
    VectorLayer(
        STREAMS, "line",
        lambda c: {
            "streams.id": c.streams.id, "streams.name": c.streams.name,
            "streams.kind": c.streams.kind, "streams.class": c.streams.class_, "streams.area_km2": c.streams.area_km2,
            "streams.divergence": c.streams.divergence,
        },
        make_streams,
    ),
    VectorLayer(INFLOWS, "point", lambda c: {"inflows.area_km2": c.inflows.area_km2}, make_inflows),
    VectorLayer(
        PARCELS, "polygon",
        lambda c: {"properties.id": c.properties.id, "properties.class": c.properties.class_},
        make_properties,
    ),
    VectorLayer(WATER, "polygon", lambda c: {"water.kind": c.water.kind}, make_water),
    VectorLayer(ROADS, "line", lambda c: {"roads.class": c.roads.class_}, make_roads),
    VectorLayer(CONSTRAINTS, "any", lambda c: {"constraints.kind": c.constraints.kind}, make_constraints),
    VectorLayer(
        DONE, "any",
        lambda c: {"done.kind": c.done.kind, "done.date": c.done.date, "done.status": c.done.status},
        make_done,
    ),
    VectorLayer(
        ERODING, "any",
        lambda c: {"eroding.date": c.eroding.date, "eroding.height_m": c.eroding.height_m},
        make_eroding,
    ),
    VectorLayer(
        BANK_LINES, "line",
        lambda c: {"bank_lines.date": c.bank_lines.date, "bank_lines.error_m": c.bank_lines.error_m},
        make_bank_lines,
    ),
    VectorLayer(
        SOILS, "polygon",
        lambda c: {"soils.k": c.soils.k, "soils.silt_clay": c.soils.silt_clay},
        make_soils,
    ),
    VectorLayer(WETLANDS, "polygon", lambda c: {}, make_wetlands),
    VectorLayer(WATERSHED, "polygon", lambda c: {}, make_watershed),
    VectorLayer(
        SUB_WATERSHEDS, "polygon", lambda c: {"sub_watersheds.name": c.sub_watersheds.name}, make_sub_watersheds
    ),
    VectorLayer(
        SETBACK_ZONES, "polygon", lambda c: {"setback_zones.name": c.setback_zones.name}, make_setback_zones
    ),
    VectorLayer(VISITS, "point", lambda c: {}, make_visits),
)  # fmt: skip
"""Every vector layer of the contract, and how it is made."""
