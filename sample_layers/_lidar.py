"""A strip of heights at 1 m along the lower Tansy Brook, its banks carved as a table says: some low, some high."""
from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.spatial import cKDTree
from shapely.geometry import LineString

from _network import HEIGHT_M, STEP_M, X0, Y0, Valley, channel_width_m, smooth_noise
from _terrain import CELL_M

FROM_M, TO_M = 300.0, 2800.0  # of the main stream, upstream from its mouth
HALF_M = 70.0  # half the width of the strip
STRETCH_M = 250.0
# height above the water and width of the face [m], stretch by stretch upstream
LEFT = ((0.9, 0.5), (2.0, 0.5), (0.9, 2.0), (0.5, 0.5), (1.5, 4.0), (0.9, 0.5), (2.4, 4.0), (0.9, 2.0), (0.6, 0.5),
        (1.2, 0.5))
RIGHT = ((1.2, 0.5), (0.7, 0.5), (1.8, 0.5), (0.9, 0.5), (0.9, 2.0), (2.2, 4.0), (0.8, 0.5), (0.5, 0.5), (1.6, 0.5),
         (0.9, 2.0))
WATER_ABOVE_BED_M = 0.30
ISLAND_M = 0.6  # height of the island above the water
LEVEL_M, TAPER_M = 12.0, 45.0  # ground is level behind the bank so far, and as before from there on
FILL_M, FILL_HALF_M, FILL_SLOPE = 3.0, 3.5, 1.5  # railway: height and half width of the crest, run of its sides
ERROR_SD_M, ERROR_LENGTH_M = 0.06, 2.5
OFFSET_M = 0.04  # all heights lie so much over those of the 10 m model


@dataclass(frozen=True)
class Strip:
    """Cells of the strip, top row first: which lie in it, their places, and what the main stream is beside them."""

    x0: float
    y1: float
    inside: np.ndarray  # [rows x columns]
    xy: np.ndarray  # of the cells inside [n x 2]
    above_mouth_m: np.ndarray  # [n]
    is_left: np.ndarray  # [n]
    water_m: np.ndarray  # level of the water [n]


def lay_strip(valley: Valley) -> Strip:
    """Cells of 1 m near a part of a stream."""
    line = valley.line
    above = LineString(line).length - np.concatenate([[0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    part = (above >= FROM_M) & (above <= TO_M)
    x0, y0 = np.floor(line[part].min(axis=0) - HALF_M)
    x1, y1 = np.ceil(line[part].max(axis=0) + HALF_M)
    x, y = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y1, y0, -1.0) - 0.5)
    cells = np.stack([x.ravel(), y.ravel()], axis=1)
    inside = np.isfinite(cKDTree(line[part]).query(cells, distance_upper_bound=HALF_M)[0])
    cells = cells[inside]
    k = cKDTree(line).query(cells)[1]
    ahead = gaussian_filter1d(np.gradient(line, axis=0), 3.0, axis=0, mode="nearest")[k]
    off = cells - line[k]
    level = gaussian_filter1d(valley.line_bed_m, 20.0, mode="nearest") + WATER_ABOVE_BED_M
    return Strip(x0, y1, inside.reshape(x.shape), cells, above[k], ahead[:, 0] * off[:, 1] > ahead[:, 1] * off[:, 0],
                 level[k])


def bank_of(strip: Strip) -> tuple[np.ndarray, np.ndarray]:
    """Height of the bank beside each cell and width of its face [m], as the table says."""
    stretch = ((strip.above_mouth_m - FROM_M) / STRETCH_M).astype(int).clip(0, len(LEFT) - 1)
    height, face = np.where(strip.is_left[:, None], np.array(LEFT)[stretch], np.array(RIGHT)[stretch]).T
    return height, face


def off_water(strip: Strip, channel: shapely.Geometry) -> tuple[np.ndarray, np.ndarray]:
    """Distance of each cell from the water, 0 in it [m]; and which cells are island."""
    filled = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(channel)])
    shapely.prepare([channel, filled])
    wet, held = (shapely.intersects_xy(area, *strip.xy.T) for area in (channel, filled))
    rim = cKDTree(shapely.get_coordinates(shapely.segmentize(channel.boundary, 0.25)))
    return np.where(wet, 0.0, rim.query(strip.xy)[0]), held & ~wet


def raise_banks(strip: Strip, ground: np.ndarray, off: np.ndarray, island: np.ndarray) -> np.ndarray:
    """Water, faces and level ground behind them, in the ground of the 10 m model."""
    height, face = bank_of(strip)
    height = np.where(island, ISLAND_M, height)
    before = map_coordinates(ground, [(Y0 + HEIGHT_M - strip.xy[:, 1]) / CELL_M - 0.5,
                                      (strip.xy[:, 0] - X0) / CELL_M - 0.5], order=3, mode="nearest")
    share = 0.5 + 0.5 * np.cos(np.pi * np.clip((off - LEVEL_M) / (TAPER_M - LEVEL_M), 0, 1))
    behind = share * (strip.water_m + height + 0.006 * off) + (1 - share) * before
    bank = strip.water_m + (height + 0.006 * off) * np.minimum(off / face, 1.0)
    return np.where(off == 0, strip.water_m, np.where(off < face, bank, behind))


def cut_side_streams(strip: Strip, z: np.ndarray, valleys: list[Valley]) -> np.ndarray:
    """Channels of the side streams, with sides of 1 in 1."""
    for valley in valleys:
        if valley.joins != 0 or valley.line is None:
            continue
        off, k = cKDTree(valley.line).query(strip.xy, distance_upper_bound=20.0)
        near = np.isfinite(off)
        area = np.interp(valley.line_u[k[near]], np.arange(len(valley.xy)) * STEP_M, valley.area_km2)
        side = valley.line_bed_m[k[near]] + 0.15 + np.maximum(off[near] - channel_width_m(area) / 2, 0.0)
        z[near] = np.minimum(z[near], np.maximum(side, strip.water_m[near]))
    return z


def pile_railway(strip: Strip, z: np.ndarray, roads: gpd.GeoDataFrame, off: np.ndarray) -> np.ndarray:
    """The fill of the railway, left out where it bridges the water."""
    rail = roads.geometry[roads["class"] == "rail"].union_all()
    away = shapely.distance(rail, shapely.points(strip.xy))
    fill = strip.water_m + 1.0 + FILL_M - np.maximum(away - FILL_HALF_M, 0.0) / FILL_SLOPE
    return np.where(off > 1.0, np.maximum(z, fill), z)


def lidar_strip(rng: np.random.Generator, ground: np.ndarray, valleys: list[Valley], water: gpd.GeoDataFrame,
                roads: gpd.GeoDataFrame) -> tuple[np.ndarray, float, float]:
    """Heights of the strip [cells of 1 m, -9999 outside], and its upper left corner."""
    strip = lay_strip(valleys[0])
    channel = water.geometry[water["kind"] == "channel"].union_all()
    channel = shapely.intersection(channel, LineString(valleys[0].line).buffer(HALF_M + 30))
    off, island = off_water(strip, channel)
    z = raise_banks(strip, ground, off, island)
    z = cut_side_streams(strip, z, valleys)
    z = pile_railway(strip, z, roads, off)
    error = ERROR_SD_M * smooth_noise(rng, strip.inside.shape, ERROR_LENGTH_M / 2)
    values = np.full(strip.inside.shape, -9999.0)
    values[strip.inside] = z + OFFSET_M + error[strip.inside]
    return values.round(2).astype(np.float32), float(strip.x0), float(strip.y1)
