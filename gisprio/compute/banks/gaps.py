"""Gaps: runs of stations on one segment side where the buffer is narrower than the setback."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.own_ground import bank_sites
from gisprio.compute.banks.ownership import Sites
from gisprio.compute.banks.runs import Rows, Words, columns_of, cut, median, runs
from gisprio.compute.banks.sides import SIDE_KEY, STATION_KEY, has_bank, station_sides
from gisprio.compute.banks.stretches import Stretch, on_own_ground, strip_ground
from gisprio.compute.setbacks.average import short_of_average
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.findings import Finding
from gisprio.contracts.layers import GAP_PIECES
from gisprio.contracts.schema import empty
from gisprio.contracts.setbacks import Rule
from gisprio.contracts.settings import Settings, Streams

Floats = NDArray[np.float64]
SIDE_LETTERS = ("L", "R")
OFF_SETBACKS = 1 / 3
"""Bank lines further off the channel than this share of the setback make the gap uncertain."""
MAPPED = {"given": "bank_line_error_m", "lidar_top": "bank_line_error_m", "water_edge": "water_edge_error_m"}
"""Bank lines that were surveyed or mapped themselves, and which key of ``[streams]`` says their standard error."""
_DOUBT_WORDS = {
    "line_off": (
        "their bank lines lie over a third of the setback off the channel that the heights show",
        "give stream lines, water polygons or bank lines that fit this DEM; look at these gaps on an air photo.",
    ),
    "within_error": (
        "their strip lacks less than the standard error of its width (buffer_width_se_m)",
        "look at them on an air photo before you plan; finer land cover or mapped bank lines narrow the error.",
    ),
    "in_water": (
        "most of what their strip lacks is water, so that the bank line may lie in the channel",
        "give water polygons or bank lines there, or a wider curve of bankfull width.",
    ),
}


def find_gaps(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Find gaps along each segment side, cut them at reach borders, and draw them.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_setbacks``, ``side_cover``, ``valleys`` and ``reach_measures`` of the
        piece.
    halo
        ``segments`` and ``reach_measures`` near it, ``stretches``: the banks of other streams.
    sources
        None.
    settings
        Sections ``setback`` and ``streams``.

    Returns
    -------
    dict
        ``side_gaps``: whether each station side lies in a gap. ``gap_pieces``: polygons of the ground between the
        present buffer and the setback line.

    Notes
    -----
    Runs are found along the segment before reaches are cut, so that the sum of gap length does not depend on where
    they are cut. Crossings, pipes, standing water and islands are no gap, nor is ground that natural classes fill from
    the bank line (and counting cover) to the setback line. A gap keeps the ground that is nearest to its own bank, so
    that no two overlap. How certain a gap is: :func:`doubt`.
    """
    sides = station_sides(core, "side_setbacks", "side_cover", "valleys")
    sides["gap"] = long_runs(sides, too_narrow(sides, settings.setback), settings.setback.shortest_gap_m)
    sides["width_error_m"], sides["off_m"] = width_error(sides, settings.streams), line_off(sides)
    columns, covers = columns_of(sides), Words.of(sides["adjacent_cover"])
    reaches = {number: columns_of(own) for number, own in reach_places(core["reach_measures"]).groupby("segment_no")}
    gaps = [
        gap
        for rows in runs(columns["segment_no"], columns["side"])
        for gap in _pieces(cut(columns, rows), rows.start, reaches)
    ]
    drawn = [_draw(gap, covers) for gap in gaps]
    pieces = _on_own_ground(drawn, gaps, bank_sites(columns, reaches), halo)
    order = sides.sort_values(SIDE_KEY)
    return {
        "side_gaps": order[[*SIDE_KEY, "gap"]].reset_index(drop=True),
        "gap_pieces": _numbered(pieces, core["reach_measures"]),
    }


def too_narrow(sides: pd.DataFrame, rule: Rule) -> NDArray[np.bool_]:
    """Mark the station sides whose buffer falls short of what the rule asks there; (n,).

    Parameters
    ----------
    sides
        Station sides with ``side_setbacks`` and ``side_cover``.
    rule
        ``[setback]``.

    Notes
    -----
    Crossings, standing water, pipes and islands are no gap and take no part in an average.
    """
    width, present = sides["setback_m"].to_numpy(float), sides["covered_width_m"].to_numpy(float)
    banked = has_bank(sides)
    if sides["least_m"].isna().all():
        return banked & (present < width - 1e-9)
    length = np.where(banked, sides["to_m"] - sides["from_m"], 0.0)
    side = sides["segment_no"].to_numpy() * 2 + sides["side"].to_numpy()
    return short_of_average(present, width, np.nan_to_num(sides["least_m"].to_numpy(float)), length, side)


def long_runs(sides: pd.DataFrame, narrow: NDArray[np.bool_], shortest_m: float) -> NDArray[np.bool_]:
    """Keep the runs of neighbouring stations that are at least ``shortest_m`` long.

    Parameters
    ----------
    sides
        Sorted by segment, side, station; with ``from_m``, ``to_m``.
    narrow
        (n,) stations whose buffer is too narrow.
    shortest_m
        [m].
    """
    if not len(sides):
        return narrow
    same = (
        (sides["segment_no"].diff() == 0) & (sides["side"].diff() == 0) & (sides["station_no"].diff() == 1)
    ).to_numpy()
    starts = ~same | (narrow != np.roll(narrow, 1))
    run = np.cumsum(starts)
    length = (sides["to_m"] - sides["from_m"]).groupby(run).transform("sum").to_numpy()
    return narrow & (length >= shortest_m - 1e-6)


def reach_places(reaches: pd.DataFrame) -> pd.DataFrame:
    """Give segment and ends of the reaches, without geometry."""
    return pd.DataFrame({name: reaches[name] for name in ("segment_no", "reach_no", "from_m", "to_m")})


def _pieces(side: Rows, start: int, reaches: dict[int, Rows]) -> Iterator[Stretch]:
    """Give the gaps of one segment side, cut where reaches end; ``start`` is its first row among all."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], side["gap"], [False]]).astype(np.int8)))
    if not len(edges):
        return
    own = reaches[int(side["segment_no"][0])]
    for first, after in edges.reshape(-1, 2).tolist():
        low, high = side["from_m"][first], side["to_m"][after - 1]
        for reach_no, reach_low, reach_high in zip(own["reach_no"], own["from_m"], own["to_m"], strict=True):
            from_m, to_m = max(low, reach_low), min(high, reach_high)
            if to_m - from_m > 1e-6:
                a = int(np.searchsorted(side["to_m"], from_m + 1e-6, side="right"))
                b = int(np.searchsorted(side["from_m"], to_m - 1e-6, side="left"))
                rows = slice(start + a, start + b)
                yield Stretch(side, rows, a, b, int(reach_no), float(reach_low), float(from_m), float(to_m))


def _draw(gap: Stretch, covers: Words) -> dict[str, object]:
    side, own = gap.side, gap.own
    asked, present = own["setback_m"], own["covered_width_m"]
    ground, setback = strip_ground(gap, asked, present), median(asked)
    cover = covers.most(gap.rows, own["to_m"] - own["from_m"])
    error = median(own["width_error_m"])
    because = doubt(setback, setback - median(present), error, median(own["off_m"]), cover)
    return {
        "segment_no": int(side["segment_no"][0]),
        "reach_no": gap.reach_no,
        "side": gap.side_no,
        "from_m": gap.from_m - gap.reach_from,
        "to_m": gap.to_m - gap.reach_from,
        "setback_m": setback,
        "zone": zone_of(median(own["inner_m"]), median(present)),
        "buffer_width_m": median(own["buffer_width_m"]),
        "buffer_width_se_m": error,
        "area_m2": float(shapely.area(ground)),
        "adjacent_cover": cover,
        "certainty": "clear" if because is None else "uncertain",
        "uncertain_because": because,
        "geometry": ground,
    }


def zone_of(inner_m: float, present_m: float) -> str | None:
    """Name the zone where the buffer ends; None where there is one zone only.

    >>> zone_of(9.1, 6.0), zone_of(9.1, 9.1), zone_of(np.nan, 6.0)
    ('inner', 'outer', None)
    """
    return None if np.isnan(inner_m) else "inner" if present_m < inner_m - 1e-9 else "outer"


def line_off(sides: pd.DataFrame) -> Floats:
    """Give how far the bank lines lie off the channel that the heights show; (n,) [m], NaN where those do not tell.

    Parameters
    ----------
    sides
        Both sides of stations: ``line_offset_m``, ``recentred_m``, ``bank_line_basis``, ``offset_m``.

    Notes
    -----
    Bank lines laid from the stream line are off by what is left of its offset after they were moved. Where the bank
    line was given or mapped itself, the line's offset does not matter: it is off by how far the low of the channel
    lies beyond either bank.
    """
    mapped = sides["bank_line_basis"].isin(list(MAPPED)).to_numpy()
    low = (sides["line_offset_m"] * np.where(sides["side"] == 0, 1.0, -1.0)).to_numpy(float)
    own = sides["offset_m"].to_numpy(float)
    other = sides.groupby(STATION_KEY)["offset_m"].transform("sum").to_numpy(float) - own
    beyond = np.maximum(0.0, np.maximum(low - own, -low - other))
    return np.where(mapped, beyond, np.abs(sides["line_offset_m"] - sides["recentred_m"]))


def width_error(sides: pd.DataFrame, streams: Streams) -> Floats:
    """Give the standard error of the buffer's width at each station side.

    Parameters
    ----------
    sides
        Station sides with ``edge_error_m``, ``low_offset_m`` and ``line_error_m``, and what :func:`line_off` reads.
    streams
        ``bank_line_error_m`` and ``water_edge_error_m`` are read.

    Returns
    -------
    ndarray
        (n,) [m]; NaN where the cover is not known.

    Notes
    -----
    sqrt(e^2 + b^2): e is what the grain of the cover leaves (``edge_error_m``), b the error of the bank line. A bank
    line that was given, or the mapped edge of water, has its own little error. One laid half a width from the stream
    line is as wrong as that line: b is the larger of its stated error and its measured distance off the channel
    [own]. Where fine heights show the low of the channel, the error of a given bank line stands for the stated one.
    """
    little = {basis: getattr(streams, key) for basis, key in MAPPED.items()}
    mapped = sides["bank_line_basis"].map(little).to_numpy(float)
    seen = sides["low_offset_m"].notna().to_numpy()
    stated = np.where(seen, streams.bank_line_error_m, sides["line_error_m"].to_numpy(float))
    line = np.fmax(stated, line_off(sides))
    return np.hypot(sides["edge_error_m"].to_numpy(float), np.where(np.isnan(mapped), line, mapped))


def doubt(setback_m: float, lacking_m: float, error_m: float, off_m: float, cover: str | None) -> str | None:
    """Say why a gap is uncertain, one of the words of ``GAP_DOUBTS``; None where it is clear.

    Parameters
    ----------
    setback_m
        Width the rule asks for [m].
    lacking_m
        What the strip lacks of it: median over the gap's stations [m].
    error_m
        Median standard error of the buffer's width [m].
    off_m
        Median distance of the bank lines off the channel that the heights show [m]; NaN unknown.
    cover
        Commonest class that does not count.

    Notes
    -----
    The first that holds: the bank lines lie over a third of the setback off the channel; the strip lacks less than one
    standard error; most of what does not count is water, so that the bank line lies in it.

    Examples
    --------
    >>> doubt(30.0, 30.0, 5.0, 10.5, "crop"), doubt(30.0, 1.0, 2.9, 0.0, "crop"), doubt(30.0, 12.0, 2.9, 0.0, "crop")
    ('line_off', 'within_error', None)
    """
    if off_m > OFF_SETBACKS * setback_m:
        return "line_off"
    if lacking_m < error_m:
        return "within_error"
    return "in_water" if cover == "water" else None


def uncertain_findings(gaps: pd.DataFrame) -> Iterator[Finding]:
    """Say how many gaps are uncertain, and why.

    Parameters
    ----------
    gaps
        Layer ``gap_pieces``.
    """
    length = gaps["to_m"] - gaps["from_m"]
    for because, (says, do) in _DOUBT_WORDS.items():
        own = gaps["uncertain_because"] == because
        if own.any():
            km = f"{length[own].sum() / 1000:.1f} of {length.sum() / 1000:.1f} km"
            told = f"{int(own.sum())} of {len(gaps)} gaps ({km}) are uncertain: {says}."
            yield Finding("note", "gaps", because, "", told, do)


def _on_own_ground(
    pieces: list[dict[str, object]], gaps: list[Stretch], banks: Sites, halo: Tables
) -> list[dict[str, object]]:
    """Cut drawn gaps back to their own ground."""
    drawn = np.array([piece["geometry"] for piece in pieces] or [], dtype=object)
    reach = [float(gap.own["setback_m"].max()) for gap in gaps]
    ground = on_own_ground(drawn, gaps, reach, banks, halo)
    area = shapely.area(ground).tolist()
    return [piece | {"geometry": g, "area_m2": a} for piece, g, a in zip(pieces, ground, area, strict=True)]


def _numbered(pieces: list[dict[str, object]], reaches: pd.DataFrame) -> pd.DataFrame:
    """Give each gap its id: bank and a running number upstream; what drew to nothing is left out."""
    drawn = [piece for piece in pieces if not shapely.is_empty(piece["geometry"])]
    if not drawn:
        return empty(GAP_PIECES, getattr(reaches, "crs", None))
    frame = gpd.GeoDataFrame(drawn, geometry="geometry", crs=reaches.crs)  # type: ignore[attr-defined]
    frame = frame.sort_values(["reach_no", "side", "from_m"], ignore_index=True)
    ids = reaches.set_index("reach_no")["reach_id"].reindex(frame["reach_no"]).to_numpy()
    number = frame.groupby(["reach_no", "side"]).cumcount() + 1
    letters = [SIDE_LETTERS[side] for side in frame["side"]]
    frame.insert(0, "gap_id", [f"{i}-{s}-{n}" for i, s, n in zip(ids, letters, number, strict=True)])
    return frame
