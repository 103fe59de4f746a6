"""Rules on the ground: what is measured where widths change along a bank, zones differ, or nothing is asked."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.gaps import zone_of
from gisprio.compute.land.frontages import share_properties
from makers import frame
from tables import bank_chain, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Upstream is north; banks lie at x 3 (left, east) and -3; five reaches of 200 m."""
WOOD, PASTURE, CROP = 1, 2, 4


def wood_to(metres, beyond=PASTURE):
    """Wood from the bank to some metres out, and ``beyond`` it something else."""
    return lambda x, y: np.where(np.abs(x) - 3 < metres, WOOD, beyond)


def chain(cover, halo=None, **rule):
    return bank_chain(SOUTH, cover, halo=halo, setback=rule)


def left(core):
    got = core["side_cover"]
    return got[got["side"] == 0].reset_index(drop=True)


def gap_sums(core, side=0):
    gaps = core["gap_pieces"]
    own = gaps[gaps["side"] == side]
    return (own["to_m"] - own["from_m"]).sum(), own["area_m2"].sum()


def test_the_strip_is_as_wide_as_the_zone_asks_and_gaps_end_where_it_is_covered():
    zones = frame([shapely.box(-90, 400, 90, 1100)], zone=["town"])
    rule = {"width_m": 20.0, "zones": "z.gpkg", "zone": {"town": {"width_m": 10.0}}}
    bare = bank_chain(SOUTH, wood_to(0), halo={"setback_zones": zones}, setback=rule)
    length, area = gap_sums(bare)
    assert length == pytest.approx(1000.0)
    assert area == pytest.approx(400 * 20 + 600 * 10, rel=0.01)
    covered = bank_chain(SOUTH, wood_to(12), halo={"setback_zones": zones}, setback=rule)
    length, area = gap_sums(covered)
    assert length == pytest.approx(400.0, abs=5)  # in town 12 m of wood are more than enough
    assert area == pytest.approx(400 * 8, rel=0.02)
    widths = left(covered).merge(covered["stations"], on=["segment_no", "station_no"])
    assert set(widths.loc[widths["at_m"] > 410, "buffer_width_m"]) == {10.0}  # at most the setback


def test_grass_counts_in_the_outer_zone_alone():
    rule = {"rule": "two_zone", "inner_m": 9.0, "outer_m": 6.0, "outer_counts": ("pasture",)}
    whole = chain(wood_to(9), **rule)
    assert (left(whole)["buffer_width_m"] == 15.0).all()
    assert gap_sums(whole)[0] == 0.0
    assert (left(whole)["missing_strip"] == 0.0).all()
    opening = chain(wood_to(6), **rule)  # 3 m of grass in the inner zone are an opening, and are passed over
    assert (left(opening)["buffer_width_m"] == 15.0).all()
    narrow = chain(wood_to(4), **rule)
    assert (left(narrow)["buffer_width_m"] == 4.0).all()
    assert set(narrow["gap_pieces"]["zone"]) == {"inner"}
    outer = chain(wood_to(9, CROP), **rule)
    assert (left(outer)["buffer_width_m"] == 9.0).all()
    assert set(outer["gap_pieces"]["zone"]) == {"outer"}
    assert zone_of(9.0, 9.0) == "outer"


@pytest.mark.parametrize(("metres", "covered"), [(17, False), (18, True), (30, True)])
def test_sixty_percent_of_the_strip_are_as_good_as_all(metres, covered):
    """25 Pa. Code 102.14: 60 % of canopy; 18 of 30 m are 60 %, the limit holds, 17 m are not enough."""
    got = chain(wood_to(metres), rule="cover_share", width_m=30.0, least_share=0.6, counts=("woody",))
    assert (left(got)["buffer_width_m"] == (30.0 if covered else metres)).all()
    assert (gap_sums(got)[0] == 0.0) == covered
    assert ((left(got)["missing_strip"] == 0.0) == covered).all()


def test_a_wide_stretch_makes_up_for_a_narrow_one_on_the_same_side():
    rule = {"rule": "average", "width_m": 15.0, "least_m": 9.0}

    def cover(wide):
        return lambda x, y: np.where(np.abs(x) - 3 < np.where(y > 500, wide, 10), WOOD, PASTURE)

    assert gap_sums(chain(cover(24), **rule))[0] == 0.0  # mean 17 m
    short = chain(cover(16), **rule)  # mean 13 m: the narrow half lacks up to the average
    length, area = gap_sums(short)
    assert length == pytest.approx(500.0, abs=5)
    assert area == pytest.approx(500 * 5, rel=0.03)
    least = chain(lambda x, y: np.where(np.abs(x) - 3 < np.where(y > 500, 30, 6), WOOD, PASTURE), **rule)
    assert gap_sums(least)[0] == pytest.approx(500.0, abs=5)  # mean 18 m, but 6 m are under the least


def test_where_nothing_is_asked_nothing_is_missing_and_the_land_has_its_owner():
    land = frame([shapely.box(0, 0, 80, 1000)], property_id=["A"], **{"class": ["park"]}, passed_over=None)
    core = chain(wood_to(0), {"parcels": land}, width_m=30.0, exempt={"land_use": ("park",)})
    assert gap_sums(core) == (0.0, 0.0)
    assert gap_sums(core, side=1)[0] == pytest.approx(1000.0)
    sides = left(core)
    assert (sides["buffer_width_m"] == 0.0).all()
    assert (sides["missing_strip"] == 0.0).all()
    metres = share_properties(core, {"parcels": land}, {}, settings())["frontages"]
    assert metres["frontage_m"].sum() == pytest.approx(1000.0)


def test_coarse_cover_measures_no_gap_of_a_narrow_rule():
    got = chain(wood_to(1), width_m=2.9)  # cells of 1 m are over a third of it
    assert left(got)["buffer_width_m"].isna().all()
    assert gap_sums(got) == (0.0, 0.0)
    assert not left(chain(wood_to(1), width_m=3.0))["buffer_width_m"].isna().any()
