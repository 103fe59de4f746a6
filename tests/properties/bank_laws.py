"""Laws of the stages along banks: any winding stream, any cover, measured from stations to gaps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from hypothesis import strategies as st

from gisprio.compute.banks import bank_lines, cover, gaps, ownership, stations
from gisprio.compute.factors import outer_bend
from gisprio.compute.land import frontages
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.settings import Settings
from makers import frame
from properties.law import Law
from tables import asked, nearby, network, no_works, settings

LENGTH_M, SPACING_M, WIDTH_M, CELL_M, AROUND_M = 160.0, 8.0, 6.0, 2.0, 70.0
BLOCK_M = 8.0
KEY = ["segment_no", "station_no", "side"]
NEAR = nearby()
EAST_WEST = np.array([[-1.0, 0.0], [0.0, 1.0]])
QUARTER = np.array([[0.0, -1.0], [1.0, 0.0]])


@dataclass(frozen=True)
class Banks:
    """A stream and the cover beside it.

    Parameters
    ----------
    swing_m, wave_m, lean
        The line winds by so much around a way that leans to the east.
    blocks
        (k, k) codes of the cover in blocks of 8 m; 0 is unknown.
    turn
        How the map is turned or mirrored.
    east_m, north_m
        How far it is moved.
    """

    swing_m: float
    wave_m: float
    lean: float
    blocks: tuple[tuple[int, ...], ...]
    turn: tuple[tuple[float, float], ...] = ((1.0, 0.0), (0.0, 1.0))
    east_m: float = 0.0
    north_m: float = 0.0

    def line(self) -> shapely.LineString:
        """The stream, drawn downstream."""
        at = np.linspace(0, LENGTH_M, 81)
        plain = np.column_stack([self.lean * at + self.swing_m * np.sin(at / self.wave_m), LENGTH_M - at])
        return shapely.LineString(plain @ np.array(self.turn).T + (self.east_m, self.north_m))

    def land_cover(self, change: Callable[[np.ndarray, np.ndarray], np.ndarray] | None = None) -> ArraySource:
        """Cover on cells of 2 m around the stream; ``change`` gets codes and places (n, m, 2)."""
        x0, y0, x1, y1 = (CELL_M * np.round(np.array(self.line().buffer(AROUND_M).bounds) / CELL_M)).tolist()
        x, y = np.meshgrid(np.arange(x0, x1, CELL_M) + CELL_M / 2, np.arange(y1, y0, -CELL_M) - CELL_M / 2)
        place = np.stack([x, y], axis=-1)
        plain = (place - (self.east_m, self.north_m)) @ np.array(self.turn)  # the transpose turns back
        row, column = np.floor(plain[..., 1] / BLOCK_M).astype(int), np.floor(plain[..., 0] / BLOCK_M).astype(int)
        count = len(self.blocks)
        code = np.array(self.blocks, np.uint8)[row % count, column % count]
        code = code if change is None else change(code, place)
        return ArraySource(Grid(code.astype(np.uint8), Lattice(x0, y1, CELL_M), 0, 0, 0))


def some_banks(codes=(1, 1, 2, 3, 4, 5)) -> st.SearchStrategy[Banks]:
    """Any winding stream between any cover of these codes."""
    rows = st.integers(0, 2**32 - 1).map(
        lambda seed: tuple(map(tuple, np.random.default_rng(seed).choice(codes, (25, 25)).tolist()))
    )
    return st.builds(Banks, st.floats(0.5, 14.0), st.floats(18.0, 60.0), st.floats(-0.5, 0.5), rows)


@cache
def made(**sections: float) -> Settings:
    """Settings with some values of ``setback``."""
    return settings(streams={"station_spacing_m": SPACING_M, "line_error_m": 2.0}, setback=dict(sections))


@lru_cache(maxsize=8)
def one_stream(wkb: bytes, step: float) -> dict[str, pd.DataFrame]:
    """Network of one line, its reaches of ``step`` metres."""
    return network(shapely.from_wkb(wkb), width_m=WIDTH_M, step=step, line_error_m=2.0)


def measured(
    world: Banks, *, step: float = 200.0, change=None, halo=None, **setback: object
) -> dict[str, pd.DataFrame]:
    """Measure banks from stations to gaps."""
    own = made(**setback)
    core, near = dict(one_stream(world.line().wkb, step)), NEAR | (halo or {})
    core |= stations.lay_stations(core, {"segments": core["segments"]}, {}, own)
    core |= bank_lines.find_bank_lines(core, near, {}, own)
    core |= ownership.share_ground(core, core, {}, own)
    core["side_works"] = no_works(core["bank_points"])
    core["side_setbacks"] = asked(core["bank_points"], own.setback.width_m)
    core |= cover.measure_cover(core, near, {"land_cover": world.land_cover(change)}, own)
    unknown = {"valley_width_m": np.nan, "line_offset_m": np.nan}
    core["valleys"] = core["stations"][KEY[:2]].assign(**unknown)
    return core | gaps.find_gaps(core, core, {}, own)


def sides_of(core: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """What was measured at each station side, sorted."""
    both = core["bank_points"]
    for name in ("side_ground", "side_cover", "side_gaps"):
        both = both.merge(core[name], on=KEY)
    return both.merge(core["stations"].drop(columns=["x", "y"]), on=KEY[:2]).sort_values(KEY, ignore_index=True)


def assert_same(got: pd.DataFrame, want: pd.DataFrame) -> None:
    """Hold measures of station sides to each other, row by row."""
    assert len(got) == len(want)
    for name in ("at_m", "buffer_width_m", "missing_strip", "woody_share", "offset_m"):
        np.testing.assert_allclose(got[name].to_numpy(float), want[name].to_numpy(float), atol=1e-5, err_msg=name)
    assert (got["gap"].to_numpy() == want["gap"].to_numpy()).all()
    assert (got["adjacent_cover"].fillna("") == want["adjacent_cover"].fillna("")).all()


def gap_length(core: dict[str, pd.DataFrame]) -> float:
    pieces = core["gap_pieces"]
    return float((pieces["to_m"] - pieces["from_m"]).sum())


# ---- the map


def mirroring_swaps_the_sides(world: Banks) -> None:
    plain = sides_of(measured(world))
    other = sides_of(measured(replace(world, turn=tuple(map(tuple, EAST_WEST.tolist())))))
    other["side"] = 1 - other["side"]
    other = other.sort_values(KEY, ignore_index=True)
    assert_same(other, plain)
    np.testing.assert_allclose(other["curvature_1_m"], -plain["curvature_1_m"], atol=1e-9)


def plant_cover_half_a_cell_east(patch) -> None:
    window = ArraySource.window

    def shifted(self, bounds):
        grid = window(self, bounds)
        return replace(grid, lattice=replace(grid.lattice, x0=grid.lattice.x0 + CELL_M / 2))

    patch.setattr(ArraySource, "window", shifted)


def turning_and_moving_change_places_alone(given: tuple[Banks, int, int, int]) -> None:
    world, quarters, east, north = given
    turn = np.linalg.matrix_power(QUARTER, quarters)
    moved = replace(world, turn=tuple(map(tuple, turn.tolist())), east_m=CELL_M * east, north_m=CELL_M * north)
    plain, other = sides_of(measured(world)), sides_of(measured(moved))
    assert_same(other, plain)
    np.testing.assert_allclose(other["curvature_1_m"], plain["curvature_1_m"], atol=1e-9)
    want = plain[["x", "y"]].to_numpy() @ turn.T + (moved.east_m, moved.north_m)
    np.testing.assert_allclose(other[["x", "y"]].to_numpy(), want, atol=1e-6)


def plant_left_is_east(patch) -> None:
    true = stations.directions

    def eastward(*given):
        x, y, left_x, left_y, bend = true(*given)
        sign = np.where(left_x < 0, -1.0, 1.0)
        return x, y, sign * left_x, sign * left_y, bend

    patch.setattr(stations, "directions", eastward)


def sides_lie_where_their_names_say(world: Banks) -> None:
    """Looking downstream: the bank point of side 0 lies to the left of the line, that of side 1 to the right."""
    core = measured(world)
    points = core["bank_points"].merge(core["stations"], on=KEY[:2], suffixes=("", "_centre"))
    line = world.line()
    down = line.length - points["at_m"].to_numpy()
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, down + 1.0))
    behind = shapely.get_coordinates(shapely.line_interpolate_point(line, np.maximum(down - 1.0, 0.0)))
    flow = ahead - behind
    to_bank = points[["x", "y"]].to_numpy() - points[["x_centre", "y_centre"]].to_numpy()
    left = flow[:, 0] * to_bank[:, 1] - flow[:, 1] * to_bank[:, 0] > 0
    assert (left == (points["side"].to_numpy() == 0)).all()


def plant_sides_swapped(patch) -> None:
    true = bank_lines._two_sides

    def swapped(*given):
        points = true(*given)
        return points.assign(side=1 - points["side"])

    patch.setattr(bank_lines, "_two_sides", swapped)


# ---- gaps


def cutting_elsewhere_keeps_the_sum(given: tuple[Banks, float]) -> None:
    world, step = given
    whole, cut = measured(world, step=1000.0), measured(world, step=step)
    assert abs(gap_length(whole) - gap_length(cut)) < 1e-6
    assert (sides_of(whole)["gap"] == sides_of(cut)["gap"]).all()


def plant_runs_inside_reaches(patch) -> None:
    true = gaps.long_runs

    def inside(sides, narrow, shortest_m):
        got = narrow.copy()
        for rows in sides.groupby("reach_no").indices.values():
            got[rows] = true(sides.iloc[rows].reset_index(drop=True), narrow[rows], shortest_m)
        return got

    patch.setattr(gaps, "long_runs", inside)


def wider_setbacks_have_no_less_gap(world: Banks) -> None:
    cores = [measured(world, width_m=width) for width in (12.0, 20.0, 30.0)]
    flagged = [sides_of(core)["gap"].to_numpy() for core in cores]
    for narrow, wide in pairwise(flagged):
        assert (narrow <= wide).all()
    assert gap_length(cores[0]) <= gap_length(cores[1]) + 1e-6 <= gap_length(cores[2]) + 2e-6


def plant_openings_grow_with_the_setback(patch) -> None:
    true = cover.buffer_width
    patch.setattr(
        cover,
        "buffer_width",
        lambda counts, skip, step, opening, most: true(counts, skip, step, float(np.max(most)) / 2, most),
    )


def wider_cover_never_makes_a_gap(given: tuple[Banks, float]) -> None:
    world, wood_m = given
    stream = world.line()
    shapely.prepare(stream)

    def with_wood(code, place):
        near = shapely.dwithin(stream, shapely.points(place), WIDTH_M / 2 + wood_m)
        return np.where(near, 1, code)

    plain, wooded = measured(world), measured(world, change=with_wood)
    before, after = sides_of(plain), sides_of(wooded)
    assert (after["buffer_width_m"] >= before["buffer_width_m"] - 1e-6).all()
    assert (after["gap"] <= before["gap"]).all()
    assert gap_length(wooded) <= gap_length(plain) + 1e-6


def plant_width_of_the_first_wood_wherever(patch) -> None:
    def first_run(wood, skip, step, opening, most):
        begun = np.maximum.accumulate(wood, axis=1)
        ended = np.maximum.accumulate(begun & ~wood, axis=1)
        return np.minimum((begun & ~ended).sum(axis=1) * step, most)

    patch.setattr(cover, "buffer_width", first_run)


def more_counting_classes_never_lengthen_gaps(world: Banks) -> None:
    few, more = measured(world, counts=("woody",)), measured(world, counts=("woody", "pasture", "crop"))
    assert gap_length(more) <= gap_length(few) + 1e-6
    a, b = sides_of(few), sides_of(more)
    assert (b["gap"] <= a["gap"]).all()
    assert (b["buffer_width_m"] >= a["buffer_width_m"] - 1e-6).all()


def plant_named_classes_do_not_count(patch) -> None:
    true = cover.class_mask
    patch.setattr(cover, "class_mask", lambda covers: ~true(covers))


def unknown_cover_is_no_measure(world: Banks) -> None:
    """Where the cover is not known on over a tenth of a bank's own ground its width is missing, and there is no gap."""
    core = measured(world)
    sides, grid = sides_of(core), world.land_cover().grid
    out = np.arange(0.5, 30.0)
    x = sides["x"].to_numpy()[:, None] + sides["out_x"].to_numpy()[:, None] * out
    y = sides["y"].to_numpy()[:, None] + sides["out_y"].to_numpy()[:, None] * out
    own = out < sides["owned_m"].to_numpy()[:, None]
    lost = ((grid.nearest(x, y, 0) == 0) & own).sum(axis=1) > 0.1 * own.sum(axis=1)
    assert sides.loc[lost, ["buffer_width_m", "missing_strip"]].isna().all(axis=None)
    assert not sides.loc[lost, "gap"].any()
    assert sides.loc[~lost, "buffer_width_m"].notna().all()


def plant_unknown_read_as_open(patch) -> None:
    patch.setattr(cover, "UNKNOWN_MOST", 1.0)


def gap_metres_are_counted_once(world: Banks) -> None:
    """The pieces that reaches get are together as long as the stations flagged."""
    core = measured(world, step=50.0)
    sides = sides_of(core)
    flagged = float((sides["to_m"] - sides["from_m"])[sides["gap"]].sum())
    assert abs(gap_length(core) - flagged) < 1e-6


def plant_borders_counted_twice(patch) -> None:
    true = gaps.reach_places
    patch.setattr(gaps, "reach_places", lambda reaches: (t := true(reaches)).assign(to_m=t["to_m"] + SPACING_M))


# ---- what lies near


def rows_of_layers_come_in_any_order(given: tuple[Banks, int]) -> None:
    world, seed = given
    legend = NEAR["legend"]
    stream = world.line()
    ponds = [
        shapely.buffer(stream.interpolate(share, normalized=True), 5.0 + n) for n, share in enumerate((0.2, 0.5, 0.8))
    ]
    water = frame([shapely.buffer(stream, 3.0), *ponds], kind=["channel"] * 4)
    rng = np.random.default_rng(seed)
    one = measured(world, halo={"water": water, "legend": legend})
    mixed = {"water": water.iloc[rng.permutation(4)], "legend": legend.iloc[rng.permutation(len(legend))]}
    other = measured(world, halo={name: table.reset_index(drop=True) for name, table in mixed.items()})
    assert_same(sides_of(other), sides_of(one))


def plant_legend_read_by_row(patch) -> None:
    def by_row(codes, legend):
        names = legend["cover"].map({name: i for i, name in enumerate(cover.COVERS)}).to_numpy(np.int8)
        return np.where((codes >= 1) & (codes <= len(names)), names[np.clip(codes - 1, 0, len(names) - 1)], -1)

    patch.setattr(cover, "cover_classes", by_row)


def the_side_of_an_island_is_no_bank(given: tuple[Banks, float, float]) -> None:
    world, start, length = given
    line = world.line()
    part = shapely.ops.substring(line, start * LENGTH_M, (start + length) * LENGTH_M)
    ring = shapely.buffer(part, 25.0, single_sided=True)  # the ground to the left of a part of the line
    core = measured(world, halo={"islands": frame([ring])})
    sides = sides_of(core)
    down = line.length - sides["at_m"]
    inner = (sides["side"] == 0) & (down > start * LENGTH_M + 12) & (down < (start + length) * LENGTH_M - 12)
    assert sides.loc[inner, "island"].all()
    assert not sides.loc[sides["island"], "gap"].any()
    assert not sides.loc[(sides["side"] == 1), "island"].any()
    assert not sides.loc[inner, "gap"].any()


def plant_an_island_is_a_bank(patch) -> None:
    true = bank_lines.on_island
    patch.setattr(bank_lines, "on_island", lambda *given: np.zeros_like(true(*given)))


def slivers_are_no_frontage(given: tuple[Banks, float]) -> None:
    """A sliver between bank and property, as borders drawn twice leave it, takes no metre from the property."""
    world, sliver_m = given
    core = measured(world)
    line = world.line()
    land = {s: shapely.buffer(line, s * 60.0, single_sided=True) for s in (1, -1)}
    strip = shapely.buffer(line, WIDTH_M / 2 + sliver_m)
    whole = frame(list(land.values()), property_id=["left", "right"], passed_over=None)
    parts = [*(shapely.difference(one, strip) for one in land.values()), strip]
    cut = frame(parts, property_id=["left", "right", "a sliver"], passed_over=None)
    columns = {"class": None}
    metres = [
        frontages.share_properties(core, {"parcels": table.assign(**columns)}, {}, made())["frontages"]
        for table in (whole, cut)
    ]
    one, other = (table.groupby("property_id")["frontage_m"].sum() for table in metres)
    assert "a sliver" not in other
    assert other.equals(one)


def plant_the_first_parcel_is_the_neighbour(patch) -> None:
    def nearest(sides, areas, depth_m):
        points = shapely.points(sides[["x", "y"]].to_numpy(float))
        near = shapely.distance(points[:, None], areas[None, :])
        return np.where(near.min(axis=1) < depth_m, near.argmin(axis=1), -1)

    patch.setattr(frontages, "owners", nearest)


def a_segment_is_measured_alike_in_any_tile(given: tuple[float, float, float]) -> None:
    """Stations of each segment alone, with its neighbours beside it to look at, are those of all together."""
    one, two, side = given
    lines = [
        shapely.LineString([(one, 300), (0, 180), (0, 150)]),
        shapely.LineString([(side, 260), (0, 150)]),
        shapely.LineString([(0, 150), (two, 90), (two, 0)]),
    ]
    core = dict(network(*lines, width_m=WIDTH_M, downstream=(2, 2, -1), line_error_m=2.0))
    whole = stations.lay_stations(core, {"segments": core["segments"]}, {}, made())["stations"]
    for number in range(3):
        own = {name: table[table["segment_no"] == number].reset_index(drop=True) for name, table in core.items()}
        alone = stations.lay_stations(own, {"segments": core["segments"]}, {}, made())["stations"]
        want = whole[whole["segment_no"] == number].reset_index(drop=True)
        assert alone.equals(want)


def plant_the_halo_is_not_looked_at(patch) -> None:
    true = stations._Lines.of.__func__
    patch.setattr(stations._Lines, "of", classmethod(lambda cls, core, halo: true(cls, core)))


def bends_work_on_one_bank(given: tuple[list[float], float]) -> None:
    """Where a stream bends one way all along, its inner bank never scores; and turned over, the other one does."""
    bend, width = given
    count = len(bend)
    rows = pd.DataFrame(
        {
            "segment_no": 0,
            "station_no": np.tile(np.arange(count), 2),
            "side": np.repeat([0, 1], count),
            "at_m": np.tile(np.arange(count) * 5.0, 2),
            "curvature_1_m": np.tile(np.array(bend), 2),
            "bankfull_width_m": width,
        }
    )
    left, right = np.split(outer_bend.outer_bend(rows)["value"].to_numpy(), 2)
    assert np.isinf(left).all()  # it bends to the left: the right bank is the outer one
    turned = rows.assign(curvature_1_m=-rows["curvature_1_m"])
    left_turned, right_turned = np.split(outer_bend.outer_bend(turned)["value"].to_numpy(), 2)
    np.testing.assert_array_equal(left_turned, right)
    np.testing.assert_array_equal(right_turned, left)


def plant_bends_without_a_sign(patch) -> None:
    true = outer_bend.outer_bend

    def unsigned(sides):
        bend = sides["curvature_1_m"].abs()
        return true(sides.assign(curvature_1_m=np.where(sides["side"] == 0, -bend, bend)))

    patch.setattr(outer_bend, "outer_bend", unsigned)


BANK_EXAMPLES = 5
"""Each measures 40 transects two or three times."""

LAWS = (
    Law(
        "mirroring",
        "Mirroring the map swaps left and right and changes nothing else.",
        some_banks(),
        mirroring_swaps_the_sides,
        "land cover laid half a cell too far east",
        plant_cover_half_a_cell_east,
        BANK_EXAMPLES,
    ),
    Law(
        "turning and moving",
        "Turning the map by quarter turns and moving it by whole cells changes places alone.",
        st.tuples(some_banks(), st.integers(0, 3), st.integers(-500, 500), st.integers(-500, 500)),
        turning_and_moving_change_places_alone,
        "the left bank is taken to be the eastern one",
        plant_left_is_east,
        BANK_EXAMPLES,
    ),
    Law(
        "names of sides",
        "The left bank lies to the left, looking downstream.",
        some_banks(),
        sides_lie_where_their_names_say,
        "sides swapped",
        plant_sides_swapped,
        BANK_EXAMPLES,
    ),
    Law(
        "cutting elsewhere",
        "Cutting reaches elsewhere keeps the sum of gap length.",
        st.tuples(some_banks((1, 1, 1, 2)), st.floats(20.0, 90.0)),
        cutting_elsewhere_keeps_the_sum,
        "gaps looked for inside each reach",
        plant_runs_inside_reaches,
        BANK_EXAMPLES,
    ),
    Law(
        "wider setback",
        "Gaps never shrink when the setback grows.",
        some_banks((1, 1, 2)),
        wider_setbacks_have_no_less_gap,
        "openings that are passed over grow with the setback",
        plant_openings_grow_with_the_setback,
        BANK_EXAMPLES,
    ),
    Law(
        "wider cover",
        "Wood along the bank never makes a buffer narrower or a gap longer.",
        st.tuples(some_banks((1, 2, 4)), st.floats(2.0, 25.0)),
        wider_cover_never_makes_a_gap,
        "the width of the first wood counts, wherever it begins",
        plant_width_of_the_first_wood_wherever,
        BANK_EXAMPLES,
    ),
    Law(
        "more classes",
        "More classes that count never lengthen gaps.",
        some_banks(),
        more_counting_classes_never_lengthen_gaps,
        "the classes named are those that do not count",
        plant_named_classes_do_not_count,
        BANK_EXAMPLES,
    ),
    Law(
        "unknown cover",
        "Where cover is unknown there is no width and no gap: missing in gives missing out.",
        some_banks((0, 1, 1, 1, 2)),
        unknown_cover_is_no_measure,
        "cells without data read as open ground",
        plant_unknown_read_as_open,
        BANK_EXAMPLES,
    ),
    Law(
        "metres once",
        "Gaps of the reaches are together as long as the stations in a gap.",
        some_banks((1, 2)),
        gap_metres_are_counted_once,
        "a gap at the border of two reaches is counted in both",
        plant_borders_counted_twice,
        BANK_EXAMPLES,
    ),
    Law(
        "row order",
        "Rows of water and legend come in any order.",
        st.tuples(some_banks(), st.integers(0, 2**32 - 1)),
        rows_of_layers_come_in_any_order,
        "the legend is read by row",
        plant_legend_read_by_row,
        BANK_EXAMPLES,
    ),
    Law(
        "islands",
        "The side of an island is no bank: it has no gap.",
        st.tuples(some_banks((2, 4)), st.floats(0.05, 0.4), st.floats(0.35, 0.5)),
        the_side_of_an_island_is_no_bank,
        "an island taken for a bank",
        plant_an_island_is_a_bank,
        BANK_EXAMPLES,
    ),
    Law(
        "slivers",
        "A sliver along the bank takes no frontage from the property behind it.",
        st.tuples(some_banks(), st.floats(0.05, 4.0)),
        slivers_are_no_frontage,
        "slivers taken for frontage",
        plant_the_first_parcel_is_the_neighbour,
        BANK_EXAMPLES,
    ),
    Law(
        "tiles",
        "A segment is measured alike whatever tile it is in.",
        st.tuples(st.floats(-60, 60), st.floats(-60, 60), st.floats(70, 120)),
        a_segment_is_measured_alike_in_any_tile,
        "a tile looks at its own segments alone",
        plant_the_halo_is_not_looked_at,
        BANK_EXAMPLES,
    ),
    Law(
        "outer bank",
        "A bend works on its outer bank alone.",
        st.tuples(st.lists(st.floats(1e-4, 0.05), min_size=2, max_size=40), st.floats(1.0, 30.0)),
        bends_work_on_one_bank,
        "curvature without its sign",
        plant_bends_without_a_sign,
    ),
)
