"""Streams drawn from the heights: where they run, how long they are, and that a staircase is no bend."""

from __future__ import annotations

from functools import cache

import geopandas as gpd
import numpy as np
import pytest
import shapely

from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.factors.outer_bend import STRAIGHT_WIDTHS, outer_bend
from gisprio.compute.network.channels import FARTHEST_CELLS, Channels, channel_cells, draw_streams, smoothed_places
from gisprio.compute.network.join import join_streams
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import Finding, findings_from
from gisprio.contracts.grids import ArraySource
from gisprio.contracts.layers import STREAMS, WATERSHED
from gisprio.contracts.schema import check, empty
from makers import CRS, HEAD_M, LENGTH_M, VALLEY_HALF_M, Place, frame, straight_valley
from network_world import heights, streams
from tables import network, settings, source

CELL_M = 10.0
PLACES = [Place(quarter_turns=turns, mirrored=mirrored) for turns in range(4) for mirrored in (False, True)]


def draw(
    dem: ArraySource, start_km2: float = 0.25, **tables: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    given = {"streams": empty(STREAMS, CRS), "watershed": empty(WATERSHED, CRS)} | tables
    made = settings(streams={"start_area_km2": start_km2}).part(("streams",))
    out = draw_streams(given, {"elevation": dem}, made)
    return check(STREAMS, out["stream_lines"]), findings_from(out["findings"])


@cache
def tilted_line(degrees: float) -> shapely.LineString:
    """The channel of a tilted valley, without its ends: at the rim its ground is cut off aslant."""
    line = longest(draw(tilted_valley(degrees), 0.2)[0])
    return shapely.ops.substring(line, 300.0, line.length - 300.0)


def tilted_valley(degrees: float, *, aside_m: float = 2.0, length_m: float = 4000.0) -> ArraySource:
    """A straight V valley that falls 1 % towards ``degrees`` north of east, its axis a little beside the middle."""
    middle = (np.arange(round(length_m / CELL_M)) + 0.5) * CELL_M - length_m / 2
    x, y = np.meshgrid(middle, middle[::-1])
    turn = np.radians(degrees)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn) - aside_m
    values = 200.0 - 0.01 * along + 0.1 * np.abs(across)
    return source(values.astype(np.float32), -length_m / 2, length_m / 2, CELL_M)


def valley_of(place: Place) -> gpd.GeoDataFrame:
    """The watershed of the straight valley: beyond its divides the ground drains along the rim of the DEM."""
    return straight_valley(place).layers["watershed"]


def refusal(*args, **tables) -> str:
    """Give the whole message with which drawing ends."""
    with pytest.raises(InputError) as error:
        draw(*args, **tables)
    return error.value.report()


def longest(lines: gpd.GeoDataFrame) -> shapely.LineString:
    return max(lines.geometry, key=lambda line: line.length)


def test_given_lines_pass_untouched():
    given = streams([shapely.LineString([(500_000, 5_299_990), (500_000, 5_297_000)])])
    settings_ = settings().part(("streams",))
    out = draw_streams({"streams": given, "watershed": empty(WATERSHED, CRS)}, {"elevation": heights()}, settings_)
    assert out == {"stream_lines": given}


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_straight_valley_wherever_it_lies(place):
    lines, _ = draw(heights(place=place), watershed=valley_of(place))
    assert len(lines) == 1
    line = lines.geometry[0]
    u, v = place.from_map(*shapely.get_coordinates(line).T)
    assert (np.diff(u) > 0).all()  # downstream
    assert np.abs(v).max() <= CELL_M  # one cell at most beside the axis
    # 0.25 km2 lie above the place: 1,190 m of width times the distance from the divide
    assert u[0] == pytest.approx(0.25e6 / (2 * VALLEY_HALF_M) - HEAD_M, abs=2 * CELL_M)
    assert u[-1] >= LENGTH_M  # to the rim of the DEM
    assert lines[["source_id", "name", "area_km2"]].isna().all(axis=None)
    assert lines["kind"].tolist() == ["unconfirmed"]


def test_what_is_told_of_drawn_streams():
    lines, found = draw(heights())
    assert found == [
        Finding(
            "warning", "streams", "streams_drawn", "",
            f"[layers] streams is not given: {lines.length.sum() / 1000:.1f} km of streams were drawn from the DEM, "
            "from 0.25 km2 of drainage area on. Where they begin is an assumption, bends of a few "
            "cells are smoothed away with the staircase of the grid, their kind is unconfirmed, and banks of that kind "
            "are not ranked unless asked for.",
            'Check their heads and courses on a map or in the field; then rank them with ranked_kinds = ["natural", '
            '"unconfirmed"] under [priority], or give stream lines.',
        )
    ]  # fmt: skip


@pytest.mark.parametrize("degrees", [0, 3, 10, 22.5, 30, 37, 45, 60, 81, 90])
def test_a_straight_channel_is_as_long_as_it_is_at_any_angle(degrees):
    line = tilted_line(degrees)
    ends = shapely.get_coordinates(line)[[0, -1]]
    assert line.length > 2000
    assert line.length == pytest.approx(np.hypot(*(ends[1] - ends[0])), rel=0.003)  # the staircase: up to 8 % more
    turn = np.radians(degrees)
    across = shapely.get_coordinates(line) @ (-np.sin(turn), np.cos(turn)) - 2.0
    assert np.abs(across).max() < CELL_M


@pytest.mark.parametrize("width_m", [3.0, 10.0, 20.0, 30.0])
@pytest.mark.parametrize("degrees", [0, 3, 10, 22.5, 37, 45, 81])
def test_a_straight_channel_has_no_outer_bend(degrees, width_m):
    line = tilted_line(degrees)
    core = network(line, width_m=width_m, kind="unconfirmed", line_error_m=CELL_M)
    sides = lay_stations(core, {"segments": core["segments"]}, {}, settings())["stations"]
    bends = [outer_bend(sides.assign(side=side)) for side in (0, 1)]
    assert all((one["basis"] == "measured").all() for one in bends)
    # from ten widths on a bend scores nothing
    assert min(one["value"].min() for one in bends) >= 10.0
    if degrees in (0, 45):
        assert all(np.isinf(one["value"]).all() for one in bends), STRAIGHT_WIDTHS


def test_a_real_bend_is_kept():
    """A valley that swings 60 m to either side every 800 m: its length is 1.053 times that of its axis."""
    wave, swing = 2 * np.pi / 800, 60.0
    u = np.linspace(0, 2400, 2401)
    true = np.hypot(1, swing * wave * np.cos(wave * u)).mean()
    dem = heights(lambda u, v: 100 - 0.005 * u + 0.1 * np.abs(v - swing * np.sin(wave * u)))
    coordinates = shapely.get_coordinates(longest(draw(dem)[0]))
    line = shapely.LineString([place for place in coordinates if 5_297_000 < place[1] < 5_299_400])
    fall = abs(line.coords[0][1] - line.coords[-1][1])
    assert line.length / fall == pytest.approx(true, rel=0.01)
    axis = shapely.LineString(Place().on_map(np.arange(0.0, 3300.0), swing * np.sin(wave * np.arange(0.0, 3300.0))))
    assert shapely.distance(shapely.points(shapely.get_coordinates(line)), axis).max() < 1.5 * CELL_M


def hills(turns: int = 0, mirrored: bool = False) -> ArraySource:
    """Ground without depressions and without equal neighbours, falling from a rim to a gap in the south."""
    x, y = np.meshgrid(np.arange(200.0), np.arange(260.0))
    values = (
        0.6 * (260 - y) + 0.004 * (x - 103.3) ** 2 + 6 * np.sin(x / 11.7 + y / 23.1) + 5 * np.sin(x / 17.3 - y / 29.9)
    )
    values = np.fliplr(values) if mirrored else values
    values = np.rot90(values, turns).astype(np.float32)
    rows, columns = values.shape
    return source(values, -columns * CELL_M / 2, rows * CELL_M / 2, CELL_M)


def mapped(lines: gpd.GeoDataFrame, turns: int = 0, mirrored: bool = False) -> np.ndarray:
    """Mirror, then turn lines to the left, and put them in an order of place."""
    geometry = lines.geometry.to_numpy()
    quarter = np.linalg.matrix_power(np.array([[0, -1], [1, 0]]), turns)
    mirror = np.diag([-1 if mirrored else 1, 1])
    moved = shapely.transform(geometry, lambda xy: xy @ (quarter @ mirror).T)
    return np.array(sorted(moved, key=lambda line: tuple(np.round(line.coords[0] + line.coords[1], 3))), object)


@pytest.mark.parametrize(("turns", "mirrored"), [(1, False), (2, False), (3, False), (0, True), (1, True)])
def test_turning_and_mirroring_the_ground_turns_and_mirrors_the_lines(turns, mirrored):
    plain, other = draw(hills(), 0.05)[0], draw(hills(turns, mirrored), 0.05)[0]
    assert len(plain) > 20
    left, right = mapped(plain, turns, mirrored), mapped(other)
    assert len(left) == len(right)
    assert shapely.equals_exact(left, right, tolerance=1e-6).all()


def test_links_meet_at_confluences_and_run_downstream():
    lines, _ = draw(hills(), 0.05)
    ends = shapely.get_coordinates(lines.geometry.to_numpy(), return_index=True)[0]
    dem = hills().grid
    segments = join_streams({"stream_lines": lines}, {"elevation": hills()}, settings().part(("streams",)))
    table = segments["segments"]
    assert len(table) == len(lines)  # nothing left to join or to cut
    above = table["downstream_no"].value_counts()
    assert (above[above.index >= 0] >= 2).all()  # confluences, not joints in a line
    assert {finding.check for finding in findings_from(segments["findings"])} <= {"parts", "dangle"}
    assert (table["line_error_m"] == CELL_M).all()
    assert (dem.index(*ends.T)[2]).all()


def test_lines_that_are_given_keep_their_line_error():
    lines, _ = draw(hills(), 0.05)
    mixed = lines.assign(kind=["natural", *["unconfirmed"] * (len(lines) - 1)])
    table = join_streams({"stream_lines": mixed}, {"elevation": hills()}, settings().part(("streams",)))["segments"]
    assert sorted(table["line_error_m"])[:2] == [5.0, CELL_M]


E, S, W, N = 1, 3, 5, 7


def path(*runs: tuple[int, int], at: tuple[int, int] = (2, 2), shape: tuple[int, int] = (20, 20)) -> Channels:
    """Channel cells that run in straight runs (direction, cells) from a place, one more cell each."""
    steps = {E: (0, 1), S: (1, 0), W: (0, -1), N: (-1, 0)}
    direction, counts = np.zeros(shape, np.uint8), np.zeros(shape, np.int64)
    row, column = at
    cells = [way for way, number in runs for _ in range(number)]
    for number, way in enumerate(cells):
        direction[row, column], counts[row, column] = way, number + 1
        row, column = row + steps[way][0], column + steps[way][1]
    counts[row, column] = len(cells) + 1
    return channel_cells(direction, counts, 1)


def test_no_place_of_a_hairpin_leaves_its_cell_by_more_than_told():
    network = path((S, 12), (E, 2), (N, 12))
    away = np.hypot(*(smoothed_places(network) - network.place).T)
    assert away.max() == pytest.approx(FARTHEST_CELLS)
    assert away[(network.above < 0) | (network.below < 0)].tolist() == [0.0, 0.0]  # source and outlet stay


def test_the_main_stem_is_the_inflow_with_the_most_ground():
    direction, counts = np.zeros((4, 3), np.uint8), np.zeros((4, 3), np.int64)
    direction[:, 1], counts[:, 1] = S, [10, 11, 52, 53]
    direction[1, 0], counts[1, 0] = 2, 40  # from the north-west: larger than the one straight on
    network = channel_cells(direction, counts, 5)
    at = {tuple(place): number for number, place in enumerate(network.place.tolist())}
    assert network.above[at[2, 1]] == at[1, 0]
    assert network.inflows[at[2, 1]] == 2
    assert network.below[at[3, 1]] == -1
    counts[1, 0] = 11  # as large as the one straight on
    assert channel_cells(direction, counts, 5).above[at[2, 1]] == at[1, 1]


def test_a_hole_in_the_channel_does_not_cut_the_stream():
    dem = heights()
    values = dem.grid.values.copy()
    values[200:203, 79:82] = np.nan  # 30 m by 30 m on the axis
    holed, whole = (
        draw(one, watershed=valley_of(Place()))[0]
        for one in (source(values, dem.lattice.x0, dem.lattice.y0, CELL_M), dem)
    )
    assert len(holed) == len(whole) == 1
    assert holed.geometry[0].hausdorff_distance(whole.geometry[0]) <= CELL_M


def test_only_links_that_touch_the_watershed_are_drawn_and_those_above_them():
    whole, _ = draw(hills(), 0.05)
    table = join_streams({"stream_lines": whole}, {"elevation": hills()}, settings().part(("streams",)))["segments"]
    picked = table[(table["strahler_order"] == 2)].iloc[0]
    middle = picked.geometry.interpolate(0.5, normalized=True)
    wanted, number = {picked["segment_no"]}, 0
    while number < len(wanted):
        number = len(wanted)
        wanted |= set(table.loc[table["downstream_no"].isin(wanted), "segment_no"])
    lines, _ = draw(hills(), 0.05, watershed=frame([middle.buffer(5.0)]))
    assert 3 <= len(lines) < len(whole)
    assert set(shapely.to_wkb(lines.geometry)) == set(shapely.to_wkb(table.geometry[sorted(wanted)]))


def test_flat_ground():
    flat = source(np.full((50, 50), 7.5, np.float32), 0.0, 500.0, CELL_M)
    assert refusal(flat) == (
        "InputError: [layers] streams is not given, and no streams can be drawn from the DEM: all heights are 7.5 m.\n"
        "  Wanted: stream lines, or a DEM with relief.\n"
        '  Do: give the lines of your map agency, as in streams = "../data/streams.gpkg".'
    )


def test_ground_without_heights():
    bare = source(np.full((5, 5), np.nan, np.float32), 0.0, 50.0, CELL_M)
    assert refusal(bare).splitlines()[0] == (
        "InputError: [layers] streams is not given, and no streams can be drawn from the DEM: it has no heights."
    )


def test_nowhere_enough_ground():
    assert refusal(heights(), 50.0) == (
        "InputError: [layers] streams is not given, and no streams can be drawn from the DEM: nowhere do [streams] "
        "start_area_km2 = 50 km2 drain together; the most in the DEM is 4.4 km2.\n"
        "  Wanted: stream lines, or a start_area_km2 that some ground reaches.\n"
        "  Do: give the lines of your map agency, or lower start_area_km2."
    )


def test_no_stream_in_the_watershed():
    aside = frame([Place().box(0, 200, 1000, 400)])
    assert "nowhere in the watershed do" in refusal(heights(), watershed=aside)
