"""What is known of sites, on a straight stream made by hand: places, heights, slopes, ground to plant, neighbours."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.works.site_facts import facts_of_sites, reach_starts, stations_of_sites
from gisprio.contracts.works import Given
from makers import CRS
from works_facts import settings_with

NAN = np.nan
NUMBERS = (1, 2, 3)
LENGTHS = (200.0, 150.0, 100.0)


def world(**changed):
    """A stream along x of three reaches; on the left of the middle one a site from 50 to 100 m; stations of 10 m."""
    at = np.arange(200.0, 350.0, 10.0) + 5
    stations = gpd.GeoDataFrame(
        {
            "bank_id": "AA-02-L",
            "reach_id": "AA-02",
            "at_m": at,
            "length_m": 10.0,
            "woody_share": 0.25,
            "constraint": None,
            "bank_height_m": np.where(at < 270, 1.0, 2.0),
            "bank_height_code": "top",
            "height_cell_m": 1.0,
            "bank_angle_deg": NAN,
            "outer_bend": np.where(at < 250, 2.0, 6.0),
        },
        geometry=shapely.points(at, 0.0),
        crs=CRS,
    )
    reaches = pd.DataFrame(
        {
            "reach_id": [f"AA-0{number}" for number in NUMBERS],
            "length_m": LENGTHS,
            "bankfull_width_m": 6.0,
            "bankfull_depth_m": 0.5,
            "slope_m_m": 0.004,
            "bankfull_discharge_m3_s": 4.5,
            "drainage_area_km2": 12.0,
        }
    )
    site = {
        "site_id": "AA-02-L-S1",
        "bank_id": "AA-02-L",
        "reach_id": "AA-02",
        "property_id": "P",
        "from_m": 50.0,
        "to_m": 100.0,
        "length_m": 50.0,
        "measure": "bank works and plant",
        "plantable_area_m2": 900.0,
        "area_m2": 1500.0,
        "certainty": "clear",
        "setback_m": 30.0,
        "adjacent_cover": "crop",
    }
    none = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=CRS)
    tables = {
        "sites": pd.DataFrame([site | changed.pop("site", {})]),
        "stations": stations.assign(**changed.pop("stations", {})),
        "reaches": reaches,
        "gaps": pd.DataFrame(changed.pop("gaps", []), columns=["bank_id", "from_m", "to_m", "buffer_width_se_m"]),
        "constraints": none,
        "crossings": none,
        "knickpoints": none,
    }
    return tables | changed


def facts(settings=None, given=None, **changed):
    measured = {} if given is None else {"AA-02-L-S1": given}
    return facts_of_sites(world(**changed), settings or settings_with(), measured)[0]


def test_reaches_begin_where_those_below_end_also_past_the_hundredth():
    ids = ["AA-100", "AA-99", "AA-02", "AA-01", "BB-01"]
    starts = reach_starts(pd.DataFrame({"reach_id": ids, "length_m": [1.0, 10.0, 100.0, 1000.0, 5.0]}))
    assert starts.to_dict() == {"AA-100": 1110.0, "AA-99": 1100.0, "AA-02": 1000.0, "AA-01": 0.0, "BB-01": 0.0}


def test_stations_of_a_site_are_those_of_its_stretch_though_no_other_reach_has_any():
    tables = world()
    found = stations_of_sites(tables["sites"], tables["stations"], tables["reaches"])
    assert found["at_m"].tolist() == [255, 265, 275, 285, 295]
    assert facts().bend == 6.0


def test_heights_are_those_along_it():
    found = facts().heights
    assert found is not None
    assert found.mid.first == pytest.approx([1.15, 1.15, 2.15, 2.15, 2.15])
    assert found.mid.total == pytest.approx(50.0)


def test_a_given_length_stretches_what_was_seen_and_given_heights_replace_it():
    longer = facts(given=Given(length_m=100.0))
    assert longer.heights is not None
    assert (longer.heights.mid.total, longer.length_basis) == (pytest.approx(100.0), "given")
    measured = facts(given=Given(height_low_m=1.2, height_high_m=1.6))
    assert measured.heights is not None
    assert (measured.heights.basis, measured.heights.mid.mean) == ("given", pytest.approx(1.4))
    assert measured.mapped is not None


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("coarse", "the heights here have cells of 10 m, too wide to show a bank"),
        ("falls_again", "the ground falls again behind it: dyke, wall, fill or another channel"),
    ],
)
def test_why_there_is_no_height_is_said(code, says):
    found = facts(stations={"bank_height_code": code, "bank_height_m": NAN, "height_cell_m": 10.0})
    assert (found.heights, found.no_heights) == (None, says)


def test_slope_now_is_given_or_at_most_that_of_the_face_or_assumed():
    assert facts(given=Given(start_slope=0.5)).start == (0.5, 0.5, 0.5)
    seen = facts(stations={"bank_angle_deg": 45.0})
    assert (seen.start, seen.start_basis) == (pytest.approx((1.0, 0.5, 0.0)), "measured")
    assert seen.start_says == "vertical to 1:1, at least 45 degrees"
    assert facts(stations={"bank_angle_deg": 100.0}).start == (0.0, 0.0, 0.0)
    assert (facts().start, facts().start_basis) == ((1.0, 0.5, 0.0), "assumed")


def test_ground_to_plant_is_measured_uncertain_or_of_a_coarse_look():
    assert (facts().area, facts().area_basis) == ((900, 900, 900), "measured")
    doubtful = facts(site={"certainty": "uncertain"})
    assert (doubtful.area, doubtful.area_basis) == ((450, 900, 900), "modelled")
    coarse = facts(site={"plantable_area_m2": NAN, "certainty": "uncertain"})
    assert (coarse.area, coarse.area_basis) == ((562.5, 1125, 1500), "modelled")
    assert facts(given=Given(plantable_area_m2=700.0)).area == (700, 700, 700)
    unknown = facts(site={"plantable_area_m2": NAN}, stations={"woody_share": NAN})
    assert (unknown.area, unknown.woody) == ((750, 1500, 1500), (0.0, 0.5, 1.0))


def test_measured_ground_is_off_by_the_error_of_the_gaps_beside_it():
    gaps = [("AA-02-L", 30.0, 70.0, 4.0), ("AA-02-L", 80.0, 120.0, 6.0), ("AA-02-L", 0.0, 50.0, 9.0)]
    gaps += [("AA-02-R", 0.0, 200.0, 9.0), ("AA-02-L", 70.0, 80.0, NAN)]
    found = facts(gaps=gaps)
    assert (found.area, found.area_basis) == ((700, 900, 1100), "measured")
    assert found.area_says == "ground of the strip that lacks counting cover, off by about 200 m2"
    whole = facts(gaps=gaps, site={"plantable_area_m2": 1400.0})
    assert whole.area == (1200, 1400, 1500)
    assert facts(gaps=gaps, site={"plantable_area_m2": 100.0}).area == (50, 100, 300)
    assert facts(gaps=gaps, site={"plantable_area_m2": 0.0}).area == (0, 0, 0)
    assert facts(gaps=gaps, site={"certainty": "uncertain"}).area == (450, 900, 1100)


def test_what_lies_near_is_told_with_its_distance_and_kind():
    def place(x, y, kind):
        return gpd.GeoDataFrame({"kind": [kind]}, geometry=[shapely.Point(x, y)], crs=CRS)

    found = facts(constraints=place(275, 12, "building"), crossings=place(315, 0, None), knickpoints=place(255, 0, "x"))
    assert found.near == {"structure": (12.0, "building"), "crossing": (20.0, "structure"), "step": (0.0, "x")}
    assert facts().near == {}
    assert facts(stations={"constraint": "road, dyke"}).beside == "road, dyke"
    assert facts().velocity_m_s == pytest.approx(1.5)
    assert facts().shear_pa == pytest.approx(1000 * 9.81 * 0.5 * 0.004)
