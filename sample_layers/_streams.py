"""Stream lines and water polygons as a mapper would have drawn them, with a ditch, a pipe, ponds and an island."""
from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
import shapely.ops
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point, Polygon

from _network import CRS, HEIGHT_M, STEP_M, X0, Y0, Valley, channel_width_m, smooth_noise
from _terrain import CELL_M

TRIBUTARY_NAMES = ("Sorrelwend", "Ombry Beck", "Fennick Run", "Harlow Rill", "Quillet Brook", "Maddern Run",
                   "Wisket Gill", "Pellow Beck", "Nettlecombe Rill")
TIDE_LENGTH_M = 650.0  # of the main stream above its mouth
POND_LENGTH_M, PIPE_LENGTH_M, MARSH_LENGTH_M, TRACK_LENGTH_M = 130.0, 205.0, 430.0, 290.0


@dataclass(frozen=True)
class Features:
    """What was chosen to lie on the streams; positions are metres along the valley line."""

    pond: tuple[int, float, float]
    pipe: tuple[int, float, float]
    marsh: tuple[int, float, float]
    track: tuple[int, float, float]  # where a track keeps close to the bank


def order_stretches(orders: list[np.ndarray], order: int) -> list[tuple[float, int, float, float]]:
    """Longest first: (length, valley, from, to) of what has the given Strahler order in each valley [m]."""
    found = []
    for number, points in enumerate(orders):
        at = np.flatnonzero(points == order)
        if len(at) > 10:
            found.append((len(at) * STEP_M, number, at[0] * STEP_M, at[-1] * STEP_M))
    return sorted(found, reverse=True)


def clear_place(valleys: list[Valley], number: int, first: float, last: float, length: float) -> tuple[float, float]:
    """Stretch of the given length between two positions in a valley, as far from all confluences as can be [m]."""
    host = valleys[number]
    joined = [host.node_at[v.joins_at] * STEP_M for v in valleys if v.joins == number and v.has_stream]
    starts = np.arange(first, max(last - length, first + 1), 20.0)
    apart = [min(min(abs(s + length / 2 - j) for j in [*joined, first, last]), length) for s in starts]
    best = float(starts[int(np.argmax(apart))])
    return best, best + length


def choose_features(valleys: list[Valley], orders: list[np.ndarray]) -> Features:
    """The pond and the pipe lie on streams of order 2, the marsh along one of order 3."""
    second, third = order_stretches(orders, 2), order_stretches(orders, 3)
    _, pond, a, b = second[1]
    low = [s for s in second if s[1] != pond and s[0] > 500]
    _, pipe, c, d = min(low, key=lambda s: valleys[s[1]].xy[-1][1])
    _, marsh, e, f = next(s for s in third if s[1] not in (pond, pipe))
    _, track, g, h = next(s for s in third if s[1] != marsh)
    return Features((pond, *clear_place(valleys, pond, a, b, POND_LENGTH_M)),
                    (pipe, *clear_place(valleys, pipe, c, d, PIPE_LENGTH_M)),
                    (marsh, *clear_place(valleys, marsh, e, f, MARSH_LENGTH_M)),
                    (track, *clear_place(valleys, track, g, h, TRACK_LENGTH_M)))


def line_between(valley: Valley, u_from: float, u_to: float) -> LineString:
    """Part of a stream line between two positions along its valley line."""
    a, b = np.searchsorted(valley.line_u, [u_from, u_to])
    return LineString(valley.line[a:b + 1])


def width_along(rng: np.random.Generator, valley: Valley) -> np.ndarray:
    """Channel width at each point of a stream line, 20 % up and down around the curve [m]."""
    area = np.interp(valley.line_u, np.arange(len(valley.xy)) * STEP_M, valley.area_km2)
    vary = np.clip(smooth_noise(rng, (len(area),), 28.0), -1.6, 1.6)
    return channel_width_m(area) * (1 + 0.125 * vary)


def lay_ditch(ground: np.ndarray, valleys: list[Valley], orders: list[np.ndarray], inside: Polygon
              ) -> tuple[np.ndarray, np.ndarray, int]:
    """Straight ditch that needs the least digging: its line (head first), its bed, and the valley it joins."""
    near = cKDTree(np.vstack([v.line for v in valleys if v.line is not None]))
    best: tuple[float, np.ndarray, np.ndarray, int] | None = None
    for number, valley in enumerate(valleys):
        if valley.line is None or orders[number].max() < 3:
            continue
        order = np.interp(valley.line_u, np.arange(len(valley.xy)) * STEP_M, orders[number])
        for k in range(200, len(valley.line) - 200, 45):
            if order[k] < 3:
                continue
            axis = valley.line[k] - valley.line[max(0, k - 150)]
            heading = np.arctan2(-axis[1], -axis[0])
            for turn in (-60, -45, -32, -22, 22, 32, 45, 60):
                for length in (660.0, 760.0):
                    way = heading + np.radians(turn)
                    s = np.arange(length, -1, -2.0)
                    xy = valley.line[k] + s[:, None] * np.array([np.cos(way), np.sin(way)])
                    if not inside.contains(Point(xy[0])):
                        continue
                    apart = near.query(xy)[0]
                    if apart[s > 75].min() < 28 or apart[s > 12].min() < 4:
                        continue
                    rows = ((Y0 + HEIGHT_M - xy[:, 1]) / CELL_M).astype(int)
                    cols = ((xy[:, 0] - X0) / CELL_M).astype(int)
                    z = ground[rows, cols]
                    bed = np.minimum.accumulate(z - 0.8) - 0.0004 * (length - s)
                    cost = float((z - bed).max()) + 40 * abs(float(bed[0] - bed[-1]) / length - 0.008)
                    if best is None or cost < best[0]:
                        best = (cost, xy, np.maximum(bed, valley.line_bed_m[k] + 0.0005 * s), number)
    assert best is not None
    return best[1], best[2], best[3]


def pond_polygon(rng: np.random.Generator, valley: Valley, pond: tuple[int, float, float]) -> Polygon:
    """Water of the pond on a stream: wide at its dam, tapering upstream."""
    k = np.flatnonzero((valley.line_u >= pond[1]) & (valley.line_u <= pond[2]))[::8]
    share = np.linspace(0, 1, len(k))
    radius = (6 + 22 * share ** 0.6) * (1 + 0.08 * smooth_noise(rng, (len(k),), 2.0))
    radius[-1] *= 0.85
    discs = shapely.buffer(shapely.points(valley.line[k]), radius)
    return shapely.simplify(shapely.union_all(discs).buffer(8).buffer(-8), 0.4)


def still_pond(valley: Valley, rng: np.random.Generator) -> Polygon:
    """A pond off the streams."""
    k = len(valley.line) // 2
    along = valley.line[k + 10] - valley.line[k - 10]
    along = along / np.hypot(*along)
    centre = valley.line[k] + 95 * np.array([-along[1], along[0]])
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    radius = 21 * (1 + 0.25 * np.cos(2 * turn + 1) + 0.08 * np.sin(3 * turn))
    return Polygon(centre + radius[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def swept(line: np.ndarray, width: np.ndarray) -> shapely.Geometry:
    """Area swept by a channel of varying width along a line."""
    left = np.gradient(line, axis=0)
    left = np.stack([-left[:, 1], left[:, 0]], axis=1) / np.hypot(*left.T)[:, None]
    a, b = line + left * width[:, None] / 2, line - left * width[:, None] / 2
    quads = shapely.polygons(np.stack([a[:-1], a[1:], b[1:], b[:-1], a[:-1]], axis=1))
    discs = shapely.buffer(shapely.points(line[1:-1]), width[1:-1] / 2 * 0.995, quad_segs=6)
    return shapely.union_all(np.r_[shapely.make_valid(quads), discs])


def side_thread(line: np.ndarray, at: int) -> shapely.Geometry:
    """Second thread of the channel that leaves and rejoins it round an island."""
    half = 36
    part = line[at - half:at + half + 1]
    chord = part[-1] - part[0]
    left = np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    bow = np.sin(np.linspace(0, np.pi, len(part))) ** 0.8 * 15.0
    return LineString(part + bow[:, None] * left).buffer(2.4)


def water_layer(rng: np.random.Generator, valleys: list[Valley], orders: list[np.ndarray], features: Features
                ) -> gpd.GeoDataFrame:
    """Open channel of streams of order 3 and 4, the pond on a stream and a pond off it."""
    polygons: list[shapely.Geometry] = []
    for number, valley in enumerate(valleys):
        if valley.line is None or orders[number].max() < 3:
            continue
        width = width_along(rng, valley)
        points = np.rint(valley.line_u / STEP_M).astype(int).clip(0, len(valley.xy) - 1)
        k = np.flatnonzero(orders[number][points] >= 3)
        channel = swept(valley.line[k[0]:], width[k[0]:])
        if number == 0:
            channel = channel.union(side_thread(valley.line, straightest(valley.line, k[-1] - 1500, k[-1] - 500)))
        for earlier in polygons:
            channel = channel.difference(earlier)
        parts = [p for p in getattr(channel, "geoms", [channel]) if p.geom_type == "Polygon"]
        polygons.append(max(parts, key=lambda p: p.area).simplify(0.15))
    pond = pond_polygon(rng, valleys[features.pond[0]], features.pond)
    quiet = still_pond(valleys[features.marsh[0]], rng)
    kinds = ["channel"] * len(polygons) + ["pond", "pond"]
    water = gpd.GeoDataFrame({"kind": kinds}, geometry=[*polygons, pond, quiet], crs=CRS)
    return water.set_geometry(shapely.set_precision(water.geometry.to_numpy(), 0.01)).set_crs(CRS)


def straightest(line: np.ndarray, first: int, last: int) -> int:
    """Point within a range about which 90 m of a line are straightest."""
    ks = np.arange(first, last, 5)
    return int(ks[np.argmax(np.hypot(*(line[ks + 42] - line[ks - 42]).T))])


def names_of(valleys: list[Valley], orders: list[np.ndarray]) -> list[str]:
    """Main stream first, then the largest tributaries; small ones have no name."""
    size = [(-float(v.area_km2[v.stream_to - 1]), k) for k, v in enumerate(valleys) if v.has_stream and k]
    names = [""] * len(valleys)
    names[0] = "Tansy Brook"
    for (_, k), name in zip(sorted(size), TRIBUTARY_NAMES, strict=False):
        names[k] = name
    return names


def streams_layer(rng: np.random.Generator, valleys: list[Valley], orders: list[np.ndarray], features: Features,
                  ditch: np.ndarray, ditch_joins: int) -> gpd.GeoDataFrame:
    """Lines from confluence to confluence, some in two pieces, a tenth of them drawn against the flow."""
    names, rows = names_of(valleys, orders), []
    mouths = [(v.joins, v.line[-1]) for v in valleys if v.line is not None and v.joins >= 0]
    mouths.append((ditch_joins, ditch[-1]))
    for number, valley in enumerate(valleys):
        if valley.line is None:
            continue
        tree = cKDTree(valley.line)
        cuts = {0, len(valley.line) - 1} | {int(tree.query(xy)[1]) for to, xy in mouths if to == number}
        pipe = np.searchsorted(valley.line_u, features.pipe[1:]) if number == features.pipe[0] else None
        if pipe is not None:
            cuts |= {int(pipe[0]), int(pipe[1])}
        for a, b in zip(sorted(cuts)[:-1], sorted(cuts)[1:], strict=True):
            kind = "pipe" if pipe is not None and pipe[0] <= a < pipe[1] else "stream"
            pieces = [(a, b)]
            if b - a > 900 and kind == "stream" and rng.random() < 0.55:
                middle = a + int((b - a) * rng.uniform(0.4, 0.6))
                pieces = [(a, middle), (middle, b)]
            rows += [(names[number], kind, LineString(valley.line[c:d + 1])) for c, d in pieces]
    rows.append(("", "ditch", LineString(ditch[[0, -1]])))
    rows = [rows[k] for k in rng.permutation(len(rows))]
    ids = [f"TBS-{k + 1:04d}" for k in range(len(rows))]
    lines = [loosen(rng, line.simplify(0.25)) for _, _, line in rows]
    wrong = set(rng.choice(len(rows), size=round(len(rows) * 0.1), replace=False).tolist())
    lines = [line.reverse() if k in wrong else line for k, line in enumerate(lines)]
    return gpd.GeoDataFrame({"permanent_id": ids, "name": [r[0] for r in rows], "ftype": [r[1] for r in rows]},
                            geometry=shapely.set_precision(np.array(lines), 0.01), crs=CRS)


def tidal_part(main: Valley) -> LineString:
    """The lowest part of the main stream, as far as the tide comes up."""
    line = LineString(main.line)
    return shapely.ops.substring(line, line.length - TIDE_LENGTH_M, line.length)


def mark_tidal(streams: gpd.GeoDataFrame, tidal: LineString) -> gpd.GeoDataFrame:
    """Cuts the last line of the main stream where the tide ends; the part below becomes a line of its own."""
    last = int(np.argmin(streams.distance(Point(tidal.coords[-1]))))
    line = streams.geometry.iloc[last]
    at, down = line.project(Point(tidal.coords[0])), line.project(Point(tidal.coords[-1]))
    parts = [shapely.ops.substring(line, *ends) for ends in ((0.0, at), (at, line.length))]
    above, below = parts if down > at else parts[::-1]
    out = streams.copy()
    out.loc[len(out)] = {**streams.iloc[last], "permanent_id": f"TBS-{len(out) + 1:04d}", "ftype": "tidal",
                         "geometry": below}
    out.loc[last, "geometry"] = above
    return out.set_geometry(shapely.set_precision(out.geometry.to_numpy(), 0.01)).set_crs(CRS)


def loosen(rng: np.random.Generator, line: LineString) -> LineString:
    """Moves the first point of one line in six by up to 0.2 m, as hand-drawn lines do not quite meet."""
    xy = np.array(line.coords)
    if rng.random() < 1 / 6 and len(xy) > 2:
        turn = rng.uniform(0, 2 * np.pi)
        xy[0] += rng.uniform(0.05, 0.2) * np.array([np.cos(turn), np.sin(turn)])
    return LineString(xy)


