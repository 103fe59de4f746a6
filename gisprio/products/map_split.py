"""Maps of a run with more banks than one page sorts: one a sub-watershed, and a page that leads to them.

Ranks stay those of the whole run; so does everything counted in them.
"""

from __future__ import annotations

import dataclasses
import html
import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from numpy.typing import NDArray

from gisprio.contracts.cards import Part, Results, Tables
from gisprio.contracts.grids import ArraySource, Bounds, Grid, GridSource, Lattice
from gisprio.contracts.pictures import Picture
from gisprio.contracts.words import CAUTION
from gisprio.products.map import write_map

MOST_BANKS = 131_072
"""2^17: the page's keys of score and row stay exact up to here."""

REST = "rest"
"""What a map is called whose reaches have no sub-watershed."""

AUDIENCES = ("board", "public")
"""Names of maps for others than the team begin so: no sub-watershed takes them."""

_LONGEST = 40
_AROUND_M = 500.0
_STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#1d2733;max-width:52rem;margin:2rem auto;padding:0 1.2rem}"
    "table{border-collapse:collapse;width:100%}th,td{text-align:right;padding:.4rem .6rem;border-bottom:1px solid #ccc}"
    "th:first-child,td:first-child{text-align:left;overflow-wrap:anywhere}a{color:#0b5a6b}.quiet{color:#4c5663}"
    ".scroll{overflow-x:auto}"
)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; base-uri 'none'"


def write_maps(
    path: Path, results: Results, write_one: Callable[[Path, Results], None], most: int = MOST_BANKS
) -> None:
    """Write the map of a run, or its maps and the page that leads to them.

    Parameters
    ----------
    path
        ``map.html``; the others lie beside it as ``map-NAME.html``.
    results
        Of the whole run.
    write_one
        Writes one map.
    most
        Banks that one map may hold.
    """
    parts = split(results, most, path.name)
    for name, part in parts:
        write_one(path.with_name(name), part)
    if len(parts) > 1:
        path.write_text(index_page(path.name, results, parts, most), encoding="utf-8", newline="\n")


def write_map_of_run(path: Path, results: Results) -> None:
    """Write the map of a run: one, or one a sub-watershed where there are too many banks."""
    write_maps(path, results, write_map)


def split(results: Results, most: int = MOST_BANKS, file: str = "map.html") -> list[tuple[str, Results]]:
    """Give the maps of a run: file name and the results each shows.

    Parameters
    ----------
    results
        Of the whole run.
    most
        Banks that one map may hold.
    file
        Name of the one map, or of the page that leads to several.

    Returns
    -------
    list
        ``file`` with all results where they hold no more banks; else a map a sub-watershed, in the order of their
        ids, those of reaches without one last. A sub-watershed with more banks is cut on between streams, and a stream
        between reaches.
    """
    reaches = results.tables["reaches"]
    if len(results.tables["banks"]) <= most:
        return [(file, results)]
    groups = [chunk for label, rows in _sub_watersheds(reaches) for chunk in _chunks(label, rows, results, most)]
    names = _file_names([label for label, _ in groups], Path(file).stem)
    counted = {name: int(results.tables["banks"][name].notna().sum()) for name in ("rank", "erosion_rank", "gap_rank")}
    counted["properties"] = int(results.tables["properties"]["rank"].notna().sum())
    parts = []
    for (label, rows), name in zip(groups, names, strict=True):
        part = Part(label, len(groups), file, counted)
        parts.append((name, _subset(results, reaches.iloc[rows], part)))
    return parts


def index_page(file: str, results: Results, parts: Sequence[tuple[str, Results]], most: int) -> str:
    """Give the page that leads to the maps: no script, and every text from data escaped."""
    title = html.escape(results.settings.run.name)
    banks = len(results.tables["banks"])
    heads = "".join(f'<th scope="col">{head}</th>' for head in ("Map", "Banks", "Most urgent rank", "In the top 5 %"))
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{title}: maps of ranked stream banks</title>",
            f"<style>{_STYLE}</style>",
            "</head>",
            "<body><main>",
            f'<h1 dir="auto">{title}</h1>',
            f"<p>This run has {banks:,} banks, more than the {most:,} that one map holds. So there is a map for each "
            "sub-watershed. Ranks are those of the whole run on every map.</p>",
            f'<div class="scroll"><table id="maps"><thead><tr>{heads}</tr></thead><tbody>',
            *(_index_row(name, part) for name, part in parts),
            "</tbody></table></div>",
            f'<p class="quiet">{html.escape(CAUTION)}</p>',
            "</main></body>",
            "</html>",
            "",
        ]
    )


def _index_row(name: str, part: Results) -> str:
    assert part.part is not None
    banks = part.tables["banks"]
    rank = banks["rank"].dropna()
    first = f"{int(rank.min()):,}" if len(rank) else "none ranked"
    top = int((rank <= -(-part.part.ranked["rank"] * 5 // 100)).sum())
    link = f'<a href="{name}"><bdi>{html.escape(part.part.label)}</bdi></a>'
    return f"<tr><td>{link}</td><td>{len(banks):,}</td><td>{first}</td><td>{top:,}</td></tr>"


def _sub_watersheds(reaches: pd.DataFrame) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Give each sub-watershed's label and its rows, by id; reaches without one last."""
    ids = reaches["sub_watershed_id"]
    for label, rows in sorted((str(key), rows) for key, rows in ids.groupby(ids).indices.items()):
        yield label, np.asarray(rows, np.int64)
    without = np.flatnonzero(ids.isna())
    if len(without):
        yield REST, without


def _chunks(label: str, rows: NDArray[np.int64], results: Results, most: int) -> list[tuple[str, NDArray[np.int64]]]:
    """Cut the rows of a sub-watershed so that none has more banks than allowed: between streams, else in them."""
    reaches, banks = results.tables["reaches"], results.tables["banks"]
    count = reaches["reach_id"].map(banks["reach_id"].value_counts()).fillna(0).to_numpy(int)[rows]
    if count.sum() <= most:
        return [(label, rows)]
    stream = _streams(results)[rows]
    order = np.argsort(stream, kind="stable")
    rows, count, stream = rows[order], count[order], stream[order]
    of_stream = np.bincount(stream, weights=count).astype(int)
    number, held, chunk = np.zeros(len(rows), int), 0, 0
    for k, own in enumerate(count.tolist()):
        begins = k == 0 or stream[k] != stream[k - 1]
        wanted = of_stream[stream[k]] if begins else own
        if held and held + (wanted if wanted <= most else own) > most:
            chunk, held = chunk + 1, 0
        held += own
        number[k] = chunk
    return [(f"{label}, part {k + 1}", np.sort(rows[number == k])) for k in range(chunk + 1)]


def _streams(results: Results) -> NDArray[np.int64]:
    """Give the number of each reach's stream, in the order in which streams begin; one more for reaches without."""
    profiles = results.tables["long_profiles"].drop_duplicates("reach_id").set_index("reach_id")["stream_id"]
    codes, _ = pd.factorize(results.tables["reaches"]["reach_id"].map(profiles))
    return np.where(codes < 0, codes.max(initial=-1) + 1, codes).astype(np.int64)


def _file_names(labels: Sequence[str], stem: str) -> list[str]:
    """Give a file name for each label: plain letters alone, none twice, also where capitals do not count."""
    names: list[str] = []
    for label in labels:
        plain = re.sub(r"[^A-Za-z0-9_]+", "-", label).strip("-")[:_LONGEST] or "x"
        plain = f"w-{plain}" if plain.lower().startswith(AUDIENCES) else plain
        tried, number = plain, 1
        while f"{stem}-{tried}.html".lower() in {name.lower() for name in names}:
            number += 1
            tried = f"{plain}-{number}"
        names.append(f"{stem}-{tried}.html")
    return names


def _subset(results: Results, reaches: gpd.GeoDataFrame, part: Part) -> Results:
    """Give what belongs to some reaches."""
    banks = results.tables["banks"]
    banks = banks[banks["reach_id"].isin(reaches["reach_id"])]
    x0, y0, x1, y1 = reaches.total_bounds
    box = shapely.box(x0 - _AROUND_M, y0 - _AROUND_M, x1 + _AROUND_M, y1 + _AROUND_M)
    properties = _properties_of(results.tables, banks, box)
    tables = {
        name: _rows_of(table, reaches["reach_id"], banks["bank_id"], properties, box)
        for name, table in results.tables.items()
    }
    if results.backdrop is None:
        elevation = _window(results.elevation, box.bounds)
        return dataclasses.replace(results, tables=tables, elevation=elevation, part=part)
    backdrop = partial(_cropped, results.backdrop, box.bounds, results.crs)
    return dataclasses.replace(results, tables=tables, backdrop=backdrop, part=part)


def _properties_of(tables: Tables, banks: gpd.GeoDataFrame, box: shapely.Polygon) -> pd.Series:
    """Give the ids of properties with frontage on the banks; by their place where frontages are not told."""
    frontages, properties = tables.get("frontages"), tables["properties"]
    if frontages is not None and "bank_id" in frontages:
        return frontages.loc[frontages["bank_id"].isin(banks["bank_id"]), "property_id"]
    return properties.loc[shapely.intersects(np.asarray(properties.geometry.values), box), "property_id"]


def _rows_of(
    table: pd.DataFrame, reaches: pd.Series, banks: pd.Series, properties: pd.Series, box: shapely.Polygon
) -> pd.DataFrame:
    """Give a table's rows: by bank, else by reach, property or place; all of them where it has none of these."""
    for column, ids in (("bank_id", banks), ("reach_id", reaches), ("property_id", properties)):
        if column in table:
            return table[table[column].isin(ids)].reset_index(drop=True)
    if isinstance(table, gpd.GeoDataFrame):
        near = shapely.intersects(np.asarray(table.geometry.values), box)
        return table[near].reset_index(drop=True)
    return table


def _cropped(draw: Callable[[], Picture | None], bounds: Bounds, crs: str) -> Picture | None:
    """Give what a picture shows of a box of the working system; None where it shows nothing of it."""
    picture = draw()
    if picture is None:
        return None
    to_mercator = pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs), "EPSG:3857", always_xy=True)
    x0, y0, x1, y1 = to_mercator.transform_bounds(*bounds)
    west, south, east, north = picture.bounds
    rows, columns, _ = picture.pixels.shape
    wide, high = (east - west) / columns, (north - south) / rows
    left, right = (int(np.clip(np.floor((x - west) / wide) + more, 0, columns)) for x, more in ((x0, 0), (x1, 1)))
    top, bottom = (int(np.clip(np.floor((north - y) / high) + more, 0, rows)) for y, more in ((y1, 0), (y0, 1)))
    if left >= right or top >= bottom:
        return None
    place = (west + left * wide, north - bottom * high, west + right * wide, north - top * high)
    return dataclasses.replace(picture, pixels=picture.pixels[top:bottom, left:right], bounds=place)


def _window(elevation: GridSource, bounds: Bounds) -> GridSource:
    """Give the heights of a box, on a lattice that begins there."""
    grid, lattice = elevation.window(bounds), elevation.lattice
    x0, y0 = lattice.x0 + grid.column * lattice.cell_m, lattice.y0 - grid.row * lattice.cell_m
    return ArraySource(Grid(grid.values, Lattice(x0, y0, lattice.cell_m), nodata=grid.nodata))
