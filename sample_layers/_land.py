"""Roads, properties, fields and soils."""
from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import geopandas as gpd
import numpy as np
import rasterio.features
import shapely
import shapely.ops
from rasterio.transform import from_origin
from scipy import sparse
from scipy.ndimage import gaussian_filter
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import polygonize, split, unary_union

from _network import CRS, HEIGHT_M, STEP_M, WIDTH_M, X0, Y0, Valley, floor_half_width_m, smooth_noise, smooth_path
from _streams import Features, line_between
from _terrain import CELL_M, outline

FRAME = box(X0, Y0, X0 + WIDTH_M, Y0 + HEIGHT_M)
ROUTE_M = 40
ROAD_WIDTH_M = {"primary": 8.0, "secondary": 6.0, "track": 4.0, "rail": 7.0}


@dataclass(frozen=True)
class Router:
    """Finds lines for roads over the ground: long and gentle rather than short and steep, few streams crossed."""

    ground: np.ndarray  # on cells of `ROUTE_M`
    wet: np.ndarray  # whether a stream is near

    def steps(self, steep: float) -> sparse.csr_matrix:
        """Cost of each step between neighbouring cells; `steep` is the slope that doubles the cost."""
        rows, cols = self.ground.shape
        index = np.arange(rows * cols).reshape(rows, cols)
        starts, ends, costs = [], [], []
        for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1), (1, 2), (2, 1), (1, -2), (2, -1)):
            a = (slice(0, rows - dr), slice(max(0, -dc), cols - max(0, dc)))
            b = (slice(dr, rows), slice(max(0, dc), cols + min(0, dc)))
            length = ROUTE_M * np.hypot(dr, dc)
            slope = np.abs(self.ground[a] - self.ground[b]) / length
            cost = length * (1 + (slope / steep) ** 2) * (1 + 1.5 * (self.wet[a].astype(float) + self.wet[b]))
            starts.append(index[a].ravel())
            ends.append(index[b].ravel())
            costs.append(cost.ravel())
        i, j, w = np.concatenate(starts), np.concatenate(ends), np.concatenate(costs)
        return sparse.coo_matrix((np.r_[w, w], (np.r_[i, j], np.r_[j, i])), shape=(index.size,) * 2).tocsr()

    def route(self, places: list[tuple[float, float]], steep: float, bend_nodes: float = 1.4) -> LineString:
        """Cheapest line through the places in order, made smooth."""
        rows, cols = self.ground.shape
        network = self.steps(steep)
        nodes = []
        for x, y in places:
            r = int(np.clip((Y0 + HEIGHT_M - y) / ROUTE_M, 0, rows - 1))
            nodes.append(r * cols + int(np.clip((x - X0) / ROUTE_M, 0, cols - 1)))
        path = [nodes[0]]
        for a, b in pairwise(nodes):
            _, before = dijkstra(network, indices=a, return_predecessors=True)
            leg = [b]
            while leg[-1] != a:
                leg.append(int(before[leg[-1]]))
            path += leg[::-1][1:]
        ids = np.array(path)
        xy = np.stack([X0 + (ids % cols + 0.5) * ROUTE_M, Y0 + HEIGHT_M - (ids // cols + 0.5) * ROUTE_M], axis=1)
        xy[0], xy[-1] = places[0], places[-1]
        return LineString(smooth_path(xy, bend_nodes)[0]).simplify(0.4)


def bank_track(valley: Valley, track: tuple[int, float, float], off_m: float = 12.0) -> np.ndarray:
    """Points of a track that keeps close to the left bank of a stream, drawn downstream."""
    part = line_between(valley, *track[1:])
    beside = part.simplify(2.0).parallel_offset(off_m, "left", join_style=1)
    points = np.array(max(getattr(beside, "geoms", [beside]), key=lambda line: line.length).simplify(1.5).coords)
    head = np.array(part.coords[0])
    return points if np.hypot(*(points[0] - head)) < np.hypot(*(points[-1] - head)) else points[::-1]


def roads_layer(ground: np.ndarray, valleys: list[Valley], orders: list[np.ndarray], features: Features,
                hamlet: Point) -> gpd.GeoDataFrame:
    """Six roads: a main road through the hamlet, two side roads, two tracks and a railway."""
    ratio = ROUTE_M // CELL_M
    ground = gaussian_filter(ground, 2.0)
    high, wide = ground.shape[0] // ratio, ground.shape[1] // ratio
    coarse = ground[:high * ratio, :wide * ratio].reshape(high, ratio, wide, ratio).mean(axis=(1, 3))
    streams = np.vstack([v.line[::10] for v in valleys if v.line is not None])
    xs = X0 + (np.arange(coarse.shape[1]) + 0.5) * ROUTE_M
    ys = Y0 + HEIGHT_M - (np.arange(coarse.shape[0]) + 0.5) * ROUTE_M
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    router = Router(coarse, (cKDTree(streams).query(grid)[0] < 38).reshape(coarse.shape))
    main, fourth = valleys[0], np.flatnonzero(orders[0] == 4)
    cross_x, cross_y = main.xy[fourth[int(0.10 * len(fourth))]]
    low_x, low_y = main.xy[fourth[int(0.80 * len(fourth))]]
    west, east, north = X0 + 5, X0 + WIDTH_M - 5, Y0 + HEIGHT_M - 5
    primary = router.route([(west, cross_y + 250), (cross_x, cross_y), (hamlet.x, hamlet.y + 70),
                            (east, hamlet.y - 150)], 0.06)
    fork = primary.interpolate(0.27, normalized=True)
    first = router.route([(fork.x, fork.y), (X0 + 0.42 * WIDTH_M, north)], 0.07)
    second = router.route([(hamlet.x, hamlet.y + 70), (X0 + 0.80 * WIDTH_M, north)], 0.07)
    beside = bank_track(valleys[features.track[0]], features.track)
    head = router.route([(first.interpolate(0.35, normalized=True).coords[0]), tuple(beside[0])], 0.09)
    tail = router.route([tuple(beside[-1]), primary.interpolate(0.42, normalized=True).coords[0]], 0.09)
    track = LineString(np.vstack([np.array(head.coords)[:-1], beside, np.array(tail.coords)[1:]]))
    end = second.interpolate(0.45, normalized=True)
    forest = router.route([(end.x, end.y), (X0 + 0.60 * WIDTH_M, Y0 + 0.76 * HEIGHT_M)], 0.09)
    rail = router.route([(west, low_y + 700), (low_x, low_y), (east, low_y + 900)], 0.035, 3.0)
    classes = ["primary", "secondary", "secondary", "track", "track", "rail"]
    lines = shapely.set_precision(np.array([primary, first, second, track, forest, rail]), 0.01)
    return gpd.GeoDataFrame({"class": classes}, geometry=lines, crs=CRS)


def divide(rng: np.random.Generator, whole: Polygon, mean_ha: float, spread: float) -> list[Polygon]:
    """Cuts land into pieces by straight lines across its long side until each is about as large as wanted."""
    done, waiting = [], [whole]
    while waiting:
        piece = waiting.pop()
        wanted = mean_ha * 1e4 * np.exp(spread * rng.standard_normal())
        if piece.area < 1.5 * wanted:
            done.append(piece)
            continue
        a, b, across = long_side(piece)
        at = a + rng.uniform(0.38, 0.62) * (b - a)
        turn = np.radians(rng.normal(0, 7))
        across = np.array([across[0] * np.cos(turn) - across[1] * np.sin(turn),
                           across[0] * np.sin(turn) + across[1] * np.cos(turn)])
        parts = [p for p in split(piece, LineString([at - 3 * across, at + 4 * across])).geoms if p.area > 1.0]
        parts.sort(key=lambda p: (round(p.centroid.x), round(p.centroid.y)))
        if len(parts) < 2:
            done.append(piece)
        else:
            waiting += parts
    return done


def long_side(piece: Polygon) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ends of a long side of the smallest rectangle about a piece, and the way across to the other side.

    Rectangles on two sides of a triangle are equally large, and a last digit, which processors round each in their
    own way, would choose: of rectangles within a millionth the one with the least turn is taken.
    """
    hull = shapely.get_coordinates(piece.convex_hull)
    ahead = np.diff(hull, axis=0)
    ahead = ahead[np.hypot(*ahead.T) > 0.5]
    turn = np.arctan2(ahead[:, 1], ahead[:, 0]) % (np.pi / 2)
    turn[turn > np.pi / 2 - 1e-6] = 0.0
    turn = np.unique(np.round(turn, 6))
    u, v = np.stack([np.cos(turn), np.sin(turn)], 1), np.stack([-np.sin(turn), np.cos(turn)], 1)
    along, over = hull @ u.T, hull @ v.T
    area = np.ptp(along, axis=0) * np.ptp(over, axis=0)
    k = int(np.flatnonzero(area <= area.min() * (1 + 1e-6))[0])
    corner = along[:, k].min() * u[k] + over[:, k].min() * v[k]
    first, second = np.ptp(along[:, k]) * u[k], np.ptp(over[:, k]) * v[k]
    if np.hypot(*second) > np.hypot(*first) + 0.01:
        first, second = second, first
    return corner, corner + first, second


def join_small(pieces: list[Polygon], least_ha: float) -> list[Polygon]:
    """Gives pieces that are too small to the neighbour with the longest common border."""
    pieces = sorted(pieces, key=lambda p: -p.area)
    large = [p for p in pieces if p.area >= least_ha * 1e4]
    for small in (p for p in pieces if p.area < least_ha * 1e4):
        shared = [small.boundary.intersection(p.buffer(0.05)).length if p.distance(small) < 0.1 else 0.0 for p in large]
        k = int(np.argmax(shared))
        joined = unary_union([large[k].buffer(0.01, join_style="mitre"), small.buffer(0.01, join_style="mitre")])
        joined = joined.buffer(-0.01, join_style="mitre")
        if shared[k] > 0 and joined.geom_type == "Polygon":
            large[k] = joined
    return large


def forest_holdings(rng: np.random.Generator, farms: list[Polygon], slope: np.ndarray) -> list[bool]:
    """Which holdings are forest: mostly those on steep ground."""
    place = from_origin(X0, Y0 + HEIGHT_M, CELL_M, CELL_M)
    number = rasterio.features.rasterize([(f, k + 1) for k, f in enumerate(farms)], out_shape=slope.shape,
                                         dtype="int32", transform=place).ravel()
    count = np.bincount(number, minlength=len(farms) + 1)[1:]
    mean = np.bincount(number, slope.ravel(), len(farms) + 1)[1:] / np.maximum(count, 1)
    limit = np.quantile(mean, 0.80)
    return [bool(m + 0.03 * rng.standard_normal() > limit) for m in mean]


def fields_of(rng: np.random.Generator, farms: list[Polygon], forest: list[bool]) -> tuple[list[Polygon], list[bool]]:
    """Fields of 3 to 15 ha with borders along the lines of their holding, and whether they lie in a forest."""
    fields: list[Polygon] = []
    in_forest: list[bool] = []
    for farm, wooded in zip(farms, forest, strict=True):
        parts = join_small(divide(rng, farm, 6.5, 0.35), 0.8)
        fields += parts
        in_forest += [wooded] * len(parts)
    return fields, in_forest


@dataclass(frozen=True)
class Holdings:
    """All land in holdings, also outside of the watershed, and the strips and lots cut out of it."""

    farms: list[Polygon]
    lots: list[Polygon]
    river: Polygon
    road: Polygon


def hold_land(rng: np.random.Generator, valleys: list[Valley], orders: list[np.ndarray], roads: gpd.GeoDataFrame,
              watershed: Polygon, hamlet: Polygon) -> Holdings:
    """Holdings bounded by roads, the divide and larger streams in part, and else by straight lines."""
    divide_line = watershed.simplify(140).exterior
    cuts = [FRAME.boundary, *roads.geometry[roads["class"] != "track"], divide_line]
    for turn, share in ((0.35, 0.3), (-0.5, 0.62), (1.9, 0.5)):  # old borders at a slant
        middle = np.array([X0 + share * WIDTH_M, Y0 + (1 - share) * HEIGHT_M])
        far = 12_000 * np.array([np.cos(turn), np.sin(turn)])
        cuts.append(LineString([middle - far, middle + far]).intersection(FRAME))
    for valley, order in zip(valleys, orders, strict=True):
        if valley.line is not None and order.max() >= 2:
            points = np.rint(valley.line_u / STEP_M).astype(int).clip(0, len(order) - 1)
            k = np.flatnonzero(order[points] >= 2)
            line = LineString(valley.line[k[0]:]).simplify(1.0)
            cuts.append(shapely.ops.substring(line, 0.0, rng.uniform(0.35, 0.7), normalized=True))
    cuts.append(hamlet.boundary)
    blocks = sorted(polygonize(unary_union(cuts)), key=lambda p: (p.centroid.x, p.centroid.y))
    farms: list[Polygon] = []
    for block in blocks:
        if not hamlet.buffer(1).contains(block):
            farms += divide(rng, block, 23.0, 0.40)
    farms = join_small(farms, 5.0)
    main = valleys[0]
    fourth = np.flatnonzero(orders[0] == 4)
    lower = line_between(main, fourth[int(0.22 * len(fourth))] * STEP_M, fourth[-1] * STEP_M)
    river = lower.buffer(10, cap_style="flat")
    road = roads.geometry.iloc[0].buffer(6.5, cap_style="flat")
    village = hamlet.difference(road)
    lots = [lot for part in getattr(village, "geoms", [village]) for lot in divide(rng, part, 0.55, 0.25)]
    return Holdings(farms, join_small(lots, 0.12), river, road)


def properties_layer(rng: np.random.Generator, holdings: Holdings, watershed: Polygon, forest: list[bool]
                     ) -> gpd.GeoDataFrame:
    """Parcels in and about the watershed, with holes, slivers, a river parcel and a road parcel."""
    strips = unary_union([holdings.river, holdings.road])
    rows: list[tuple[str, shapely.Geometry]] = []
    for farm, wooded in zip(holdings.farms, forest, strict=True):
        if farm.intersection(watershed).area < 0.12 * farm.area:
            continue
        rest = farm.difference(strips)
        parts = [p for p in getattr(rest, "geoms", [rest]) if p.area > 3000]
        rows += [("forest" if wooded else "farm", p) for p in parts]
    keep = np.ones(len(rows), bool)
    keep[rng.choice(len(rows), size=5, replace=False)] = False  # land without a parcel
    rows = [row for row, kept in zip(rows, keep, strict=True) if kept]
    shift = np.zeros(len(rows))
    moved = rng.choice(len(rows), size=34, replace=False)
    shift[moved[:17]], shift[moved[17:]] = rng.uniform(0.25, 1.0, 17), -rng.uniform(0.25, 1.0, 17)
    rows = [(use, land.buffer(s, join_style="mitre", mitre_limit=2) if s else land)
            for (use, land), s in zip(rows, shift, strict=True)]
    rows = [(use, max(getattr(p, "geoms", [p]), key=lambda q: q.area)) for use, p in rows]
    rows += [("residential", p) for p in holdings.lots]
    rows += [("river", holdings.river), ("road", holdings.road.intersection(watershed.buffer(150)))]
    rows = [rows[k] for k in rng.permutation(len(rows))]
    lands = shapely.set_precision(np.array([p for _, p in rows]), 0.01)
    ids = [f"TB-{101 + k:04d}" for k in range(len(rows))]
    return gpd.GeoDataFrame({"parcel": ids, "use": [u for u, _ in rows]}, geometry=lands, crs=CRS)


SOILS = (  # name, K in US units (texture table of the handbook at 2 % organic matter), silt and clay in percent
    ("Brookmeadow silt loam", 0.42, 78.0),
    ("Tansy Bottom silty clay loam", 0.32, 88.0),
    ("Wickenrise loam", 0.34, 58.0),
    ("Ombry sandy loam", 0.24, 34.0),
    ("Harrowback clay loam", 0.25, 66.0),
    ("Crag End loamy sand", 0.10, 20.0),
)


def near_valley_floor(valleys: list[Valley], shape: tuple[int, int]) -> np.ndarray:
    """Cells on the floor of a valley where more than 1.5 km2 drain."""
    shapes = []
    for valley in valleys:
        wide = np.flatnonzero(valley.area_km2 > 1.5)[::4]
        if len(wide):
            reach = floor_half_width_m(valley.area_km2[wide]) + 12
            shapes.append(shapely.union_all(shapely.buffer(shapely.points(valley.xy[wide]), reach)))
    return rasterio.features.rasterize(shapes, out_shape=shape, dtype="uint8",
                                       transform=from_origin(X0, Y0 + HEIGHT_M, CELL_M, CELL_M)) > 0


def soils_layer(rng: np.random.Generator, ground: np.ndarray, valleys: list[Valley], slope: np.ndarray
                ) -> gpd.GeoDataFrame:
    """Soil polygons over the whole frame: two on the valley floors, four on the hills."""
    step = 4
    noise = smooth_noise(rng, ground[::step, ::step].shape, 22.0)
    other = smooth_noise(rng, noise.shape, 26.0)
    floor = gaussian_filter(near_valley_floor(valleys, ground.shape).astype(float), 3.0)[::step, ::step] > 0.45
    steep = gaussian_filter(slope, 8.0)[::step, ::step]
    kind = np.where(noise > 0.25, 2, np.where(other > 0.1, 3, 4))
    kind[steep > np.quantile(steep, 0.88)] = 5
    kind[floor] = np.where(other[floor] > 0, 0, 1)
    fine = np.repeat(np.repeat(kind, step, axis=0), step, axis=1)[:ground.shape[0], :ground.shape[1]]
    rows = []
    for k, (name, k_factor, silt_clay) in enumerate(SOILS):
        rows += [(name, k_factor, silt_clay, part) for part in outlines(fine == k, 6e4)]
    return gpd.GeoDataFrame({"soil": [r[0] for r in rows], "kfactor": [r[1] for r in rows],
                             "silt_clay": [r[2] for r in rows]}, geometry=[r[3] for r in rows], crs=CRS)


def outlines(mask: np.ndarray, least_m2: float) -> list[Polygon]:
    """Polygons round the true cells of the elevation grid, small ones left out."""

    shapes = rasterio.features.shapes(mask.astype(np.uint8), mask=mask,
                                      transform=from_origin(X0, Y0 + HEIGHT_M, CELL_M, CELL_M))
    parts = [shapely.geometry.shape(geom) for geom, _ in shapes]
    return [p.simplify(25.0).buffer(0) for p in parts if p.area >= least_m2]


def watershed_layer(mask: np.ndarray) -> gpd.GeoDataFrame:
    """The watershed as one polygon."""
    return gpd.GeoDataFrame({"name": ["Tansy Brook"]}, geometry=[outline(mask, CELL_M, 8.0)], crs=CRS)
