"""The desk check: a table to fill in, and a page with three clips of each place, to be judged before anybody goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from gisprio.contracts.desk import FILLED_IN, QUESTION, VERDICT_SAYS
from gisprio.contracts.grids import GridSource
from gisprio.contracts.pictures import ImageSource
from gisprio.products.clips import Lines, Seen, System, Window, cover_clip, draw_clips, heights_clip, image_clip
from gisprio.products.document import Document, plain
from gisprio.products.tables import write_table
from gisprio.products.units import sentence_in, shown_units

SIDES_M = (120.0, 180.0, 240.0, 360.0, 480.0, 720.0, 960.0, 1440.0)
"""Sides a window may have [own]."""
SETBACKS, WIDTHS, LEAST_M = 8.0, 10.0, 160.0
"""A window shows so many setbacks, so many bankfull widths and so many metres, at least [own]."""
_MANY_CLASSES = 6
"""So many classes of the land cover are named at a place [own]."""


@dataclass(frozen=True, slots=True)
class Grounds:
    """What clips are drawn from; None where a layer is not there, and then why.

    Parameters
    ----------
    dem, land_cover, image
        Heights, codes and image.
    legend
        ``code``, ``name``, ``cover``.
    lacking
        Layer to why it is not there.
    doubts
        Layer to why it may not be what the run read.
    image_given
        Whether the run has an image, there or not; else heights without lines stand in its place.
    """

    dem: GridSource | None
    land_cover: GridSource | None
    image: ImageSource | None
    legend: pd.DataFrame
    lacking: Mapping[str, str]
    doubts: Mapping[str, str]
    image_given: bool = True


@dataclass(frozen=True, slots=True)
class Run:
    """What a page says of its run: name, day, digest, working system as WKT, classes that count, units."""

    name: str
    day: str
    digest: str
    crs: str
    counts: tuple[str, ...]
    units: System = "si"


def write_desk_table(path: Path, places: pd.DataFrame) -> None:
    """Write the table: what the run says of each place, and empty columns to fill in.

    Parameters
    ----------
    path
        File to write.
    places
        Rows of the table, in order.
    """
    columns = {name: pd.Series([None] * len(places), index=places.index, dtype=object) for name in FILLED_IN}
    table = places.drop(columns=["run"]).assign(**columns, run=places["run"])
    write_table(path, table)


def desk_page(places: pd.DataFrame, lines: Sequence[Lines], grounds: Grounds, run: Run) -> str:
    """Give the page.

    Parameters
    ----------
    places
        Rows of the table, and ``bankfull_width_m``.
    lines
        What is drawn over the clips of each.
    grounds
        What clips are drawn from; of each only the windows are read.
    run
        What it says of the run.
    """
    page = Document("Desk check", f"{run.name}, run of {run.day}", styles=("desk.css",))
    page.paragraph(
        f"{len(places)} {'bank' if len(places) == 1 else 'banks'} of the first ranks, each on maps and images. Look "
        "before anybody goes there: a line that is off its stream or a wrong land cover makes a bank look urgent that "
        "is not."
    )
    page.items(
        [
            f"Ask of each place: {QUESTION} Look at the ring and along its bank.",
            "Write one of the five verdicts into column verdict of desk.csv, or nothing where you cannot tell. All but "
            "ok take the bank out of the ranking.",
            "Give desk.csv back as [layers] visits, and run again. Places are matched by latitude, longitude and side; "
            "leave these as they are.",
            "A look at the desk is no visit: it measures nothing, and does not count where scores are compared with "
            "what was seen in the field. What a visit says of the same bank stands over it.",
        ],
        numbered=True,
    )
    page.markup(_key())
    verdicts = "".join(f"<dt>{plain(word)}</dt><dd>{plain(says)}</dd>" for word, says in VERDICT_SAYS.items())
    page.markup(f'<dl class="verdicts">{verdicts}</dl>')
    for layer, says in (*grounds.lacking.items(), *grounds.doubts.items()):
        if layer == "image" and not grounds.image_given:
            page.paragraph("No [layers] image is given: an aerial photograph would tell much more.", "quiet")
            continue
        page.paragraph(says if says.startswith("[") else f"[layers] {layer} {says}", "warning")
    page.caution()
    for row, over in zip(places.to_dict("records"), lines, strict=True):
        page.markup(_block(row, over, grounds, run))
    return page.footer(f"Run {run.digest}. Heights, land cover and image were read anew for this page.").html()


def _block(row: Mapping[str, object], over: Lines, grounds: Grounds, run: Run) -> str:
    """Give one place: its name, three clips, what the run says, the question."""
    window = Window(over.place, side_of(row))
    cover = None if grounds.land_cover is None else cover_clip(grounds.land_cover, grounds.legend, window)
    heights = None if grounds.dem is None else heights_clip(grounds.dem, window, run.units)
    image = None if grounds.image is None else image_clip(grounds.image, run.crs, window)
    if heights is not None and not grounds.image_given:
        image = replace(heights, says="The same heights without the lines", bare=True)
    clips = [heights, None if cover is None else cover[0], image]
    why = [grounds.lacking.get(layer, f"{layer} has no data here.") for layer in ("dem", "land_cover", "image")]
    name = f"{row['stream']}, {row['side']} bank"
    drawn = draw_clips(clips, why, over, window, alt=f"{name}: heights, land cover and image", units=run.units)
    latitude, longitude = f"{row['latitude']:.6f}", f"{row['longitude']:.6f}"
    outward = f"Bank faces {row['bearing']} ({row['bearing_deg']}°)"
    boxes = "".join(f"<span>{plain(word)}</span>" for word in VERDICT_SAYS)
    geo = f'<a href="geo:{latitude},{longitude}">{latitude}, {longitude}</a>'
    facts = "".join(f"<li>{plain(fact)}</li>" for fact in _facts(row, run))
    return (
        f'<section class="look" id="{plain(row["visit_id"])}">'
        f"<h2>{plain(row['visit_id'])} · {plain(name)}</h2>"
        f'<p class="where">Rank {plain(row["rank"])} · {geo} '
        f"· {plain(outward)} · bank {plain(row['bank_id'])} · pictures {_length(window.side_m, run)} across</p>"
        f'<div class="strip" role="region" tabindex="0" aria-label="Pictures of {plain(name)}">{drawn}</div>'
        f"{_legend(cover[1] if cover is not None else (), run.counts)}"
        f"<ul>{facts}</ul>"
        f'<p class="ask"><b>{plain(QUESTION)}</b> {boxes}</p></section>'
    )


def _facts(row: Mapping[str, object], run: Run) -> list[str]:
    """Say what the run says of a bank."""
    facts = [sentence_in(str(row["why"]), run.units)] if pd.notna(row["why"]) else []
    told = []
    if pd.notna(row["gap_length_m"]):
        told.append(f"Gap: {_length(row['gap_length_m'], run)} of {_length(row['length_m'], run)}")
    if pd.notna(row["buffer_width_m"]):
        told.append(f"buffer {_length(row['buffer_width_m'], run)} wide of {_length(row['setback_m'], run)} asked for")
    elif pd.notna(row["setback_m"]):
        told.append(f"width of the buffer not known; {_length(row['setback_m'], run)} asked for")
    told += [f"property {row['property_id']}"] if pd.notna(row["property_id"]) else []
    return [*facts, "; ".join(told) + "."] if told else facts


def _length(metres: object, run: Run) -> str:
    factor, unit = shown_units(run.units)["m"]
    value = float(metres) * factor  # type: ignore[arg-type]  # a number of the layer
    return f"{value:,.1f} {unit}" if value < 10 and value % 1 else f"{value:,.0f} {unit}"


def side_of(row: Mapping[str, object]) -> float:
    """Give the side of a window that shows a bank's stretch and strip [m].

    Examples
    --------
    >>> side_of({"setback_m": 30.0, "bankfull_width_m": 8.0}), side_of({"setback_m": None, "bankfull_width_m": 60.0})
    (240.0, 720.0)
    """
    setback, width = (float(row[name] or 0.0) for name in ("setback_m", "bankfull_width_m"))  # type: ignore[arg-type]
    need = max(LEAST_M, SETBACKS * np.nan_to_num(setback), WIDTHS * np.nan_to_num(width))
    return next((side for side in SIDES_M if side >= need), SIDES_M[-1])


def _legend(seen: Sequence[Seen], counts: Sequence[str]) -> str:
    """Give the land cover's own classes in a window, most of it first; the rest in a word."""
    if not seen:
        return ""
    shown = seen[:_MANY_CLASSES]
    rows = [
        f'<li><svg class="swatch" viewBox="0 0 10 10" aria-hidden="true"><rect width="10" height="10" '
        f'fill="{one.colour}"/></svg> {plain(one.name)}{" ✓" if one.cover in counts else ""} '
        f"<small>{max(round(100 * one.share), 1)} %</small></li>"
        for one in shown
    ]
    if len(seen) > len(shown):
        rows.append(f"<li>and {len(seen) - len(shown)} more</li>")
    return f'<ul class="classes" aria-label="Land cover">{"".join(rows)}</ul>'


def _key() -> str:
    """Give the signs on the clips."""
    signs = (
        ("stream", "M2,9L38,9", "stream line of the run; the arrowhead points downstream"),
        ("bank", "M2,9L38,9", "bank line"),
        ("gap", "M4,3H36V15H4Z", "gap: the strip that lacks its cover"),
        ("setback", "M2,9L38,9", "where the setback ends"),
        ("arrow", "M2,9L34,9M26,4L34,9L26,14", "from the bank to its land, at the ring: the place that is asked for"),
    )
    rows = "".join(
        f'<li><svg class="sign" viewBox="0 0 40 18" aria-hidden="true"><path class="{kind}" d="{path}"/></svg> '
        f"{plain(says)}</li>"
        for kind, path, says in signs
    )
    return (
        '<svg class="patterns" aria-hidden="true"><defs><pattern id="strip" width="7" height="7" '
        'patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="2" height="7" fill="#b03a0c"/>'
        f'</pattern></defs></svg><ul class="key">{rows}<li>✓ cover that counts for the buffer</li></ul>'
    )


def bearing_words(degrees: float) -> str:
    """Say a bearing in words.

    Examples
    --------
    >>> bearing_words(0.0), bearing_words(100.0), bearing_words(337.6)
    ('north', 'east', 'north')
    """
    return _COMPASS[round(degrees / 45) % 8]


_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def lines_of(
    places: gpd.GeoDataFrame, banks: gpd.GeoDataFrame, reaches: gpd.GeoDataFrame, gaps: gpd.GeoDataFrame
) -> list[Lines]:
    """Give what is drawn over the clips of each place.

    Parameters
    ----------
    places
        Points with ``outward_x``, ``outward_y``, ``north_deg``, ``bank_id``, ``reach_id``, ``side``, ``setback_m``.
    banks, reaches, gaps
        Layers of the results.
    """
    own_banks = banks.set_index("bank_id").geometry
    own_reaches = reaches.set_index("reach_id").geometry
    streams = reaches.geometry.to_numpy()
    tree = shapely.STRtree(streams)
    strips = {bank: list(some.geometry) for bank, some in gaps.groupby("bank_id")}
    made = []
    for row in places.itertuples():
        near = tree.query(row.geometry, predicate="dwithin", distance=SIDES_M[-1])
        bank, own = own_banks[row.bank_id], own_reaches[row.reach_id]
        others = [line for line in streams[np.sort(near)] if line is not own]
        setback = shapely.LineString()
        if row.setback_m > 0:
            setback = shapely.offset_curve(bank, row.setback_m if row.side == "left" else -row.setback_m)
        place = (row.geometry.x, row.geometry.y)
        outward = (row.outward_x, row.outward_y)
        made.append(Lines(place, outward, bank, [own, *others], strips.get(row.bank_id, []), setback, row.north_deg))
    return made
