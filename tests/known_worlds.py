"""Worlds on heights of 1 m whose streams, banks, bends and drainage areas are known by hand, with errors of the DEM.

Water 6 m wide falls 1 in 200 down the valley; banks stand 1.5 m over it, behind them the ground rises 1 in 10. Wood
12 m wide grows on the left bank, 60 m on the right one but for 200 m of pasture. Heights have cells of 1 m within
70 m or so of the stream and of 10 m beyond.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from makers import PASTURE, SIDE_SLOPE, SLOPE, WATER, WOODY, Place, World, frame

Floats = NDArray[np.float64]
Height = Callable[[NDArray, NDArray], NDArray]

LONG_M, HALF_M, HEAD_M = 600.0, 395.0, 400.0
"""Length of the valley, from its line to a divide, from the head of the stream to the divide above."""
BANK_M, WATER_HALF_M = 1.5, 3.0
FINE_ERROR_M, COARSE_ERROR_M = 0.1, 0.8
BARE = (200.0, 400.0)
NARROW_M, WIDE_M = 12.0, 60.0
AREA_KM2 = 2 * HALF_M * (LONG_M + HEAD_M) / 1e6
INFLOW_KM2, SIDE_INFLOW_KM2 = 10.0, 5.0
"""What streams bring from beyond the map: for a bankfull width near the 6 m of water."""

BEND_M, WAVE_M = 30.0, 200.0
APEX_RADIUS_M = 1 / (BEND_M * (2 * np.pi / WAVE_M) ** 2)
"""33.8 m, at the crests of v = 30 sin(2 pi u / 200)."""
APEXES = tuple(np.arange(50.0, LONG_M, 100.0).tolist())
"""Places u of the crests: the first, third, ... lie on the left of the axis."""
MOUTH_U = 300.0
"""Where the tributary joins at 45 degrees."""
FILL_U, FILL_M, FILL_HALF_M = 300.0, 3.0, 3.5
"""A road across: its fill stands 3 m over the valley, 7 m wide at the top, with sides of 1 in 2."""
ISLAND = (200.0, 400.0, 12.0)
"""Arms part at the first and meet at the second, so far from the axis each."""


def places_along(lines: list[list[tuple[float, float]]]) -> cKDTree:
    """Give places along lines, four a metre; what ends at the mouth of the valley flows on beyond the map."""
    onward = [[*line, (LONG_M + 300.0, line[-1][1])] if line[-1][0] == LONG_M else line for line in lines]
    dense = [shapely.get_coordinates(shapely.segmentize(shapely.LineString(line), 0.25)) for line in onward]
    return cKDTree(np.concatenate(dense))


def valley(lines: list[list[tuple[float, float]]], bank_m: float = BANK_M, side: float = SIDE_SLOPE) -> Height:
    """Give ground along lines (u, v): water, banks, and behind them a slope; divides around the whole."""
    tree = places_along(lines)

    def height(u: NDArray, v: NDArray) -> NDArray:
        off = tree.query(np.stack([u, v], axis=-1))[0]
        rise = np.where(off < WATER_HALF_M, 0.0, bank_m) + side * np.maximum(off - WATER_HALF_M, 0.0)
        outer = side * (HALF_M - WATER_HALF_M) + bank_m - side * np.maximum(np.abs(v) - HALF_M, 0.0)
        along = np.where(u >= -HEAD_M, -SLOPE * u, SLOPE * HEAD_M + 0.02 * (u + HEAD_M))
        return 100.0 + np.where(np.abs(v) > HALF_M, np.minimum(rise, outer), rise) + along

    return height


def cover_along(lines: list[list[tuple[float, float]]], axis: list[tuple[float, float]]) -> Height:
    """Give the cover: wood 12 m wide on the left of the axis, 60 m on the right but for the bare stretch."""
    water = places_along(lines)
    at, over = np.array(axis).T

    def cover(u: NDArray, v: NDArray) -> NDArray:
        off = water.query(np.stack([u, v], axis=-1))[0]
        left = v > np.interp(u, at, over)
        code = np.full(np.shape(u), PASTURE)
        code[left & (off < WATER_HALF_M + NARROW_M)] = WOODY
        code[~left & (off < WATER_HALF_M + WIDE_M) & ~((u >= BARE[0]) & (u < BARE[1]))] = WOODY
        code[off < WATER_HALF_M] = WATER
        return code

    return cover


def with_error(height: Height, size_m: float, seed: int) -> Height:
    """Add an error of given size that goes together over 3 cells."""

    def wrong(u: NDArray, v: NDArray) -> NDArray:
        raw = gaussian_filter(np.random.default_rng(seed).standard_normal(np.shape(u)), 3.0)
        return height(u, v) + size_m * raw / raw.std()

    return wrong


def world_of(
    lines: list[list[tuple[float, float]]],
    *,
    place: Place,
    ground: Height | None = None,
    axis: list[tuple[float, float]] | None = None,
    shift_m: float = 0.0,
    seed: int | None = None,
    fine: bool = True,
    half_m: float = 75.0,
    **more: gpd.GeoDataFrame,
) -> World:
    """Give a world along lines that are drawn ``shift_m`` to the left of where they flow; no seed, no error."""
    ground = ground or valley(lines)
    flows = [place.line(*line) for line in lines]
    drawn = [place.line(*((u, v + shift_m) for u, v in line)) for line in lines]
    heads = {line[0] for line in lines} - {line[-1] for line in lines}
    brought = {head: INFLOW_KM2 if head == (0.0, 0.0) else SIDE_INFLOW_KM2 for head in sorted(heads)}
    layers = {
        "streams": frame(drawn),
        "water": frame([shapely.union_all(shapely.buffer(np.array(flows, object), WATER_HALF_M))]),
        "watershed": frame([place.box(-HEAD_M, -HALF_M, LONG_M, HALF_M)]),
        "inflows": frame([shapely.Point(place.on_map(*head)) for head in brought], area=list(brought.values())),
        "properties": frame(
            [place.box(-20, 0, LONG_M + 20, 200), place.box(-20, -200, LONG_M + 20, 0)], parcel=["left", "right"]
        ),
    } | more
    made = World(
        place,
        ground if seed is None else with_error(ground, COARSE_ERROR_M, seed),
        cover_along(lines, axis or [(-1e4, 0.0), (1e4, 0.0)]),
        (-505.0, -505.0, LONG_M + 105.0, 505.0),
        layers,
        cover_extent=(-60.0, -half_m, LONG_M + 60.0, half_m),
        config={"streams": "line_error_m = 2.0"},
    )
    if fine:
        box = (-60.0, -half_m, LONG_M + 60.0, half_m)
        made.finer["fine.tif"] = (box, 1.0, ground if seed is None else with_error(ground, FINE_ERROR_M, seed + 1))
    return made


def straight(place: Place | None = None, **how: object) -> World:
    """Give a straight stream: gaps of 600 m (left) and 200 m (right) to a setback of 30 m."""
    return world_of([[(0.0, 0.0), (LONG_M, 0.0)]], place=place or Place(), **how)


def ravine(place: Place | None = None, **how: object) -> World:
    """Give a V valley: no banks."""
    lines = [[(0.0, 0.0), (LONG_M, 0.0)]]
    return world_of(lines, place=place or Place(), ground=valley(lines, bank_m=0.0, side=0.4), **how)


def sine(place: Place | None = None, **how: object) -> World:
    """Give a stream that swings 30 m to each side every 200 m: 34 m of radius at the crests."""
    u = np.linspace(0, LONG_M, 601)
    line = [*zip(u.tolist(), (BEND_M * np.sin(2 * np.pi * u / WAVE_M)).tolist(), strict=True)]
    return world_of([line], place=place or Place(), axis=line, half_m=105.0, **how)


def confluence(place: Place | None = None, **how: object) -> World:
    """Give a stream that a tributary joins from the left at 45 degrees."""
    main = [[(0.0, 0.0), (MOUTH_U, 0.0)], [(MOUTH_U, 0.0), (LONG_M, 0.0)]]
    return world_of([*main, [(MOUTH_U - 110.0, 110.0), (MOUTH_U, 0.0)]], place=place or Place(), half_m=160.0, **how)


def island(place: Place | None = None, **how: object) -> World:
    """Give a stream that flows around an island in two arms."""
    low, high, out = ISLAND
    arms = [[(low, 0.0), (low + 30, s * out), (high - 30, s * out), (high, 0.0)] for s in (1, -1)]
    return world_of([[(0.0, 0.0), (low, 0.0)], *arms, [(high, 0.0), (LONG_M, 0.0)]], place=place or Place(), **how)


def fill(place: Place | None = None, *, road: bool = True, **how: object) -> World:
    """Give the straight stream with a road fill 3 m high across the valley, the water piped below."""
    place = place or Place()
    lines = [[(0.0, 0.0), (LONG_M, 0.0)]]
    plain = valley(lines)

    def height(u: NDArray, v: NDArray) -> NDArray:
        crest = 100.0 - SLOPE * FILL_U + BANK_M + FILL_M + SIDE_SLOPE * np.maximum(np.abs(v) - WATER_HALF_M, 0.0)
        return np.maximum(plain(u, v), crest - np.maximum(np.abs(u - FILL_U) - FILL_HALF_M, 0.0) / 2)

    roads = {"roads": frame([place.line((FILL_U, -300), (FILL_U, 300))]).assign(**{"class": ["residential"]})}
    return world_of(lines, place=place, ground=height, **(roads if road else {}), **how)


def long_coarse(seed: int, shift_m: float = 0.0) -> World:
    """Give the straight valley of 3 km on cells of 10 m with an error of 0.8 m."""
    from makers import straight_height, straight_valley

    world = straight_valley()
    world.height = with_error(straight_height, COARSE_ERROR_M, seed)
    if shift_m:
        drawn = world.layers["streams"]
        left = Place().matrix()[:, 1] * shift_m
        world.layers = {**world.layers, "streams": drawn.set_geometry(drawn.translate(*left))}
    return replace(world)
