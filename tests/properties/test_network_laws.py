"""Laws of the network over random trees: area, order, parts, ids, and how lines were drawn."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

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
