"""Warnings of works, and when a designer is called for."""

from __future__ import annotations

import math

import pytest

from gisprio.compute.works.design import TRIGGERS, answers, design_reasons
from gisprio.compute.works.heights import given_heights
from gisprio.compute.works.sizing import common_warnings, size_site
from gisprio.compute.works.warnings import warnings_of_settings, warnings_of_site, warnings_of_slope
from gisprio.contracts.settings import Sizing
from gisprio.contracts.works import WORK_CHECKS, Given
from works_facts import WORKED, settings_with, site_facts

SETTINGS = settings_with()


def said(facts, settings=SETTINGS) -> list[tuple[str, str]]:
    found = size_site(facts, settings)
    return [(about, says) for about, says, _ in warnings_of_site(facts, found, settings)]


def about(warnings) -> list[str]:
    return [one[0] for one in warnings]


def test_regrading_is_always_called_temporary():
    for facts in ([], [site_facts(measure="plant")], [site_facts()]):
        assert common_warnings(facts, SETTINGS)[0][1] == (
            "Regrading alone is only temporary protection unless erosion of the toe and deepening of the bed are "
            "arrested first."
        )


@pytest.mark.parametrize(
    ("changed", "warns"),
    [
        ({}, ["fill"]),
        ({"toe": "none"}, []),
        ({"lift_height_m": 0.2}, ["lift_height"]),
        ({"lift_height_m": 0.5}, ["lift_height"]),
        ({"lift_height_m": 0.46}, []),
        ({"anchor_m": 0.70}, ["anchor"]),
        ({"anchor_m": 0.9144}, []),
        ({"stake_spacing_m": 1.2}, ["spacing"]),
        ({"live_stake_spacing_m": (0.5, 0.8)}, ["spacing"]),
        ({"live_stake_spacing_m": (0.61, 0.91)}, []),
        ({"toe_rock_t_m": (1.0, 4.0)}, ["toe_rock"]),
        ({"toe_rock_t_m": (3.0, 8.0)}, ["toe_rock", "fill"]),
    ],
)
def test_settings_outside_published_ranges_warn(changed, warns):
    low_rock = {"toe_rock_t_m": (2.9763, 4.0)} if changed else {}
    assert about(warnings_of_settings(Sizing(face="lifts", **low_rock | changed))) == warns


def test_mat_on_the_face_has_neither_lift_nor_anchor():
    assert about(warnings_of_settings(Sizing(anchor_m=0.1, lift_height_m=1.0, toe="none"))) == []
    assert about(warnings_of_slope(3.0, Sizing())) == []


@pytest.mark.parametrize(
    ("finished", "warns"), [(1.0, ["steep"]), (1.5, ["steep"]), (2.0, ["lift_slope"]), (3.0, ["lift_slope", "fold"])]
)
def test_lifts_stand_on_steep_slopes_only(finished, warns):
    assert about(warnings_of_slope(finished, Sizing(face="lifts"))) == warns


def test_a_lift_too_high_for_its_fold_says_by_how_much():
    fold = next(one for one in warnings_of_slope(3.0, Sizing(**WORKED | {"lift_height_m": 0.45})) if one[0] == "fold")
    assert (
        fold[1] == "A lift of 0.45 m is too high: at 3:1 a fold of 1.3 m covers face and tread of lifts up to 0.325 m."
    )


def test_what_was_given_and_what_is_known_may_contradict_each_other():
    other = given_heights(55.0, 3.0, 3.5, Sizing())
    found = dict(said(site_facts(mapped=other)))
    assert found["heights"] == "Heights measured on site, 1.4 to 2.05 m, contradict those of the map, 3 to 3.5 m."
    near = given_heights(55.0, 2.4, 2.5, Sizing())
    assert "heights" not in dict(said(site_facts(mapped=near)))
    assert "length" in dict(said(site_facts(given=Given(length_m=80.0))))
    assert "length" not in dict(said(site_facts(given=Given(length_m=60.0))))
    flat = site_facts(given=Given(start_slope=3.0), start=(3.0, 3.0, 3.0))
    assert dict(said(flat))["slope"] == "The bank is 3:1 now, and 3:1 is wanted: nothing is cut."
    assert next(one for one in size_site(flat, SETTINGS) if one.item == "earth_cut").range == (0, 0, 0)


def test_a_cut_that_reaches_a_structure_or_takes_most_of_the_strip_warns():
    assert dict(said(site_facts(near={"structure": (6.0, "building")})))["strip"] == (
        "The top of the bank may move back 6.15 m, and building lies 6 m from the bank line."
    )
    assert "strip" not in dict(said(site_facts(near={"structure": (7.0, "building")})))
    narrow = {**site_facts().site, "setback_m": 10.0}
    assert dict(said(site_facts(site=narrow)))["strip"] == "Regrading takes 5.175 m of a strip of 10 m."


def test_rock_that_heaps_up_higher_than_the_bank_warns():
    low = site_facts(heights=given_heights(55.0, 0.6, 0.8, Sizing()))
    assert dict(said(low))["toe_rock"] == "2.976 t/m of rock heap up 1.09 m, and the bank is about 0.7 m high."
    assert "toe_rock" not in dict(said(site_facts()))


def test_a_mapped_line_asks_for_digging_by_hand():
    found = dict(said(site_facts(measure="plant", near={"structure": (4.0, "power line")})))
    assert found["utility"] == "The maps show a power line 4 m from the bank line: its mark decides, not the map."
    assert "utility" not in dict(said(site_facts(measure="plant", near={"structure": (4.0, "building")})))
    assert "utility" not in dict(said(site_facts(measure="plant", near={"structure": (40.0, "power line")})))


def test_a_slope_of_its_own_warns_at_the_site_and_that_of_all_once():
    given = site_facts(given=Given(finished_slope=3.0))
    alike, other = settings_with(**WORKED), settings_with(**WORKED | {"finished_slope": 2.5})
    assert "lift_slope" in about(common_warnings([given], alike))
    assert "lift_slope" not in dict(said(given, alike))
    assert "lift_slope" in dict(said(given, other))


def test_every_check_is_one_that_tables_know():
    many = site_facts(
        near={"structure": (1.0, "pipeline")}, given=Given(length_m=500.0, finished_slope=1.0), finished=1.0
    )
    lifts = settings_with(**WORKED | {"balanced": True, "lift_height_m": 0.6})
    named = {*about(said(many, lifts)), *about(common_warnings([many], lifts))}
    assert len(named) > 5
    assert named <= set(WORK_CHECKS)


NEAR = {
    "height": site_facts(heights=given_heights(55.0, 2.0, 3.1, Sizing())),
    "slope": site_facts(finished=1.9),
    "structure": site_facts(near={"structure": (9.0, "building")}),
    "bed": site_facts(near={"step": (100.0, "step in the bed")}),
    "limits": site_facts(drainage_km2=60.0),
    "bend": site_facts(bend=2.4),
    "crossing": site_facts(near={"crossing": (59.0, "road")}),
    "in_channel": site_facts(),
}
FAR = {
    "height": site_facts(heights=given_heights(55.0, 2.0, 2.9, Sizing())),
    "slope": site_facts(finished=2.0),
    "structure": site_facts(near={"structure": (9.3, "building")}),
    "bed": site_facts(near={"step": (121.0, "step in the bed")}),
    "limits": site_facts(drainage_km2=49.0),
    "bend": site_facts(bend=2.6),
    "crossing": site_facts(near={"crossing": (61.0, "road")}),
    "in_channel": site_facts(measure="plant"),
}
LIMITED = settings_with(design={"drainage_area_km2": 50.0})


@pytest.mark.parametrize("key", [trigger.key for trigger in TRIGGERS if trigger.key not in ("ground", "fish")])
def test_each_trigger_answers_at_its_limit(key):
    trigger = next(one for one in TRIGGERS if one.key == key)
    assert trigger.answer(NEAR[key], LIMITED)
    assert not trigger.answer(FAR[key], LIMITED)


def test_what_maps_do_not_tell_stays_open():
    unknown = site_facts(heights=None, bend=math.nan, near={})
    open_ones = [question for question, reason in answers(unknown, SETTINGS) if reason is None]
    assert open_ones == [
        "Is the bank higher than 3 m?",
        "Is the bed cutting down, or is there a step in it near?",
        "Is drainage area or velocity beyond the limit of your programme?",
        "Is the bend tighter than 2.5 channel widths?",
        "Is there seepage, a slide, contaminated or cultural ground?",
        "Are fish or other species at risk here?",
    ]


def test_limits_of_the_list_stand_in_the_settings():
    bank = site_facts(velocity_m_s=2.0)
    assert design_reasons(bank, settings_with(toe="none")) is None
    strict = settings_with(toe="none", design={"velocity_m_s": 1.5, "finished_slope": 4.0})
    assert design_reasons(bank, strict) == "the finished slope is 3:1; bankfull velocity is about 2 m/s"
    assert design_reasons(site_facts(measure="plant"), strict) is None
