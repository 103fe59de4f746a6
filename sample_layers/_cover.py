"""Land cover: fields, woods, hedges, strips of wood along the streams, marsh, roads, houses and water."""
from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import shapely.affinity
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter, zoom
from scipy.spatial import cKDTree
from shapely.geometry import Polygon, box

from _land import ROAD_WIDTH_M
from _network import HEIGHT_M, STEP_M, WIDTH_M, X0, Y0, Valley, channel_width_m, smooth_noise
from _streams import line_between
from _terrain import CELL_M, cell_centres

COVER_M = 4
BROADLEAF, CONIFER, STREAMSIDE, ROUGH_GRASS, MEADOW_WET = 11, 12, 13, 21, 22
PASTURE, CEREALS, MAIZE, ORCHARD = 31, 41, 42, 43
BARE, BUILT, ROAD, GARDEN, MARSH, WATER = 51, 61, 62, 63, 71, 81
WOODY = (BROADLEAF, CONIFER, STREAMSIDE)


@dataclass(frozen=True)
class Strips:
    """Woody strip beside each point of all stream lines: wanted width at left and right, measured from the bank."""

    xy: np.ndarray
    left: np.ndarray  # unit vectors
    half_m: np.ndarray
    wanted_m: np.ndarray  # [n x 2]
    order: np.ndarray


def paint(shapes: list[tuple[shapely.Geometry, int]], dtype: str = "uint8", all_touched: bool = False) -> np.ndarray:
    """Numbers of the shapes on the cover grid, 0 elsewhere."""
    return rasterize(shapes, out_shape=(HEIGHT_M // COVER_M, WIDTH_M // COVER_M), dtype=dtype, fill=0,
                     transform=from_origin(X0, Y0 + HEIGHT_M, COVER_M, COVER_M), all_touched=all_touched)


STATES = ((0.0, 0.0), (4.0, 15.0), (18.0, 40.0), (45.0, 95.0))  # width of the strip: none, thin, medium, full
CHANCES = {1: (0.28, 0.18, 0.15, 0.39), 2: (0.29, 0.20, 0.16, 0.35), 3: (0.30, 0.22, 0.17, 0.31),
           4: (0.31, 0.23, 0.17, 0.29)}  # of these states, by Strahler order


def riparian_strips(rng: np.random.Generator, valleys: list[Valley], orders: list[np.ndarray]) -> Strips:
    """Draws, for each side on its own, stretches of 60 to 500 m with a strip of one kind."""
    xy, left, half, wanted, order_at = [], [], [], [], []
    for valley, order in zip(valleys, orders, strict=True):
        if valley.line is None:
            continue
        line = valley.line[::2]
        ahead = np.gradient(line, axis=0)
        ahead /= np.hypot(*ahead.T)[:, None]
        u = valley.line_u[::2]
        here = order[np.rint(u / STEP_M).astype(int).clip(0, len(order) - 1)]
        width = channel_width_m(np.interp(u, np.arange(len(valley.xy)) * STEP_M, valley.area_km2))
        sides = np.zeros((len(line), 2))
        for side in (0, 1):
            k = 0
            while k < len(line):
                more = int(np.clip(rng.exponential(190.0), 60, 500) / 2)
                low, high = STATES[rng.choice(4, p=CHANCES[int(max(1, here[min(k, len(here) - 1)]))])]
                ragged = 1 + 0.16 * smooth_noise(rng, (more,), 7.0)
                sides[k:k + more, side] = (rng.uniform(low, high) * ragged)[:len(line) - k]
                k += more
        xy.append(line)
        left.append(np.stack([-ahead[:, 1], ahead[:, 0]], axis=1))
        half.append(width / 2)
        wanted.append(sides)
        order_at.append(here)
    return Strips(np.vstack(xy), np.vstack(left), np.concatenate(half), np.vstack(wanted), np.concatenate(order_at))


def cover_fields(rng: np.random.Generator, fields: list[Polygon], in_forest: list[bool], steep: np.ndarray
                 ) -> np.ndarray:
    """One use to each field, by its slope and whether its holding is a forest."""
    number = paint([(f, k + 1) for k, f in enumerate(fields)], "int32", all_touched=True)
    count = np.bincount(number.ravel(), minlength=len(fields) + 1)
    slope = np.bincount(number.ravel(), steep.ravel(), len(fields) + 1) / np.maximum(count, 1)
    use = np.zeros(len(fields) + 1, np.uint8)
    use[0] = ROUGH_GRASS
    for k in range(1, len(fields) + 1):
        kinds = [CEREALS, MAIZE, PASTURE, ROUGH_GRASS, BROADLEAF, ORCHARD]
        if in_forest[k - 1]:
            chance, kinds = [0.60, 0.30, 0.10], [BROADLEAF, CONIFER, ROUGH_GRASS]
        elif slope[k] < 0.08:
            chance = [0.36, 0.18, 0.33, 0.06, 0.05, 0.02]
        elif slope[k] < 0.15:
            chance = [0.22, 0.08, 0.48, 0.08, 0.11, 0.03]
        else:
            chance = [0.04, 0.00, 0.46, 0.12, 0.38, 0.00]
        use[k] = kinds[int(rng.choice(len(kinds), p=chance))]
    return use[number]


def paint_riparian(rng: np.random.Generator, cover: np.ndarray, open_cover: np.ndarray, strips: Strips) -> np.ndarray:
    """Woody strips as wanted; where a strip is narrower than 38 m, open land behind it up to 45 m."""
    x, y = cell_centres(COVER_M)
    shape = cover.shape
    dist, k = cKDTree(strips.xy).query(np.stack([x.ravel(), y.ravel()], axis=1), distance_upper_bound=110.0)
    near = np.flatnonzero(np.isfinite(dist))
    k, dist = k[near], dist[near]
    off = np.stack([x.ravel()[near], y.ravel()[near]], axis=1) - strips.xy[k]
    side = ((off * strips.left[k]).sum(axis=1) < 0).astype(int)
    from_bank = dist - strips.half_m[k]
    wanted = strips.wanted_m[k, side]
    out = cover.ravel().copy()
    gaps = (smooth_noise(rng, shape, 2.0).ravel()[near] > 2.3) & (wanted > 12)
    woody = (from_bank < wanted) & ~gaps
    keep = np.isin(out[near], WOODY)
    out[near[woody & ~keep]] = STREAMSIDE
    bare_land = (from_bank >= wanted) & (from_bank < 45) & (wanted < 38)
    out[near[bare_land]] = open_cover.ravel()[near[bare_land]]
    return out.reshape(shape)


def hamlet_shapes(rng: np.random.Generator, lots: list[Polygon]) -> list[tuple[shapely.Geometry, int]]:
    """Gardens with houses and yards."""
    shapes: list[tuple[shapely.Geometry, int]] = [(lot, GARDEN) for lot in lots]
    for lot in lots:
        for _ in range(2):
            at = lot.representative_point()
            x, y = at.x + rng.uniform(-16, 16), at.y + rng.uniform(-16, 16)
            house = box(x - 8, y - 6, x + 8, y + 6)
            shapes.append((shapely.affinity.rotate(house, rng.uniform(0, 180)).intersection(lot), BUILT))
    return [(geom, code) for geom, code in shapes if not geom.is_empty]


def marsh_polygon(rng: np.random.Generator, valley: Valley, marsh: tuple[int, float, float]) -> Polygon:
    """Irregular marsh on both banks of a stretch."""
    line = np.array(line_between(valley, marsh[1], marsh[2]).coords)[::8]
    taper = np.sin(np.linspace(0.12, np.pi - 0.12, len(line))) ** 0.6
    radius = 62 * taper * np.exp(0.22 * smooth_noise(rng, (len(line),), 4.0))
    return shapely.union_all(shapely.buffer(shapely.points(line), radius)).buffer(6).buffer(-6)


def bars(strips: Strips) -> list[tuple[shapely.Geometry, int]]:
    """Bare patches inside and outside of the tightest bends of the larger streams."""
    turn = np.zeros(len(strips.xy))
    along = np.stack([strips.left[:, 1], -strips.left[:, 0]], axis=1)
    for k in range(6, len(turn) - 6):
        a, b = along[k - 6], along[k + 6]
        turn[k] = a[0] * b[1] - a[1] * b[0]
    turn[(strips.order < 3)] = 0
    shapes = []
    for k in np.argsort(-np.abs(turn), kind="stable"):
        if len(shapes) >= 30:
            break
        if all(np.hypot(*(strips.xy[k] - c)) > 140 for c, _ in shapes):
            shapes.append((strips.xy[k], np.sign(turn[k])))
    out = []
    for j, (xy, sign) in enumerate(shapes):
        k = int(np.hypot(*(strips.xy - xy).T).argmin())
        inner = xy + strips.left[k] * sign * (strips.half_m[k] + 3) * (1 if j % 2 else -1)
        out.append((shapely.Point(inner).buffer(6 + j % 4), BARE))
    return out


def land_cover(rng: np.random.Generator, slope: np.ndarray, fields: list[Polygon],
               in_forest: list[bool], strips: Strips, lots: list[Polygon], marsh: Polygon, roads: gpd.GeoDataFrame,
               water: gpd.GeoDataFrame, bare_fields: list[tuple[shapely.Geometry, int]]
               ) -> tuple[np.ndarray, list[shapely.Geometry]]:
    """The cover raster [uint8 codes of the legend] and the houses in it; `bare_fields` lie about planted bends."""
    soft = gaussian_filter(slope, 3.0)
    rows = (np.arange(HEIGHT_M // COVER_M) * COVER_M + COVER_M // 2) // CELL_M
    cols = (np.arange(WIDTH_M // COVER_M) * COVER_M + COVER_M // 2) // CELL_M
    steep = soft[rows][:, cols]
    by_field = cover_fields(rng, fields, in_forest, steep)
    open_land = np.where(np.isin(by_field, WOODY), PASTURE, by_field).astype(np.uint8)
    about = paint(bare_fields)
    open_land = np.where(about > 0, about, open_land)
    cover = by_field.copy()
    shape = cover.shape
    coarse = zoom(smooth_noise(rng, (shape[0] // 4 + 1, shape[1] // 4 + 1), 9.0), 4, order=1)[:shape[0], :shape[1]]
    rough = coarse + 0.35 * smooth_noise(rng, shape, 4.0)
    limit = float(np.quantile(soft, 0.86))
    wooded = steep + 0.16 * limit * rough > limit
    cover[wooded & ~np.isin(cover, WOODY)] = BROADLEAF
    cover[(rough < -2.1) & np.isin(cover, WOODY)] = ROUGH_GRASS
    lines = [f.exterior for f in fields if rng.random() < 0.34]
    hedge = paint([(line.buffer(rng.uniform(1.8, 4.5)), 1) for line in lines])
    cover[(hedge == 1) & ~np.isin(cover, WOODY)] = STREAMSIDE
    cover = paint_riparian(rng, cover, open_land, strips)
    hamlet = hamlet_shapes(rng, lots)
    over = [(marsh.buffer(22), MEADOW_WET), (marsh, MARSH), *hamlet, *bars(strips)]
    order = {"track": 0, "rail": 1, "secondary": 2, "primary": 3}
    for kind in sorted(order, key=lambda name: order[name]):
        over += [(line.buffer(ROAD_WIDTH_M[kind] / 2 + 0.6), ROAD) for line in roads.geometry[roads["class"] == kind]]
    painted = paint(over)
    cover = np.where(painted > 0, painted, cover)
    wet = paint([(geom, WATER) for geom in water.geometry])
    cover = np.where((wet > 0) & (painted != ROAD), wet, cover)
    return cover.astype(np.uint8), [geom for geom, code in hamlet if code == BUILT]
