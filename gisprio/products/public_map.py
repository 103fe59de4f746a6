"""The map for everybody: totals of parts of the watershed and coarse stream lines; no property, no bank, no reach."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from gisprio.contracts.cards import Results
from gisprio.contracts.words import CAUTION, NEEDS
from gisprio.products.backdrop import draw_backdrop
from gisprio.products.classes import NEED_CLASSES, SHARE_CLASSES, share_class
from gisprio.products.disclosure import FEWEST_PROPERTIES, MOST_SHARE, Parts, held_by_property, may_be_told, pool_parts
from gisprio.products.hillshade import Shade, as_shade
from gisprio.products.page import Design, OfflineMap, Panel, assemble_page, hillshade_layer
from gisprio.products.payload import encode, pack_numbers, pack_words
from gisprio.products.units import shown_units

PUBLIC = Design(
    markup="public.html",
    styles=("base.css", "public.css"),
    scripts=("text.js", "unpack.js", "shapes.js", "drawings.js", "public_lines.js", "public.js"),
)

LINE_TOLERANCE_M = 50.0
"""Stream lines are simplified to this [own]: no bend of a single reach is left."""

DIGITS = 4
"""Decimals of degrees of the stream lines [own]: about 10 m."""

TOTALS = {"bank_km": 1, "known_km": 1, "gap_km": 1, "gap_ha": 1, "missing": 2, "erode": 2, **dict.fromkeys(NEEDS, 2)}
"""What is told of a part, with its decimals: lengths [km], ground [ha], and shares of 1."""

Numbers = NDArray[np.int64]


def write_public_map(path: Path, results: Results) -> None:
    """Write ``map-public.html``.

    Parameters
    ----------
    path
        File to write.
    results
        Result layers, elevations, settings and record of the run. With ``frontages`` among the tables there are
        totals by sub-watershed; without them only those of the whole.
    """
    shade = _hillshade(results)
    data = public_data(results, shade)
    chart = OfflineMap(data["about"].pop("centre"), "Map of streams")
    if shade is not None:
        hillshade_layer(shade).add_to(chart)
    Panel(encode(data), PUBLIC).add_to(chart)
    page = assemble_page(chart, "Streams and their banks", design=PUBLIC)
    path.write_text(page, encoding="utf-8", newline="\n")


def _hillshade(results: Results) -> Shade | None:
    """Give the hillshade; None where the picture holds an image of the user's, which may show single properties."""
    picture = results.backdrop() if results.backdrop is not None else draw_backdrop(results.elevation, results.crs)
    return None if picture is None or picture.has_image else as_shade(picture)


def public_data(results: Results, shade: Shade | None) -> dict[str, Any]:
    """Give what the page shows, as plain data, and besides the centre of the map.

    Parameters
    ----------
    results
        Result layers, settings and record.
    shade
        The hillshade, whose exaggeration the legend names.

    Returns
    -------
    dict
        For :func:`gisprio.products.payload.encode`. Totals of parts that may not be told are null.
    """
    reaches, banks = results.tables["reaches"], _looked_at(results)
    labels = sorted({_label(value) for value in banks["sub_watershed_id"]})
    place = {label: number for number, label in enumerate(labels)}
    banks["sub"] = [place[_label(value)] for value in banks["sub_watershed_id"]]
    sub = _subs(reaches, place, results.settings.priority.ranked_kinds)
    parts, by = _parts(results, banks, sub, len(labels))
    banks["part"] = parts.of[banks["sub"]] if len(banks) else 0
    part = np.where(sub >= 0, parts.of[sub], -1) if len(labels) else sub
    names = _part_names(banks, labels, parts, given=bool(results.settings.layers.sub_watersheds))
    streams = _streams(reaches, part, results.crs)
    told = banks[parts.told[banks["part"]]] if len(banks) else banks
    return {
        "about": {**_about(results, shade, told, by), "centre": _centre(reaches, results.crs)},
        "classes": [{"low": c.low, "high": c.high, "colour": c.colour, "says": c.says} for c in SHARE_CLASSES],
        "needs": [{"need": c.need, "colour": c.colour, "says": c.says} for c in NEED_CLASSES],
        "streams": streams,
        "parts": _told_parts(names, told, parts),
        "total": _packed(_totals(told.assign(part=0)).reindex([0])),
    }


def _looked_at(results: Results) -> pd.DataFrame:
    """Give the banks that were judged."""
    banks = pd.DataFrame(results.tables["banks"]).drop(columns="geometry")
    return banks[banks["not_ranked"].isna()].reset_index(drop=True)


def _label(value: object) -> str:
    return str(value) if isinstance(value, str) else ""


def _subs(reaches: pd.DataFrame, place: dict[str, int], kinds: Sequence[str]) -> Numbers:
    """Give the sub-watershed of each reach; -1 where its stream was not looked at."""
    known = reaches["kind"].isin(kinds).to_numpy(bool)
    number = [place.get(_label(value), -1) for value in reaches["sub_watershed_id"]]
    return np.where(known, np.array(number, np.int64).reshape(-1), -1)


def _parts(results: Results, banks: pd.DataFrame, sub: Numbers, count: int) -> tuple[Parts, str]:
    """Give the parts that are told, and by what: ``parts``, the ``whole``, or the whole of ``unknown`` properties."""
    tables = results.tables
    properties, frontages = tables["properties"], tables.get("frontages")
    whole = np.zeros(count, np.int64)
    if not len(properties) or not count:
        return Parts(whole, np.ones(min(count, 1), bool)), "unknown"
    if frontages is None or not len(frontages):
        own = held_by_property(pd.DataFrame(properties[properties["frontage_m"] > 0]))
        return Parts(whole, np.array([may_be_told(own)])), "whole"
    held = frontages.assign(sub=frontages["bank_id"].map(banks.set_index("bank_id")["sub"]))
    held = held[held["sub"].notna() & (held["frontage_m"] > 0)].astype({"sub": np.int64})
    reaches = tables["reaches"]
    shapes, rows = np.asarray(reaches.geometry.values), pd.Series(sub).groupby(sub).indices
    lines = [_coarse(shapes[rows.get(number, np.empty(0, np.int64))]) for number in range(count)]
    return pool_parts(count, held, _links(reaches, sub), lines), "parts"


def _links(reaches: pd.DataFrame, sub: Numbers) -> Numbers:
    """Give the pairs of sub-watersheds of which one flows into the other. (m, 2)"""
    below = pd.Index(reaches["reach_id"]).get_indexer(pd.Index(reaches["downstream_reach_id"]))
    pairs = np.column_stack([sub, np.where(below >= 0, sub[below], -1)])
    return np.unique(pairs[(pairs >= 0).all(axis=1) & (pairs[:, 0] != pairs[:, 1])], axis=0).astype(np.int64)


def _part_names(banks: pd.DataFrame, labels: Sequence[str], parts: Parts, *, given: bool) -> list[str]:
    """Name each part: by the sub-watersheds' names where the user gave them, else by the two streams with most banks.

    Labels that gisprio made hold ids of segments, so they stay out.
    """
    metres = banks.groupby(["part", "name"])["length_m"].sum().reset_index()
    longest = metres.sort_values(["length_m", "name"], ascending=[False, True]).groupby("part").head(2)
    streams = longest.groupby("part")["name"].agg(list).to_dict()
    names = []
    for number in range(len(parts.told)):
        own = [labels[int(sub)] or "No sub-watershed" for sub in np.flatnonzero(parts.of == number)]
        names.append(" and ".join(own if given else streams.get(number, [])) or f"Part {number + 1}")
    if len(names) == 1:
        return ["Whole watershed"]
    same = pd.Series(names, dtype=object)
    order = same.groupby(same).cumcount() + 1
    twice = same.duplicated(keep=False)
    return [f"{name} ({n})" if two else name for name, n, two in zip(names, order, twice, strict=True)]


def _told_parts(names: Sequence[str], told: pd.DataFrame, parts: Parts) -> dict[str, Any]:
    totals = _totals(told).reindex(np.arange(len(names)))
    return {
        "name": list(names),
        "told": [int(one) for one in parts.told],
        "class": [-1 if np.isnan(share) else share_class(share) for share in totals["missing"]],
        **_packed(totals),
    }


def _totals(banks: pd.DataFrame) -> pd.DataFrame:
    """Sum up banks by ``part``: the columns of :data:`TOTALS`, null where nothing of it is known."""
    length = banks["length_m"].to_numpy(float)
    gap = banks["gap_length_m"].to_numpy(float, na_value=np.nan)
    area = banks["gap_area_m2"].to_numpy(float, na_value=np.nan)
    measured = banks["width_known_share"].to_numpy(float, na_value=np.nan)
    erode = banks["erosion_above_share"].to_numpy(float, na_value=np.nan)
    known = np.where(np.isnan(gap), np.nan, length * np.where(np.isnan(measured), 1.0, measured))
    untold = banks["need"].isna().to_numpy(bool) | np.isnan(gap)
    need = {word: np.where(untold, np.nan, length * (banks["need"] == word)) for word in NEEDS}
    metres = {"bank": length, "known": known, "gap": gap, "area": area, "erode": erode * length}
    rows = pd.DataFrame({**metres, "judged": np.where(np.isnan(erode), np.nan, length), **need})
    sums = rows.groupby(banks["part"].to_numpy(np.int64)).sum(min_count=1)
    of_need = sums[list(NEEDS)].sum(axis=1, min_count=1)
    told = {
        "bank_km": sums["bank"] / 1000,
        "known_km": sums["known"] / 1000,
        "gap_km": sums["gap"] / 1000,
        "gap_ha": sums["area"] / 10_000,
        "missing": (sums["gap"] / sums["known"].where(sums["known"] > 0)).clip(upper=1.0),
        "erode": sums["erode"] / sums["judged"],
        **{word: sums[word] / of_need for word in NEEDS},
    }
    return pd.DataFrame(told, index=sums.index).astype(float)


def _packed(totals: pd.DataFrame) -> dict[str, Any]:
    return {name: pack_numbers(totals[name], digits) for name, digits in TOTALS.items()}


def _streams(reaches: gpd.GeoDataFrame, part: Numbers, crs: str) -> dict[str, Any]:
    """Give one coarse line for each stream of each part; what was not looked at has part -1."""
    names = reaches["name"].fillna("").astype(str).to_numpy(object)
    shapes, rows = np.asarray(reaches.geometry.values), pd.Series(names).groupby([part, names]).indices
    keys = sorted(rows)
    lines = [_coarse(shapes[rows[key]]) for key in keys]
    packed, kept = _packed_lines(lines, crs)
    told = pd.Series([name or None for _, name in keys], dtype=object)[kept]
    return {"shapes": packed, "name": pack_words(told), "part": [int(keys[i][0]) for i in np.flatnonzero(kept)]}


def _coarse(lines: NDArray[np.object_]) -> shapely.Geometry:
    """Put the lines of a stream together, so that no reach is told from the next, and simplify them."""
    merged = shapely.line_merge(shapely.multilinestrings(shapely.get_parts(lines)))
    return shapely.simplify(merged, LINE_TOLERANCE_M)


def _packed_lines(lines: Sequence[shapely.Geometry], crs: str) -> tuple[dict[str, Any], NDArray[np.bool_]]:
    """Pack lines as :func:`gisprio.products.payload.pack_shapes` does, of fewer decimals; and which of them are left.

    Pieces so short that their ends fall together are left out.
    """
    runs, of_line = shapely.get_parts(np.array(lines, object), return_index=True)
    xy, of_run = shapely.get_coordinates(runs, return_index=True)
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:4326", always_xy=True)
    degrees = np.column_stack(to_degrees.transform(xy[:, 0], xy[:, 1])) if len(xy) else xy
    whole = np.round(degrees * 10**DIGITS).astype(np.int64).reshape(-1, 2)
    moved = np.r_[True, (np.diff(whole, axis=0) != 0).any(axis=1) | (np.diff(of_run) != 0)][: len(whole)]
    points = np.bincount(of_run[moved], minlength=len(runs))
    whole = whole[moved & (points[of_run] > 1)]
    parts = np.bincount(of_line[points > 1], minlength=len(lines))
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), np.int64))
    packed = {
        "digits": DIGITS,
        "closed": False,
        "tolerance_m": LINE_TOLERANCE_M,
        "parts": parts[parts > 0],
        "points": points[points > 1],
        "x": steps[:, 0],
        "y": steps[:, 1],
    }
    return packed, parts > 0


def _about(results: Results, shade: Shade | None, banks: pd.DataFrame, by: str) -> dict[str, Any]:
    settings = results.settings
    setback = banks["setback_m"]
    return {
        "title": settings.run.name,
        "date": str(results.record.get("started", ""))[:10],
        "caution": CAUTION,
        "contact": settings.report.contact,
        "units": {unit: list(shown) for unit, shown in shown_units(settings.report.units).items()},
        "system": settings.report.units,
        "setback_m": [round(float(setback.min())), round(float(setback.max()))] if len(setback) else None,
        "counts": list(settings.setback.counts),
        "told_by": by,
        "fewest": FEWEST_PROPERTIES,
        "most_share": MOST_SHARE,
        "line_m": LINE_TOLERANCE_M,
        "exaggeration": None if shade is None else shade.exaggeration,
    }


def _centre(reaches: gpd.GeoDataFrame, crs: str) -> tuple[float, float]:
    """Give latitude and longitude of the middle of the reaches, to two decimals."""
    x0, y0, x1, y1 = reaches.total_bounds
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform((x0 + x1) / 2, (y0 + y1) / 2)
    return float(np.round(latitude, 2)), float(np.round(longitude, 2))
