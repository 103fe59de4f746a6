"""Sites found again by place."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from gisprio.compute.works.earlier import Earlier, find_named
from gisprio.compute.works.matching import match_sites, site_lines
from gisprio.contracts.errors import InputError


def lines(**sites: tuple[str, float, float, float]) -> gpd.GeoDataFrame:
    """Give lines along x: side, from, to, y."""
    shapes = [shapely.LineString([(low, y), (high, y)]) for _, low, high, y in sites.values()]
    sides = [side for side, *_ in sites.values()]
    return gpd.GeoDataFrame({"site_id": list(sites), "side": sides}, geometry=shapes, crs=32633)


def pairs(before: gpd.GeoDataFrame, now: gpd.GeoDataFrame) -> list[tuple]:
    table = match_sites(before, now)
    return list(zip(table["before"], table["now"], table["common_m"].round(), strict=True))


def test_half_of_the_length_on_the_same_side_is_the_same_place():
    before = lines(old=("left", 0, 100, 0))
    assert pairs(before, lines(new=("left", 50, 150, 10))) == [("old", "new", 50)]
    assert pairs(before, lines(new=("left", 60, 160, 10))) == []
    assert pairs(before, lines(new=("right", 0, 100, 0))) == []
    assert pairs(before, lines(new=("left", 0, 100, 29))) == [("old", "new", 100)]
    assert pairs(before, lines(new=("left", 0, 100, 31))) == []


def test_a_site_that_was_cut_in_two_has_two_partners_and_the_nearest_counts():
    before = lines(old=("left", 0, 100, 0))
    now = lines(far=("left", 0, 100, 20), a=("left", 0, 50, 3), b=("left", 50, 100, 3))
    assert pairs(before, now) == [("old", "a", 50), ("old", "b", 50)]


def test_what_was_cut_down_to_a_small_part_is_still_it():
    assert pairs(lines(old=("left", 0, 200, 0)), lines(new=("left", 20, 60, 0))) == [("old", "new", 40)]


def test_nothing_to_match_gives_no_pairs():
    assert pairs(lines(), lines(new=("left", 0, 1, 0))) == []
    assert pairs(lines(old=("left", 0, 100, 0)), lines()) == []


def test_the_line_of_a_site_runs_upstream_from_the_lower_end_of_its_reach():
    reaches = gpd.GeoDataFrame({"reach_id": ["R"]}, geometry=[shapely.LineString([(0, 0), (200, 0)])])
    sites = pd.DataFrame({"reach_id": ["R"], "from_m": [20.0], "to_m": [50.0]})
    assert shapely.get_coordinates(site_lines(sites, reaches)).tolist() == [[150.0, 0.0], [180.0, 0.0]]


def test_a_site_that_reaches_past_its_line_by_the_last_digit_is_whole():
    reaches = gpd.GeoDataFrame({"reach_id": ["R"]}, geometry=[shapely.LineString([(0, 0), (200 - 1e-10, 0)])])
    sites = pd.DataFrame({"reach_id": ["R", "R"], "from_m": [0.0, 60.0], "to_m": [200.0, 200.0]})
    assert shapely.length(site_lines(sites, reaches)).round(3).tolist() == [200.0, 140.0]


EARLIER = Earlier.of(
    lines(o1=("left", 0, 100, 0), o2=("left", 200, 300, 0), o3=("left", 900, 950, 0)).assign(chosen=[True, True, True]),
    lines(n1=("left", 0, 100, 0), n2=("left", 210, 290, 0)),
)


def test_what_became_of_an_earlier_list():
    assert EARLIER.told(["n1"]) == {"sites": 3, "chosen_again": 1, "not_chosen": 1, "not_found": 1}
    assert EARLIER.among(pd.Series(["n1", "n3", "n2"])).tolist() == [True, False, True]


def test_ids_of_another_run_are_found_by_place():
    here = pd.Series(["n1", "n2"])
    assert find_named(["n2", "o1", "o3"], "must", here, EARLIER) == (["n1", "n2"], ["o3"])


def test_an_id_of_no_run_is_refused():
    with pytest.raises(InputError) as raised:
        find_named(["n1", "zz"], "never", pd.Series(["n1"]), EARLIER)
    assert str(raised.value) == (
        "[shortlist] never: no site is called zz.\n"
        "  Wanted: site_id of this run (sites.csv), or of the earlier shortlist.\n"
        "  Do: mend the list; ids of another run need --earlier, and are found by place."
    )
    with pytest.raises(InputError, match=r"Wanted: site_id of this run \(sites\.csv\)\."):
        find_named(["o1"], "must", pd.Series(["n1"]), None)
