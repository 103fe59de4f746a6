"""Long profiles: streams from mouth to source, what stands at each point, distances along the flow."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.profiles import lay_profiles, stream_table
from gisprio.contracts.layers import KNICKPOINTS, LONG_PROFILES, PROFILE_POINTS, ROADS
from gisprio.contracts.schema import check, empty
from makers import CRS, LENGTH_M, Place, frame
from network_world import heights, streams, whole_chain
from tables import network, settings


def three():
    """A brook of 400 m that two of 300 m and 200 m make; the first of them is the main one."""
    lines = [shapely.LineString(xy) for xy in (((0, 400), (0, 0)), ((0, 700), (0, 400)), ((200, 400), (0, 400)))]
    tables = network(*lines, downstream=(-1, 0, 0))
    tables["segments"] = tables["segments"].assign(name=["Low Brook", "Low Brook", None])
    points = pd.DataFrame(
        {
            "segment_no": [0, 0, 0, 0, 1, 1, 1, 2, 2],
            "at_m": [50.0, 150.0, 250.0, 350.0, 50.0, 150.0, 250.0, 50.0, 150.0],
            "low_m": [1.0, 2.0, 1.5, 3.0, 5.0, np.nan, 6.0, 4.0, 4.5],
            "crossing": [False, False, False, True, False, False, False, False, False],
            "barrier": [None, None, None, None, None, None, None, "piped", None],
            "survey": 0,
        }
    )
    steps = pd.DataFrame(
        {
            "segment_no": [1],
            "at_m": [0.0],
            "face_from_m": [-50.0],
            "face_to_m": [50.0],
            "drop_m": [2.0],
            "near_crossing": [True],
        }
    )
    return tables | {"profile_points": check(PROFILE_POINTS, points), "knickpoints": check(KNICKPOINTS, steps)}


def laid(tables):
    return check(LONG_PROFILES, lay_profiles(tables, {}, settings())["long_profiles"])


def test_a_stream_runs_from_its_mouth_up_the_main_path():
    table = laid(three())
    assert table["segment_id"].tolist() == ["S0"] * 4 + ["S1"] * 3 + ["S2"] * 2
    assert table["stream_id"].tolist() == ["S0"] * 7 + ["S2"] * 2
    assert table["joins_stream_id"].fillna("").tolist() == [""] * 7 + ["S0"] * 2
    assert table["stream_name"].fillna("").tolist() == ["Low Brook"] * 7 + [""] * 2
    assert table["from_mouth_m"].tolist() == [50, 150, 250, 350, 450, 550, 650, 50, 150]
    assert table["from_outlet_m"].tolist() == [50, 150, 250, 350, 450, 550, 650, 450, 550]
    assert table[["x_m", "y_m"]].to_numpy().tolist()[4:8] == [[0, 450], [0, 550], [0, 650], [50, 400]]


def test_a_point_has_the_measures_of_its_reach():
    tables = three()
    reaches = tables["reach_measures"].copy()
    reaches["slope_m_m"] = np.arange(len(reaches)) / 1000
    table = laid(tables | {"reach_measures": reaches})
    assert table["reach_id"].tolist() == [
        "S0-01",
        "S0-01",
        "S0-02",
        "S0-02",
        "S1-01",
        "S1-01",
        "S1-02",
        "S2-01",
        "S2-01",
    ]
    assert table["slope_m_m"].tolist() == [0.0, 0.0, 0.001, 0.001, 0.002, 0.002, 0.003, 0.004, 0.004]
    assert (table["unit_stream_power_w_m2"] == 35.0).all()


def test_heights_fall_along_the_whole_stream_and_are_left_out_where_they_are_not_its_own():
    table = laid(three())
    known = [1.0, 1.75, 1.75, np.nan, 5.0, np.nan, 6.0, np.nan, 4.5]
    np.testing.assert_array_equal(table["falling_elevation_m"], known)
    assert table["low_elevation_m"].tolist()[3] == 3.0
    assert table["crossing"].tolist() == [False] * 3 + [True] + [False] * 5
    assert table["barrier"].fillna("").tolist() == [""] * 7 + ["piped", ""]


def test_a_step_stands_at_the_point_above_it():
    table = laid(three())
    assert np.flatnonzero(table["knickpoint"]).tolist() == [4]
    assert table["knickpoint_drop_m"].dropna().tolist() == [2.0]


def test_nothing_gives_the_columns():
    tables = three()
    none = {"profile_points": empty(PROFILE_POINTS), "segments": tables["segments"].iloc[:0]}
    assert list(laid(tables | none)) == LONG_PROFILES.names()


def test_the_name_of_a_stream_is_that_of_most_of_its_length():
    tables = three()
    named = tables["segments"].assign(name=["Upper", "Lower", "Side"])
    assert stream_table(named)["stream_name"].tolist() == ["Upper", "Upper", "Side"]
    same = named.assign(length_m=[300.0, 300.0, 200.0])
    assert stream_table(same)["stream_name"].tolist() == ["Lower", "Lower", "Side"]  # of equal ones the first by name


def test_the_straight_valley_from_lines_and_heights():
    """Slope .005, a road at u = 1,505: heights rise 5 m a kilometre, and miss three cells at the road."""
    place = Place()
    road = frame([place.line((1505, -200), (1505, 200))]).assign(**{"class": None})
    line = streams([place.line((0, 0), (LENGTH_M, 0))], name="Straight Brook")
    table = whole_chain(line, heights(), roads=road)["long_profiles"]
    assert len(table) == 300
    assert set(table["stream_name"]) == {"Straight Brook"}
    slope = np.polyfit(table["from_outlet_m"], table["low_elevation_m"], 1)[0]
    assert slope == pytest.approx(0.005, rel=1e-3)
    crossed = table.loc[table["crossing"], "from_outlet_m"]
    assert (np.abs(crossed - (LENGTH_M - 1505)) <= 15).all()
    assert len(crossed) == 3
    assert table.loc[table["crossing"], "falling_elevation_m"].isna().all()
    assert (np.diff(table["falling_elevation_m"].dropna()) >= 0).all()
    assert not table["knickpoint"].any()
    np.testing.assert_allclose(table["slope_m_m"], 0.005, rtol=0.05)
    assert whole_chain(line, heights(), roads=empty(ROADS, CRS))["long_profiles"]["falling_elevation_m"].notna().all()


def test_a_dam_in_the_ground_is_a_step_from_lines_and_heights():
    """A wall of 4 m across the valley at u = 1,500: one step there, slopes of .005 on both sides.

    The lowest of the neighbouring cells is read: the step shows one to two cells above its place on the ground.
    """

    def dammed(u, v):
        return 0.005 * (LENGTH_M - u) + 0.1 * np.abs(v) + np.where(u < 1500, 4.0, 0.0) + 100.0

    line = streams([Place().line((0, 0), (LENGTH_M, 0))])
    tables = whole_chain(line, heights(dammed))
    steps = tables["knickpoints"]
    assert steps["at_m"].item() == pytest.approx(LENGTH_M - 1500 + 15, abs=6)
    assert steps["drop_m"].item() == pytest.approx(4.0, abs=0.1)
    np.testing.assert_allclose(tables["reach_measures"]["slope_m_m"], 0.005, rtol=0.05)
    assert "1 step" in tables["findings"]["knickpoint"].says
    at = tables["long_profiles"].query("knickpoint")
    assert at["from_outlet_m"].item() == pytest.approx(LENGTH_M - 1500 + 20, abs=11)
