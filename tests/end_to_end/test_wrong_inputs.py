"""Layers that read well and are wrong: for each fault a finding names the layer, and what hangs on it is null,
uncertain or refused, or the finding says that it is wrong."""

from __future__ import annotations

import inspect
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import gisprio
from end_to_end import wrong_inputs
from end_to_end.wrong_inputs import write_plain
from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import findings_from
from gisprio.run.check import check
from stage_runs import run_stages

pytestmark = pytest.mark.slow

REFUSED = "refused"
Judge = Callable[["gisprio.run.results.OpenedResults", "gisprio.run.results.OpenedResults"], bool]


@dataclass(frozen=True)
class Told:
    """What a fault gives.

    Parameters
    ----------
    layer, check
        Of its finding.
    says
        A part of the sentence that names what is wrong.
    values
        What happens to the values that hang on the layer: the words in which the finding tells it; REFUSED where
        nothing is run; or a judge of the results and of those of the right world.
    """

    layer: str
    check: str
    says: str
    values: str | Judge


def areas_missing(wrong, right):
    lost = ["drainage_area_km2", "bankfull_width_m", "unit_stream_power_w_m2"]
    return right.reaches[lost].notna().all(axis=None) and wrong.reaches[lost].isna().all(axis=None)


def gaps_uncertain(wrong, right):
    """All gaps along the main stream, which was moved across; none of them before."""
    offset = wrong.banks["line_offset_m"]
    return (
        set(right.gaps["certainty"]) == {"clear"}
        and "uncertain" in set(wrong.gaps["certainty"])
        and np.isclose(offset[offset > 10], 20, atol=2).sum() >= 16
    )


def nothing_known_at_the_hole(wrong, right):
    """Sections that lie in the hole have no low, and one bank does not know what its hillslope sends."""
    lost = [(r.stations["line_offset_m"].isna().sum(), r.banks["delivery"].isna().sum()) for r in (wrong, right)]
    return lost == [(28, 1), (0, 0)] and (wrong.banks["delivery_basis"] == "default").sum() == 1


def same_but_for_the_direction(wrong, right):
    columns = ["length_m", "slope_m_m", "drainage_area_km2", "strahler_order", "priority", "rank"]
    one, other = (r.reaches.sort_values("reach_id")[columns].to_numpy(float) for r in (wrong, right))
    return np.allclose(one, other, rtol=1e-6, equal_nan=True)


def area_doubted(wrong, right):
    return wrong.reaches["drainage_area_doubt"].notna().all() and right.reaches["drainage_area_doubt"].isna().all()


def one_area_doubted(wrong, right):
    return wrong.reaches["drainage_area_doubt"].notna().sum() == 1 and right.reaches["drainage_area_doubt"].isna().all()


def no_bank_in_the_zone(wrong, right):
    lost = wrong.banks["not_ranked"] == "standing water, without a bank"
    return lost.sum() == 16 and wrong.banks.loc[lost, ["rank", "buffer_width_m"]].isna().all(axis=None)


def outside_not_ranked(wrong, right):
    return (wrong.banks["not_ranked"] == "outside the watershed").sum() == 18 and right.banks["rank"].notna().all()


def no_frontage_of(name):
    def judge(wrong, right):
        frontage = wrong.properties.set_index("property_id")["frontage_m"]
        assert right.properties["frontage_m"].min() > 700
        return not frontage.get(name, 0.0) > 0

    return judge


def slope_of_one_side(wrong, right):
    """No slope is measured across the step of 2 m: all stay near those of the right world."""
    one, other = (r.reaches.set_index("reach_id")["slope_m_m"] for r in (wrong, right))
    seen = one.notna()
    return seen.sum() >= 10 and np.allclose(one[seen], other[seen], rtol=0.25)


FAULTS = {
    "feet_as_metres": Told(
        "dem", "steep", "steeper than 33 %", "slopes, stream power and bank heights are three times"
    ),
    "feet_in_a_system_in_feet": Told("dem", "vertical_unit", "lies in a system in feet", "stream power"),
    "feet_by_the_band": Told("dem", "vertical_unit", "its heights are in units of 0.3048 m", "vertical_unit"),
    "centimetres_as_metres": Told("dem", "impossible_height", "no heights of land (-500 to 9000 m)", REFUSED),
    "metres_called_feet": Told("dem", "vertical_unit", 'vertical_unit is "ft"', "stream power"),
    "missing_read_as_heights": Told("dem", "impossible_height", "no data: -32768", nothing_known_at_the_hole),
    "pit_in_the_dem": Told("dem", "impossible_height", "no data: -9999", "taken as no data"),
    "crowns_as_ground": Told("dem", "crowns", "step up by 15.0 m at the edge of woods", "Slopes, flow paths and bank"),
    "survey_seam": Told("dem", "dem_offset", "dem.tif lies 2.00 m below south.tif", slope_of_one_side),
    "headwater_cut": Told("reaches", "area_missing", "drainage area of 11 of 11 reaches is missing", areas_missing),
    "lines_20_m_off": Told("streams", "off_channel", "more than 10 m from the low of the DEM", gaps_uncertain),
    "axes_swapped": Told("streams", "no_overlap", "would with its x and y in each other's place", REFUSED),
    "zone_next_door": Told("streams", "no_overlap", "21.00 E to 21.01 E", REFUSED),
    "streams_of_the_next_basin": Told("dem", "streams_without_data", "98 % of the stream length", "has no DEM"),
    "both_banks_as_lines": Told("streams", "side_by_side", "2 lines (3.2 of 3.8 km)", "drainage areas of both are unc"),
    "outlines_as_lines": Told("streams", "closed_lines", "1 line (3.2 of 3.2 km) without two ends", "is no bank"),
    "copy_a_little_off": Told("streams", "side_by_side", "2 lines (3.2 of 3.8 km)", "gaps between them"),
    "all_drawn_upstream": Told("streams", "against_flow", "3 lines are drawn against", same_but_for_the_direction),
    "contours_as_streams": Told("streams", "level_lines", "2 lines (3.2 of 3.2 km) along a slope", "streams are not"),
    "roads_as_streams": Told("streams", "on_roads", "2.2 of 2.2 km of stream lie on a road", "may be the same"),
    "half_mapped": Told("streams", "lacking", "1 inflow of as much ground as a stream starts with", one_area_doubted),
    "areas_in_hectares": Told("streams", "area_unit", "times the one routed on the DEM, on 11 reaches", area_doubted),
    "inflow_in_hectares": Told(
        "water", "width_unlike", "times narrower than the bankfull width", "stream power are unc"
    ),
    "cover_ten_years_older": Told("land_cover", "old_cover", "shows 2009, 12 years before 2021", "gaps are those of"),
    "legend_of_another_map": Told("land_cover", "odd_cover", "62 % water", "gaps and delivery are wrong"),
    "cover_100_m_off": Told(
        "land_cover", "dry_water", "no water at 100 % of 328 places", "widths and gaps are uncertain"
    ),
    "flood_zone_as_water": Told(
        "water", "standing", "of the stream length lies in water polygons", no_bank_in_the_zone
    ),
    "water_of_another_place": Told("water", "far_from_streams", "nearest is 296 m away", "changes nothing"),
    "river_as_parcel": Told("properties", "passed_over", "1 river, road or rail parcels", no_frontage_of("river")),
    "road_as_parcel": Told("properties", "passed_over", "1 river, road or rail parcels", no_frontage_of("lane")),
    "parcels_stacked": Told("properties", "duplicate_geometry", "left-up, flat 2", "same bank counts for each"),
    "watershed_of_another_basin": Told(
        "streams", "outside_watershed", "outside [layers] watershed", outside_not_ranked
    ),
    "k_in_si": Told("soils", "k_unit", "at most 0.03951: that looks like SI units", "delivery comes out too low"),
    "fines_as_share": Told("soils", "fines_unit", "at most 0.55: that looks like a share", "every bank counts as sand"),
    "setback_in_feet": Told("banks", "setback_unit", "width_m = 100 is 328 ft", "every gap hangs on it"),
    "curve_of_other_streams": Told(
        "water", "width_unlike", "the regional curve mine.toml", "stream power are uncertain"
    ),
}
UP_TO_REACHES = {
    "survey_seam",
    "headwater_cut",
    "half_mapped",
    "areas_in_hectares",
    "inflow_in_hectares",
    "k_in_si",
    "curve_of_other_streams",
}
"""Faults that stages tell which ``gisprio check`` does not run, and that show in the reaches: those stages are run."""


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> Path:
    """Give a folder with the right world, run once."""
    folder = tmp_path_factory.mktemp("plain") / "world"
    gisprio.run(gisprio.read_settings(write_plain(folder)))
    return folder


def test_the_right_world_has_no_findings(plain):
    assert check(gisprio.read_settings(plain / "tiny.toml")) == []
    found = findings_from(gisprio.open_results(plain / "results").findings)
    assert [one.check for one in found] == ["draws"]


@pytest.mark.parametrize("name", FAULTS)
def test_a_finding_names_the_layer_and_what_hangs_on_it(name, plain, tmp_path):
    told = FAULTS[name]
    folder = tmp_path / "world"
    rerun = callable(told.values) and name not in UP_TO_REACHES
    shutil.copytree(plain, folder, ignore=None if rerun else shutil.ignore_patterns("results"))
    getattr(wrong_inputs, name)(folder, folder / "tiny.toml")
    settings = gisprio.read_settings(folder / "tiny.toml")
    wrong = None
    if name in UP_TO_REACHES:
        ran = run_stages(settings, until="reaches")
        found = ran.findings
        wrong = SimpleNamespace(reaches=ran["reach_measures"])
    elif rerun:
        gisprio.run(settings)
        wrong = gisprio.open_results(folder / "results")
        found = findings_from(wrong.findings)
    else:
        found = check(settings)
    own = [one for one in found if (one.layer, one.check) == (told.layer, told.check)]
    assert any(told.says in one.says for one in own), found
    if callable(told.values):
        assert told.values(wrong, gisprio.open_results(plain / "results"))
    elif told.values == REFUSED:
        assert any(one.severity == "error" for one in found)
        with pytest.raises(InputError, match="the layers have an error; nothing was run"):
            gisprio.run(settings)
    else:
        assert any(told.values in f"{one.says} {one.do}" for one in own), own


def test_every_fault_is_told_and_there_are_twenty():
    faults = {
        name
        for name, function in vars(wrong_inputs).items()
        if inspect.isfunction(function) and list(inspect.signature(function).parameters) == ["folder", "config"]
    }
    assert faults == set(FAULTS)
    assert len(FAULTS) >= 20
