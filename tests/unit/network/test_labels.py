"""Labels of reaches: the area of interest and sub-watersheds, by hand."""

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.network.labels import network_labels, outside, sub_watersheds
from makers import frame
from tables import segments


def reaches():
    lines = [shapely.LineString([(0, y + 100), (0, y)]) for y in (0, 100, 200)]
    return pd.DataFrame({"segment_no": [0, 0, 0], "geometry": lines})


def test_a_reach_is_outside_when_its_middle_is():
    watershed = frame([shapely.box(-50, 120, 50, 500)])
    assert outside(reaches(), watershed).tolist() == [True, False, False]
    assert outside(reaches(), watershed.iloc[:0]).tolist() == [False, False, False]


def test_the_users_sub_watersheds_go_by_the_middle():
    polygons = frame([shapely.box(-50, 0, 50, 120), shapely.box(-50, 120, 50, 220)], name=["low", "high"])
    made = sub_watersheds(reaches(), pd.DataFrame(), np.array([]), polygons, 25.0)
    assert made == ["low", "high", None]


def test_the_network_is_cut_where_the_area_first_passes_the_threshold():
    #  0 (40 km2, outlet) <- 1 (30) <- 3 (10), 4 (12);  0 <- 2 (5)
    lines = [shapely.LineString([(n, 10), (n, 0)]) for n in range(5)]
    network = segments(*lines, downstream=(-1, 0, 0, 1, 1))
    labels = network_labels(network, np.array([40.0, 30.0, 5.0, 10.0, 12.0]), 25.0)
    assert labels == ["W-S0", "W-S1", "W-S0", "W-S1", "W-S1"]


def test_a_minor_path_belongs_to_what_it_rejoins_and_an_arm_with_its_own_outlet_to_itself():
    #  0 (40, outlet) <- 1 (30), 2 (minor, .3), 4 (9);  3 (minor, .2) leaves to an outlet of its own
    lines = [shapely.LineString([(n, 10), (n, 0)]) for n in range(5)]
    network = segments(*lines, downstream=(-1, 0, 0, -1, 0)).assign(minor=[False, False, True, True, False])
    labels = network_labels(network, np.array([40.0, 30.0, 0.3, 0.2, 9.0]), 25.0)
    assert labels == ["W-S0", "W-S1", "W-S0", "W-S3", "W-S0"]
