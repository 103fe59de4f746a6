"""Pipes under buildings and tidal water: kinds that no attribute tells."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.hidden import laid_over_some, tidal_places, with_pipes, with_tide
from gisprio.compute.network.profile import Profile
from gisprio.contracts.grids import Grid, Lattice
from gisprio.contracts.layers import CONSTRAINTS, STRETCHES
from gisprio.contracts.schema import check, empty
from makers import CRS, LENGTH_M, SLOPE, Place, frame
from network_world import heights, streams, whole_chain
from tables import segments, settings

LENGTH = 1000.0
SOUTH = segments(shapely.LineString([(0, LENGTH), (0, 0)]))


def stretches(*kinds, number=0):
    borders = np.linspace(0, LENGTH, len(kinds) + 1)
    return pd.DataFrame({"segment_no": number, "from_m": borders[:-1], "to_m": borders[1:], "kind": kinds})


def told(made):
    rows = check(STRETCHES, made).itertuples(index=False, name=None)
    return [(kind, round(low, 6), round(high, 6)) for _, low, high, kind in rows]


def ground(height, cell=5.0):
    """Heights 100 m to each side of the line and beyond its ends."""
    x, y = np.meshgrid(np.arange(-100, 100, cell) + cell / 2, np.arange(1100, -100, -cell) - cell / 2)
    return Grid(height(x, y).astype(np.float32), Lattice(-100.0, 1100.0, cell))


def flat(x, y):
    return 50 + 0.001 * y + 0.0 * x


def ditched(x, y):
    return flat(x, y) + 1.5 * (np.abs(x) > 6)


def houses(*spans, kind="Building", x=20):
    return check(CONSTRAINTS, frame([shapely.box(-x, a, x, b) for a, b in spans], kind=[kind] * len(spans)))


def piped(constraints, height=flat, kinds=("natural",)):
    return with_pipes(stretches(*kinds), SOUTH, constraints, ground(height), None)


@pytest.mark.parametrize("kind", ["Building", "farm house", "Town hall", "warehouse", "Houses", "barn", "garages"])
def test_a_line_over_30_m_under_a_building_is_a_pipe(kind):
    made, said = piped(houses((400, 435), kind=kind))
    assert told(made) == [("natural", 0.0, 400.0), ("piped", 400.0, 435.0), ("natural", 435.0, 1000.0)]
    assert [(f.severity, f.layer, f.check, f.says, f.do) for f in said] == [
        (
            "warning",
            "streams",
            "under_buildings",
            "0.035 km of stream run over 30 m under buildings where the DEM shows no channel, at 0, 418: taken as "
            "piped, without bank, slope and rank.",
            "Give the kind in streams.kind; where the stream is open, correct the line or the kind of the building.",
        )
    ]


@pytest.mark.parametrize("kind", ["shallow gas pipeline", "dyke", None, "barrage"])
def test_what_is_no_building_is_no_pipe(kind):
    assert piped(houses((400, 480), kind=kind))[1] == []


def test_a_short_way_under_a_building_is_a_bridge_and_near_ones_are_one():
    assert piped(houses((400, 429)))[1] == []
    assert piped(houses((400, 420), (430, 450)))[1] == []
    made, _ = piped(houses((400, 420), (424, 440)))
    assert told(made)[1] == ("piped", 400.0, 440.0)


def test_where_the_heights_show_a_channel_it_is_open_whatever_stands_on_the_map():
    assert piped(houses((400, 480)), ditched)[1] == []
    assert len(piped(houses((400, 480)), lambda x, y: flat(x, y) + 0.9 * (np.abs(x) > 6))[1]) == 1
    assert len(piped(houses((400, 480)), lambda x, y: flat(x, y) + 0.2 * x)[1]) == 1  # a hillside, no channel
    assert piped(houses((400, 480)), lambda x, y: np.where(x > 10, np.nan, flat(x, y)))[1] == []  # not known


@pytest.mark.parametrize(("seam_x", "pipes"), [(18, 0), (40, 1)])
def test_across_a_seam_of_surveys_nothing_is_told(seam_x, pipes):
    one = ground(lambda x, y: np.where(x > seam_x, 1, 0))
    survey = Grid(one.values.astype(np.int16), one.lattice, 0, 0, -1)
    made = with_pipes(stretches("natural"), SOUTH, houses((400, 480)), ground(flat), survey)
    assert len(made[1]) == pipes


def test_ponds_and_pipes_stay_and_ditches_and_canals_do_not():
    made, _ = piped(houses((100, 900)), kinds=("ditch", "lake_path", "piped", "canal"))
    assert [kind for kind, _, _ in told(made)] == ["ditch", "piped", "lake_path", "piped", "canal"]


def test_no_constraints_no_change():
    made, said = piped(empty(CONSTRAINTS, CRS))
    assert (told(made), said) == ([("natural", 0.0, 1000.0)], [])


def profile(*height, barrier=()):
    """A height a hundred metres."""
    z = np.array(height, float)
    blocked = np.isin(np.arange(len(z)), barrier)
    return Profile((np.arange(len(z)) + 0.5) * 100, np.where(blocked, np.nan, z), blocked, low=z)


RISING = profile(0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8)


def test_tidal_is_what_lies_below_from_the_outlet_upward_to_between_the_heights():
    assert tidal_places(SOUTH, {0: RISING}, 0.5) == {0: [(0.0, 300.0)]}
    assert tidal_places(SOUTH, {0: RISING}, -0.1) == {}
    assert tidal_places(SOUTH, {0: RISING}, 9.0) == {0: [(0.0, 1000.0)]}


def test_a_pit_far_upstream_is_not_tidal():
    assert tidal_places(SOUTH, {0: profile(0, 0.2, 0.4, 2, 2, 2, 2, -3, 2.5, 3)}, 0.5) == {0: [(0.0, 300.0)]}
    assert tidal_places(SOUTH, {0: profile(2, 2.2, 2.4, 2, 2, 2, 2, -3, 2.5, 3)}, 0.5) == {}


def test_a_single_high_cell_stops_no_tide_and_crossings_and_pipes_are_passed():
    assert tidal_places(SOUTH, {0: profile(0, 0.3, 0.8, 0, 0, 0, 0, 0, 3, 4)}, 0.5) == {0: [(0.0, 800.0)]}
    assert tidal_places(SOUTH, {0: profile(0, 0.1, 5, 5, 0.2, 0.3, 3, 3, 3, 4, barrier=(2, 3))}, 0.5) == {
        0: [(0.0, 600.0)]
    }


def test_the_tide_goes_on_into_each_stream_above_as_far_as_it_lies_low():
    """0 flows out and is low all along; 1 and 2 join it; 3 is low too, but above the high 2."""
    table = segments(*[shapely.LineString([(n, LENGTH), (n, 0)]) for n in range(4)], downstream=(-1, 0, 0, 2))
    low, high = profile(*[0.1] * 10), profile(*[3] * 10)
    assert tidal_places(table, {0: low, 1: RISING, 2: high, 3: low}, 0.5) == {0: [(0.0, 1000.0)], 1: [(0.0, 300.0)]}
    pipe = profile(*[9] * 10, barrier=range(10))
    assert sorted(tidal_places(table, {0: low, 1: high, 2: pipe, 3: low}, 0.5)) == [0, 2, 3]
    nothing = profile(*[np.nan] * 10)
    assert tidal_places(table, {0: nothing, 1: low, 2: low, 3: low}, 0.5) == {}


def test_tidal_goes_over_open_kinds_alone_and_says_how_far():
    made, said = with_tide(stretches("natural", "piped", "ditch", "canal", "natural"), SOUTH, {0: RISING}, 1.3)
    assert told(made) == [
        ("tidal", 0.0, 200.0),
        ("piped", 200.0, 400.0),
        ("tidal", 400.0, 700.0),
        ("canal", 700.0, 800.0),
        ("natural", 800.0, 1000.0),
    ]
    assert [(f.severity, f.check, f.says, f.do) for f in said] == [
        (
            "note",
            "tidal_below",
            "0.500 of 1.000 km of stream lie below [streams] tidal_below_m = 1.3 m, from an outlet upward: taken as "
            "tidal, without stream power and rank.",
            "Nothing, if the tide reaches as far; else correct the height, which is over the zero of the DEM.",
        )
    ]


def test_where_nothing_is_so_low_the_outlet_s_height_is_said():
    made, said = with_tide(stretches("natural"), SOUTH, {0: RISING}, -2.0)
    assert told(made) == [("natural", 0.0, 1000.0)]
    assert said[0].says == (
        "No stream lies below [streams] tidal_below_m = -2 m from an outlet upward; the lowest outlet is at 0.0 m."
    )
    assert said[0].do == "Nothing, if no tide reaches the streams; else give the height over the zero of the DEM."
    assert with_tide(stretches("natural"), SOUTH, {0: RISING}, None)[1] == []


def test_laying_over_joins_what_touches_and_leaves_other_segments():
    both = pd.concat([stretches("natural", "ditch"), stretches("natural", number=1)])
    made = laid_over_some(both, {0: [(400.0, 600.0), (600.0, 700.0)]}, "tidal", ("natural", "ditch"))
    assert told(made) == [
        ("natural", 0.0, 400.0),
        ("tidal", 400.0, 700.0),
        ("ditch", 700.0, 1000.0),
        ("natural", 0.0, 1000.0),
    ]


@pytest.fixture(scope="module")
def chain():
    """The straight valley, which falls from 100 to 85 m; below 88 m its lowest 600 m are tidal."""
    line = streams([Place().line((0, 0), (LENGTH_M, 0))])
    return whole_chain(line, heights(), settings(streams={"tidal_below_m": 100 - SLOPE * 2400}))


def test_reaches_below_the_height_are_tidal_without_power_and_keep_their_slope(chain):
    reaches = chain["reach_measures"]
    assert reaches["kind"].tolist() == ["tidal"] * 3 + ["natural"] * 12
    tidal = reaches["kind"] == "tidal"
    assert reaches.loc[tidal, ["unit_stream_power_w_m2", "froude"]].isna().all().all()
    assert reaches.loc[~tidal, "unit_stream_power_w_m2"].notna().all()
    assert reaches["slope_m_m"].notna().all()
    assert chain["stretches"]["to_m"].iloc[0] == pytest.approx(600, abs=15)
    assert chain["findings"]["tidal_below"].says.startswith("0.6")
