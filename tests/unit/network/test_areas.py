"""Drainage area along a network made by hand: carried down, cut, given by the data, and labels of sub-watersheds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.network.areas import area_findings, network_areas
from gisprio.compute.network.labels import network_labels, sub_watersheds
from gisprio.compute.network.reaches import cut_reaches
from gisprio.compute.terrain.flow import stream_pieces
from makers import frame
from tables import segments

KM2 = 1e6


def fork(length=200.0):
    """Segment 0 is the stem; 1 and 2 flow into it."""
    y = length
    return segments(
        shapely.LineString([(0, y), (0, 0)]),
        shapely.LineString([(0, 2 * y), (0, y)]),
        shapely.LineString([(y, y), (0, y)]),
        downstream=(-1, 0, 0),
    )


def ground(table, own_km2, cut=()):
    """Give every segment its ground, shared evenly over its pieces; ``cut`` names rows of pieces."""
    pieces = stream_pieces(table)
    count = pieces.groupby("segment_no")["from_m"].transform("size")
    area = np.array(own_km2)[pieces["segment_no"]] * KM2 / count
    return pieces.assign(area_m2=area, cut=np.isin(np.arange(len(pieces)), list(cut)))


def parts_of(table, given):
    return pd.DataFrame(
        {
            "segment_no": table["segment_no"],
            "from_m": 0.0,
            "to_m": table["length_m"],
            "kind": "natural",
            "name": None,
            "area_km2": given,
        }
    )


def at(table, catchments, places, given=np.nan, parts=None):
    reaches = pd.DataFrame(places, columns=["segment_no", "from_m"])
    parts = parts_of(table, given) if parts is None else parts
    return network_areas(table, catchments).at_reaches(reaches, parts)


def test_ground_is_carried_down_and_counted_once():
    table = fork()
    found = at(table, ground(table, [4.0, 2.0, 1.0]), [(0, 0), (0, 100), (0, 150), (1, 0), (1, 100), (2, 0)])
    assert found["drainage_area_km2"].tolist() == pytest.approx([7.0, 5.0, 4.0, 2.0, 1.0, 1.0])
    assert set(found["drainage_area_basis"]) == {"modelled"}


def test_the_area_of_a_divided_channel_is_not_doubled():
    """A head (1) parts into a main (2) and a minor path (3), both back into the stem (0); 1 flows into 2 alone."""
    lines = [[(0, 0), (0, -9)], [(0, 90), (0, 50)], [(0, 50), (0, 0)], [(0, 50), (30, 25), (0, 0)]]
    table = segments(*map(shapely.LineString, lines), downstream=(-1, 2, 0, 0))
    found = at(table, ground(table, [0.0, 5.0, 0.5, 0.25]), [(0, 0), (2, 0), (3, 0)])
    assert found["drainage_area_km2"].tolist() == pytest.approx([5.75, 5.5, 0.25])


def divided():
    """A head (1, own 5) parts into a main (2, .5) and a minor path (3, .25), both back into the stem (0, 1)."""
    lines = [[(0, 0), (0, -200)], [(0, 600), (0, 400)], [(0, 400), (0, 0)], [(0, 400), (300, 200), (0, 0)]]
    table = segments(*map(shapely.LineString, lines), downstream=(-1, 2, 0, 0)).assign(minor=[False] * 3 + [True])
    return table, ground(table, [1.0, 5.0, 0.5, 0.25])


@pytest.mark.parametrize("minor", [6.3, 0.3])
def test_an_area_given_for_a_minor_path_is_that_of_its_own_ground(minor):
    """Given 6 above, 6.6 on the main path, and on the minor one 6.3 with that of the main path or 0.3 without."""
    table, catchments = divided()
    found = at(table, catchments, [(3, 0), (2, 0), (0, 0), (0, 100)], [8.0, 6.0, 6.6, minor])
    # the stem: 6.9 flow in, half of 1.1 above its middle
    assert found["drainage_area_km2"].tolist() == pytest.approx([0.3, 6.6, 8.0, 7.45])
    assert set(found["drainage_area_basis"]) == {"measured"}


def test_where_none_is_given_for_a_minor_path_its_own_ground_flows_in():
    table, catchments = divided()
    found = at(table, catchments, [(3, 0), (0, 0), (0, 100)], [8.0, 6.0, 6.6, np.nan])
    assert found["drainage_area_km2"].tolist() == pytest.approx([0.25, 8.0, 6.85 + 1.15 / 2])
    assert found["drainage_area_basis"].tolist() == ["modelled", "measured", "measured"]


def test_a_minor_path_that_only_has_the_main_path_s_area_is_modelled():
    table, catchments = divided()
    found = at(table, catchments, [(3, 0), (0, 0)], [8.0, 6.0, 6.6, 6.0])
    assert found["drainage_area_km2"].tolist() == pytest.approx([0.25, 8.0])
    assert found["drainage_area_basis"].tolist() == ["modelled", "measured"]


def test_below_ground_that_is_cut_off_the_area_is_missing_and_above_it_is_not():
    table = fork()
    catchments = ground(table, [4.0, 2.0, 1.0], cut=[5])  # 50 to 100 m up segment 1
    found = at(table, catchments, [(0, 0), (0, 150), (1, 0), (1, 100), (2, 0)])
    assert found["drainage_area_km2"].isna().tolist() == [True, True, True, False, False]
    assert found["drainage_area_basis"].tolist() == ["missing", "missing", "missing", "modelled", "modelled"]
    said = area_findings(found.assign(reach_id=[f"R{n}" for n in range(5)]))
    assert [finding.check for finding in said] == ["area_missing"]
    assert said[0].says == (
        "The drainage area of 3 of 5 reaches is missing: the ground above meets the edge of the DEM (3). "
        "Bankfull width, discharge and stream power are missing with it."
    )


def test_a_given_area_wins_at_the_lower_end_of_its_line_and_is_shared_above():
    """Routed 7 with inflows of 2 and 1; given 9 with inflows of 3 and 2: half way up 5 + half of 4."""
    table = fork()
    catchments = ground(table, [4.0, 2.0, 1.0])
    found = at(table, catchments, [(0, 0), (0, 100), (1, 0), (1, 100), (2, 0)], [9.0, 3.0, 2.0])
    assert found["drainage_area_km2"].tolist() == pytest.approx([9.0, 7.0, 3.0, 1.5, 2.0])
    assert set(found["drainage_area_basis"]) == {"measured"}


def test_where_the_inflow_is_not_given_the_share_is_that_of_the_routed_area():
    table = fork()
    found = at(table, ground(table, [4.0, 2.0, 1.0]), [(0, 0), (0, 100), (1, 0)], [14.0, np.nan, 2.0])
    assert found["drainage_area_km2"].tolist() == pytest.approx([14.0, 10.0, 2.0])
    assert found["drainage_area_basis"].tolist() == ["measured", "measured", "modelled"]


def test_the_head_of_a_source_lies_in_its_last_short_piece_and_is_all_counted():
    """A source of 210 m: its last piece of 10 m holds the 8 of 10 km2 at the head."""
    table = segments(shapely.LineString([(0, 210), (0, 0)]))
    catchments = stream_pieces(table).assign(area_m2=np.array([0.5, 0.5, 0.5, 0.5, 8.0]) * KM2, cut=False)
    found = at(table, catchments, [(0, 0), (0, 100)], 20.0)
    assert found["drainage_area_km2"].tolist() == pytest.approx([20.0, 18.0])


def test_a_given_area_stands_in_where_the_ground_is_cut():
    table = fork()
    found = at(table, ground(table, [4.0, 2.0, 1.0], cut=[5]), [(0, 0), (1, 0)], [9.0, 3.0, 2.0])
    assert found["drainage_area_km2"].tolist() == [9.0, 3.0]
    assert found["routed_km2"].isna().all()


def test_a_given_area_of_nought_or_below_is_none():
    table = fork()
    found = at(table, ground(table, [4.0, 2.0, 1.0]), [(0, 0), (1, 0)], [-9998.0, 0.0, 2.0])
    assert found["drainage_area_km2"].tolist() == pytest.approx([7.0, 2.0])
    assert set(found["drainage_area_basis"]) == {"modelled"}


def test_given_and_routed_areas_that_differ_by_over_a_tenth_are_said():
    table = fork()
    found = at(table, ground(table, [4.0, 2.0, 1.0]), [(0, 0), (0, 100), (1, 0), (2, 0)], [9.0, 2.1, 1.05])
    said = area_findings(found.assign(reach_id=["A", "B", "C", "D"]))
    assert said[0].says == (
        "The drainage area in the data differs from the one routed on the DEM to the same place by over 10% on 2 of 4 "
        "reaches: A, B. The data's is used."
    )


def test_labels_of_the_network_begin_where_the_area_first_passes_the_threshold():
    """40 below; 30 and 8 above it; 3 into the 30: with a threshold of 25 the 30 is a sub-watershed of its own."""
    lines = [shapely.LineString([(n, 1), (n, 0)]) for n in range(4)]
    table = segments(*lines, downstream=(-1, 0, 0, 1))
    assert network_labels(table, np.array([40.0, 30.0, 8.0, 3.0]), 25.0) == ["W-S0", "W-S1", "W-S0", "W-S1"]
    assert network_labels(table, np.array([4.0, 3.0, 0.8, 0.3]), 25.0) == ["W-S0"] * 4
    assert network_labels(table, np.array([60.0, 28.0, 28.0, 3.0]), 25.0) == ["W-S0", "W-S1", "W-S2", "W-S1"]


def test_labels_by_polygons_follow_the_middle_of_each_reach():
    table = segments(shapely.LineString([(0, 600), (0, 0)]))
    stretches = pd.DataFrame({"segment_no": [0], "from_m": [0.0], "to_m": [600.0], "kind": ["natural"]})
    reaches = cut_reaches(table, stretches, 200.0)
    areas = frame([shapely.box(-50, -10, 50, 190), shapely.box(-50, 190, 50, 420)], name=["lower", "middle"])
    assert sub_watersheds(reaches, table, np.array([1.0]), areas, 25.0) == ["lower", "middle", None]
