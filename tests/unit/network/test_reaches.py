"""Standing water by word and by shape, stretches that cover, and how segments are cut into reaches."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.reaches import cut_reaches, reach_borders
from gisprio.compute.network.standing import stretches_of
from gisprio.contracts.layers import STRETCHES, WATER
from gisprio.contracts.schema import check, empty
from makers import CRS, LENGTH_M, Place, frame
from network_world import heights, streams, whole_chain
from tables import segments, settings

LENGTH = 1000.0


def parts(*kinds):
    """Give parts of equal length from the lower end up."""
    borders = np.linspace(0, LENGTH, len(kinds) + 1)
    return pd.DataFrame(
        {"segment_no": 0, "from_m": borders[:-1], "to_m": borders[1:], "kind": kinds, "name": None, "area_km2": np.nan}
    )


def stretches(water=None, kinds=("natural",), width_m=5.0):
    table = segments(shapely.LineString([(0, LENGTH), (0, 0)]))
    found = stretches_of(table, parts(*kinds), empty(WATER, CRS) if water is None else water, np.array([width_m]))
    found = check(STRETCHES, found)
    assert found["from_m"].iloc[0] == 0.0
    assert found["to_m"].iloc[-1] == LENGTH
    np.testing.assert_array_equal(found["from_m"].iloc[1:], found["to_m"].iloc[:-1])  # they touch
    return list(zip(found["kind"], found["from_m"].round(6), found["to_m"].round(6), strict=True))


def polygon(x, y0, y1, kind=None):
    return frame([shapely.box(-x, y0, x, y1)], kind=[kind])


def test_without_water_a_stretch_is_what_the_line_says():
    assert stretches() == [("natural", 0.0, 1000.0)]
    assert stretches(kinds=("natural", "ditch", "ditch", "piped")) == [
        ("natural", 0.0, 250.0),
        ("ditch", 250.0, 750.0),
        ("piped", 750.0, 1000.0),
    ]


def test_water_named_a_pond_stands_however_narrow():
    assert stretches(polygon(4, 300, 420, "Mill Pond")) == [
        ("natural", 0.0, 300.0),
        ("lake_path", 300.0, 420.0),
        ("natural", 420.0, 1000.0),
    ]


def test_water_wider_than_4_widths_for_2_widths_stands_by_its_shape():
    """5 m of bankfull width: 40 m of water stands, 18 m does not; nor does a pool shorter than 10 m."""
    wide = stretches(polygon(20, 300, 420))
    assert [kind for kind, _, _ in wide] == ["natural", "lake_path", "natural"]
    assert wide[1][1] == pytest.approx(300, abs=10)
    assert wide[1][2] == pytest.approx(420, abs=10)
    assert stretches(polygon(9, 300, 420)) == [("natural", 0.0, 1000.0)]
    assert stretches(polygon(20, 300, 420), width_m=12.0) == [("natural", 0.0, 1000.0)]  # 40 m is no 4 widths of 12 m


def test_two_arms_of_water_around_an_island_do_not_stand_though_the_whole_is_wide():
    ring = shapely.difference(shapely.box(-4, 100, 40, 700), shapely.box(4, 104, 32, 696))
    assert stretches(frame([ring], kind=[None])) == [("natural", 0.0, 1000.0)]
    assert stretches(polygon(22, 100, 700)) != [("natural", 0.0, 1000.0)]  # without the island it is a pond


def test_a_lake_over_the_whole_segment_leaves_no_rest():
    assert stretches(polygon(60, -50, LENGTH + 50)) == [("lake_path", 0.0, 1000.0)]


def test_a_wide_channel_that_is_named_so_is_a_channel():
    assert stretches(polygon(20, 300, 420, "river channel")) == [("natural", 0.0, 1000.0)]


def test_a_pipe_under_a_pond_stays_a_pipe():
    assert stretches(polygon(20, 0, 1000, "pond"), kinds=("natural", "piped")) == [
        ("lake_path", 0.0, 500.0),
        ("piped", 500.0, 1000.0),
    ]


@pytest.mark.parametrize(
    ("length", "borders"),
    [
        (150.0, [0, 150]),
        (200.0, [0, 200]),
        (200.0000001, [0, 200.0000001]),
        (299.0, [0, 299]),
        (300.0, [0, 200, 300]),
        (600.0, [0, 200, 400, 600]),
    ],
)
def test_reaches_are_cut_every_200_m_upstream(length, borders):
    assert reach_borders(length, 200.0).tolist() == borders


def test_reaches_know_what_they_flow_into_and_what_most_of_them_is():
    table = segments(
        shapely.LineString([(0, 500), (0, 0)]), shapely.LineString([(0, 700), (0, 500)]), downstream=(-1, 0)
    )
    kinds = pd.DataFrame(
        {
            "segment_no": [0, 0, 1],
            "from_m": [0.0, 110.0, 0.0],
            "to_m": [110.0, 500.0, 200.0],
            "kind": ["lake_path", "natural", "ditch"],
        }
    )
    reaches = cut_reaches(table, kinds, 200.0)
    assert reaches["reach_id"].tolist() == ["S0-01", "S0-02", "S0-03", "S1-01"]
    assert pd.isna(reaches["downstream_reach_id"].iloc[0])
    assert reaches["downstream_reach_id"].tolist()[1:] == ["S0-01", "S0-02", "S0-03"]
    assert reaches["kind"].tolist() == ["lake_path", "natural", "natural", "ditch"]
    assert reaches["length_m"].tolist() == [200.0, 200.0, 100.0, 200.0]
    assert reaches.geometry.iloc[0].coords[:] == [(0.0, 200.0), (0.0, 0.0)]  # drawn downstream


def straight(kind):
    return whole_chain(streams([Place().line((0, 0), (LENGTH_M, 0))], kind=kind), heights())["reach_measures"]


def test_the_straight_valley_is_measured_as_it_was_made():
    """1,190 m x 3,400 m = 4.046 km2; slope .005."""
    reaches = straight("natural")
    assert len(reaches) == 15
    assert reaches["drainage_area_km2"].max() == pytest.approx(4.046, rel=0.02)
    np.testing.assert_allclose(reaches["slope_m_m"], 0.005, rtol=0.05)
    np.testing.assert_allclose(reaches["sinuosity"].dropna(), 1.0)
    power = 9810 * reaches["bankfull_discharge_m3_s"] * reaches["slope_m_m"] / reaches["bankfull_width_m"]
    np.testing.assert_allclose(reaches["unit_stream_power_w_m2"], power)


def test_tidal_reaches_have_a_slope_but_no_power_and_pipes_no_slope():
    tidal = straight("tidal")
    assert tidal["unit_stream_power_w_m2"].isna().all()
    assert tidal["froude"].isna().all()
    assert tidal["slope_m_m"].notna().all()
    piped = straight("piped")
    assert piped["slope_m_m"].isna().all()
    assert piped["unit_stream_power_w_m2"].isna().all()
    assert piped["drainage_area_km2"].notna().all()


def flow_of(**hydraulics):
    line = streams([Place().line((0, 0), (LENGTH_M, 0))])
    return whole_chain(line, heights(), settings(hydraulics=hydraulics))["reach_measures"]


def test_roughness_of_ones_own_reaches_the_discharge():
    """At n = .4 S^0 R^0 everywhere half the discharge of n = .2."""
    rough = {"slope_power": 0.0, "radius_power": 0.0}
    slow, fast = (flow_of(steep_roughness={"factor": n} | rough)["bankfull_discharge_m3_s"] for n in (0.4, 0.2))
    np.testing.assert_allclose(slow, fast / 2)


def test_a_curve_of_ones_own_reaches_width_discharge_and_return_period():
    own = {"units": "si", "width": [4.0, 1e-9], "depth": [0.5, 1e-9], "discharge": [3.0, 1e-9], "return_period_y": 1.5}
    reaches = flow_of(curve="mine.toml", own_curve=own)
    np.testing.assert_allclose(reaches["bankfull_width_m"], 4.0)
    np.testing.assert_allclose(reaches["bankfull_discharge_m3_s"], 3.0)
    np.testing.assert_allclose(reaches["discharge_return_period_y"], 1.5)
    np.testing.assert_allclose(reaches["unit_stream_power_w_m2"], 9810 * 3.0 * reaches["slope_m_m"] / 4.0)
    assert flow_of()["discharge_return_period_y"].isna().all()
