"""Factors of the user's own through a whole run of the straight valley, from config to banks, reasons and map.

By hand: pens lie on the left bank from 3 to 18 m, u 0 to 1000 (half of the setback of 30 m); a raster holds 7 left of
the stream and 1 right of it; a well stands 40 m left of the stream's line at u 3000.
"""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest
import shapely

import gisprio
from gisprio.products.map_split import write_map_of_run
from gisprio.products.payload import decode
from gisprio.run.engine import run as engine_run
from gisprio.run.reopened import results_of
from makers import LENGTH_M, Place, _raster, frame, straight_valley

pytestmark = pytest.mark.slow

FACTORS = """
layer = "pens.gpkg"
measure = "share"
nodes = [0, 0.5]
group = "gap"
title = "Cattle pens"
[factor.load]
layer = "load.tif"
measure = "mean"
within_m = 10
nodes = [[1, 0.1], [7, 0.7]]
group = "erosion"
unit = "t/ha"
[factor.well_distance]
layer = "wells.gpkg"
measure = "distance"
nodes = [0, 1000]
direction = "less"
group = "gap"
"""
PRIORITY = "[priority.gap]\nmissing_strip = 50\npens = 50\n[priority.erosion]\nload = 1\n"


def write(folder, *, pens_to=1000.0, load=7.0, factors=FACTORS, streams=None, **run):
    place = Place()
    world = straight_valley(place, **{"factor.pens": factors, "priority": PRIORITY, **run})
    if streams is not None:
        world.layers["streams"] = streams
    path = world.write(folder)
    frame([place.box(0, 3, pens_to, 18)]).to_file(folder / "pens.gpkg")
    frame([shapely.Point(place.on_map(3000.0, 40.0))]).to_file(folder / "wells.gpkg")
    _raster(
        folder / "load.tif", place, (-100, -100, 3100, 100), 2.0, lambda u, v: (v > 0) * (load - 1) + 1, "float32", -9
    )
    return gisprio.read_settings(path)


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    settings = write(tmp_path_factory.mktemp("own"))
    record = engine_run(settings)
    return settings, record, gisprio.open_results(settings.output())


def test_values_scores_and_ranks(results):
    _, _, opened = results
    banks = opened.banks
    left, right = (banks[banks["side"] == side].sort_values("reach_id") for side in ("left", "right"))
    assert set(left["load"]) == {7.0}
    assert set(right["load"]) == {1.0}
    assert set(left["erosion_score"]) == {70.0}
    assert set(right["erosion_score"]) == {10.0}
    # reaches of 200 m are counted upstream from the mouth at u 3000: the upper 5 of 15 have pens on their whole length
    assert left["pens"].tolist() == pytest.approx([0.0] * 10 + [0.5] * 5)
    assert left["pens_score"].tolist() == [0.0] * 10 + [100.0] * 5
    assert set(banks["pens_basis"]) == {"measured"}
    assert (left["gap_score"].tolist()[12] - left["gap_score"].tolist()[2]) == pytest.approx(50.0)
    assert left["rank"].tolist()[12] == 1


def test_distance_is_shown_without_a_weight_and_that_is_told(results):
    _, _, opened = results
    lowest = opened.banks[(opened.banks["side"] == "left")].sort_values("reach_id").iloc[0]
    assert 37.0 <= lowest["well_distance"] <= 210.0
    assert lowest["well_distance_score"] == pytest.approx(100 - lowest["well_distance"] / 10, abs=0.5)
    told = opened.findings[opened.findings["check"] == "factor_weight"]
    assert told["says"].tolist() == [
        "Well distance of [factor.well_distance] has no weight: it is shown, not ranked on."
    ]
    assert told["do"].tolist() == [
        "Give well_distance a weight under [priority.gap], beside those of the other factors."
    ]


def test_it_stands_in_reasons_explain_map_stations_and_record(results):
    from gisprio.run.explain import explain_id

    settings, _, opened = results
    best = opened.banks.sort_values("rank").iloc[0]
    assert "cattle pens of 50 %" in best["why"]
    assert "load of 7.0 t/ha" in best["why"]
    text = explain_id(settings.output(), best["bank_id"])
    assert "Cattle pens: 0.50 share (measured), score 100.0 x weight 50 % = 50.00 points" in text
    assert "Well distance: " in text
    page = (settings.output() / "map.html").read_text("utf-8")
    shown = decode(re.search(r'id="payload">([^<]*)</script>', page)[1])["factors"]
    pens = next(factor for factor in shown if factor["title"] == "Cattle pens")
    assert (pens["unit"], pens["weight"], pens["used"]) == ("share", 500, True)
    assert max(pens["score"]["v"]) == 1000
    assert {"pens", "pens_score", "load"} <= set(pd.read_parquet(settings.output() / "stations.parquet").columns)
    content = json.loads((settings.output() / "run.json").read_text("utf-8"))
    assert content["settings"]["factor"]["pens"]["nodes"] == [0, 0.5]
    assert {"own_pens", "own_load", "own_well_distance"} <= set(content["inputs"])
    assert [row["key"] for row in content["factors"]][-3:] == ["load", "pens", "well_distance"]


def test_read_back_for_products_it_is_the_same(results, tmp_path):
    settings, record, _ = results
    back = results_of(record.folder)
    assert back.settings.model_copy(update={"folder": settings.folder}) == settings
    write_map_of_run(tmp_path / "map.html", back)
    assert (tmp_path / "map.html").read_bytes() == (record.folder / "map.html").read_bytes()
    assert {"pens", "pens_basis", "pens_worst_score"} <= set(back.tables["banks"].columns)


def test_another_content_of_the_layer_or_another_section_runs_again_what_depends_on_it(tmp_path):
    def ran(**changes):
        record = engine_run(write(tmp_path, **changes))
        return {stage["name"] for stage in record.stages if stage["ran"]}

    assert "own_layers" in ran()
    assert ran() == set()
    after = ran(pens_to=500.0)
    assert {"own_layers", "side_scores", "ranks"} <= after
    assert not after & {"cover", "soils", "stations", "network"}
    assert {"own_layers", "side_scores"} <= ran(pens_to=500.0, factors=FACTORS.replace("[0, 0.5]", "[0, 1]"))
    assert {"own_layers", "side_scores"} <= ran(pens_to=500.0, factors=FACTORS.replace("[0, 0.5]", "[0, 1]"), load=6.0)


def test_tiles_change_nothing(tmp_path):
    """Three segments: the upper and the lower stream and a brook between them, with ends 1.5 km apart."""
    place, middle = Place(), (LENGTH_M / 2, 0)
    lines = [place.line((0, 0), middle), place.line(middle, (LENGTH_M, 0)), place.line((1200, 300), middle)]
    seen, tiles = [], []
    for tile_m in (1_000.0, 4_000.0, 1_000_000.0):
        settings = write(tmp_path / f"{tile_m:.0f}", streams=frame(lines), run=f"tile_m = {tile_m}")
        record = engine_run(settings)
        tiles += [stage["ran"] for stage in record.stages if stage["name"] == "own_layers"]
        seen.append(gisprio.open_results(settings.output()))
    assert tiles[0] > tiles[-1] == 1
    for name in ("banks", "stations"):
        one, *others = (pd.DataFrame(getattr(opened, name)) for opened in seen)
        one = one.sort_values([column for column in ("bank_id", "station_no") if column in one], ignore_index=True)
        assert one["well_distance"].notna().any()
        for other in others:
            other = other.sort_values(
                [column for column in ("bank_id", "station_no") if column in other], ignore_index=True
            )
            pd.testing.assert_frame_equal(
                one.drop(columns="geometry"), other.drop(columns="geometry"), check_exact=True
            )
