"""Bank height and bank angle, from heights fine enough to show a bank; else the reason why not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_profiles import read_profiles
from gisprio.compute.banks.crossings import road_width
from gisprio.compute.banks.runs import Rows, median
from gisprio.compute.banks.sides import SIDE_KEY, STATION_KEY
from gisprio.compute.visits.places import spoken_for
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.grids import NO_SURVEY, bilinear_within, box_around, survey_cells, surveyed_window
from gisprio.contracts.layers import SIDE_HEIGHTS
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Dem, Settings
from gisprio.contracts.words import HEIGHT_CODES

Floats = NDArray[np.float64]
REACH_WIDTHS, REACH_LEAST_M = 2.0, 15.0
"""The top lies within 2 bankfull widths or 15 m of the water's edge, whichever is more [own]."""
BENCH_M, BENCH_CELLS = 4.0, 3
"""Flatter ground wanted behind the top: 4 m or 3 cells, whichever is more [own]."""
BEHIND_M = 12.0
"""So far behind the top the ground may not fall again [own]."""
LINE_ERRORS = 2.0
"""The water is looked for within so many standard errors of the line [own]."""
LEAST_STEP_M = 0.5
ROAD_SIDE_M = 3.0
"""A top nearer than this to the side of a road is the road's [own]."""
STATIONS_AT_ONCE = 64
"""Neighbouring stations that share a window on the heights."""
LEAST_KNOWN = 0.5
"""Share of a bank's length on which its height must be known [own]."""

REASONS = {
    "low": "under {least:g} m, the error of the heights",
    "coarse": "the heights here have cells of {cell:.3g} m",
    "no_heights": "no heights here",
    "no_break": "no break of slope: hillslope, ravine or even ground",
    "high": "a slope of over {most:g} m: hillslope",
    "falls_again": "the ground falls again behind it: dyke, wall, fill or another channel",
    "road": "a road lies on it: road fill",
}
SHORT_FACE = "the face spans under 3 cells of the heights on half of the bank or more"
NO_BANK_HERE = "no bank: standing water, piped or under a crossing"


def measure_bank_heights(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure the height of the bank above the water, and the angle of its face, on each side of each station.

    Parameters
    ----------
    core
        ``stations``, ``bank_points`` and ``visit_places`` of the piece.
    halo
        ``roads`` near them.
    sources
        ``dem``: the finest heights there are; ``survey``: which survey they are from, on the routing grid.
    settings
        Sections ``dem`` and ``streams``.

    Returns
    -------
    dict
        ``side_heights``: one row a station side.

    Notes
    -----
    Height = top of bank less water on the day of the flight, so low by the depth of the water. Top = first break of
    slope, see :func:`gisprio.compute.banks.bank_profiles.break_of_slope`. Angle = steepest rise between neighbouring
    cells of the face less the error of a difference: at least that. No break, a road on the top, ground that falls
    again behind it: null, with the reason as a code.
    """
    stations, points, roads = core["stations"], core["bank_points"], halo["roads"]
    if not len(points):
        return {"side_heights": empty(SIDE_HEIGHTS)}
    width = np.repeat(stations["bankfull_width_m"].to_numpy(float), 2)
    rows = points[["segment_no", "station_no", "side"]].copy()
    survey = survey_at(sources, points)
    cells = np.array([*survey_cells(sources["dem"]), np.nan])  # NO_SURVEY is the last
    rows["height_cell_m"] = cells[survey]
    rows["bank_height_m"], rows["bank_angle_deg"] = np.nan, np.nan
    code = np.where(rows["height_cell_m"].isna(), "no_heights", "coarse").astype(object)
    place = np.full((len(rows), 4), np.nan)
    fine = (rows["height_cell_m"] <= settings.dem.bank_cell_m).to_numpy()
    near_m = LINE_ERRORS * settings.streams.line_error_m
    for some in _together(points, fine):
        profiles = Profiles.of(points.iloc[some], width[some], near_m, sources["dem"].lattice.cell_m)
        got = profiles.read(sources, survey[some], settings.dem)
        rows.iloc[some, -2:] = np.column_stack(got[:2])
        code[some] = got[2]
        place[some] = got[3]
    on_road = np.zeros(len(rows), bool)
    told = np.flatnonzero(code == "top")
    on_road[told] = beside_road(place[told], roads)
    code[on_road] = "road"
    rows.loc[on_road, ["bank_height_m", "bank_angle_deg"]] = np.nan
    return {"side_heights": as_visited(rows.assign(bank_height_code=code), stations, core["visit_places"])}


def as_visited(heights: pd.DataFrame, stations: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    """Put heights and angles that visits measured in the place of those read from the map.

    Parameters
    ----------
    heights
        Layer ``side_heights``.
    stations, places
        Layers ``stations`` and ``visit_places`` of the piece.
    """
    if not len(places):
        return heights
    sides = heights[SIDE_KEY].merge(stations[[*STATION_KEY, "reach_no", "at_m"]], on=STATION_KEY, how="left")
    seen = {}
    for column in ("bank_height_m", "bank_angle_deg"):
        measured = np.append(places[column].to_numpy(float), np.nan)[spoken_for(sides, places, column)]
        seen[column] = np.where(np.isnan(measured), heights[column], measured)
        if column == "bank_height_m":
            seen["bank_height_code"] = np.where(np.isnan(measured), heights["bank_height_code"], "visit")
    return heights.assign(**seen)


def survey_at(sources: Sources, points: pd.DataFrame) -> NDArray[np.int64]:
    """Give the survey of the heights at bank points; :data:`NO_SURVEY` where there are none. (n,)."""
    x, y = points["x"].to_numpy(float), points["y"].to_numpy(float)
    near = sources["survey"].window(box_around(x, y))
    return near.nearest(x, y, NO_SURVEY).astype(np.int64)


def _together(points: pd.DataFrame, wanted: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Give the rows of neighbouring stations that are read through one window; some dozens each."""
    group = points["station_no"].to_numpy() // STATIONS_AT_ONCE
    keys = pd.DataFrame({"segment": points["segment_no"].to_numpy()[wanted], "group": group[wanted]})
    rows = np.flatnonzero(wanted)
    return [rows[some] for some in keys.groupby(["segment", "group"], sort=False).indices.values()]


@dataclass(frozen=True)
class Profiles:
    """Where heights are read along some transects.

    Parameters
    ----------
    x, y
        (n, k) places, outward at even steps [m].
    step, cell
        Length of a step, side of a cell [m].
    bank
        Place of the bank line on each profile.
    inward, reach
        (n,) steps into the channel; steps within which the top must lie.
    outward, bench, behind
        Steps outward in which the water is looked for; of bench; behind the top.
    """

    x: Floats
    y: Floats
    step: float
    cell: float
    bank: int
    inward: NDArray[np.int64]
    reach: NDArray[np.int64]
    outward: int
    bench: int
    behind: int

    @classmethod
    def of(cls, points: pd.DataFrame, width: Floats, near_m: float, cell: float) -> Profiles:
        """Lay profiles over bank points; ``width`` is the bankfull width or NaN, the line is ``near_m`` off at most."""
        step = max(cell / 2, LEAST_STEP_M)
        wide = np.nan_to_num(width)
        inward = _steps(wide / 2 + near_m, step)
        reach = _steps(np.maximum(REACH_WIDTHS * wide, REACH_LEAST_M), step)
        outward = int(_steps(np.array(near_m), step))
        bench, behind = (
            int(_steps(np.array(m), step)) for m in (max(BENCH_M, BENCH_CELLS * cell), max(BEHIND_M, BENCH_M))
        )
        bank = int(inward.max())
        beyond = outward + int(reach.max()) + 2 * bench + behind + 1
        out = np.arange(-bank, beyond) * step
        x, y, out_x, out_y = (points[name].to_numpy(float)[:, None] for name in ("x", "y", "out_x", "out_y"))
        return cls(x + out_x * out, y + out_y * out, step, cell, bank, inward, reach, outward, bench, behind)

    def read(
        self, sources: Sources, survey: NDArray[np.int64], dem: Dem
    ) -> tuple[Floats, Floats, NDArray[np.object_], Floats]:
        """Give height [m], angle [degrees], code, and the places (n, 4) of water's edge and top."""
        height, angle, edge, top, code = read_profiles(
            self.heights(sources, survey),
            self.inward,
            self.reach,
            self.bank,
            self.outward,
            self.bench,
            self.behind,
            self.step,
            self.cell,
            dem.least_bank_m,
            dem.most_bank_m,
            dem.lidar_error_m,
        )
        rows = np.arange(len(edge))
        ends = np.column_stack([xy[rows, at] for at in (edge, top) for xy in (self.x, self.y)])
        return height, angle, np.array(HEIGHT_CODES, object)[code], ends

    def heights(self, sources: Sources, survey: NDArray[np.int64]) -> Floats:
        """Read heights of each row's own survey. (n, k) [m]."""
        return heights_at(sources, self.x, self.y, survey, self.cell)


def heights_at(sources: Sources, x: Floats, y: Floats, survey: NDArray[np.int64], cell: float) -> Floats:
    """Read heights between cell centres, of each row's own survey; beside no data the cell's own. (n, k) [m]."""
    heights, surveys = surveyed_window(sources["dem"], box_around(x, y, 2 * cell))
    z = bilinear_within(heights, surveys, x, y, survey)
    alone = np.isnan(z) & (surveys.nearest(x, y, NO_SURVEY) == survey[:, None]) & (survey[:, None] != NO_SURVEY)
    return np.where(alone, heights.nearest(x, y, np.nan), z)


def _steps(length: Floats, step: float) -> NDArray[np.int64]:
    return np.asarray(np.ceil(length / step - 1e-6), np.int64)


def beside_road(faces: Floats, roads: pd.DataFrame) -> NDArray[np.bool_]:
    """Say which bank faces, from water's edge (x, y) to top (x, y), meet a road or end beside one; (n,)."""
    hit = np.zeros(len(faces), bool)
    if not len(faces) or not len(roads):
        return hit
    half = [road_width(kind) / 2 + ROAD_SIDE_M for kind in roads["class"]]
    taken = shapely.buffer(np.asarray(roads.geometry.array), half)
    lines = shapely.linestrings(faces.reshape(-1, 2, 2))
    hit[shapely.STRtree(taken).query(lines, predicate="intersects")[0]] = True
    return hit


def bank_height(bank: Rows, dem: Dem) -> dict[str, object]:
    """Give the height of a bank: what visits measured; else the median over its stations where it is told on half.

    Where it is told on less of its length there is none, and the reason why.

    Parameters
    ----------
    bank
        Station sides of one bank, with the columns of ``side_heights``, ``length_m`` and ``has_bank``.
    dem
        Section ``dem``: for the words.
    """
    own = bank["has_bank"]
    length, height, code = (bank[name][own] for name in ("length_m", "bank_height_m", "bank_height_code"))
    told = ~np.isnan(height)
    if (code == "visit").any():
        return {"bank_height_m": median(height[code == "visit"]), "bank_height_says": None}
    if told.any() and length[told].sum() >= LEAST_KNOWN * length.sum():
        tall = median(height)
        low = REASONS["low"].format(least=dem.least_bank_m) if tall < dem.least_bank_m else None
        return {"bank_height_m": tall, "bank_height_says": low}
    if not length.sum():
        return {"bank_height_m": np.nan, "bank_height_says": NO_BANK_HERE}
    lost = {name: float(length[~told & (code == name)].sum()) for name in REASONS}
    reason = max(lost, key=lambda name: lost[name])
    cell = median(bank["height_cell_m"][own][code == reason])
    says = REASONS[reason].format(most=dem.most_bank_m, cell=cell)
    return {"bank_height_m": np.nan, "bank_height_says": says}


def angle_says(bank: Mapping[str, Any]) -> str | None:
    """Say why a bank has no angle; None where it has one."""
    if not np.isnan(bank["bank_angle_deg"]):
        return None
    return bank["bank_height_says"] or SHORT_FACE
