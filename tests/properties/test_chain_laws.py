"""Laws of the whole chain, each with a planted fault that breaks it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

import gisprio
from makers import CRS, Place, World, frame, straight_height, straight_valley

BEND_M, WAVE_M = 14.0, 100.0
"""Radius at the apex 1 / (a k^2) = 18 m, about 4 widths of 4.4 m."""


def bending_world(place: Place, *, drop_seed: int = 3) -> World:
    """A stream that meanders through the even valley, cover in random blocks of 20 m, one road across."""
    u = np.linspace(0, 3000, 1501)
    v = BEND_M * np.sin(2 * np.pi * u / WAVE_M)
    line = place.line(*zip(u, v, strict=True))
    blocks = np.random.default_rng(drop_seed).integers(1, 5, (160, 40))

    def cover(u, v):
        return blocks[np.floor((u + 100) / 20).astype(int), np.floor((v + 400) / 20).astype(int)]

    road = place.line((1510, -300), (1510, 300))
    parcels = [place.box(u0, v0, u0 + 800, v0 + 400) for u0 in range(-100, 3100, 800) for v0 in (-400, 0)]
    layers = {
        "streams": frame([line]),
        "water": frame([shapely.buffer(line, 3.0)]),
        "roads": frame([road]).assign(**{"class": ["primary"]}),
        "properties": frame(parcels, parcel=[f"p{n:02d}" for n in range(len(parcels))]),
        "watershed": straight_valley(place).layers["watershed"],
    }
    extent = (-605.0, -805.0, 3305.0, 805.0)
    inner = (-100.0, -400.0, 3100.0, 400.0)
    config = {"streams": "line_error_m = 2.0"}
    return World(place, straight_height, cover, extent, layers, cover_cell=2.0, cover_extent=inner, config=config)


def run(world: World, folder, **settings) -> object:
    made = gisprio.read_settings(world.write(folder))
    made = made.model_copy(update={k: getattr(made, k).model_copy(update=v) for k, v in settings.items()})
    gisprio.run(made)
    return gisprio.open_results(made.output())


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The bending world, once."""
    return run(bending_world(Place()), tmp_path_factory.mktemp("plain"))


def by_bank(results, *, swap: bool = False) -> pd.DataFrame:
    """Bank measures by place along the stream, counted upstream from the outlet, and side."""
    banks = results.banks
    side = banks["side"].map({"left": "right", "right": "left"}) if swap else banks["side"]
    key = [f"{reach.rsplit('-', 1)[1]} {s}" for reach, s in zip(banks["reach_id"], side, strict=True)]
    columns = ["gap_length_m", "crossing_length_m", "outer_bend_score", "missing_strip_score"]
    return banks.set_axis(key).sort_index()[columns]


def test_mirroring_swaps_the_sides_and_changes_nothing_else(plain, tmp_path):
    mirrored = run(bending_world(Place(mirrored=True)), tmp_path)
    got, want = by_bank(mirrored, swap=True), by_bank(plain)
    assert got.index.equals(want.index)
    assert want["outer_bend_score"].max() > 20  # there are bends to tell
    np.testing.assert_allclose(got["gap_length_m"], want["gap_length_m"], atol=10.1)  # two stations at cell borders
    np.testing.assert_allclose(got["outer_bend_score"], want["outer_bend_score"], atol=0.5)
    np.testing.assert_allclose(got["missing_strip_score"], want["missing_strip_score"], atol=3.0)
    np.testing.assert_allclose(got["crossing_length_m"], want["crossing_length_m"], atol=5.1)
    straight = by_bank(mirrored)  # without the swap it would not hold: the law can fail
    assert (straight["missing_strip_score"] - want["missing_strip_score"]).abs().max() > 20


def test_gaps_lie_on_their_own_side_and_within_the_setback(plain):
    line = plain.reaches.geometry.union_all()
    for gap in plain.gaps.itertuples():
        assert gap.geometry.within(line.buffer(3.0 + 30.0 + 1.5)), gap.gap_id
        assert gap.geometry.intersection(line.buffer(2.0)).area < 1.0, gap.gap_id
    reaches = plain.reaches.set_index("reach_id").geometry
    for side, sign in (("left", 1.0), ("right", -1.0)):
        own = plain.gaps[plain.gaps["side"] == side]
        strip = [shapely.buffer(reaches[r], sign * 34.0, single_sided=True) for r in own["reach_id"]]
        share = shapely.area(shapely.intersection(own.geometry.values, strip)) / own.geometry.area
        assert share.mean() > 0.85, side


def test_the_working_system_is_that_of_the_config(plain):
    assert plain.banks.crs == CRS
    assert plain.stations.crs == CRS
