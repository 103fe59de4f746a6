"""Ground of each piece of stream: sums by hand, edges of the DEM, holes, lines outside it."""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.terrain.flow import (
    Holes,
    bridge_holes,
    lowered,
    lowest_beside,
    rim_that_rises,
    share_catchments,
    stream_labels,
    stream_pieces,
)
from gisprio.contracts.findings import Finding, findings_from
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
    flat = np.full((5, 9), 20.0, np.float32)
    stream = np.zeros((5, 9), bool)
    stream[:, 4] = True
    got = lowered(flat, stream, np.zeros_like(stream), burn_m=10.0, ramp_cells=2.5)
    np.testing.assert_allclose(got[2], [20, 20, 18, 14, 10, 14, 18, 20, 20])
    assert got.dtype == np.float32
    assert (flat == 20.0).all()


def test_no_ramp_leads_to_the_end_of_an_outlet():
    """The line ends at column 5; beyond its last cell, and as near to it as to another, nothing is lowered."""
    flat = np.full((5, 10), 20.0, np.float32)
    stream, last = np.zeros((5, 10), bool), np.zeros((5, 10), bool)
    stream[2, :6] = True
    last[2, 5] = True
    got = lowered(flat, stream, last, burn_m=10.0, ramp_cells=2.5)
    np.testing.assert_allclose(got[2], [10, 10, 10, 10, 10, 10, 20, 20, 20, 20])
    np.testing.assert_allclose(got[1, 3:7], [14, 14, 20, 20])
    np.testing.assert_array_equal(got[1], got[3])


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
    assert said["holes"] == Finding(
        "warning",
        "dem",
        "holes",
        "",
        "1 hole without heights, 9 cells, lies inside the DEM, the largest 0.09 ha, 1 under a stream line: "
        "for routing only, each was taken for a pond as high as the lowest cell around it.",
        "Fill them in the DEM.",
    )


@pytest.mark.parametrize(
    ("half_cells", "away_cells", "severity", "says"),
    [
        (2, 30, "note", "1 hole without heights, 25 cells, lies inside the DEM, the largest 0.25 ha, 0 under"),
        (3, 30, "warning", "1 hole without heights, 49 cells, lies inside the DEM, the largest 0.49 ha, 0 under"),
        (20, 0, "warning", "1 hole without heights, 1681 cells, lies inside the DEM, the largest 17 ha, 1 under"),
    ],
)
def test_a_hole_of_any_size_lets_the_water_through_and_large_ones_are_warned_of(
    half_cells, away_cells, severity, says
):
    """No water is lost to a hole, and its ground counts."""
    dem = heights()
    holed = dem.grid.values.copy()
    (row,), (column,), _ = dem.grid.index(*np.array([[500_000.0], [5_300_000.0 - 1500.0]]))
    column += away_cells
    holed[row - half_cells : row + half_cells + 1, column - half_cells : column + half_cells + 1] = np.nan
    table, said = catchments([main_stem()], source(holed, dem.lattice.x0, dem.lattice.y0, 10.0))
    assert table["area_m2"].sum() == pytest.approx(AREA_M2, rel=0.005)
    assert said["holes"].severity == severity
    assert said["holes"].says.startswith(says)


def test_holes_are_ponds_at_the_level_of_the_lowest_cell_around_them():
    values = np.full((20, 20), 7.0, np.float32)
    values[3:5, 3:5] = np.nan
    values[5, 5] = 6.0  # touches a corner of it
    values[8:16, 8:16] = np.nan
    values[12, 12] = 1.0  # an island: ground around the hole as well
    values[0:2, 17:19] = np.nan  # at the rim, with a bay that hangs on by a corner
    values[2, 16] = np.nan
    stream = np.zeros(values.shape, bool)
    stream[9, 9:11] = True
    before = values.copy()
    bridged, holes = bridge_holes(values, stream)
    assert holes == Holes(count=2, cells=4 + 63, largest_cells=63, under_streams=1)
    assert (bridged[3:5, 3:5] == 6.0).all()
    assert (bridged[8:16, 8:16] == 1.0).all()
    assert np.isnan(bridged[0:2, 17:19]).all()
    assert np.isnan(bridged[2, 16])
    np.testing.assert_array_equal(values, before)


def test_ground_without_holes_is_left_alone():
    values = np.ones((4, 4), np.float32)
    values[0, 0] = np.nan
    bridged, holes = bridge_holes(values, np.zeros((4, 4), bool))
    assert bridged is values
    assert holes == Holes()


def test_height_above_the_stream_is_over_the_lowest_raw_height_beside_the_line():
    """A V valley 1 in 5: the line runs one cell beside its low, and raw heights are lowered nowhere."""
    lines = {"segments": segments(Place().line((0, 10), (LENGTH_M, 10))), "watershed": empty(WATERSHED)}
    dem = heights()
    out = share_catchments(lines, {"elevation": dem}, settings().part(("streams",)))
    above = out["height_above_stream"]
    assert above.values.dtype == np.float32
    assert above.lattice == dem.lattice
    x, y = Place().on_map(np.full(3, 1500.0), np.array([0.0, 200.0, -300.0])).T
    low = dem.grid.nearest(x[:1], y[:1], np.nan)
    expected = dem.grid.nearest(x, y, np.nan) - low
    np.testing.assert_allclose(above.nearest(x, y, np.nan), expected, atol=0.6)  # it drains on, down the valley


def test_the_lowest_beside_a_stream_cell_leaves_out_what_has_no_data():
    values = np.array([[5, np.nan, 3], [4, 6, 8], [np.nan] * 3], np.float32)
    stream = np.array([[False, True, False], [False, False, True], [True, False, False]])
    lowest = lowest_beside(values, stream)
    np.testing.assert_array_equal(lowest, [[np.nan, 3, np.nan], [np.nan, np.nan, 3], [4, np.nan, np.nan]])


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
