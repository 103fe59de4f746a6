"""Layers of the user's own at bank points 3 m beside a straight stream that runs south: left is x > 3, right x < -3."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.own_layers import MOST_STEPS, measure_own_layers, transects
from gisprio.compute.factors import FACTORS, factors_of, layer_with_factors
from gisprio.compute.factors.own import own_card, own_column, taken_names
from gisprio.compute.scoring import sides as scoring
from gisprio.contracts.layers import BANK_MEASURES, OWN_PREFIX, SIDE_OWN_VALUES, own_layer
from gisprio.contracts.schema import check
from gisprio.contracts.settings import OwnFactor
from makers import frame
from tables import bank_chain, settings, source

SOUTH = shapely.LineString([(0, 200), (0, 0)])
POINTS = pd.DataFrame(
    {
        "segment_no": 0, "station_no": [0, 0, 1, 1], "side": [0, 1, 0, 1], "offset_m": 3.0,
        "x": [3.0, -3.0, 3.0, -3.0], "y": [50.0, 50.0, 150.0, 150.0],
        "out_x": [1.0, -1.0, 1.0, -1.0], "out_y": 0.0,
    }
)  # fmt: skip


def measured(layer, **own):
    """Measure one layer; values of left and right at y 50, then at y 150."""
    given = settings(factor={"mine": {"layer": "mine.gpkg", "nodes": [0, 1], "group": "gap", **own}})
    table = OWN_PREFIX + "mine"
    features, grids = ({}, {table: layer}) if hasattr(layer, "window") else ({table: layer}, {})
    got = measure_own_layers({"bank_points": POINTS}, features, grids, given)["side_own_values"]
    check(SIDE_OWN_VALUES, got)
    assert set(got["factor"]) == {"mine"}
    return got["value"].tolist()


def features(*shapes, value=np.nan):
    kind = {"Polygon": "polygon", "LineString": "line", "Point": "point"}[shapes[0].geom_type]
    return check(own_layer("mine", kind), frame(list(shapes), value=np.broadcast_to(value, len(shapes)).astype(float)))


def test_share_of_the_strip_that_polygons_cover():
    """Setback 30 m from x = 3 to 33: the first box covers 15 of them; two boxes over each other count once."""
    boxes = features(shapely.box(0, 0, 18, 100), shapely.box(10, 0, 18, 100), shapely.box(-33, 100, -27, 200))
    assert measured(boxes, measure="share") == pytest.approx([0.5, 0.0, 0.0, 0.2])
    assert measured(boxes, measure="share", within_m=60) == pytest.approx([0.25, 0.0, 0.0, 0.1], abs=1e-9)


def test_mean_of_a_column_along_the_transect_and_nothing_where_under_half_is_known():
    boxes = features(
        shapely.box(0, 0, 13, 100), shapely.box(13, 0, 33, 100), shapely.box(-17, 0, 0, 100), value=[6.0, 3.0, 8.0]
    )
    got = measured(boxes, measure="mean", column="a")
    assert got[0] == pytest.approx((10 * 6 + 20 * 3) / 30)
    assert np.isnan(got[1:]).all()  # on the right 14 of 30 m are told


def test_distance_goes_to_the_nearest_feature_however_far_and_is_0_inside():
    wells = features(shapely.Point(3, 90), shapely.Point(-3003, 150))
    assert measured(wells, measure="distance") == pytest.approx([40.0, np.hypot(6, 40), 60.0, np.hypot(6, 60)])
    assert measured(features(shapely.box(0, 0, 10, 100)), measure="distance") == pytest.approx(
        [0.0, 3.0, 50.0, np.hypot(3, 50)]
    )
    assert np.isnan(measured(wells[:0], measure="distance")).all()


def test_column_of_the_polygon_there_or_of_the_nearest_line_near_enough():
    boxes = features(shapely.box(0, 0, 9, 100), shapely.box(-9, 100, 0, 200), value=[4.0, 7.0])
    got = measured(boxes, measure="column", column="a")
    assert [got[0], got[3]] == [4.0, 7.0]
    assert np.isnan(got[1:3]).all()
    fences = features(shapely.LineString([(10, 0), (10, 100)]), shapely.LineString([(40, 0), (40, 300)]), value=[1, 2])
    got = measured(fences, measure="column", column="a")  # within the setback of 30 m: 7 and 13 m off; at y 150 37 m
    assert got[:2] == [1.0, 1.0]
    assert np.isnan(got[2:]).all()
    assert measured(fences, measure="column", column="a", within_m=60)[2:] == [2.0, 2.0]


def test_mean_and_share_of_a_raster():
    """Cells of 2 m: 8 for x from 3 to 23 left of the stream, 2 beyond; 0 on the right; no data above y 100."""
    x = -59 + 2 * np.arange(60)[None, :]
    cells = np.where(x < 0, 0.0, np.where(x < 23, 8.0, 2.0)) * np.ones((100, 1))
    cells[:50] = np.nan
    grid = source(cells, -60.0, 200.0, 2.0)
    got = measured(grid, measure="mean")
    # the cell from 22 to 24 is 2 m wide and has its middle at 23, so 8 counts from x 3 to 22 and 2 from 22 to 33
    assert got[:2] == pytest.approx([(19 * 8 + 11 * 2) / 30, 0.0])
    assert np.isnan(got[2:]).all()
    share = measured(grid, measure="share")
    assert share[:2] == [1.0, 0.0]
    assert np.isnan(share[2:]).all()


def test_a_long_transect_has_longer_steps_not_more():
    x, y = transects(POINTS, 1000.0, 1.0)
    assert x.shape == (4, MOST_STEPS)
    assert x[0, [0, -1]].tolist() == [3 + 2.5, 3 + 997.5]
    assert x[1, 0] == -3 - 2.5
    assert set(y[0]) == {50.0}


OWN = {
    "layer": "pens.gpkg", "measure": "share", "nodes": [0, 0.5], "group": "erosion", "title": "Cattle {pens}",
}  # fmt: skip


def test_values_and_scores_of_an_own_factor_reach_the_banks():
    """Pens on the whole left strip below y 100, on none of it above: half of each bank's stations score 100."""
    pens = features(shapely.box(0, 0, 60, 100))
    made = settings(factor={"pens": OWN}, priority={"erosion": {"pens": 1.0}})
    core = bank_chain(
        SOUTH, lambda x, y: np.full(x.shape, 1), step=100.0, factor={"pens": OWN}, halo={"own_pens": pens}
    )
    banks = scoring.score_sides(core, {}, {}, made)["bank_measures"]
    check(layer_with_factors(BANK_MEASURES, factors_of(made)), banks)
    banks = banks.set_index(["reach_no", "side"])
    assert banks["pens"].tolist() == pytest.approx([1.0, 0.0, 0.0, 0.0])
    assert banks["pens_score"].tolist() == [100.0, 0.0, 0.0, 0.0]
    assert banks["erosion_above_share"].tolist() == [1.0, 0.0, 0.0, 0.0]
    assert set(banks["pens_basis"]) == {"measured"}


def test_the_card_says_what_is_measured():
    card = own_card("pens", OwnFactor.model_validate(OWN))
    assert card.title == "Cattle {pens}"
    assert card.because.format(value="40 %") == "cattle {pens} of 40 %"
    assert (
        card.says
        == "Share of the transect, the setback outward of the bank line, that pens.gpkg covers; your own layer."
    )
    assert card.nodes == ((0.0, 0.0), (0.5, 1.0))
    plain = {"layer": "wells.gpkg", "measure": "distance", "nodes": [10, 200], "direction": "less", "group": "gap"}
    card = own_card("well_near", OwnFactor.model_validate(plain))
    assert (card.title, card.unit, card.nodes) == ("Well near", "m", ((10.0, 1.0), (200.0, 0.0)))
    assert card.because.format(value="12.0") == "well near of 12.0 m"
    assert (card.source, card.status) == ("config", "your own, from [factor.well_near]")


def test_no_own_factor_may_have_the_name_of_a_column_that_scoring_works_with():
    core = bank_chain(SOUTH, lambda x, y: np.full(x.shape, 1))
    taken = taken_names(one.card for one in FACTORS)
    assert set(scoring._assembled(core, settings().priority).columns) <= taken
    assert own_column("pens") not in taken
    assert set(layer_with_factors(BANK_MEASURES).names()) <= taken
