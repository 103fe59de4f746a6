"""The valleys and streams of the invented watershed.

A coarse landscape that wears down under running water (stream power in balance with uplift) gives the branching
pattern; valley lines are its flow paths made smooth; streams are valley lines with meanders laid over them.
Only additions, products, quotients and square roots decide the branching, so that it is the same on every machine.
"""
from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.spatial import cKDTree

X0, Y0 = 500_480.0, 5_299_600.0  # lower left corner of the layers [m, EPSG:32633]
WIDTH_M, HEIGHT_M = 7_500, 8_320  # of the layers; a whole number of cells of 4, 10 and 20 m
CRS = "EPSG:32633"
COARSE_M = 82  # cell of the coarse landscape
COARSE_SHAPE = (100, 90)
PAD_M = 60  # from the lower left corner of the layers to that of the coarse landscape
MOUTH_COLUMN = 50  # coarse column where the main valley leaves
STEP_M = 5.0  # distance of points on valley lines
STREAM_STARTS_KM2 = 0.16
SWALE_STARTS_KM2 = 0.035
OUTLET_NODES = 8  # the watershed ends this many coarse cells above the rim
REFERENCE_SLOPE = 0.0030  # channel slope where 30 km2 drain


@dataclass(frozen=True)
class Valley:
    """One valley line from its head to the valley it joins, with the stream on its floor.

    Attributes are arrays along the line, from head to mouth; `line` has its own, denser spacing.
    """

    xy: np.ndarray  # valley line [n x 2, m]
    area_km2: np.ndarray  # drainage area by design [n]
    joins: int  # number of the valley it joins, -1 at the rim
    joins_at: int  # coarse node where it joins
    stream_from: int  # first point with a mapped stream; n where there is none
    stream_to: int  # one past the last point with a mapped stream
    node_at: dict[int, int] = field(default_factory=dict)  # coarse node -> point of `xy`
    line: np.ndarray | None = None  # stream line [m x 2, m]
    line_u: np.ndarray | None = None  # position of its points along the valley line [m, m]
    line_bed_m: np.ndarray | None = None  # bed of the stream [m, m]
    bed_m: np.ndarray | None = None  # bed at the points of `xy` [n, m]

    @property
    def has_stream(self) -> bool:
        """Whether a mapped stream runs in it."""
        return self.stream_from < len(self.xy)


def smooth_noise(rng: np.random.Generator, shape: tuple[int, ...], length: float) -> np.ndarray:
    """Noise of mean 0 and standard deviation 1 that is correlated over `length` cells."""
    if len(shape) == 1:
        if shape[0] < 3:
            return np.zeros(shape)
        pad = int(4 * length) + 1
        raw = gaussian_filter1d(rng.standard_normal(shape[0] + 2 * pad), length)
        return (raw / (raw.std() + 1e-12))[pad:-pad]
    raw = gaussian_filter(rng.standard_normal(shape), length, mode="reflect")
    return (raw - raw.mean()) / raw.std()


def channel_width_m(area_km2: np.ndarray | float) -> np.ndarray | float:
    """Bankfull width from drainage area, national curve of Bieger et al. (2015)."""
    return 2.70 * np.asarray(area_km2) ** 0.352


def wear_down(rng: np.random.Generator, steps: int = 260) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Coarse landscape in balance: receiver [n], drainage area [n, km2] and distance to the receiver [n, m]."""
    ny, nx = COARSE_SHAPE
    yy, xx = np.mgrid[0:ny, 0:nx]
    edge = (yy == 0) | (xx == 0) | (yy == ny - 1) | (xx == nx - 1)
    away = np.abs(xx - MOUTH_COLUMN) * COARSE_M
    rim = np.minimum(away * 0.06, 48.0) + 0.0066 * yy * COARSE_M
    z = np.where(edge, rim, 20 + 0.012 * yy * COARSE_M + 0.003 * away + 6 * rng.random((ny, nx))).ravel()
    hardness = 1 + 0.30 * np.clip(smooth_noise(rng, (ny, nx), 7.0), -1.8, 1.8).ravel()
    rise = REFERENCE_SLOPE * 1.25 * np.sqrt(30e6)
    fixed = edge.ravel()
    neighbours = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]
    index = np.arange(ny * nx).reshape(ny, nx)
    inner = ~fixed
    inner_ids = index.ravel()[inner]
    near = np.stack([inner_ids + dy * nx + dx for dy, dx in neighbours], axis=1)
    far = np.array([COARSE_M * np.sqrt(float(dy * dy + dx * dx)) for dy, dx in neighbours])
    dt = 0.08
    for _ in range(steps):
        drop = (z[inner_ids][:, None] - z[near]) / far
        best = drop.argmax(axis=1)
        rows = np.arange(len(inner_ids))
        flows = drop[rows, best] > 0
        receiver = np.arange(ny * nx)
        receiver[inner_ids[flows]] = near[rows, best][flows]
        length = np.full(ny * nx, float(COARSE_M))
        length[inner_ids] = far[best]
        levels = flow_levels(receiver)
        area = accumulate(receiver, levels)
        z = z + np.where(fixed, 0.0, rise * dt)
        for ids in levels[1:]:
            pull = dt / hardness[ids] * np.sqrt(area[ids]) / length[ids]
            z[ids] = (z[ids] + pull * z[receiver[ids]]) / (1 + pull)
    return receiver, area / 1e6, length


def flow_levels(receiver: np.ndarray) -> list[np.ndarray]:
    """Nodes by their number of steps to the rim; level 0 are the rim and pits."""
    depth = (receiver != np.arange(len(receiver))).astype(np.int64)
    pointer = receiver.copy()
    while True:
        further = depth + depth[pointer]
        if np.array_equal(further, depth):
            break
        depth, pointer = further, pointer[pointer]
    order = np.argsort(depth, kind="stable")
    return np.split(order, np.cumsum(np.bincount(depth))[:-1])


def accumulate(receiver: np.ndarray, levels: list[np.ndarray]) -> np.ndarray:
    """Drainage area of each node [m2]."""
    area = np.full(len(receiver), float(COARSE_M) ** 2)
    for ids in reversed(levels[1:]):
        np.add.at(area, receiver[ids], area[ids])
    return area


def node_places(rng: np.random.Generator) -> np.ndarray:
    """Places of all coarse nodes [n x 2, m], moved smoothly so that valleys do not run along a grid."""
    shape = COARSE_SHAPE
    rows, cols = np.mgrid[0:shape[0], 0:shape[1]]
    moved = [62 * smooth_noise(rng, shape, 4.5) + 24 * smooth_noise(rng, shape, 1.7) for _ in range(2)]
    x = X0 + PAD_M + (cols + 0.5) * COARSE_M + moved[0]
    y = Y0 + PAD_M + (rows + 0.5) * COARSE_M + moved[1]
    return np.stack([x.ravel(), y.ravel()], axis=1)


def smooth_path(points: np.ndarray, nodes_sigma: float = 1.3) -> tuple[np.ndarray, np.ndarray]:
    """Smooth curve through coarse nodes, ends kept; gives points each `STEP_M` and the point of each node."""
    dense = 8
    t = np.linspace(0, len(points) - 1, (len(points) - 1) * dense + 1)
    xy = np.stack([np.interp(t, np.arange(len(points)), points[:, k]) for k in (0, 1)], axis=1)
    pad = min(len(xy) - 1, int(5 * nodes_sigma * dense))
    head, tail = 2 * xy[0] - xy[pad:0:-1], 2 * xy[-1] - xy[-2:-pad - 2:-1]
    full = gaussian_filter1d(np.vstack([head, xy, tail]), nodes_sigma * dense, axis=0, mode="nearest")
    curve = full[len(head):len(head) + len(xy)]
    curve[0], curve[-1] = xy[0], xy[-1]
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    n = max(3, round(along[-1] / STEP_M) + 1)
    at = np.linspace(0, along[-1], n)
    out = np.stack([np.interp(at, along, curve[:, k]) for k in (0, 1)], axis=1)
    where = np.rint(along[::dense] / along[-1] * (n - 1)).astype(int)
    return out, where


def trace_valleys(receiver: np.ndarray, area_km2: np.ndarray, places: np.ndarray) -> tuple[list[Valley], int]:
    """All valley lines, each as long as it keeps the larger area upstream; and the coarse node of the outlet."""
    donors: dict[int, list[int]] = {}
    for node, to in enumerate(receiver):
        if to != node and area_km2[node] >= SWALE_STARTS_KM2:
            donors.setdefault(int(to), []).append(node)
    roots = [n for n in np.flatnonzero(receiver == np.arange(len(receiver))) if n in donors]
    main_root = max(roots, key=lambda n: area_km2[n])
    valleys: list[Valley] = []
    outlet = -1
    for root in [main_root, *[r for r in roots if r != main_root]]:
        waiting = [(int(root), -1, -1, outlet < 0)]
        while waiting:
            start, joins, joins_at, is_main = waiting.pop(0)
            path = [start]
            while donors.get(path[-1]):
                path.append(max(donors[path[-1]], key=lambda n: (area_km2[n], -n)))
            if is_main and outlet < 0:
                outlet = path[OUTLET_NODES]
            number = len(valleys)
            for node in path:
                waiting += [(other, number, node, False) for other in donors.get(node, []) if other not in path]
            nodes = np.array(path[::-1] + ([joins_at] if joins >= 0 else []))
            if len(nodes) < 3:
                valleys.append(_empty_valley(joins, joins_at))
                continue
            valleys.append(_valley(nodes, area_km2, places, joins, joins_at, valleys))
    return valleys, outlet


def _empty_valley(joins: int, joins_at: int) -> Valley:
    return Valley(np.zeros((0, 2)), np.zeros(0), joins, joins_at, 0, 0)


def _valley(nodes: np.ndarray, area_km2: np.ndarray, places: np.ndarray, joins: int, joins_at: int,
            made: list[Valley]) -> Valley:
    points = places[nodes].copy()
    if joins >= 0:
        host = made[joins]
        points[-1] = host.xy[host.node_at[joins_at]]
    else:  # on to the rim of the layers
        points = np.vstack([points, points[-1] + np.arange(1, 3)[:, None] * (points[-1] - points[-2])])
    xy, where = smooth_path(points)
    node_area = area_km2[nodes].copy()
    if joins < 0:
        node_area = np.append(node_area, [node_area[-1]] * 2)
    if joins >= 0:
        node_area[-1] = node_area[-2]
    along = np.interp(np.arange(len(xy)), where, node_area)
    node_at = {int(n): int(k) for n, k in zip(nodes, where, strict=False)}
    return Valley(xy, along, joins, joins_at, len(xy), len(xy), node_at)


def mark_streams(valleys: list[Valley], outlet: int) -> list[Valley]:
    """Sets which part of each valley carries a mapped stream: above the outlet, from `STREAM_STARTS_KM2` on."""
    inside: set[int] = {0}
    end = valleys[0].node_at[outlet]
    out = []
    for number, valley in enumerate(valleys):
        n = len(valley.xy)
        if number and valley.joins in inside:
            host = valleys[valley.joins]
            if valley.joins != 0 or host.node_at[valley.joins_at] <= end - 20:
                inside.add(number)
        wet = np.flatnonzero(valley.area_km2 >= STREAM_STARTS_KM2) if number in inside else np.zeros(0, int)
        to = end + 1 if number == 0 else n
        if len(wet) and (to - wet[0]) * STEP_M >= 250:
            out.append(replace(valley, stream_from=int(wet[0]), stream_to=to))
        else:
            out.append(replace(valley, stream_from=n, stream_to=n))
    return out


def strahler_by_valley(valleys: list[Valley]) -> list[np.ndarray]:
    """Strahler order at each point of each valley line (0 where no stream is mapped)."""
    orders = [np.zeros(len(v.xy), int) for v in valleys]
    for number in reversed(range(len(valleys))):
        valley = valleys[number]
        if not valley.has_stream:
            continue
        joined = sorted((valley.node_at[v.joins_at], int(orders[k][v.stream_to - 1]))
                        for k, v in enumerate(valleys) if v.joins == number and v.has_stream)
        order, at = 1, valley.stream_from
        for point, other in joined:
            point = max(point, at)
            orders[number][at:point] = order
            order, at = (order + 1 if other == order else max(order, other)), point
        orders[number][at:valley.stream_to] = order
    return orders


def normals(xy: np.ndarray, sigma: float) -> np.ndarray:
    """Unit vectors to the left of a line, from its direction smoothed over `sigma` points."""
    along = gaussian_filter1d(np.gradient(xy, axis=0), sigma, axis=0, mode="nearest")
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


SWING_DEG = {1: 24.0, 2: 46.0, 3: 84.0, 4: 98.0}  # largest angle between stream and valley, by order
REGULAR = {1: 0.15, 2: 0.35, 3: 0.60, 4: 0.70}  # share of the regular part of the swing


def meander(rng: np.random.Generator, length_m: float, width_m: np.ndarray, order: np.ndarray
            ) -> tuple[np.ndarray, np.ndarray]:
    """Meanders over a valley line: position along it and offset to its left [m].

    Notes
    -----
    direction = swing * (regular * sin(phase) + irregular * noise(phase)): a sine-generated curve disturbed by
    noise of about the same wavelength, the more the smaller the stream. The valley wavelength is about 13
    widths, 48 m at least. The swing changes slowly, so that wide and tight bends and nearly straight stretches
    follow each other.
    """
    n = int(length_m * 2.6) + 10  # steps of 1 m along the stream
    points = np.arange(len(width_m)) * STEP_M
    vary_l, vary_w = smooth_noise(rng, (n,), 90.0), smooth_noise(rng, (n,), 150.0)
    per_wave = 40  # values of the noise to one wavelength
    raw = smooth_noise(rng, (n * per_wave // 30 + 10,), per_wave / 6) - smooth_noise(
        rng, (n * per_wave // 30 + 10,), per_wave / 2.2)
    raw = raw / raw.std()
    u, v, phase, start = np.zeros(n), np.zeros(n), 0.0, float(rng.uniform(0, 2 * np.pi))
    swing_at = gaussian_filter1d(np.array([SWING_DEG[int(k)] for k in np.clip(order, 1, 4)]), 12, mode="nearest")
    regular_at = gaussian_filter1d(np.array([REGULAR[int(k)] for k in np.clip(order, 1, 4)]), 12, mode="nearest")
    last = n
    for k in range(1, n):
        p = u[k - 1] / STEP_M
        j = min(int(p), len(points) - 1)
        swing = swing_at[j] * np.pi / 180 * (1 + 0.30 * min(max(vary_w[k], -2.2), 1.2))
        wave = max(48.0, 13 * width_m[j]) * (1 + 0.18 * min(max(vary_l[k], -1.7), 1.7))
        noise = raw[int(phase / (2 * np.pi) * per_wave)]
        turn = swing * (regular_at[j] * np.sin(start + phase) + (1 - regular_at[j]) * 0.9 * noise)
        turn = min(max(turn, -1.40), 1.40)
        u[k], v[k] = u[k - 1] + np.cos(turn), v[k - 1] + np.sin(turn)
        phase += 2 * np.pi * (1 - (min(swing, 1.25) / 2) ** 2 * 0.9) / wave
        if u[k] >= length_m:
            last = k + 1
            break
    u, v = u[:last], v[:last]
    u[-1] = length_m
    v = v - gaussian_filter1d(v, 100.0, mode="nearest")
    taper = np.clip(np.minimum(u, length_m - u) / 45.0, 0, 1)
    return u, v * taper * taper * (3 - 2 * taper)


def lay_streams(rng: np.random.Generator, valleys: list[Valley], orders: list[np.ndarray]) -> list[Valley]:
    """Lays a meandering stream line on each valley with a stream; tributaries end on the line that they join."""
    out: list[Valley] = []
    for valley, order in zip(valleys, orders, strict=True):
        if not valley.has_stream:
            out.append(valley)
            continue
        part = slice(valley.stream_from, valley.stream_to)
        axis, area = valley.xy[part], valley.area_km2[part]
        length = (len(axis) - 1) * STEP_M
        u, v = meander(rng, length, channel_width_m(area), order[part])
        at = u / STEP_M
        left = normals(axis, 12.0)
        line = np.stack([np.interp(at, np.arange(len(axis)), axis[:, k] ) for k in (0, 1)], axis=1)
        line += v[:, None] * np.stack([np.interp(at, np.arange(len(axis)), left[:, k]) for k in (0, 1)], axis=1)
        line = gaussian_filter1d(line, 1.5, axis=0, mode="nearest")
        if valley.joins >= 0:
            line, u = end_on(line, u, out[valley.joins].line)
        out.append(replace(valley, line=line, line_u=u + valley.stream_from * STEP_M))
    return out


def end_on(line: np.ndarray, u: np.ndarray, host: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cuts a tributary where it first meets the stream it joins, or leads it on to there."""
    ahead = line[-1] - line[-12]
    ahead = ahead / np.hypot(*ahead)
    longer = np.vstack([line, line[-1] + ahead * np.arange(1, 46)[:, None]])
    longer_u = np.concatenate([u, u[-1] + np.arange(1, 46)])
    hit = np.flatnonzero(cKDTree(host).query(longer)[0] < 8.0)
    stop = int(hit[0]) if len(hit) else len(line) - 1
    stop = max(5, stop)
    goal = host[np.hypot(*(host - longer[stop]).T).argmin()]
    return np.vstack([longer[:stop], goal]), longer_u[:stop + 1]


def slope_of(area_km2: np.ndarray) -> np.ndarray:
    """Design slope of a channel: falls with the square root of drainage area."""
    return np.minimum(REFERENCE_SLOPE * np.sqrt(30.0 / area_km2), 0.16)


def floor_half_width_m(area_km2: np.ndarray | float) -> np.ndarray | float:
    """Half the width of the flat valley floor by design."""
    return 13.0 * np.asarray(area_km2) ** 0.62


def lay_beds(rng: np.random.Generator, valleys: list[Valley], pond: tuple[int, float, float],
             mouth_m: float = 212.0) -> list[Valley]:
    """Gives each valley a bed that only rises upstream, in tune with the bed of the valley that it joins.

    `pond` is (number of the valley, first and last position along it [m]): there the water stands level.
    """
    out: list[Valley] = []
    for number, valley in enumerate(valleys):
        if len(valley.xy) == 0:
            out.append(valley)
            continue
        n = len(valley.xy)
        u = np.arange(n) * STEP_M
        stretch = np.ones(n)
        if valley.line is not None:
            along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(valley.line, axis=0).T))])
            ratio = np.gradient(np.interp(u, valley.line_u, along), STEP_M)
            ratio = np.where((u >= valley.line_u[0]) & (u <= valley.line_u[-1]), ratio, 1.0)
            stretch = np.maximum(gaussian_filter1d(ratio, 25, mode="nearest"), 1.0)
        vary = np.exp(0.18 * smooth_noise(rng, (n,), 40.0))
        rise = slope_of(valley.area_km2) * vary * stretch * STEP_M
        if valley.joins >= 0:  # a tributary crosses the floor of the larger valley without a step
            host = out[valley.joins]
            on_floor = u[-1] - u < floor_half_width_m(host.area_km2[host.node_at[valley.joins_at]])
            rise = np.where(on_floor, np.minimum(rise, 0.006 * STEP_M), rise)
        base = _mouth_bed(valley, out, mouth_m)
        bed = base + np.concatenate([np.cumsum(rise[::-1])[::-1][1:], [0.0]])
        if number == pond[0]:
            level = float(np.interp(pond[2], u, bed)) + 1.3
            bed = np.where(u <= pond[2], np.maximum(bed, level), bed)
        line_bed = None
        if valley.line is not None:
            line_bed = np.interp(valley.line_u, u, bed)
        out.append(replace(valley, bed_m=bed, line_bed_m=line_bed))
    return out


def _mouth_bed(valley: Valley, made: list[Valley], mouth_m: float) -> float:
    if valley.joins >= 0:
        host = made[valley.joins]
        return float(host.bed_m[host.node_at[valley.joins_at]])
    x, y = valley.xy[-1]
    away = abs(x - (X0 + PAD_M + (MOUTH_COLUMN + 0.5) * COARSE_M))
    return mouth_m + min(away * 0.06, 48.0) + 0.0066 * max(y - Y0, 0.0)
