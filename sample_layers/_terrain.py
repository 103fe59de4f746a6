"""The elevation model: hills that stand between the valleys, valley floors, channels, and a measuring error."""
from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
from rasterio.transform import from_origin
from scipy import sparse
from scipy.ndimage import binary_opening, gaussian_filter, map_coordinates
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from _network import (
    HEIGHT_M,
    STEP_M,
    STREAM_STARTS_KM2,
    SWALE_STARTS_KM2,
    WIDTH_M,
    X0,
    Y0,
    Valley,
    channel_width_m,
    floor_half_width_m,
    smooth_noise,
)

CELL_M = 10
SOLVE_M = 20
HILL_LIMIT_M = 45.0  # height above the valleys at which hills bulge half as much
HILL_CURVATURE = 8.5e-4  # mean downward curvature of the hills [1/m]
ERROR_SD_M = 0.30
ERROR_LENGTH_M = 65.0  # the error of two places this far apart is correlated by exp(-1)
SIZE_CLASSES_KM2 = (0.0, 1.0, 5.0, 1e9)


@dataclass(frozen=True)
class Floors:
    """Valley floors: level, whether a place is on one, how far it is outside, and how firm the level is (0 to 1)."""

    level_m: np.ndarray
    is_floor: np.ndarray
    outside_m: np.ndarray
    firm: np.ndarray


def cell_centres(cell_m: float) -> tuple[np.ndarray, np.ndarray]:
    """x and y of the middle of all cells, top row first."""
    xs = X0 + (np.arange(int(WIDTH_M / cell_m)) + 0.5) * cell_m
    ys = Y0 + HEIGHT_M - (np.arange(int(HEIGHT_M / cell_m)) + 0.5) * cell_m
    grid = np.meshgrid(xs, ys)
    return grid[0], grid[1]


def bank_above_bed_m(area_km2: np.ndarray) -> np.ndarray:
    """Height of the valley floor at the channel above the bed."""
    return 0.25 + 0.25 * area_km2 ** 0.4


def valley_points(rng: np.random.Generator, valleys: list[Valley]) -> dict[str, np.ndarray]:
    """All points of all valley lines in columns: xy, area_km2, bed_m, half_m (half width of the floor)."""
    half = []
    for valley in valleys:
        vary = np.exp(0.28 * smooth_noise(rng, (len(valley.xy),), 45.0))
        reach = 0.5 * channel_width_m(valley.area_km2) + np.where(valley.area_km2 > 5, 36.0, 2.0)
        half.append(np.maximum(floor_half_width_m(valley.area_km2) * vary, reach))
    full = [v for v in valleys if len(v.xy)]
    return {
        "xy": np.vstack([v.xy for v in full]),
        "area_km2": np.concatenate([v.area_km2 for v in full]),
        "bed_m": np.concatenate([v.bed_m for v in full]),
        "half_m": np.concatenate(half),
    }


def valley_floors(points: dict[str, np.ndarray], x: np.ndarray, y: np.ndarray, least_m: float) -> Floors:
    """Level of the floor at each place; where two valleys meet the larger one has the say."""
    where = np.stack([x.ravel(), y.ravel()], axis=1)
    level = np.full(len(where), np.nan)
    outside, firm = np.full(len(where), np.inf), np.zeros(len(where))
    for low, high in pairwise(SIZE_CLASSES_KM2):
        mine = (points["area_km2"] >= low) & (points["area_km2"] < high)
        dist, k = cKDTree(points["xy"][mine]).query(where)
        area = points["area_km2"][mine][k]
        half = np.maximum(points["half_m"][mine][k], least_m)
        here = points["bed_m"][mine][k] + bank_above_bed_m(area) + 0.006 * dist
        on = dist <= half
        level[on], firm[on] = here[on], swale_firmness(area)[on]
        outside = np.minimum(outside, np.maximum(dist - half, 0.0))
    shape = x.shape
    return Floors(level.reshape(shape), ~np.isnan(level.reshape(shape)), outside.reshape(shape), firm.reshape(shape))


def swale_firmness(area_km2: np.ndarray) -> np.ndarray:
    """How far the bed of a valley holds the ground: 0 at the head of a swale, 1 where a stream may start."""
    return np.clip((area_km2 - SWALE_STARTS_KM2) / (STREAM_STARTS_KM2 - SWALE_STARTS_KM2) * 1.25, 0, 1)


def raise_hills(rng: np.random.Generator, floors: Floors) -> np.ndarray:
    """Hills of given curvature between the floors (Poisson's equation on cells of `SOLVE_M`)."""
    shape = floors.level_m.shape
    curvature = HILL_CURVATURE * np.exp(0.45 * smooth_noise(rng, shape, 700 / SOLVE_M))
    index = np.arange(shape[0] * shape[1]).reshape(shape)
    pairs = [(index[:, :-1], index[:, 1:]), (index[:-1], index[1:])]
    a = np.concatenate([p.ravel() for p, _ in pairs])
    b = np.concatenate([q.ravel() for _, q in pairs])
    one = np.ones(len(a))
    links = sparse.coo_matrix((np.r_[one, one], (np.r_[a, b], np.r_[b, a])), shape=(index.size,) * 2).tocsr()
    laplace = sparse.diags(np.asarray(links.sum(axis=1)).ravel()) - links
    hold = np.where(floors.is_floor, 0.006 * 10 ** (5.0 * floors.firm), 0.0).ravel()
    level = np.nan_to_num(floors.level_m.ravel())
    solve = splu((laplace + sparse.diags(hold)).tocsc(), permc_spec="MMD_AT_PLUS_A").solve
    base = solve(hold * level)
    hills = np.zeros_like(base)
    for _ in range(4):  # the higher a hill, the less it bulges
        hills = 0.5 * hills + 0.5 * solve(curvature.ravel() * SOLVE_M ** 2 / (1 + (hills / HILL_LIMIT_M) ** 2))
    return (base + hills).reshape(shape)


def refine(coarse: np.ndarray) -> np.ndarray:
    """From cells of `SOLVE_M` to cells of `CELL_M`."""
    ratio = SOLVE_M // CELL_M
    rows = (np.arange(coarse.shape[0] * ratio) + 0.5) / ratio - 0.5
    cols = (np.arange(coarse.shape[1] * ratio) + 0.5) / ratio - 0.5
    return map_coordinates(coarse, np.meshgrid(rows, cols, indexing="ij"), order=3, mode="nearest")


def carve(ground: np.ndarray, line: np.ndarray, bed_m: np.ndarray, width_m: np.ndarray,
          firm: np.ndarray | float = 1.0) -> np.ndarray:
    """Draws the ground down to the bed along a line; a trough of one to two cells, fainter where less firm."""
    x, y = cell_centres(CELL_M)
    out = ground.copy()
    tree = cKDTree(line)
    r0 = max(0, int((Y0 + HEIGHT_M - line[:, 1].max()) / CELL_M) - 5)
    r1 = int((Y0 + HEIGHT_M - line[:, 1].min()) / CELL_M) + 6
    c0 = max(0, int((line[:, 0].min() - X0) / CELL_M) - 5)
    c1 = int((line[:, 0].max() - X0) / CELL_M) + 6
    box = (slice(r0, r1), slice(c0, c1))
    dist, k = tree.query(np.stack([x[box].ravel(), y[box].ravel()], axis=1), distance_upper_bound=40.0)
    near = np.isfinite(dist)
    k, dist = k[near], dist[near]
    reach = np.maximum(7.5, 0.75 * width_m[k])
    pull = np.exp(-((dist / reach) ** 2)) * np.broadcast_to(firm, width_m.shape)[k]
    part = out[box].ravel()
    part[near] = np.minimum(part[near], part[near] * (1 - pull) + bed_m[k] * pull)
    out[box] = part.reshape(out[box].shape)
    return out


def build_ground(rng: np.random.Generator, valleys: list[Valley]) -> np.ndarray:
    """Ground without any channel: floors, hills and a little roughness."""
    points = valley_points(rng, valleys)
    hills = raise_hills(rng, valley_floors(points, *cell_centres(SOLVE_M), 0.75 * SOLVE_M))
    hills = gaussian_filter(refine(hills), 1.2, mode="nearest")
    floors = valley_floors(points, *cell_centres(CELL_M), 4.0)
    rough = 1.1 * smooth_noise(rng, hills.shape, 14.0) + 0.35 * smooth_noise(rng, hills.shape, 5.0)
    rough = rough * np.clip((floors.outside_m - 15) / 120.0, 0, 1)
    level = np.where(floors.is_floor, floors.level_m, 0.0)
    firm = floors.firm
    floor = np.where(firm >= 1, np.fmin(level, hills + 0.5), firm * np.fmin(level, hills) + (1 - firm) * hills)
    return gaussian_filter(np.where(floors.is_floor, floor, hills + rough), 1.0, mode="nearest")


def carve_all(ground: np.ndarray, valleys: list[Valley], pipe: tuple[int, float, float]) -> np.ndarray:
    """Carves streams and, fainter, the swales above them; no channel where the stream is piped."""
    out = ground
    for number, valley in enumerate(valleys):
        if len(valley.xy) < 3:
            continue
        dry = slice(0, valley.stream_from + 1)
        if dry.stop > 2:
            out = carve(out, valley.xy[dry], valley.bed_m[dry], channel_width_m(valley.area_km2[dry]),
                        swale_firmness(valley.area_km2[dry]) ** 2)
        if valley.line is not None:
            width = channel_width_m(np.interp(valley.line_u, np.arange(len(valley.xy)) * STEP_M, valley.area_km2))
            piped = (valley.line_u > pipe[1] + 8) & (valley.line_u < pipe[2] - 8) & (number == pipe[0])
            out = carve(out, valley.line, valley.line_bed_m, width, np.where(piped, 0.0, 1.0))
        below = slice(valley.stream_to, len(valley.xy))
        if valley.has_stream and below.stop - below.start > 2:
            out = carve(out, valley.xy[below], valley.bed_m[below], channel_width_m(valley.area_km2[below]))
    return out


def measuring_error(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Correlated error of the elevation model [m]."""
    return ERROR_SD_M * smooth_noise(rng, shape, ERROR_LENGTH_M / 2 / CELL_M)


def level_ponds(measured: np.ndarray, ground: np.ndarray, water: gpd.GeoDataFrame) -> np.ndarray:
    """Sets ponds to the level of their water, which has no error of its own."""
    out = measured.copy()
    for pond in water.geometry[water["kind"] == "pond"]:
        cells = rasterio.features.rasterize([pond], out_shape=ground.shape, all_touched=False,
                                            transform=from_origin(X0, Y0 + HEIGHT_M, CELL_M, CELL_M)) > 0
        out[cells] = np.quantile(ground[cells], 0.15)
    return out


def flood_parents(ground: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flow towards the rim by flooding from the rim: order of flooding and next cell downstream of each cell."""
    cols = ground.shape[1]
    z = ground.ravel().tolist()
    parent = [-1] * len(z)
    edge = [k for k in range(len(z)) if k < cols or k >= len(z) - cols or k % cols in (0, cols - 1)]
    for k in edge:
        parent[k] = k
    heap = [(z[k], k) for k in edge]
    heapq.heapify(heap)
    steps = (-1, 1, -cols, cols, -cols - 1, -cols + 1, cols - 1, cols + 1)
    order = []
    while heap:
        level, k = heapq.heappop(heap)
        order.append(k)
        if k < cols or k >= len(z) - cols or k % cols in (0, cols - 1):
            near = [k + s for s in steps if 0 <= k + s < len(z) and abs((k + s) % cols - k % cols) <= 1]
        else:
            near = [k + s for s in steps]
        for n in near:
            if parent[n] < 0:
                parent[n] = k
                heapq.heappush(heap, (z[n] if z[n] > level else level, n))
    return np.array(order), np.array(parent)


def watershed_above(ground: np.ndarray, outlet: np.ndarray) -> np.ndarray:
    """Cells that drain through the lowest cell next to `outlet` (x, y), without thin spikes along ridges."""
    order, parent = flood_parents(ground)
    row, col = int((Y0 + HEIGHT_M - outlet[1]) / CELL_M), int((outlet[0] - X0) / CELL_M)
    window = ground[row - 1:row + 2, col - 1:col + 2]
    dr, dc = np.unravel_index(window.argmin(), window.shape)
    inside = [False] * ground.size
    inside[(row - 1 + int(dr)) * ground.shape[1] + col - 1 + int(dc)] = True
    ups = parent.tolist()
    for k in order.tolist():
        if inside[ups[k]]:
            inside[k] = True
    mask = np.array(inside).reshape(ground.shape)
    x, y = cell_centres(CELL_M)
    at_outlet = np.hypot(x - outlet[0], y - outlet[1]) < 400
    rows, cols = np.mgrid[-9:10, -9:10]
    return binary_opening(mask, rows ** 2 + cols ** 2 <= 81) | (mask & at_outlet)


def outline(mask: np.ndarray, cell_m: float, smooth_m: float) -> shapely.Polygon:
    """Largest polygon round the true cells, its steps smoothed."""
    shapes = rasterio.features.shapes(mask.astype(np.uint8), mask=mask,
                                      transform=from_origin(X0, Y0 + HEIGHT_M, cell_m, cell_m))
    rings = [shapely.geometry.shape(geom) for geom, _ in shapes]
    largest = max(rings, key=lambda p: p.area)
    return shapely.Polygon(largest.simplify(smooth_m).exterior)
