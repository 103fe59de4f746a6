"""The ground of sites down to the water, worked by hand on a straight bank."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely

from gisprio.compute.compare.planting import ground_to_the_bank

LINE = shapely.LineString([(0, 0), (100, 0)])


def ground(site, *others, line=LINE, setback=30.0):
    sites = gpd.GeoDataFrame(
        {"bank_id": ["B"], "property_id": ["P"], "setback_m": [setback]}, geometry=[site], crs=32633
    )
    banks = gpd.GeoDataFrame(
        {"bank_id": ["A", "B"]}, geometry=[shapely.LineString([(0, -9), (100, -9)]), line], crs=32633
    )
    names = ["P", *(f"Q{number}" for number in range(len(others)))]
    properties = gpd.GeoDataFrame({"property_id": names}, geometry=[site, *others], crs=32633)
    return ground_to_the_bank(sites, banks, properties).iloc[0]


@pytest.mark.parametrize("line", [LINE, LINE.reverse()])
@pytest.mark.parametrize("away", [6, -6])
def test_what_lies_between_is_added_on_its_own_side(line, away):
    site = shapely.box(20, min(away, 4 * away), 60, max(away, 4 * away))
    whole = ground(site, line=line)
    assert whole.contains(shapely.box(21, min(0, 4 * away), 59, max(0, 4 * away)).buffer(-0.01))
    assert whole.area == pytest.approx(40 * 24, abs=30)
    assert whole.bounds[1 if away > 0 else 3] == pytest.approx(0)


def test_ground_of_another_property_is_left_out():
    site = shapely.box(20, 6, 60, 24)
    theirs = shapely.box(40, 0, 80, 6)
    whole = ground(site, theirs)
    assert whole.intersection(theirs).area == pytest.approx(0, abs=1e-9)
    assert whole.contains(shapely.Point(30, 1))


@pytest.mark.parametrize("near", [0.0, 0.4, 16.0])
def test_a_site_that_touches_its_bank_or_is_far_off_stays(near):
    site = shapely.box(20, near, 60, near + 20)
    assert ground(site).equals(site)
