"""Delivery: what the hillslope behind each bank sends towards the strip, and where its flow gathers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.terrain.accumulation import DONE, count_inflows
from gisprio.compute.terrain.cells import NODATA, OUTLET, bordered, neighbour_offsets, without_border
from gisprio.compute.terrain.entries import Banks, find_entries
from gisprio.compute.terrain.flow import stream_labels, stream_pieces, whole_grid
from gisprio.compute.terrain.ground import c_by_code, cover_factor, slope_and_crossing, soil_erodibility
from gisprio.compute.terrain.routing import Routed, has_index
from gisprio.compute.terrain.supply import (
    UNKNOWN,
    connected_slope,
    connected_weight,
    connectivity,
    delivery_ratio,
    length_steepness,
    sum_down,
    sum_way_down,
    upslope,
)
from gisprio.contracts.cards import Output, Sources, Tables
from gisprio.contracts.constants import C_MEAN, K_US_TO_SI
from gisprio.contracts.findings import Finding, findings_table
from gisprio.contracts.grids import Grid
from gisprio.contracts.settings import Delivery, Settings

STRIP_CELLS = 500_000
"""Cells done at once."""
HECTARE_M2, KM2_M2 = 1e4, 1e6
SI_K_MOST = 0.1
"""Where no K is above this, it is thought to be in SI units [own]: 0.1 US is sand, 0.1 SI is more than any soil."""
TOLD_SHARE = 0.01
"""Share of the ground from which a guess is told [own]."""

Floats = NDArray[np.floating]


def measure_delivery(tables: Tables, sources: Sources, settings: Settings) -> Output:
    """Give each bank what the hillslope behind it sends, and the places where its flow gathers.

    Parameters
    ----------
    tables
        ``segments``, ``catchments``, ``soils``, ``legend``.
    sources
        ``elevation``, ``survey``, ``flow_direction``: of the routing grid; ``land_cover``.
    settings
        Sections ``delivery`` and ``streams``.

    Returns
    -------
    dict
        ``bank_supply``: one row for every 50 m of each side; ``concentrated_flow``; ``findings``.

    Notes
    -----
    Supply = sum over the cells that drain through the bank of LS C K (US units) SDR x area [m2] / length of bank [m].
    It has no rainfall in it and no practice: it orders banks, and is no mass. L is that of a cell by the ground that
    drains into it (desmet_govers1996) with the exponent of mccool1989, no longer than 122 m; S of mccool1987, no
    steeper than 50 % (panagos2015_ls). SDR follows the index of connectivity (borselli2008, vigiak2012) along the way
    to the stream cell met first, through the strip itself, with W = C from .001 up and slopes from .005 to 1
    (cavalli2013). A cell belongs to the side of the line on which the last cell of its way lies. Ground at the head of
    a source comes through neither bank, nor does that of an inflow as large as a stream starts with: a strip would
    hold neither. Slopes are those of raw heights.
    """
    land = _Land.of(tables, sources, settings.delivery)
    routed = Routed.along(whole_grid(sources["flow_direction"]).values.astype(np.uint8))
    banks = Banks.of(tables["segments"])
    entries, stream = _entries(routed, tables["segments"], land.elevation)
    ways = _Ways.down(land, routed, stream)
    entries["area_m2"] = ways.cells[entries["row"], entries["column"]] * land.cell_m**2
    flows = _concentrated(entries[entries["side"] >= 0], settings, tables["segments"])
    bank_of = routed.met(_entered_banks(entries, banks, settings.streams.start_area_km2 * KM2_M2, land.shape))
    sums = _Sums.over(land, ways, bank_of, len(banks.table))
    found = [*_soil_findings(tables["soils"], sums, settings.delivery), *_stream_findings(flows)]
    return {
        "bank_supply": _bank_supply(banks, sums, tables, land),
        "concentrated_flow": flows,
        "findings": findings_table(found),
    }


def _entered_banks(entries: pd.DataFrame, banks: Banks, most_m2: float, shape: tuple[int, int]) -> NDArray[np.int32]:
    """Give the bank of each last cell of the hillslope; -1 elsewhere, and where a whole stream comes in."""
    through = entries[(entries["side"] >= 0) & (entries["area_m2"] < most_m2)]
    bank_of = np.full(shape, -1, np.int32)
    places = (through[name].to_numpy() for name in ("segment_no", "at_m", "side"))
    bank_of[through["row"], through["column"]] = banks.at(*places)
    return bank_of


def compiled_before() -> bool:
    """Say whether the kernels of this stage were compiled on this machine before."""
    return all(has_index(kernel) for kernel in (sum_down, sum_way_down))


def _entries(routed: Routed, segments: pd.DataFrame, elevation: Grid) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Give the entries, and the cells under a line as the flow was routed (rows, columns)."""
    pieces = stream_pieces(segments)
    label = stream_labels(segments, pieces, elevation)
    return find_entries(routed, label, pieces["segment_no"].to_numpy(np.int64), segments, elevation), label >= 0


@dataclass(frozen=True)
class _Land:
    """The ground, read in strips of rows."""

    elevation: Grid
    survey: Grid | None
    soils: pd.DataFrame
    c_factor: NDArray[np.float32]
    c_known: NDArray[np.bool_]
    k_neutral: float

    @classmethod
    def of(cls, tables: Tables, sources: Sources, settings: Delivery) -> _Land:
        elevation = whole_grid(sources["elevation"])
        survey = whole_grid(sources["survey"]) if "survey" in sources else None
        c_of = c_by_code(tables["legend"], settings.c_factor)
        c = np.empty(elevation.values.shape, np.float32)
        for rows in strips(elevation.values.shape):
            c[slice(*rows)] = cover_factor(sources["land_cover"], c_of, elevation, rows)
        known = ~np.isnan(c)
        c[~known] = C_MEAN.value
        return cls(elevation, survey, tables["soils"], c, known, settings.soil_k_us)

    @property
    def shape(self) -> tuple[int, int]:
        rows, columns = self.c_factor.shape
        return rows, columns

    @property
    def cell_m(self) -> float:
        return self.elevation.lattice.cell_m

    def slope_and_crossing(self, rows: tuple[int, int]) -> tuple[Floats, Floats]:
        return slope_and_crossing(self.elevation, self.survey, rows)

    def erodibility(self, rows: tuple[int, int]) -> Floats:
        return soil_erodibility(self.soils, self.elevation.lattice, rows, self.shape[1])


def strips(shape: tuple[int, int]) -> Iterator[tuple[int, int]]:
    """Cut rows into strips of at most STRIP_CELLS cells, or one row."""
    step = max(1, STRIP_CELLS // max(1, shape[1]))
    for first in range(0, shape[0], step):
        yield first, min(shape[0], first + step)


@dataclass(frozen=True)
class _Ways:
    """How each cell is connected: cells that drain through it, index of connectivity; (rows, columns)."""

    cells: NDArray[np.int32]
    index: NDArray[np.float32]

    @classmethod
    def down(cls, land: _Land, routed: Routed, stream: NDArray[np.bool_]) -> _Ways:
        shape, direction = land.shape, routed.flat_direction
        offset = neighbour_offsets(shape[1] + 2)
        weight, slope = bordered(shape, np.float32, 1), bordered(shape, np.float32, 1)
        for rows in strips(shape):
            own = slice(*rows)
            without_border(weight, shape)[own] = connected_weight(land.c_factor[own])
            without_border(slope, shape)[own] = connected_slope(land.slope_and_crossing(rows)[0])
        way = bordered(shape, np.float32, UNKNOWN)
        way[(direction == OUTLET) | (direction == NODATA)] = np.nan
        without_border(way, shape)[stream] = 0.0
        sum_way_down(direction, way, weight, slope, offset, land.cell_m)
        inflow, count = bordered(shape, np.uint8, DONE), bordered(shape, np.int32, 0)
        count_inflows(direction, inflow, count, offset, shape[1] + 2, 1, shape[0] + 1)
        sum_down(direction, inflow, count, weight, slope, offset)
        cells, weights, slopes, index = (without_border(flat, shape) for flat in (count, weight, slope, way))
        for rows in strips(shape):
            own, n = slice(*rows), np.maximum(cells[slice(*rows)], 1)
            up = upslope(weights[own] / n, slopes[own] / n, n * land.cell_m**2)
            index[own] = connectivity(up, index[own])
        return cls(cells, index)


@dataclass
class _Sums:
    """Sums over the ground behind each bank; (n,)."""

    supply: Floats
    area_m2: Floats
    no_soil_m2: Floats
    no_cover_m2: Floats
    at_rim: NDArray[np.bool_]

    @classmethod
    def over(cls, land: _Land, ways: _Ways, bank_of: NDArray[np.int32], banks: int) -> _Sums:
        supply, area, no_soil, no_cover = np.zeros((4, banks))
        sums = cls(supply, area, no_soil, no_cover, np.zeros(banks, bool))
        for rows in strips(land.shape):
            sums._add(land, ways, bank_of[slice(*rows)], rows)
        return sums

    def _add(self, land: _Land, ways: _Ways, bank_of: NDArray[np.int32], rows: tuple[int, int]) -> None:
        own, area = slice(*rows), land.cell_m**2
        slope, crossing = land.slope_and_crossing(rows)
        k = land.erodibility(rows)
        behind = bank_of >= 0
        bank, told = bank_of[behind], ~np.isnan(slope[behind])
        gives = length_steepness(slope[behind], crossing[behind], ways.cells[own][behind], land.cell_m)
        gives *= (
            land.c_factor[own][behind]
            * np.where(np.isnan(k), land.k_neutral, k)[behind]
            * delivery_ratio(ways.index[own][behind])
        )
        number = len(self.supply)
        self.supply += np.bincount(bank, np.where(told, gives, 0.0) * area, number)
        self.area_m2 += np.bincount(bank, minlength=number) * area
        self.no_soil_m2 += np.bincount(bank[np.isnan(k[behind])], minlength=number) * area
        self.no_cover_m2 += np.bincount(bank[~land.c_known[own][behind]], minlength=number) * area
        self.at_rim |= np.bincount(bank[_at_rim(land.elevation, rows)[behind]], minlength=number) > 0


def _at_rim(elevation: Grid, rows: tuple[int, int]) -> NDArray[np.bool_]:
    """Say which cells lie at the edge of the heights; (rows, columns)."""
    heights = np.asarray(elevation.values, np.float32)
    padded = np.full((rows[1] - rows[0] + 2, heights.shape[1] + 2), np.nan, np.float32)
    first, after = max(0, rows[0] - 1), min(heights.shape[0], rows[1] + 1)
    padded[first - rows[0] + 1 : after - rows[0] + 1, 1:-1] = heights[first:after]
    gone = np.isnan(padded)
    count = (rows[1] - rows[0], heights.shape[1])
    return np.logical_or.reduce([gone[r : r + count[0], c : c + count[1]] for r in range(3) for c in range(3)])


def _bank_supply(banks: Banks, sums: _Sums, tables: Tables, land: _Land) -> pd.DataFrame:
    """Give supply by metre of bank; missing where ground is cut off at the DEM's edge, or there are no heights."""
    table = banks.table.assign(ground_m2=sums.area_m2)
    length = (table["to_m"] - table["from_m"]).to_numpy()
    segment_no = table["segment_no"].to_numpy()
    cut = np.zeros(len(table), bool)
    pieces = tables["catchments"]
    for side in (0, 1):
        rows = banks.at(pieces["segment_no"].to_numpy(), pieces["from_m"].to_numpy(float), np.full(len(pieces), side))
        np.logical_or.at(cut, rows, pieces["cut"].to_numpy(bool))
    lines = np.asarray(tables["segments"].geometry.array)[segment_no]
    middle = shapely.length(lines) - (table["from_m"] + table["to_m"]).to_numpy() / 2
    x, y = shapely.get_coordinates(shapely.line_interpolate_point(lines, middle)).T
    off = np.isnan(land.elevation.nearest(x, y, np.nan).astype(float))
    gone = (cut & sums.at_rim) | off
    table["delivery"] = np.where(gone, np.nan, sums.supply / np.maximum(length, 1e-9))
    return table


def _concentrated(through: pd.DataFrame, settings: Settings, segments: pd.DataFrame) -> gpd.GeoDataFrame:
    """Give the places where at least the threshold of hillslope flows through a bank, along each segment."""
    most = settings.streams.start_area_km2 * KM2_M2
    table = through[through["area_m2"] >= settings.delivery.concentrated_ha * HECTARE_M2]
    table = table.sort_values(["segment_no", "at_m", "side", "x", "y"], ignore_index=True)
    columns = {
        "segment_no": table["segment_no"],
        "at_m": table["at_m"],
        "side": table["side"],
        "area_ha": table["area_m2"] / HECTARE_M2,
        "stream_like": table["area_m2"] >= most,
    }
    return gpd.GeoDataFrame(
        columns, geometry=gpd.points_from_xy(table["x"], table["y"]), crs=getattr(segments, "crs", None)
    )


def _stream_findings(flows: pd.DataFrame) -> Iterator[Finding]:
    large = flows[flows["stream_like"].to_numpy()]
    if len(large):
        one = len(large) == 1
        says = (
            f"{len(large)} {'inflow' if one else 'inflows'} of as much ground as a stream starts with, up to "
            f"{large['area_ha'].max():.0f} ha, {'enters' if one else 'enter'} a stream through a bank: perhaps streams "
            "that the map lacks. Their ground counts for the delivery of no bank."
        )
        yield Finding(
            "note", "streams", "lacking", "", says, "look at flow_points with stream_like; draw what is a stream."
        )


def _soil_findings(soils: pd.DataFrame, sums: _Sums, settings: Delivery) -> Iterator[Finding]:
    """Tell which ground stands in for want of K or of cover."""
    k, area = soils["k_us"].dropna(), max(float(sums.area_m2.sum()), 1e-9)
    neutral = f"K = {settings.soil_k_us:g} US stands there ([delivery] soil_k_us)"
    if not len(k):
        says = f"No soils with K are given: delivery takes the same soil everywhere, K = {settings.soil_k_us:g} US."
        yield Finding("note", "soils", "no_k", "", says, "give soils and [columns] soils.k if they differ much.")
    elif sums.no_soil_m2.sum() > TOLD_SHARE * area:
        says = f"soils.k is not known on {sums.no_soil_m2.sum() / area:.0%} of the ground behind the banks: {neutral}."
        yield Finding("note", "soils", "no_k", "", says, "complete the soil map if that ground matters.")
    if len(k) and k.max() <= SI_K_MOST:
        says = (
            f"soils.k is at most {k.max():g}: that looks like SI units, of which 1 US is {K_US_TO_SI.value:g}. "
            "The order of banks stays, delivery comes out too low."
        )
        yield Finding("warning", "soils", "k_unit", "", says, f"divide by {K_US_TO_SI.value:g} if K is in SI units.")
    if sums.no_cover_m2.sum() > TOLD_SHARE * area:
        share = sums.no_cover_m2.sum() / area
        says = (
            f"The cover is not known on {share:.0%} of the ground behind the banks: C = {C_MEAN.value:g} stands there."
        )
        yield Finding("note", "land_cover", "no_c", "", says, "give land cover of the whole watershed.")
