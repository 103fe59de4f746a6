"""Laws of the network and of the ground it drains: any tree, any drawing, any rough valley."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from hypothesis import strategies as st

from gisprio.compute.network import areas, join, nodes
from gisprio.compute.network.reaches import measure_reaches
from gisprio.compute.terrain import flow
from gisprio.contracts.grids import ArraySource, Grid
from gisprio.contracts.layers import CONSTRAINTS, INFLOWS, ROADS, SUB_WATERSHEDS, WATER, WATERSHED
from gisprio.contracts.schema import empty
from makers import CRS
from network_world import streams
from properties.law import Law
from tables import segments, settings, source

CELL_M = 10.0
made = cache(settings)


@st.composite
def trees(draw) -> tuple[np.ndarray, int]:
    """Give the segment each one of a random tree flows into, and a seed of its ground."""
    count = draw(st.integers(2, 15))
    down = np.array([-1] + [draw(st.integers(-1, n - 1)) for n in range(1, count)], np.int64)
    return down, draw(st.integers(0, 2**32 - 1))


def area_never_falls(given: tuple[np.ndarray, int]) -> None:
    down, seed = given
    rng = np.random.default_rng(seed)
    lengths = rng.uniform(20, 400, len(down))
    lines = [shapely.LineString([(1000.0 * n, length), (1000.0 * n, 0)]) for n, length in enumerate(lengths)]
    table = segments(*lines, downstream=tuple(down.tolist()))
    pieces = flow.stream_pieces(table)
    pieces = pieces.assign(area_m2=rng.integers(1, 5, len(pieces)) * 1e5, cut=False)
    found = areas.network_areas(table, pieces)
    flows = np.flatnonzero(down >= 0)
    assert (found.above_km2[down[flows]] >= found.below_km2[flows] - 1e-9).all()
    assert (found.below_km2 >= found.above_km2 - 1e-9).all()
    np.testing.assert_allclose(found.below_km2[down == -1].sum(), pieces["area_m2"].sum() / 1e6)


def plant_summed_from_the_outlet_up(patch) -> None:
    true = areas.upper_first
    patch.setattr(areas, "upper_first", lambda downstream: true(downstream)[::-1])


@st.composite
def drawings(draw) -> tuple[list[list[tuple[float, float]]], list[int], list[bool]]:
    """Give a stem with tributaries, an order of rows, and which lines are drawn upstream."""
    cuts = sorted(draw(st.sets(st.integers(1, 9), min_size=1, max_size=3)))
    places = [0, *cuts, 10]
    lines = [[(100.0 * a, 0.0), (100.0 * b, 0.0)] for a, b in pairwise(places)]
    lines += [[(100.0 * at - 90 - n, 300.0), (100.0 * at - 50, 130.0), (100.0 * at, 0.0)] for n, at in enumerate(cuts)]
    order = draw(st.permutations(range(len(lines))))
    return lines, list(order), draw(st.lists(st.booleans(), min_size=len(lines), max_size=len(lines)))


@cache
def falling_east() -> ArraySource:
    x, y = np.meshgrid(np.arange(-200, 1300, CELL_M) + 5, np.arange(500, -200, -CELL_M) - 5)
    return source((100 - 0.01 * x + 0.02 * np.abs(y)).astype(np.float32), -200.0, 500.0, CELL_M)


def joined(lines: list[list[tuple[float, float]]], names: list[str]) -> pd.DataFrame:
    given = streams([shapely.LineString(points) for points in lines], source_id=names, name=names)
    return join.join_streams({"stream_lines": given}, {"elevation": falling_east()}, made())["segments"]


def assert_same_segments(one: pd.DataFrame, other: pd.DataFrame) -> None:
    assert len(one) == len(other)
    assert (shapely.to_wkb(one.geometry.values) == shapely.to_wkb(other.geometry.values)).all()
    for name in ("segment_id", "name", "downstream_no", "strahler_order", "length_m"):
        assert one[name].tolist() == other[name].tolist(), name


def how_lines_are_drawn_changes_nothing(given) -> None:
    lines, _, turned = given
    names = [f"L{n}" for n in range(len(lines))]
    drawn = [line[::-1] if back else line for line, back in zip(lines, turned, strict=True)]
    assert_same_segments(joined(drawn, names), joined(lines, names))


def plant_water_flows_as_drawn(patch) -> None:
    true = join.direct
    patch.setattr(join, "direct", lambda edges, height, ways: true(edges, np.zeros_like(height), ways))


def rows_of_lines_come_in_any_order(given) -> None:
    lines, order, _ = given
    names = [f"L{n}" for n in range(len(lines))]
    assert_same_segments(joined([lines[n] for n in order], [names[n] for n in order]), joined(lines, names))


def plant_numbered_as_in_the_file(patch) -> None:
    patch.setattr(nodes, "_by_position", lambda lines: np.arange(len(lines)))
    patch.setattr(join, "position_ids", lambda lines: [f"S{n:03d}" for n in range(len(lines))])


def rough_valley(seed: int) -> tuple[ArraySource, dict[str, pd.DataFrame]]:
    """Ground 300 x 600 m that falls to the south, rough, with a line that misses its low here and there."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:60, 0:30]
    low = 15 + np.cumsum(rng.integers(-1, 2, 60)) * 0.3
    ground = 200 - 0.2 * y + 0.5 * np.abs(x - low[:, None]) + rng.normal(0, 0.05, y.shape)
    line = shapely.LineString(np.column_stack([rng.normal(150, 8, 7), np.linspace(598, 2, 7)]))
    table = segments(line)
    return source(ground.astype(np.float32), 0.0, 600.0, CELL_M), {"segments": table}


def drained(seed: int, burn_m: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Long profile and reaches of the rough valley, its line lowered by so much for the routing."""
    elevation, tables = rough_valley(seed)
    own = made_with(burn_m)
    layers = (INFLOWS, WATER, ROADS, CONSTRAINTS, SUB_WATERSHEDS, WATERSHED)
    tables |= {layer.name: empty(layer, CRS) for layer in layers}
    length = tables["segments"]["length_m"].iloc[0]
    part = {"segment_no": [0], "from_m": [0.0], "to_m": [length], "kind": "natural", "name": None, "area_km2": np.nan}
    tables["source_parts"] = pd.DataFrame(part)
    given = flow.share_catchments(tables, {"elevation": elevation}, own)
    tables["catchments"] = given["catchments"].assign(cut=False)
    sources = {"elevation": elevation, "plain_area": ArraySource(given["plain_area"])}
    found = measure_reaches(tables, sources, own)
    return found["profile_points"], found["reach_measures"]


@cache
def made_with(burn_m: float):
    return settings(streams={"burn_m": burn_m, "reach_length_m": 150.0})


def no_height_is_read_from_lowered_ground(seed: int) -> None:
    """However deep the lines are lowered for the routing: heights along them and slopes stay, to the bit."""
    (low, one), (deep, other) = drained(seed, 2.0), drained(seed, 40.0)
    np.testing.assert_array_equal(low["low_m"].to_numpy(), deep["low_m"].to_numpy())
    np.testing.assert_array_equal(one["slope_m_m"].to_numpy(), other["slope_m_m"].to_numpy())


def plant_lines_lowered_in_the_grid_itself(patch) -> None:
    true = flow.share_catchments

    def burned(tables, sources, own):
        given = true(tables, sources, own)
        grid: Grid = sources["elevation"].grid
        label = flow.stream_labels(tables["segments"], flow.stream_pieces(tables["segments"]), grid)
        grid.values[label >= 0] -= own.streams.burn_m
        return given

    patch.setattr(flow, "share_catchments", burned)


LAWS = (
    Law(
        "drainage area",
        "Drainage area never falls downstream, and outlets hold all ground.",
        trees(),
        area_never_falls,
        "areas summed from the outlet up",
        plant_summed_from_the_outlet_up,
    ),
    Law(
        "reversed lines",
        "Reversing how lines were drawn changes nothing.",
        drawings(),
        how_lines_are_drawn_changes_nothing,
        "heights are not looked at: water flows as the lines were drawn",
        plant_water_flows_as_drawn,
        10,
    ),
    Law(
        "order of lines",
        "Stream lines come in any order; ids come from place.",
        drawings(),
        rows_of_lines_come_in_any_order,
        "segments numbered as in the file",
        plant_numbered_as_in_the_file,
        10,
    ),
    Law(
        "raw heights",
        "No height or slope is read from lowered ground.",
        st.integers(0, 2**32 - 1),
        no_height_is_read_from_lowered_ground,
        "burned DEM in slope",
        plant_lines_lowered_in_the_grid_itself,
        8,
    ),
)
