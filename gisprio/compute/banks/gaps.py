"""Gaps: runs of stations on one segment side where the buffer is narrower than the setback."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.runs import Rows, Words, columns_of, cut, median, runs
from gisprio.compute.banks.sides import SIDE_KEY, station_sides
from gisprio.compute.banks.strips import bank_line, outward_strip, polygons_of, varying_strip
from gisprio.compute.setbacks import setback_width
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import GAP_PIECES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
NO_BANK = ("lake_path", "piped")
"""Kinds of stream without a bank."""
SIDE_LETTERS = ("L", "R")
NARROWEST_M = 0.5
"""Present buffer narrower than this is not cut out of the polygon."""


def find_gaps(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Find gaps along each segment side, cut them at reach borders, and draw them.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_cover``, ``valleys`` and ``reach_measures`` of the piece.
    halo, sources
        None.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``side_gaps``: whether each station side lies in a gap. ``gap_pieces``: polygons of the ground between the
        present buffer and the setback line.

    Notes
    -----
    Runs are found along the segment before reaches are cut, so that the sum of gap length does not depend on where
    they are cut. Crossings, pipes, standing water and islands are no gap, nor is missing cover of a natural class.
    """
    width = setback_width(settings)
    sides = station_sides(core, "side_cover", "valleys")
    sides["left_over_m"] = sides["line_offset_m"] - sides["recentred_m"]
    narrow = sides["buffer_width_m"].to_numpy() < width - 1e-9
    narrow &= ~sides["natural"].to_numpy() & ~sides["crossing"].to_numpy()
    narrow &= ~sides["kind"].isin(NO_BANK).to_numpy() & ~sides["island"].to_numpy()
    sides["gap"] = long_runs(sides, narrow, settings.setback.shortest_gap_m)
    columns, covers = columns_of(sides), Words.of(sides["adjacent_cover"])
    reaches = {number: columns_of(own) for number, own in _reach_places(core["reach_measures"]).groupby("segment_no")}
    pieces = [
        _draw(gap, width, covers)
        for rows in runs(columns["segment_no"], columns["side"])
        for gap in _pieces(cut(columns, rows), rows.start, reaches)
    ]
    order = sides.sort_values(SIDE_KEY)
    return {
        "side_gaps": order[[*SIDE_KEY, "gap"]].reset_index(drop=True),
        "gap_pieces": _numbered(pieces, core["reach_measures"]),
    }


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


def _reach_places(reaches: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({name: reaches[name] for name in ("segment_no", "reach_no", "from_m", "to_m")})


@dataclass(frozen=True)
class _Gap:
    """One gap inside one reach side.

    Parameters
    ----------
    side
        Columns of the whole segment side it lies on.
    rows
        Its stations among all rows.
    first, after
        Its stations on the side.
    reach_no, reach_from
        Its reach and that one's lower end [m].
    from_m, to_m
        Its ends along the segment [m].
    """

    side: Rows
    rows: slice
    first: int
    after: int
    reach_no: int
    reach_from: float
    from_m: float
    to_m: float


def _pieces(side: Rows, start: int, reaches: dict[int, Rows]) -> Iterator[_Gap]:
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
                yield _Gap(side, rows, a, b, int(reach_no), float(reach_low), float(from_m), float(to_m))


def _draw(gap: _Gap, setback: float, covers: Words) -> dict[str, object]:
    side, at, number = gap.side, gap.side["at_m"], int(gap.side["side"][0])
    own = cut(side, slice(gap.first, gap.after))
    line = bank_line(np.column_stack([side["x"], side["y"]]), at, gap.from_m, gap.to_m)
    ground = outward_strip(line, setback, number)
    present = own["buffer_width_m"]
    if present.max() > NARROWEST_M:
        places = np.concatenate([[gap.from_m], at[(at > gap.from_m + 1e-6) & (at < gap.to_m - 1e-6)], [gap.to_m]])[::-1]
        widths = np.interp(places, own["at_m"], present)
        out = np.column_stack([np.interp(places, at, side[name]) for name in ("out_x", "out_y")])
        out /= np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-9)[:, None]
        ground = polygons_of(shapely.difference(ground, varying_strip(line, out, widths)))
    return {
        "segment_no": int(side["segment_no"][0]),
        "reach_no": gap.reach_no,
        "side": number,
        "from_m": gap.from_m - gap.reach_from,
        "to_m": gap.to_m - gap.reach_from,
        "buffer_width_m": float(np.median(present)),
        "area_m2": float(shapely.area(ground)),
        "adjacent_cover": covers.most(gap.rows, own["to_m"] - own["from_m"]),
        "certainty": "uncertain" if median(np.abs(own["left_over_m"])) > setback / 3 else "clear",
        "geometry": ground,
    }


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
