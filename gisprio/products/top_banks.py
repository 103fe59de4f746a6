"""The most urgent banks for phones and globes: a line and a point each, with rank and reason."""

from __future__ import annotations

import html
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

import geopandas as gpd
import pyproj
import shapely

from gisprio.contracts.cards import Results
from gisprio.contracts.words import CAUTION
from gisprio.products.document import plain
from gisprio.products.origin import told_origin
from gisprio.products.units import Shown, sentences_in, shown_units

_COLOUR = "ff0e5fd9"
"""Orange that stands out on an air photo, as opacity, blue, green, red."""
_STYLE = (
    f'<Style id="bank"><LineStyle><color>{_COLOUR}</color><width>5</width></LineStyle>'
    f"<IconStyle><color>{_COLOUR}</color></IconStyle></Style>"
)


def write_top(path: Path, results: Results) -> None:
    """Write ``top.kmz``: the banks up to rank ``[robustness] top_n``, the most urgent first.

    Parameters
    ----------
    path
        File to write.
    results
        ``banks``, settings and record.

    Notes
    -----
    Text of the data is escaped twice where viewers show a description as HTML, so that it stays text. It is for the
    team: it says rank and reason.
    """
    inside = kml_of(top_banks(results), results)
    with ZipFile(path, "w") as packed:
        packed.writestr(ZipInfo("doc.kml"), inside.encode("utf-8"), ZIP_DEFLATED)


def top_banks(results: Results) -> gpd.GeoDataFrame:
    """Give the banks up to rank ``[robustness] top_n``, the most urgent first, in degrees."""
    banks = results.tables["banks"]
    top = banks[banks["rank"].notna() & (banks["rank"] <= results.settings.robustness.top_n)]
    placed = gpd.GeoDataFrame(top).set_crs(pyproj.CRS.from_wkt(results.crs), allow_override=True)
    return placed.sort_values(["rank", "bank_id"], kind="stable").to_crs(4326)


def kml_of(top: gpd.GeoDataFrame, results: Results) -> str:
    """Give the content of the file as text."""
    name = f"Most urgent banks of {results.settings.run.name}"
    told = f"{CAUTION} For the team, not for publishing. {told_origin(results.record)}."
    units = results.settings.report.units
    worded = top.assign(why=sentences_in(top["why"], units))
    marks = "\n".join(_placemark(row, shown_units(units)["m"]) for row in worded.itertuples())
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n'
        f"<name>{plain(name)}</name>\n<description>{plain(html.escape(told))}</description>\n{_STYLE}\n{marks}\n"
        "</Document>\n</kml>\n"
    )


def _placemark(row: Any, metre: Shown) -> str:
    stream = row.name if isinstance(row.name, str) else "stream without a name"
    name = f"{row.rank}. {stream}, {row.side} bank"
    told = "<br/>".join(plain(text) for text in _told(row, metre))
    return (
        f"<Placemark><name>{plain(name)}</name><description>{plain(told)}</description><styleUrl>#bank</styleUrl>"
        f"<MultiGeometry>{_point(row.geometry)}{''.join(_lines(row.geometry))}</MultiGeometry></Placemark>"
    )


def _told(row: Any, metre: Shown) -> Iterator[str]:
    """Say of a bank what its card says first."""
    by, unit = metre
    yield f"Bank {row.bank_id}, rank {row.rank}; priority {row.priority:.0f} of 100."
    yield row.why
    if row.gap_length_m == row.gap_length_m:
        gap, length, setback = (by * metres for metres in (row.gap_length_m, row.length_m, row.setback_m))
        yield f"{gap:.0f} of {length:.0f} {unit} lack the setback of {setback:.0f} {unit}."
    if row.rank_p05 == row.rank_p05:
        yield f"In 90 % of draws of weights and errors its rank is {row.rank_p05:.0f} to {row.rank_p95:.0f}."
    yield "Screening from maps: verify in the field, and ask the owner before you enter."


def _point(shape: Any) -> str:
    middle = shapely.line_interpolate_point(_longest(shape), 0.5, normalized=True)
    return f"<Point><coordinates>{_places(middle)}</coordinates></Point>"


def _lines(shape: Any) -> Iterator[str]:
    for part in shapely.get_parts(shape):
        yield f"<LineString><tessellate>1</tessellate><coordinates>{_places(part)}</coordinates></LineString>"


def _longest(shape: Any) -> Any:
    return max(shapely.get_parts(shape), key=shapely.length)


def _places(shape: Any) -> str:
    return " ".join(f"{x:.7f},{y:.7f}" for x, y in shapely.get_coordinates(shape))
