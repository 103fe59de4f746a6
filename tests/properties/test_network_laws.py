"""Laws of the network over random trees: area, order, parts, ids, and how lines were drawn."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from drawn_world import judged
from gisprio.compute.network.areas import network_areas, upper_first
from gisprio.compute.network.join import join_streams
from gisprio.compute.network.order import stream_orders
from gisprio.compute.terrain.flow import stream_pieces
from gisprio.contracts.layers import SEGMENTS, SOURCE_PARTS
from gisprio.contracts.schema import check
from makers import Place
from network_world import heights, streams
from tables import segments
from tables import settings as made_settings


@st.composite
def trees(draw):
    """Give ``downstream`` of a random forest: each segment flows into an earlier one, or out."""
    count = draw(st.integers(1, 25))
    return np.array([-1] + [draw(st.integers(-1, n - 1)) for n in range(1, count)], np.int64)


def table_of(downstream, lengths):
    lines = [shapely.LineString([(n * 1000.0, length), (n * 1000.0, 0.0)]) for n, length in enumerate(lengths)]
    return segments(*lines, downstream=tuple(downstream.tolist()))


@given(downstream=trees(), seed=st.integers(0, 2**31), with_given=st.booleans())
@settings(max_examples=60, deadline=None)
def test_area_never_falls_downstream_and_outlets_hold_all_ground(downstream, seed, with_given):
    rng = np.random.default_rng(seed)
    table = table_of(downstream, rng.uniform(20, 900, len(downstream)))
    pieces = stream_pieces(table)
    pieces = pieces.assign(area_m2=rng.integers(0, 4, len(pieces)) * 1e5 + 1.0, cut=False)
    areas = network_areas(table, pieces)
    top = table["length_m"].to_numpy()
    places = [(n, low) for n in range(len(top)) for low in np.arange(0, top[n], 200.0)]
    reaches = pd.DataFrame(places, columns=["segment_no", "from_m"])
    parts = pd.DataFrame({"segment_no": table["segment_no"], "from_m": 0.0, "to_m": top, "area_km2": np.nan})
    if with_given:  # the data's areas: a quarter more than the routed ones, so without a fall of their own
        parts["area_km2"] = 1.25 * areas.below_km2
    area = reaches.assign(km2=areas.at_reaches(reaches, parts)["drainage_area_km2"])
    for number, own in area.groupby("segment_no"):
        assert (np.diff(own["km2"]) <= 1e-9).all()  # upstream it only falls
        below = downstream[number]
        if below >= 0:
            assert area[area["segment_no"] == below]["km2"].iloc[-1] >= own["km2"].iloc[0] - 1e-9
    lowest = area[area["from_m"] == 0].set_index("segment_no")["km2"]
    total = lowest[downstream == -1].sum()
    assert np.isclose(total, (1.25 if with_given else 1.0) * pieces["area_m2"].sum() / 1e6, rtol=1e-9)


@given(downstream=trees(), seed=st.integers(0, 2**31))
@settings(max_examples=60, deadline=None)
def test_order_rises_only_where_two_of_the_highest_meet(downstream, seed):
    length = np.random.default_rng(seed).uniform(10, 100, len(downstream))
    order, main = stream_orders(downstream, np.zeros(len(downstream), bool), length, np.array(upper_first(downstream)))
    for number in range(len(downstream)):
        above = np.flatnonzero(downstream == number)
        if not len(above):
            assert order[number] == 1
            assert main[number] == -1
            continue
        highest = order[above].max()
        assert order[number] == highest + ((order[above] == highest).sum() > 1)
        assert downstream[main[number]] == number
        assert order[main[number]] == highest
    assert 2 ** (order.max() - 1) <= np.sum(np.bincount(downstream[downstream >= 0], minlength=len(downstream)) == 0)


@st.composite
def drawings(draw):
    """Give lines of a stem with side streams that fall east, in any row order and drawn either way."""
    cuts = sorted(draw(st.sets(st.integers(1, 29), min_size=1, max_size=6)))
    places = [0, *cuts, 30]
    lines = [[(100.0 * a, 0.0), (100.0 * b, 0.0)] for a, b in pairwise(places)]
    for n, at in enumerate(cuts):
        lines.append([(100.0 * at, 0.0), (100.0 * at - 50, 130.0), (100.0 * at - 90 - n, 300.0)])
    order = draw(st.permutations(range(len(lines))))
    turned = draw(st.lists(st.booleans(), min_size=len(lines), max_size=len(lines)))
    return lines, order, turned


def joined(lines):
    return join_streams({"stream_lines": lines}, {"elevation": ground()}, made_settings())


def ground():
    return heights(lambda u, v: 100 - 0.01 * v + 0.02 * np.abs(u), Place(0.0, 0.0), (-200.0, -200.0, 500.0, 3200.0))


@given(drawing=drawings())
@settings(max_examples=25, deadline=None)
def test_row_order_and_the_way_lines_are_drawn_change_nothing(drawing):
    lines, order, turned = drawing
    names = [f"L{n}" for n in range(len(lines))]
    plain = streams([shapely.LineString(points) for points in lines], source_id=names, name=names)
    drawn = [lines[n][::-1] if turned[n] else lines[n] for n in order]
    mixed = streams(
        [shapely.LineString(points) for points in drawn],
        source_id=[names[n] for n in order],
        name=[names[n] for n in order],
    )
    before = mixed.copy(deep=True)
    one, other = joined(plain), joined(mixed)
    for name, layer in (("segments", SEGMENTS), ("source_parts", SOURCE_PARTS)):
        first, second = check(layer, one[name]), check(layer, other[name])
        if layer is SEGMENTS:
            assert (first.geometry.to_wkb() == second.geometry.to_wkb()).all()
            first, second = pd.DataFrame(first.drop(columns="geometry")), pd.DataFrame(second.drop(columns="geometry"))
        pd.testing.assert_frame_equal(first, second, check_exact=True)
    pd.testing.assert_frame_equal(pd.DataFrame(mixed), pd.DataFrame(before))
    table, parts = one["segments"], one["source_parts"]
    assert np.isclose(table["length_m"].sum(), sum(shapely.LineString(points).length for points in lines))
    for number, own in parts.groupby("segment_no"):
        assert own["from_m"].iloc[0] == 0.0
        assert own["to_m"].iloc[-1] == table["length_m"].iloc[number]
        assert (own["from_m"].iloc[1:].to_numpy() == own["to_m"].iloc[:-1].to_numpy()).all()
    assert table["segment_id"].is_unique
    assert table["segment_id"].str.fullmatch("[B-DF-HJ-NP-TV-Z][0-9B-DF-HJ-NP-TV-Z]{5}").all()  # no number, no month


STEM = {"A": [(0, 0), (1000, 0)], "M": [(1000, 0), (2000, 0)], "G": [(2000, 0), (3000, 0)], "H": [(3000, 0), (4000, 0)]}
ARMS = {
    "N": [(1000, 0), (1100, 200), (1900, 200), (2000, 0)],
    "S": [(1000, 0), (1050, -150), (1950, -150), (2000, 0)],
    "X": [(2000, 0), (2200, 300), (2800, 300), (3000, 0)],
    "Y": [(1000, 0), (1000, -400), (2950, -400), (3000, 0)],
}
"""Minor paths beside the stem, each longer than it."""
SIDES = {
    "T": [(300, 500), (1000, 0)],
    "U": [(1500, 700), (2000, 0)],
    "V": [(2300, -600), (3000, 0)],
    "W": [(3100, 900), (3000, 0)],
}
"""Tributaries. Near its mouth none comes so near to an arm that a cut end would be snapped to it."""


@st.composite
def divided(draw):
    """Give a stem with any of its arms and tributaries, and ground of each line."""
    names = [*STEM, *draw(st.lists(st.sampled_from([*ARMS, *SIDES]), min_size=1, unique=True))]
    lines = {name: (STEM | ARMS | SIDES)[name] for name in names}
    ground = {name: draw(st.integers(1, 40)) / 8 for name in names}
    return lines, ground


def same(one, other):
    pd.testing.assert_frame_equal(one.sort_index(), other.loc[one.index].sort_index(), rtol=1e-9)


@given(world=divided(), data=st.data())
@settings(max_examples=20, deadline=None)
def test_how_and_in_what_order_divided_lines_are_drawn_changes_nothing(world, data):
    lines, ground = world
    order = data.draw(st.permutations(list(lines)))
    turned = {name: data.draw(st.booleans(), name) for name in lines}
    drawn = {name: lines[name][::-1] if turned[name] else lines[name] for name in order}
    same(judged(lines, ground), judged(drawn, ground))


@given(world=divided(), at=st.integers(1, 39))
@settings(max_examples=15, deadline=None)
def test_cutting_divided_lines_elsewhere_changes_nothing(world, at):
    lines, ground = world
    same(judged(lines, ground), judged(lines, ground, cut_at=at / 40))


@given(world=divided())
@settings(max_examples=20, deadline=None)
def test_in_divided_channels_area_never_falls_and_nothing_counts_twice(world):
    lines, ground = world
    found = judged(lines, ground)
    for _, row in found.iterrows():
        if isinstance(row["into"], str):
            assert found["km2"][row["into"]] >= row["km2"] - 1e-9
    assert found["km2"]["H"] == pytest.approx(sum(ground.values()))
    assert found.index[found["minor"]].isin(list(ARMS)).all()
    for name in set(ARMS) & set(lines):
        assert found["minor"][name]
        assert found["km2"][name] == pytest.approx(ground[name])


@given(world=divided(), data=st.data())
@settings(max_examples=20, deadline=None)
def test_without_a_minor_path_the_others_lose_its_own_ground_alone(world, data):
    lines, ground = world
    arms = sorted(set(ARMS) & set(lines))
    assume(arms)
    gone = data.draw(st.sampled_from(arms))
    whole = judged(lines, ground)
    less = judged({name: points for name, points in lines.items() if name != gone}, ground)
    below, here = set(), whole["into"][gone]
    while isinstance(here, str):
        below.add(here)
        here = whole["into"][here]
    expected = whole.drop(index=gone)
    expected["km2"] = [km2 - (ground[gone] if name in below else 0.0) for name, km2 in expected["km2"].items()]
    same(expected, less)
