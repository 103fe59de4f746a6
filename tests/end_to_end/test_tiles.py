"""Results do not depend on the tiles the work is cut into, nor on how many processes share it."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import gisprio
from end_to_end.test_reruns import APART_M, LENGTH_M, PLACE, two_valleys
from gisprio.run import engine
from gisprio.run.engine import run as engine_run
from makers import frame

LAYERS = ("reaches", "banks", "bank_setbacks", "gaps", "sites", "properties", "flow_points", "findings", "crossings",
          "knickpoints", "constraints", "works_done", "scars")  # fmt: skip


def _digests(folder):
    """Give a digest per layer: rows by key, columns by name, float bits, WKB, CRS."""
    from gisprio.contracts.digests import table_digest

    opened = gisprio.open_results(folder)
    found = {}
    for name in (*LAYERS, "stations"):
        table = getattr(opened, name)
        keys = [c for c in ("reach_id", "bank_id", "gap_id", "site_id", "property_id", "segment_id", "station_no",
                            "side", "says") if c in table.columns]  # fmt: skip
        found[name] = table_digest(table.sort_values(keys, kind="stable", ignore_index=True))
    return found


def _four_streams():
    """Two valleys, a side stream in each: six segments that end in four tiles of 1 km."""
    world = two_valleys()
    lines = [PLACE.line((u, v), (u + along, v + across)) for v in (0.0, APART_M)
             for u, along, across in ((0.0, 350.0, 0.0), (350.0, LENGTH_M - 350.0, 0.0), (350.0, 150.0, 200.0))]
    return replace(world, layers=world.layers | {"streams": frame(lines)})


@pytest.fixture(scope="module")
def four_streams(tmp_path_factory):
    """Give settings of a small world, and the digests of its layers with tiles of 4 km by one worker."""
    settings = gisprio.read_settings(_four_streams().write(tmp_path_factory.mktemp("four")))
    return settings, _run(settings, settings.output(), 4_000.0)[0]


def _run(settings, folder, tile_m, **crew):
    """Run, write the layers alone; give their digests, and the tiles."""
    run = settings.run.model_copy(update={"tile_m": tile_m, "output": str(folder)})
    write = engine.write_products
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "write_products", lambda products, *rest: write(products[:1], *rest))
        record = engine_run(settings.model_copy(update={"run": run}), **crew)
    return _digests(folder), max(stage["ran"] for stage in record.stages)


WAYS = {
    "one tile": (1_000_000.0, {}, 1),
    "tiles of 1 km by 2 workers": (1_000.0, {"workers": 2}, 4),
    "tiles of 1 km by 4 workers": (1_000.0, {"workers": 4}, 4),
    "tiles of 1 km by 2 workers of Dask": (1_000.0, {"workers": 2, "scheduler": "local"}, 4),
}
"""Side of a tile, who does the work, tiles there are."""


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_every_way_of_sharing_the_work_gives_equal_layers(way, four_streams, tmp_path):
    tile_m, crew, tiles = WAYS[way]
    if "scheduler" in crew:
        pytest.importorskip("distributed")
    settings, wanted = four_streams
    assert _run(settings, tmp_path / "results", tile_m, **crew) == (wanted, tiles)


@pytest.mark.slow
def test_tiles_of_1_km_by_two_workers_of_4_km_and_one_give_equal_results(tmp_path, sample_config, sample_results):
    settings = gisprio.read_settings(sample_config)
    assert settings.run.tile_m == 4_000.0
    seen = {4_000.0: _digests(sample_results)}
    for tile_m, workers in ((1_000.0, 2), (1_000_000.0, 1)):
        run = settings.run.model_copy(update={"tile_m": tile_m, "output": str(tmp_path / f"{tile_m:.0f}")})
        own = settings.model_copy(update={"run": run})
        engine_run(own, workers=workers)
        seen[tile_m] = _digests(own.output())
    first, *others = seen.values()
    for other in others:
        assert other == first
    _no_ground_is_counted_twice(gisprio.open_results(own.output()).gaps)


def _no_ground_is_counted_twice(gaps):
    """Ground belongs to the nearest bank, so no two gaps overlap by more than the edge of a strip is drawn to."""
    ground = gaps.geometry.to_numpy()
    one, other = shapely.STRtree(ground).query(ground, predicate="intersects")
    twice = shapely.area(shapely.intersection(ground[one], ground[other]))[one < other]
    assert twice.max() < 5
    assert twice.sum() < 5e-4 * gaps["area_m2"].sum()


def test_digest_notices_one_bit_and_not_the_order_of_columns():
    from gisprio.contracts.digests import table_digest

    points = gpd.points_from_xy([0, 1], [0, 1])
    table = gpd.GeoDataFrame({"a": [1.0, 2.0], "b": ["x", None]}, geometry=points, crs=32633)
    other = table.copy()
    assert table_digest(table) == table_digest(other)
    other.loc[1, "a"] = 2.0000000000000004
    assert table_digest(table) != table_digest(other)
    assert table_digest(table) != table_digest(table.to_crs(32634).set_geometry(table.geometry.values, crs=32634))
    assert table_digest(pd.DataFrame({"a": [1], "b": [2]})) == table_digest(pd.DataFrame({"b": [2], "a": [1]}))
