"""What sites are sized for, by measure; and formulas, which give the middle they stand beside."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from gisprio.compute.works.heights import seen_heights
from gisprio.compute.works.quantities import Quantity
from gisprio.compute.works.sizing import SCOPES, not_sized, size_facts, size_site, told_of
from gisprio.contracts.words import MEASURES
from gisprio.contracts.works import ITEM_KEYS, Given, item_of
from works_facts import WORKED, settings_with, site_facts

SETTINGS = settings_with()
PLANTED = {"planting_area", "tree", "shrub", "guard", "works_length"}


def computed(formula: str) -> tuple[float, float, str]:
    """Compute the expression of a formula; with the value and the unit that it writes."""
    expression, _, rest = formula.partition(" = ")
    value, unit = re.match(r"([0-9.]+) (\w+)", rest).groups()  # type: ignore[union-attr]
    plain = expression.replace(" x ", " * ").replace("^", "**")
    assert re.fullmatch(r"[0-9a-z+*/(). -]+", plain), plain
    return eval(plain, {"ceil": math.ceil, "sqrt": math.sqrt}), float(value), unit


def items_of(facts, settings=SETTINGS) -> dict[str, Quantity]:
    return {one.item: one for one in size_site(facts, settings)}


CASES = {
    "worked": (site_facts(), settings_with(**WORKED)),
    "flat already": (site_facts(start=(4.0, 4.0, 3.0)), SETTINGS),
    "mat": (site_facts(), SETTINGS),
    "balanced": (site_facts(), settings_with(balanced=True)),
    "triangles": (site_facts(), settings_with(pattern="triangular", live_stake_pattern="square")),
    "unknown height": (site_facts(heights=None, no_heights="no heights here"), SETTINGS),
    "pasture": (site_facts(measure="fence and plant", area=(500.0, 1000.0, 3000.0)), SETTINGS),
    "stations": (
        site_facts(
            heights=seen_heights(
                np.full(11, 5.0), np.linspace(1.0, 2.0, 11), np.full(11, "top", object), 0.3, SETTINGS.sizing
            ),
            start=(1.0, 0.5, 0.0),
            start_basis="assumed",
        ),
        SETTINGS,
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_each_formula_gives_its_middle_and_each_range_is_in_order(case):
    facts, settings = CASES[case]
    found = size_site(facts, settings)
    assert len(found) > 4
    assert [one.item for one in found] == sorted((one.item for one in found), key=ITEM_KEYS.index)
    for one in found:
        value, written, unit = computed(one.formula)
        assert (value, written) == (pytest.approx(one.mid, rel=0.003), pytest.approx(one.mid, rel=0.003)), one.formula
        assert unit == item_of(one.item).unit, one.formula
        assert 0 <= one.low <= one.mid <= one.high


def test_every_measure_has_its_scope():
    assert tuple(sorted(scope.measure for scope in SCOPES)) == tuple(sorted(MEASURES))
    sized = {measure: set(items_of(site_facts(measure=measure))) for measure in MEASURES}
    assert sized["plant"] == PLANTED
    assert sized["fence and plant"] == PLANTED | {"fence", "off_stream_water"}
    assert sized["bank works and plant"] == set(ITEM_KEYS) - {"fence", "off_stream_water"}
    assert (sized["look first"], sized["protect"]) == (set(), set())
    pasture = {**site_facts().site, "adjacent_cover": "pasture"}
    assert set(items_of(site_facts(site=pasture))) == set(ITEM_KEYS)


def test_without_heights_no_earth_is_sized_and_the_page_says_measure_first():
    facts = site_facts(heights=None, no_heights="the heights here have cells of 10 m, too wide to show a bank")
    found = items_of(facts)
    assert not {"earth_cut", "spoil", "face", "mat", "live_stake", "seed", "run_out", "land_taken"} & set(found)
    assert not_sized(facts, list(found.values())) == (
        "No earth, mat, live stakes or seed: nobody knows how high the bank is (the heights here have cells of 10 m, "
        "too wide to show a bank). Measure it first. Rock is by length alone: whether so high a bank needs it is not "
        "known."
    )
    assert found["key_rock"].basis == "assumed"
    assert not_sized(site_facts(), list(items_of(site_facts()).values())) is None


def test_a_basis_is_that_of_the_least_certain_fact():
    certain = items_of(site_facts())
    assert (certain["earth_cut"].basis, certain["face"].basis, certain["tree"].basis) == ("given", "given", "measured")
    guessed = items_of(site_facts(start=(1.0, 0.5, 0.0), start_basis="assumed", length_basis="modelled"))
    assert (guessed["earth_cut"].basis, guessed["face"].basis) == ("assumed", "modelled")


def test_a_slope_that_nobody_measured_widens_the_cut_but_not_the_face():
    known, unknown = items_of(site_facts(finished=2.0)), items_of(site_facts(finished=2.0, start=(1.0, 0.5, 0.0)))
    assert unknown["earth_cut"].low == pytest.approx(known["earth_cut"].low / 2)
    assert unknown["earth_cut"].high == pytest.approx(known["earth_cut"].high)
    assert unknown["face"] == known["face"]


def test_trees_that_were_counted_are_told_as_counted():
    assert items_of(site_facts(given=Given(trees_lost=7.0)))["trees_lost"].range == (7, 7, 7)
    none = items_of(site_facts(woody=(0.0, 0.0, 0.0)))["trees_lost"]
    assert none.range == (0, 0, 0)


def test_a_fence_runs_down_to_the_bank_at_no_end_one_or_both():
    found = items_of(site_facts(measure="fence and plant"))
    assert found["fence"].range == (55, 85, 115)
    assert found["off_stream_water"].range == (0, 1, 1)


def test_tables_hold_a_row_a_site_and_say_why_nothing_is_sized():
    sites = [
        site_facts(),
        replace_site("B", measure="look first"),
        replace_site("C", area=(0.0, 0.0, 0.0), measure="plant"),
    ]
    tables = size_facts(sites, settings_with(**WORKED))
    told = tables["work_sites"].set_index("site_id")
    assert told["sized"].tolist() == [True, False, False]
    assert told["not_sized"].tolist()[1:] == [
        "Nothing: somebody has to look why the bank erodes before works are thought of.",
        "No plants: there is no ground to plant.",
    ]
    heights = told.loc["AAAAAA-01-L-S1", ["height_low_m", "height_mid_m", "height_high_m"]].tolist()
    assert heights == pytest.approx([1.4, 1.725, 2.05])
    assert set(tables["work_items"]["site_id"]) == {"AAAAAA-01-L-S1"}
    about = tables["work_warnings"]
    assert about.loc[about["site_id"].isna(), "check"].tolist() == ["temporary", "fill", "anchor", "lift_slope"]


def replace_site(name, **changed):
    facts = site_facts(**changed)
    return replace(facts, site={**facts.site, "site_id": name})


def test_what_a_site_was_sized_from_is_told():
    assert told_of(site_facts(), SETTINGS) == [
        "Length 55 m, given.",
        "Height of the bank measured on site: 1.4 to 2.05 m; taken as 1.4, 1.72 and 2.05 m on average.",
        "Slope now 0:1, measured on site; afterwards 3:1, a choice of design.",
        "Ground to plant 1500 m2: ground of the strip that lacks counting cover.",
    ]


def test_a_range_of_ground_is_told_with_its_ends():
    facts = site_facts(measure="plant", area=(450.0, 900.0, 1000.0), area_says="uncertain")
    assert told_of(facts, SETTINGS)[-1] == "Ground to plant 450, 900 and 1000 m2: uncertain."


def test_a_range_that_is_none_is_refused():
    with pytest.raises(ValueError, match="fence from 3 over 2 to 4 is no range"):
        Quantity("fence", 3, 2, 4, "", "given")
