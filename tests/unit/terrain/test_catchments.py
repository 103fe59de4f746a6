"""Ground of each piece of stream: sums by hand, edges of the DEM, holes, lines outside it."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain.flow import (
    bridge_holes,
    lowered,
    rim_that_rises,
    share_catchments,
    stream_labels,
    stream_pieces,
)
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import CATCHMENTS, WATERSHED
from gisprio.contracts.schema import check, empty
from makers import HEAD_M, LENGTH_M, VALLEY_HALF_M, Place, frame, straight_height
from network_world import WHOLE, heights, streams, whole_chain
from tables import segments, settings, source

AREA_M2 = 2 * VALLEY_HALF_M * (LENGTH_M + HEAD_M)


def catchments(lines, dem, watershed=None):
    tables = {"segments": segments(*lines), "watershed": empty(WATERSHED) if watershed is None else watershed}
    out = share_catchments(tables, {"elevation": dem}, settings().part(("streams",)))
    return check(CATCHMENTS, out["catchments"]), {f.check: f for f in findings_from(out["findings"])}


def main_stem(place=None):
    return (place or Place()).line((0, 0), (LENGTH_M, 0))


def test_the_straight_valley_is_shared_out_evenly():
    table, said = catchments([main_stem()], heights())
    assert len(table) == 60
    assert table["area_m2"].sum() == pytest.approx(AREA_M2, rel=0.005)
    np.testing.assert_allclose(table["area_m2"].iloc[1:-1], 50 * 2 * VALLEY_HALF_M, rtol=0.02)
    assert table["area_m2"].iloc[-1] > 400 * 2 * VALLEY_HALF_M  # the head of the valley
    assert not table["cut"].any()
    assert said == {}


@pytest.mark.parametrize(("off_m", "line_error_m"), [(10, 5.0), (20, 5.0), (30, 12.0)])
def test_a_line_beside_its_channel_still_gets_the_valley(off_m, line_error_m):
    """Two cells off by default, farther where the lines are said to be worse; the heights are lowered for routing."""
    tables = {"segments": segments(Place().line((0, off_m), (LENGTH_M, off_m))), "watershed": empty(WATERSHED)}
    known = settings(streams={"line_error_m": line_error_m})
    out = share_catchments(tables, {"elevation": heights()}, known.part(("streams",)))
    assert out["catchments"]["area_m2"].sum() == pytest.approx(AREA_M2, rel=0.03)


def test_lowered_ground_is_a_copy_on_a_ramp_to_the_line():
    flat = np.full((5, 9), 20.0)
    stream = np.zeros((5, 9), bool)
    stream[:, 4] = True
    got = lowered(flat, stream, np.zeros_like(stream), burn_m=10.0, ramp_cells=2.5)
    np.testing.assert_allclose(got[2], [20, 20, 18, 14, 10, 14, 18, 20, 20])
    assert (flat == 20.0).all()


def test_a_dem_that_ends_inside_the_watershed_cuts_the_ground_at_its_edge_only():
    """Cropped 1,505 m down the valley: the ground at the crop is cut, that farther down is whole."""
    table, said = catchments([main_stem()], heights(extent=(1505.0, *WHOLE[1:])))
    top = table[table["cut"]]["from_m"]
    assert top.min() >= 1400
    assert len(top) >= 1
    assert table[table["from_m"] > 1500]["area_m2"].sum() == 0
    assert "outside_dem" in said  # half of the line has no heights


def test_a_dem_cut_along_the_watershed_cuts_nothing_where_the_watershed_is_given():
    place = Place()
    extent = (-HEAD_M - 5, -VALLEY_HALF_M - 10, LENGTH_M + 5, VALLEY_HALF_M + 10)
    area = frame([place.box(-HEAD_M, -VALLEY_HALF_M, LENGTH_M, VALLEY_HALF_M)])
    without, _ = catchments([main_stem()], heights(extent=extent))
    given, _ = catchments([main_stem()], heights(extent=extent), area)
    assert without["cut"].any()
    assert not given["cut"].any()
    assert given["area_m2"].sum() == pytest.approx(AREA_M2, rel=0.02)


def test_a_small_hole_in_the_channel_swallows_nothing():
    dem = heights()
    holed = dem.grid.values.copy()
    row, column, _ = dem.grid.index(*np.array([[500_000.0], [5_300_000.0 - 1500.0]]))
    holed[row[0] - 1 : row[0] + 2, column[0] - 1 : column[0] + 2] = np.nan
    table, said = catchments([main_stem()], source(holed, dem.lattice.x0, dem.lattice.y0, 10.0))
    assert table["area_m2"].sum() == pytest.approx(AREA_M2, rel=0.005)
    assert not table["cut"].any()
    assert said["holes"].says == (
        "1 holes without heights, 9 cells, lie inside the DEM: they were bridged for routing only."
    )


def test_holes_are_bridged_by_their_rim_and_large_ones_left():
    values = np.full((20, 20), 7.0)
    values[3:5, 3:5] = np.nan
    values[8:16, 8:16] = np.nan  # 64 cells
    values[0:2, 18:20] = np.nan  # at the rim
    bridged, holes = bridge_holes(values)
    assert (holes.count, holes.cells) == (1, 4)
    assert (bridged[3:5, 3:5] == 7.0).all()
    assert np.isnan(bridged[8:16, 8:16]).all()
    assert np.isnan(bridged[0:2, 18:20]).all()
    assert np.isnan(values[3, 3])  # the argument is as it was


def test_a_rim_rises_where_ground_comes_in_and_not_where_it_leaves():
    tilted = np.tile(np.arange(5.0), (5, 1))  # rises to the right
    rises = rim_that_rises(tilted)
    assert rises[1:-1, 4].all()
    assert not rises[:, 0].any()
    assert not rises[1:-1, 1:-1].any()


def test_confluence_cell_belongs_to_the_larger_stream():
    main, side = Place().line((0, 0), (100, 0)), Place().line((0, 100), (100, 0))
    table = segments(main, side, downstream=(-1, -1)).assign(strahler_order=[2, 1])
    label = stream_labels(table, stream_pieces(table), heights().grid)
    row, column, _ = heights().grid.index(np.array([500_000.0]), np.array([5_300_000.0 - 98.0]))
    assert label[row[0], column[0]] == 0


def test_area_never_falls_downstream_and_adds_up_at_confluences():
    """Ground with noise of 2 m, two streams that meet: D8 may do what it likes, the sums hold."""
    noise = np.random.default_rng(7).normal(0, 2.0, (161, 391))
    dem = heights()
    rough = source(dem.grid.values + noise.T.astype(np.float32), dem.lattice.x0, dem.lattice.y0, 10.0)
    place = Place()
    lines = streams(
        [place.line((0, 0), (1500, 0)), place.line((700, 400), (1500, 0)), place.line((1500, 0), (3000, 0))]
    )
    made = whole_chain(lines, rough)
    reaches = made["reach_measures"].set_index("reach_id")
    for row in reaches.itertuples():
        if isinstance(row.downstream_reach_id, str):
            assert reaches.loc[row.downstream_reach_id, "drainage_area_km2"] >= row.drainage_area_km2
    total = made["catchments"]["area_m2"].sum() / 1e6
    assert reaches["drainage_area_km2"].max() == pytest.approx(total, rel=1e-12)


def test_turning_and_mirroring_change_no_sum():
    sums = [
        catchments([main_stem(place)], heights(straight_height, place))[0]["area_m2"].sum()
        for place in (Place(), Place(quarter_turns=1), Place(quarter_turns=2), Place(mirrored=True), Place(x0=4e6))
    ]
    assert sums == [sums[0]] * 5
