"""Delivery on hillslopes made by hand: a roof over a straight stream, one field, a draw, a head, mirrored ground."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.terrain.accumulation import DONE, count_inflows
from gisprio.compute.terrain.cells import bordered, neighbour_offsets, without_border
from gisprio.compute.terrain.delivery import measure_delivery, strips
from gisprio.compute.terrain.entries import Banks
from gisprio.compute.terrain.flow import share_catchments
from gisprio.compute.terrain.ground import c_by_code, cover_factor, slope_and_crossing, soil_erodibility
from gisprio.compute.terrain.routing import Routed, route
from gisprio.compute.terrain.supply import UNKNOWN, sum_down, sum_way_down
from gisprio.contracts.findings import findings_from
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.layers import BANK_SUPPLY, CONCENTRATED_FLOW, SOILS, WATERSHED
from gisprio.contracts.schema import check, empty
from makers import CRS
from tables import nearby, segments, settings, source
from unit.terrain.test_compiled import rough

WOOD, PASTURE, WATER, FIELD, BAR = 1, 2, 3, 4, 5
LINE = shapely.LineString([(0, 0), (1000, 0)])
"""Flows east; the left bank is the northern one."""
RIDGE_M = 155.0


def roof(x, y):
    """Hillslopes of 10 % on both sides of the stream up to ridges at 155 m, all of it falling east by 0.5 %."""
    return 50 + 0.1 * np.minimum(np.abs(y), 2 * RIDGE_M - np.abs(y)) - 0.005 * x


def places(x0=-205.0, x1=1055.0, half=255.0, cell_m=10.0):
    return np.meshgrid(np.arange(x0, x1, cell_m) + cell_m / 2, np.arange(half, -half, -cell_m) - cell_m / 2)


def delivered(height=roof, cover=PASTURE, line=LINE, soils=None, survey=None, **sections):
    """Route and measure; the three layers the stage gives."""
    x, y = places()
    dem = source(np.asarray(height(x, y), np.float32), -205.0, 255.0, 10.0)
    codes = np.broadcast_to(np.asarray(cover(x, y) if callable(cover) else cover, np.uint8), x.shape)
    made = settings(**sections)
    tables = {
        "segments": segments(line),
        "watershed": empty(WATERSHED),
        "soils": empty(SOILS, CRS) if soils is None else soils,
        "legend": nearby()["legend"],
    }
    routed = share_catchments(tables, {"elevation": dem}, made.part(("streams",)))
    tables["catchments"] = routed["catchments"]
    sources = {
        "elevation": dem,
        "flow_direction": ArraySource(routed["flow_direction"]),
        "land_cover": source(codes, -205.0, 255.0, 10.0, 0),
    }
    if survey is not None:
        sources["survey"] = source(survey(x, y).astype(np.int16), -205.0, 255.0, 10.0, -1)
    out = measure_delivery(tables, sources, made.part(("delivery", "streams")))
    said = {finding.check: finding for finding in findings_from(out["findings"])}
    return check(BANK_SUPPLY, out["bank_supply"]), check(CONCENTRATED_FLOW, out["concentrated_flow"]), said


def soil_units(*units):
    return check(
        SOILS,
        gpd.GeoDataFrame(
            {"k_us": [k for _, k in units], "silt_clay_pct": np.nan}, geometry=[shape for shape, _ in units], crs=CRS
        ),
    )


def middle(supply, side):
    """Values away from both ends of the line, where the ramp of the routing lets nothing run along it."""
    own = supply[(supply["side"] == side) & supply["from_m"].between(200, 750)]
    return own["delivery"].to_numpy()


def by_hand(c, k):
    """Supply of one column of 15 cells straight down to the stream, by metre; each formula written out again."""
    z = np.array([0.1 * min(v, 310 - v) for v in range(0, 170, 10)])
    across = (z[2:] - z[:-2]) / 20  # cells at 10 to 150 m
    slope = np.hypot(across, 0.005)
    x = (across + 0.005) / slope
    sine = slope / np.hypot(1, slope)
    m = (sine / 0.0896) / (3 * sine**0.8 + 0.56)
    m = m / (1 + m)
    steep = np.where(slope < 0.09, 10.8 * sine + 0.03, 16.8 * sine - 0.5)
    inflow = np.minimum((150 - np.arange(10, 160, 10)) * 10.0, 1120.0)
    length = ((inflow + 100) ** (m + 1) - inflow ** (m + 1)) / (10 ** (m + 2) * x**m * 22.13**m)
    cells = 15 - np.arange(15)
    above = np.cumsum(slope[::-1])[::-1] / cells
    down = np.cumsum(10 / (c * slope))
    index = np.log10(c * above * np.sqrt(cells * 100.0) / down)
    return (length * steep * c * k * 0.8 / (1 + np.exp((0.5 - index) / 2))).sum() * 100 / 10


@pytest.mark.parametrize(("cover", "c"), [(PASTURE, 0.0903), (FIELD, 0.233), (WOOD, 0.0013)])
def test_a_plane_hillslope_gives_what_the_formulae_give_by_hand(cover, c):
    supply, flows, _ = delivered(cover=cover)
    for side in (0, 1):
        np.testing.assert_allclose(middle(supply, side), by_hand(c, 0.3), rtol=1e-4)
    assert len(flows) == 0


def test_each_side_gets_its_own_hillslope():
    supply, _, _ = delivered(cover=lambda x, y: np.where(y > 0, FIELD, WOOD))
    np.testing.assert_allclose(middle(supply, 0), by_hand(0.233, 0.3), rtol=1e-4)
    np.testing.assert_allclose(middle(supply, 1), by_hand(0.0013, 0.3), rtol=1e-4)
    turned, _, _ = delivered(
        lambda x, y: roof(-x, y), lambda x, y: np.where(y > 0, FIELD, WOOD), shapely.LineString([(850, 0), (-150, 0)])
    )
    assert middle(turned, 1).min() > 100 * middle(turned, 0).max()  # flows west: the field lies on the right


def test_mirrored_ground_swaps_the_sides_and_nothing_else():
    noise = np.random.default_rng(4).normal(0, 0.05, places()[0].shape)
    ground = roof(*places()) + noise
    codes = np.random.default_rng(5).choice([WOOD, PASTURE, FIELD], ground.shape)
    line = shapely.LineString([(0, 0), (400, 30), (700, -20), (1000, 0)])
    upside_down = shapely.LineString([(x, -y) for x, y in line.coords])
    soils = soil_units((shapely.box(-300, -300, 500, 0.1), 0.5), (shapely.box(-300, 0.1, 2000, 300), 0.2))
    swapped = soil_units((shapely.box(-300, -0.1, 500, 300), 0.5), (shapely.box(-300, -300, 2000, -0.1), 0.2))
    one, _, _ = delivered(lambda x, y: ground, lambda x, y: codes, line, soils)
    other, _, _ = delivered(lambda x, y: ground[::-1], lambda x, y: codes[::-1], upside_down, swapped)
    assert one["delivery"].nunique() > 30
    for side in (0, 1):
        mine, theirs = one[one["side"] == side], other[other["side"] == 1 - side]
        np.testing.assert_array_equal(mine["ground_m2"], theirs["ground_m2"])
        # the middle row belongs to one soil here and to the other there: no cell of the hillslope lies on it twice
        np.testing.assert_allclose(mine["delivery"], theirs["delivery"], rtol=0.05)
    assert abs(np.log(one["delivery"].sum() / other["delivery"].sum())) < 0.01


def test_more_erodible_soil_gives_in_proportion():
    half = soil_units((shapely.box(-300, -300, 2000, 0), 0.15), (shapely.box(-300, 0, 2000, 300), np.nan))
    supply, _, said = delivered(soils=half)
    np.testing.assert_allclose(middle(supply, 1), by_hand(0.0903, 0.15), rtol=1e-4)
    np.testing.assert_allclose(middle(supply, 0), by_hand(0.0903, 0.3), rtol=1e-4)
    assert said["no_k"].says == (
        "soils.k is not known on 50% of the ground behind the banks: K = 0.3 US stands there ([delivery] soil_k_us)."
    )


def test_the_order_of_covers_is_that_of_both_published_sets():
    other = {"woody": 0.005, "pasture": 0.01}
    for given in ({}, other):
        got = [
            middle(delivered(cover=cover, delivery={"c_factor": given})[0], 0)[0] for cover in (WOOD, PASTURE, FIELD)
        ]
        assert got[0] < got[1] < got[2]
    assert middle(delivered(delivery={"c_factor": other})[0], 0)[0] == pytest.approx(by_hand(0.01, 0.3), rel=1e-4)


def draw(x, y):
    """The roof with a hollow on the left at x = 500 that gathers the flow of 400 m of hillslope."""
    into = np.clip(1 - np.abs(x - 500) / 150, 0, 1)
    return roof(x, y) - 15 * into * (y > 5) * np.clip((RIDGE_M - y) / 60, 0, 1) * np.clip(y / 90, 0, 1)


def test_a_draw_is_a_point_of_concentrated_flow():
    supply, flows, said = delivered(draw)
    assert len(flows) == 1
    assert flows["side"].tolist() == [0]
    assert flows["at_m"].iloc[0] == pytest.approx(500, abs=30)
    assert 1.5 < flows["area_ha"].iloc[0] < 6
    assert not flows["stream_like"].any()
    assert flows.geometry.iloc[0].y > 0
    left = supply[supply["side"] == 0].set_index("from_m")["delivery"]
    assert left.idxmax() in (450, 500)
    assert left.max() > 4 * by_hand(0.0903, 0.3)
    assert len(delivered(draw, delivery={"concentrated_ha": 7})[1]) == 0
    assert "lacking" not in said


def test_an_inflow_as_large_as_a_stream_counts_for_no_bank_and_is_told():
    supply, flows, said = delivered(draw, streams={"start_area_km2": 0.015})
    assert flows["stream_like"].tolist() == [True]
    left = supply[supply["side"] == 0].set_index("from_m")["delivery"]
    assert left.loc[[450.0, 500.0]].max() < by_hand(0.0903, 0.3)
    area = flows["area_ha"].iloc[0]
    assert said["lacking"].says == (
        f"1 inflow of as much ground as a stream starts with, up to {area:.0f} ha, enters a stream through a bank: "
        "perhaps streams that the map lacks. Their ground counts for the delivery of no bank."
    )


def test_ground_above_a_source_comes_through_neither_bank():
    """A bowl of 15 ha above the line: its flow comes down the valley, not over a bank."""
    supply, flows, _ = delivered(line=shapely.LineString([(500, 0), (1000, 0)]))
    head = supply[supply["from_m"] >= 450]
    assert len(flows) == 0
    assert head["delivery"].max() < 2 * by_hand(0.0903, 0.3)


def test_ground_cut_off_by_the_edge_is_missing_on_that_side_only():
    supply, _, _ = delivered(
        lambda x, y: np.where((y > 0) | (y > -310), 50 + 0.1 * np.maximum(-y, np.minimum(y, 310 - y)) - 0.005 * x, 0)
    )
    assert np.isnan(middle(supply, 1)).all()  # rises on to the edge of the heights
    np.testing.assert_allclose(middle(supply, 0), by_hand(0.0903, 0.3), rtol=1e-4)


def test_banks_without_heights_are_missing():
    supply, _, _ = delivered(line=shapely.LineString([(500, 0), (1400, 0)]))
    assert supply[supply["to_m"] <= 300]["delivery"].isna().all()
    assert supply[supply["from_m"] >= 500]["delivery"].notna().all()


def test_no_slope_is_taken_over_a_seam():
    def stepped(x, y):
        return roof(x, y) + np.where(y > 80, 5.0, 0.0)

    plain, _, _ = delivered()
    wrong, _, _ = delivered(stepped)
    right, _, _ = delivered(stepped, survey=lambda x, y: np.where(y > 80, 1, 0))
    assert middle(wrong, 0)[0] > 1.3 * middle(plain, 0)[0]
    assert middle(right, 0)[0] < middle(plain, 0)[0]


def test_what_stands_in_is_told():
    _, _, said = delivered()
    assert said["no_k"].says == "No soils with K are given: delivery takes the same soil everywhere, K = 0.3 US."
    _, _, said = delivered(cover=lambda x, y: np.where(x < 500, PASTURE, 99))
    assert said["no_c"].severity == "note"
    assert said["no_c"].says.startswith("The cover is not known on ")
    assert said["no_c"].says.endswith(" of the ground behind the banks: C = 0.1043 stands there.")
    _, _, said = delivered(soils=soil_units((shapely.box(-300, -300, 2000, 300), 0.041)))
    assert said["k_unit"].says == (
        "soils.k is at most 0.041: that looks like SI units, of which 1 US is 0.1317. "
        "The order of banks stays, delivery comes out too low."
    )
    assert said["k_unit"].do == "Divide by 0.1317 if K is in SI units."


def test_sums_along_the_flow_are_those_of_walking_every_cell():
    ground = rough((29, 34), 1) + 3 * np.abs(np.arange(29, dtype=np.float32) - 14)[:, None]
    taken = np.zeros(ground.shape, bool)
    taken[14, 4:20] = True
    routed = Routed.along(route(ground, taken).direction)
    shape, offset = routed.shape, neighbour_offsets(36)
    rng = np.random.default_rng(2)
    weight, slope = (bordered(shape, np.float32, 1) for _ in range(2))
    weight[:], slope[:] = rng.uniform(0.01, 1, weight.size), rng.uniform(0.01, 1, slope.size)
    taken_flat = np.zeros(weight.size, bool)
    without_border(taken_flat, shape)[:] = taken
    way = np.full(weight.size, UNKNOWN, np.float32)
    way[(routed.flat_direction == 0) | (routed.flat_direction == 254)] = np.nan
    way[taken_flat & (routed.flat_direction == 0)] = 0.0
    start = way.copy()
    sums, slopes = weight.copy(), slope.copy()
    sum_way_down(routed.flat_direction, way, weight, slope, offset, 10.0)
    inflow, count = bordered(shape, np.uint8, DONE), bordered(shape, np.int32, 0)
    count_inflows(routed.flat_direction, inflow, count, offset, 36, 1, shape[0] + 1)
    sum_down(routed.flat_direction, inflow, count, sums, slopes, offset)
    walked, total, cells = start.astype(float), np.zeros(way.size), np.zeros(way.size, int)
    for cell in np.flatnonzero(routed.flat_direction != 254):
        at, length = cell, 0.0
        total[at], cells[at] = total[at] + weight[cell], cells[at] + 1
        while (to := routed.flat_direction[at]) != 0:
            length += (10 if to % 2 else 10 * 2**0.5) / (float(weight[at]) * slope[at])
            at = at + offset[to]
            total[at], cells[at] = total[at] + weight[cell], cells[at] + 1
        walked[cell] = length + start[at]
    ground_cells = routed.flat_direction != 254
    np.testing.assert_allclose(way[ground_cells], walked[ground_cells], rtol=1e-5)
    assert np.isfinite(way).sum() > 100
    assert np.isnan(way[ground_cells]).sum() > 10
    np.testing.assert_allclose(sums[ground_cells], total[ground_cells], rtol=1e-5)
    np.testing.assert_array_equal(count[ground_cells], cells[ground_cells])
    assert cells.max() > 50


def test_cover_is_the_mean_over_a_routing_cell():
    c_of = pd.Series([0.2, 0.0], [7, 8])
    fine = source(np.where(np.arange(20) % 10 < 5, 7, 8)[None, :].repeat(10, 0).astype(np.uint8), 0.0, 10.0, 1.0)
    grid = Grid(np.zeros((1, 3), np.float32), Lattice(0.0, 10.0, 10.0))
    got = cover_factor(fine, c_of, grid, (0, 1))
    np.testing.assert_allclose(got[0, :2], 0.1)
    assert np.isnan(got[0, 2])  # beyond the cover
    known = np.arange(20) % 10 < np.where(np.arange(20) < 10, 5, 4)
    half = source(np.where(known, 7, 9)[None, :].repeat(10, 0).astype(np.uint8), 0.0, 10.0, 1.0)
    np.testing.assert_allclose(cover_factor(half, c_of, grid, (0, 1))[0], [0.2, np.nan, np.nan])  # half known, less
    unknown = source(np.array([[7, 9]], np.uint8), 0.0, 10.0, 10.0)
    assert np.isnan(cover_factor(unknown, c_of, grid, (0, 1))[0]).tolist() == [False, True, True]


def test_c_is_given_else_of_the_legend_else_of_the_class():
    legend = nearby()["legend"].assign(c_factor=[np.nan, 0.05, np.nan, np.nan, np.nan])
    assert c_by_code(legend, {}).to_dict() == {1: 0.0013, 2: 0.05, 3: 0.0, 4: 0.233, 5: 0.2652}
    assert c_by_code(legend, {"pasture": 0.01})[2] == 0.01


def test_strips_change_nothing(monkeypatch):
    ground = roof(*places()) + np.random.default_rng(4).normal(0, 0.3, places()[0].shape)
    soils = soil_units((shapely.Point(500, 40).buffer(150), 0.5))
    whole, _, _ = delivered(lambda x, y: ground, soils=soils)
    monkeypatch.setattr("gisprio.compute.terrain.delivery.STRIP_CELLS", 700)
    assert len(list(strips(ground.shape))) > 5
    cut, _, _ = delivered(lambda x, y: ground, soils=soils)
    pd.testing.assert_frame_equal(whole, cut, rtol=1e-9)
    grid = Grid(np.asarray(ground, np.float32), Lattice(-205.0, 255.0, 10.0))
    in_one = slope_and_crossing(grid, None, (0, 51))[0]
    in_two = np.vstack([slope_and_crossing(grid, None, rows)[0] for rows in ((0, 20), (20, 51))])
    np.testing.assert_array_equal(in_one, in_two)
    k = soil_erodibility(soils, grid.lattice, (10, 30), 126)
    np.testing.assert_array_equal(soil_erodibility(soils, grid.lattice, (0, 51), 126)[10:30], k)
    assert (~np.isnan(k)).sum() > 200


def test_pieces_of_bank_cover_each_side_once():
    banks = Banks.of(segments(shapely.LineString([(0, 0), (120, 0)]), shapely.LineString([(0, 9), (30, 9)])))
    told = banks.table[banks.table["side"] == 1]
    assert told[["segment_no", "from_m", "to_m"]].to_numpy().tolist() == [[0, 0, 50], [0, 50, 120], [1, 0, 30]]
    assert banks.at(np.array([0, 0, 1]), np.array([49.0, 119.0, 30.0]), np.array([0, 1, 1])).tolist() == [0, 3, 5]
