"""Places planted on purpose, which a ranking should find or pass over, and layers of what people know of the banks.

Places are chosen by the geometry of this world alone: the true stream line, its order, the slope of its own bed, and
the ground beside it. `planted.csv` tells them to the tests; no run reads it.
"""
from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon

from _cover import CEREALS, PASTURE, Strips
from _network import CRS, HEIGHT_M, STEP_M, X0, Y0, Valley, channel_width_m
from _streams import line_between
from _terrain import CELL_M

BENDS, RAVINES, SCARS = 6, 6, 3
SHARP_WIDTHS = 4.0  # radius up to which a bend is sharp
SEEN_M = 25.0  # a bend turns over 50 m: a wiggle of the line is none
BEND_HALF_M, WOOD_HALF_M = 70.0, 300.0  # how far up and down the cover is planted
BEND_BEHIND_M, WOOD_WIDE_M = 60.0, 60.0  # how far from the bank
NONE_M = -20.0  # width of no strip: none in the water either, where the mapped channel is narrow
BENDS_APART_M = 220.0  # more than a reach
NEIGHBOUR_M = 90.0  # no other stream so near
HILLSIDE_M = 30.0  # the sides of a ravine are measured so far from the stream


@dataclass(frozen=True)
class Place:
    """A point of a stream line and a bank: `side` as seen looking downstream, or both."""

    what: str
    valley: int
    at: int
    side: str


def along_m(valley: Valley) -> np.ndarray:
    """Distance of the points of a stream line from its head [m]."""
    return np.concatenate([[0], np.cumsum(np.hypot(*np.diff(valley.line, axis=0).T))])


def at_line(valley: Valley, of_valley: np.ndarray) -> np.ndarray:
    """What holds at the points of a valley line, at the points of its stream."""
    return of_valley[np.rint(valley.line_u / STEP_M).astype(int).clip(0, len(valley.xy) - 1)]


def stretch(valley: Valley, at: int, half_m: float) -> slice:
    """Points of a stream line up to so far up and down."""
    along = along_m(valley)
    a, b = np.searchsorted(along, [along[at] - half_m, along[at] + half_m])
    return slice(int(a), int(b))


def keep_off(roads: gpd.GeoDataFrame, water: gpd.GeoDataFrame, hamlet: shapely.Geometry, marsh: shapely.Geometry,
             power: LineString, lines: dict[str, LineString]) -> shapely.Geometry:
    """Ground about roads, ponds, islands, the hamlet, the marsh, the power line and lines: nothing is planted there."""
    ponds = water.geometry[water["kind"] == "pond"].buffer(60)
    islands = [Polygon(ring).buffer(90) for part in water.geometry for ring in part.interiors]
    near = [roads.geometry.union_all().buffer(75), *ponds, *islands, hamlet.buffer(30), marsh.buffer(60),
            power.buffer(60), *(line.buffer(110) for line in lines.values())]
    return shapely.union_all(near)


def bend_lines(valleys: list[Valley], bends: list[Place]) -> dict[str, LineString]:
    """Parts of stream lines about bends."""
    return {f"bend {k}": LineString(valleys[b.valley].line[stretch(valleys[b.valley], b.at, BEND_HALF_M)])
            for k, b in enumerate(bends)}


def free_of(valleys: list[Valley], number: int, keep_off: shapely.Geometry, apart_m: float) -> np.ndarray:
    """Which points of a stream line are away from other streams and from what to keep off."""
    others = np.vstack([v.line for k, v in enumerate(valleys) if v.line is not None and k != number])
    line = valleys[number].line
    return (cKDTree(others).query(line)[0] > apart_m) & ~shapely.intersects_xy(keep_off, *line.T)


def turning(valley: Valley) -> np.ndarray:
    """Width over radius at each point of a stream line, by the circle through it and a point up and down; left is +."""
    along, width = along_m(valley), channel_width_m(at_line(valley, valley.area_km2))
    up, down = (np.stack([np.interp(along + d, along, valley.line[:, k]) for k in (0, 1)], axis=1)
                for d in (-SEEN_M, SEEN_M))
    a, b, c = valley.line - up, down - valley.line, down - up
    sides = np.hypot(*a.T) * np.hypot(*b.T) * np.hypot(*c.T)
    return np.where(sides > 0, 2 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.maximum(sides, 1e-9), 0.0) * width


def sharp_bends(valleys: list[Valley], orders: list[np.ndarray], keep_off: shapely.Geometry, count: int) -> list[Place]:
    """The sharpest outer bends of streams of order 3 and 4, away from each other."""
    found: list[tuple[float, int, int, bool]] = []
    for number, valley in enumerate(valleys):
        if valley.line is None or orders[number].max() < 3:
            continue
        turn = turning(valley)
        turn[(at_line(valley, orders[number]) < 3) | ~free_of(valleys, number, keep_off, NEIGHBOUR_M)] = 0.0
        found += [(round(-abs(turn[k]), 6), number, int(k), turn[k] > 0)
                  for k in np.flatnonzero(np.abs(turn) >= 1 / SHARP_WIDTHS)]
    bends: list[Place] = []
    for _, number, k, to_left in sorted(found):
        here = valleys[number].line[k]
        if all(np.hypot(*(here - valleys[b.valley].line[b.at])) > BENDS_APART_M for b in bends):
            bends.append(Place("bare outer bend", number, k, "right" if to_left else "left"))
        if len(bends) == count:
            break
    return bends


def hillside_rise(valley: Valley, ground: np.ndarray) -> np.ndarray:
    """Height of the ground beside a stream over its bed, of the lower side [m]."""
    ahead = np.gradient(valley.line, axis=0)
    left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1) / np.hypot(*ahead.T)[:, None]
    rise = []
    for side in (1, -1):
        x, y = (valley.line + side * HILLSIDE_M * left).T
        z = map_coordinates(ground, [(Y0 + HEIGHT_M - y) / CELL_M - 0.5, (x - X0) / CELL_M - 0.5], order=1)
        rise.append(z - valley.line_bed_m)
    return np.minimum(*rise)


def headwaters(valleys: list[Valley], orders: list[np.ndarray], ground: np.ndarray, keep_off: shapely.Geometry
               ) -> list[Place]:
    """The steepest headwater, and ravines: confined stretches of order 1 and 2, one to a stream."""
    steep: list[tuple[float, int, int]] = []
    confined: list[tuple[float, int, int]] = []
    for number, valley in enumerate(valleys):
        if valley.line is None:
            continue
        along, order = along_m(valley), at_line(valley, orders[number])
        free = free_of(valleys, number, keep_off, 20.0) & (order <= 2)
        rise = hillside_rise(valley, ground)
        best: dict[str, tuple[float, int, int]] = {}
        for k in range(0, len(along), 20):
            part = stretch(valley, k, 150.0)
            if along[part.stop - 1] - along[part.start] < 290 or not free[part].all():
                continue
            slope = (valley.line_bed_m[part.start] - valley.line_bed_m[part.stop - 1]) / 300.0
            if order[k] == 1:
                best["steep"] = max(best.get("steep", (0.0, 0, 0)), (round(float(slope), 6), number, k))
            best["confined"] = max(best.get("confined", (0.0, 0, 0)), (round(float(rise[part].mean()), 4), number, k))
        steep += [best["steep"]] if "steep" in best else []
        confined += [best["confined"]] if "confined" in best else []
    _, head, at = max(steep)
    ravines = [b for b in sorted(confined, reverse=True) if b[1] != head][:RAVINES]
    return [Place("steep wooded headwater", head, at, "both"),
            *(Place("wooded ravine", number, k, "both") for _, number, k in ravines)]


def plant(strips: Strips, valleys: list[Valley], places: list[Place]) -> tuple[Strips, list[tuple[LineString, int]]]:
    """Strips with the planted places in them, and the fields about the bare bends as shapes to be painted."""
    wanted, first, start = strips.wanted_m.copy(), {}, 0
    for number, valley in enumerate(valleys):
        if valley.line is not None:
            first[number], start = start, start + len(valley.line[::2])
    fields = []
    for place in places:
        valley, bare = valleys[place.valley], place.what == "bare outer bend"
        part = stretch(valley, place.at, BEND_HALF_M if bare else WOOD_HALF_M)
        rows = slice(first[place.valley] + (part.start + 1) // 2, first[place.valley] + (part.stop + 1) // 2)
        sides = {"left": [0], "right": [1], "both": [0, 1]}[place.side]
        wanted[rows, sides[0]:sides[-1] + 1] = NONE_M if bare else WOOD_WIDE_M
        if bare:
            land = LineString(valley.line[part]).buffer(BEND_BEHIND_M)
            fields.append((land, (PASTURE, CEREALS)[len(fields) % 2]))
    return replace(strips, wanted_m=wanted), fields


def planted_table(valleys: list[Valley], places: list[Place], lines: dict[str, LineString]) -> pd.DataFrame:
    """What was planted, where and on which side; of lines the middle."""
    rows = [(p.what, *valleys[p.valley].line[p.at], p.side) for p in places]
    rows += [(what, *line.interpolate(0.5, normalized=True).coords[0], "both") for what, line in lines.items()]
    table = pd.DataFrame(rows, columns=["what", "x", "y", "side"])
    return table.assign(x=table["x"].round(1), y=table["y"].round(1))


def bank_strip(valley: Valley, part: slice, side: str, wide_m: float) -> shapely.Geometry:
    """Ground along a bank from the water outward."""
    half = float(channel_width_m(at_line(valley, valley.area_km2)[part].mean())) / 2
    sign = 1 if side == "left" else -1
    line = LineString(valley.line[part]).simplify(0.3)
    land = line.buffer(sign * (half + wide_m), single_sided=True).difference(line.buffer(half + 0.3))
    return max(shapely.get_parts(land), key=lambda p: p.area)


def bank_edge(valley: Valley, part: slice, side: str) -> LineString:
    """Line along the edge of the water."""
    half = float(channel_width_m(at_line(valley, valley.area_km2)[part].mean())) / 2
    edge = LineString(valley.line[part]).simplify(0.3).offset_curve(half if side == "left" else -half)
    return max(shapely.get_parts(edge), key=lambda line: line.length)


def done_layer(valleys: list[Valley], orders: list[np.ndarray], strips: Strips, keep_off: shapely.Geometry
               ) -> gpd.GeoDataFrame:
    """Works already done on banks that were bare: an old planting, a young one, and a revetment of logs."""
    kinds = (("riparian planting", "2009-11-20", 170.0), ("riparian planting", "2022-03-12", 150.0),
             ("log revetment", "2018-08-30", 70.0))
    rows, start = [], 0
    for number, valley in enumerate(valleys):
        if valley.line is None:
            continue
        wanted, start = strips.wanted_m[start:start + len(valley.line[::2])], start + len(valley.line[::2])
        free = free_of(valleys, number, keep_off, 40.0)[::2] & (at_line(valley, orders[number])[::2] >= 2)
        for side in (0, 1):
            for k in range(60, len(wanted) - 60, 10):
                if len(rows) < len(kinds) and (free & (wanted[:, side] < 1))[k - 50:k + 50].all():
                    kind, date, length = kinds[len(rows)]
                    part, name = stretch(valley, 2 * k, length / 2), ("left", "right")[side]
                    shape = (bank_strip(valley, part, name, 18.0) if "planting" in kind
                             else bank_edge(valley, part, name))
                    rows.append((kind, date, "completed", shape))
                    free[:] = False
    return gpd.GeoDataFrame(rows, columns=["kind", "date", "status", "geometry"], geometry="geometry", crs=CRS)


def eroding_layer(valleys: list[Valley], bends: list[Place]) -> gpd.GeoDataFrame:
    """Scars that somebody drew on outer banks, with the day they were seen and their height."""
    seen = (("2021-09-14", 1.4, 48.0), ("2021-09-15", 0.9, 30.0), ("2023-04-02", 1.8, 36.0))
    rows = [(date, height, bank_edge(valleys[b.valley], stretch(valleys[b.valley], b.at, length / 2), b.side))
            for (date, height, length), b in zip(seen, bends, strict=True)]
    return gpd.GeoDataFrame(rows, columns=["date", "height_m", "geometry"], geometry="geometry", crs=CRS)


def power_line(valley: Valley, pipe: tuple[int, float, float]) -> LineString:
    """From the hamlet along the stream above it, a pole each 60 m, on its left."""
    part = line_between(valley, pipe[1] - 520.0, pipe[1] - 30.0)
    poles = part.simplify(6.0).offset_curve(11.0)
    poles = max(shapely.get_parts(poles), key=lambda line: line.length)
    return LineString([poles.interpolate(d) for d in np.arange(0, poles.length, 60.0)])


def constraints_layer(houses: list[shapely.Geometry], power: LineString) -> gpd.GeoDataFrame:
    """Houses of the hamlet and the power line."""
    kinds = ["building"] * len(houses) + ["power line"]
    shapes = shapely.set_precision(np.array([*houses, power]), 0.01)
    return gpd.GeoDataFrame({"kind": kinds}, geometry=shapes, crs=CRS)
