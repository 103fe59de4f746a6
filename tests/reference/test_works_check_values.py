"""Check values of concept sizing: a bank worked by hand (common practice, no source), and printed or defined numbers.

Numbers of tests are those of the list of checks of buffer widths and works.
"""

from __future__ import annotations

import numpy as np
import pytest

from gisprio.compute.works.design import dig_by_hand
from gisprio.compute.works.earthwork import (
    cut_section,
    cut_volume,
    end_area,
    face_area,
    prismoidal,
    run_out,
    size_earthwork,
    strip_area,
)
from gisprio.compute.works.heights import even
from gisprio.compute.works.planting import plants
from gisprio.compute.works.shear import boundary_shear_pa
from gisprio.compute.works.sizing import size_site
from gisprio.compute.works.stakes import density, row_count
from gisprio.compute.works.toe import dumped_density, peaked_section, size_toe
from gisprio.compute.works.warnings import warnings_of_settings, warnings_of_site, warnings_of_slope
from gisprio.compute.works.wrapping import course_rise, largest_lift, layer_count, layer_lengths, roll_count
from gisprio.contracts.constants import (
    CUBIC_YARD_M3,
    FOOT_M,
    PERMIT_FILL,
    PERMIT_LENGTH,
    SHEAR_BARE,
    SHEAR_HARD,
    SHEAR_LEAST,
    SHEAR_MAT,
    SHEAR_PLANTED,
    SHORT_TON_T,
)
from gisprio.contracts.settings import Sizing
from works_facts import WORKED, settings_with, site_facts

BANK = even(55.0, 1.40, 2.05)
ACRE_M2 = 4046.8564224


def test_earth_of_the_worked_bank():
    assert [run_out(h, 0, 3) for h in (1.40, 2.05)] == pytest.approx([4.20, 6.15])
    assert [cut_section(h, 0, 3) for h in (1.40, 2.05)] == pytest.approx([2.940, 6.304], abs=5e-4)
    ends = cut_section(1.40, 0, 3), cut_section(1.725, 0, 3), cut_section(2.05, 0, 3)
    assert prismoidal(*ends, 55) == pytest.approx(248.39, abs=0.005)
    assert end_area(ends[0], ends[2], 55) == pytest.approx(254.20, abs=0.005)
    assert cut_volume(BANK, 0, 3) == pytest.approx(prismoidal(*ends, 55), rel=1e-12)
    by_start = [cut_volume(BANK, z0, 3) for z0 in (0.25, 0.5, 1.0)]
    assert by_start == pytest.approx([227.69, 206.99, 165.60], abs=0.006)
    assert [cut_volume(BANK, 0, z) for z in (2, 4)] == pytest.approx([165.60, 331.19], abs=0.006)
    assert face_area(BANK, 3) == pytest.approx(300.0, abs=0.05)
    assert strip_area(BANK, 0, 3) == pytest.approx(284.6, abs=0.05)


def test_the_items_of_the_worked_bank_hold_the_same_numbers():
    facts, settings = site_facts(), settings_with(**WORKED)
    found = {one.item: one.range for one in size_site(facts, settings)}
    assert (found["run_out"][0], found["run_out"][2]) == pytest.approx((4.20, 6.15))
    assert (found["cut_section"][0], found["cut_section"][2]) == pytest.approx((2.940, 6.304), abs=5e-4)
    assert found["earth_cut"][1] == pytest.approx(248.39, abs=0.005)
    assert found["earth_cut"] == pytest.approx((55 * 2.94, 248.39, 55 * 6.30375), abs=0.005)
    assert found["face"][1] == pytest.approx(300.0, abs=0.05)
    assert found["land_taken"][1] == pytest.approx(284.6, abs=0.05)
    assert found["spoil"][1] == pytest.approx(1.25 * 248.39, abs=0.01)
    assert found["lift"] == (5, 6, 7)
    assert found["lift_length"][1] == pytest.approx(342.69, abs=0.01)


def test_a_balanced_cut_moves_a_quarter():
    facts = site_facts()
    assert facts.heights is not None
    sizing = Sizing(**WORKED, balanced=True)
    found = {one.item: one for one in size_earthwork(facts.heights, facts.start, "given", 3.0, "given", sizing)}
    assert found["earth_cut"].mid == pytest.approx(62.10, abs=0.005)
    assert found["run_out"].range == pytest.approx((2.10, 2.5875, 3.075))
    assert found["spoil"].range == (0, 0, 0)
    assert "balanced" in [about for about, _, _ in warnings_of_slope(3.0, sizing)]


def test_lifts_mats_rolls_and_stakes_of_the_worked_bank():
    assert [layer_count(h, 0.30) for h in (1.40, 2.05)] == [5, 7]
    lengths = layer_lengths(BANK, 0.30)
    assert lengths == pytest.approx([55, 55, 55, 55, 55, 46.538, 21.154], abs=5e-4)
    assert 2.0 * lengths[0] == pytest.approx(110)
    assert 2.0 * lengths.sum() == pytest.approx(685.4, abs=0.05)
    assert largest_lift(2.0, 0.70, 3) == pytest.approx(0.325)
    assert roll_count(58, 50, 0.5) == 2
    assert [roll_count(length, 50, 0.5) for length in (99.5, 99.6)] == [2, 3]
    assert course_rise(2.0, 0.15, 2.0) == pytest.approx(1.85 / 5**0.5)
    assert (row_count(55, 0.90), row_count(55, 0.60)) == (62, 92)


def test_a_fold_covers_lifts_up_to_its_limit():
    low, high = (Sizing(**WORKED | {"lift_height_m": lift}) for lift in (0.325, 0.45))
    assert [about for about, _, _ in warnings_of_slope(3.0, low)] == ["lift_slope"]
    assert [about for about, _, _ in warnings_of_slope(3.0, high)] == ["lift_slope", "fold"]


def test_this_very_case_must_warn_of_its_anchor():
    warned = {about: says for about, says, _ in warnings_of_settings(Sizing(**WORKED))}
    assert warned.pop("anchor") == "An anchor of 0.7 m is shorter than the published embedment of 0.91 m."
    assert list(warned) == ["fill"]
    assert [about for about, _, _ in warnings_of_settings(Sizing(**WORKED | {"anchor_m": 0.91}))] == ["fill"]


def test_25_prismoidal_and_end_area():
    assert prismoidal(10, 18, 20, 10) == 170.0
    assert end_area(10, 20, 10) == 150.0


@pytest.mark.parametrize("seed", range(50))
def test_volumes_are_those_between_two_gridded_surfaces(seed):
    """A bank of random length, heights and slopes, laid out as two surfaces of heights on a grid."""
    rng = np.random.default_rng(seed)
    length, first, last = rng.uniform(20, 200), *rng.uniform(0.5, 4.0, 2)
    start = rng.uniform(0.0, 1.5)
    finished = start + rng.uniform(0.5, 3.0)
    along, out = np.linspace(0, length, 121), np.linspace(0, finished * max(first, last), 1201)
    heights = (first + (last - first) * along / length)[:, None]
    now = np.minimum(out / max(start, 1e-9), heights)
    after = np.minimum(out / finished, heights)
    between = np.trapezoid(np.trapezoid(now - after, out, axis=1), along)
    assert cut_volume(even(length, first, last), start, finished) == pytest.approx(between, rel=0.01)


def test_29_slope_doubles_the_volume_and_height_squares_it():
    for slope, scale in ((1.5, 0.5), (2.0, 1.7), (3.0, 3.0)):
        one = cut_volume(BANK, 0, slope)
        assert cut_volume(BANK, 0, 2 * slope) == pytest.approx(2 * one)
        scaled = even(55.0, 1.40 * scale, 2.05 * scale)
        assert cut_volume(scaled, 0, slope) == pytest.approx(scale**2 * one)


def test_37_live_stakes_in_triangles():
    two, three = 2 * FOOT_M.value, 3 * FOOT_M.value
    assert density(two, "triangular") == pytest.approx(3.107, abs=5e-4)
    assert density(three, "triangular") == pytest.approx(1.381, abs=5e-4)
    by_yard = [density(spacing, "triangular") * (3 * FOOT_M.value) ** 2 for spacing in (three, two)]
    assert by_yard == pytest.approx([1.15, 2.60], abs=0.005)
    assert by_yard != pytest.approx([2, 4], abs=0.5)


def test_38_plants_on_an_acre_and_a_hectare():
    foot = FOOT_M.value
    assert ACRE_M2 / (8 * foot * 10 * foot) == pytest.approx(544.5)
    assert [density(side * foot, "square") * ACRE_M2 for side in (10, 12)] == pytest.approx([435.6, 302.5])
    assert density(3, "square") * 10_000 == pytest.approx(1111.1, abs=0.05)
    assert density(3, "triangular") * 10_000 == pytest.approx(1283.0, abs=0.05)
    assert [density(s, "square") * 10_000 for s in (2, 2.5, 4)] == pytest.approx([2500, 1600, 625])


def test_39_plants_to_order():
    assert plants(1500, 3, "square") == 167
    assert plants(1500, 3, "square", 0.80) == 209


def test_40_rock_along_a_toe():
    ton_a_foot = SHORT_TON_T.value / FOOT_M.value
    assert Sizing().toe_rock_t_m == pytest.approx((ton_a_foot, 2 * ton_a_foot), abs=5e-5)
    rock = {one.item: one for one in size_toe(100.0, "given", None, 3.0, Sizing())}["toe_rock"]
    assert (rock.low, rock.high) == pytest.approx((297.6, 595.3), abs=0.05)
    assert peaked_section(1.0, 1.5) == 1.5
    assert peaked_section(1.0, 1.5) * dumped_density() == pytest.approx(1.5 * 2.65 * (1 - 0.375))


def test_42_shear_beside_what_materials_bear():
    assert boundary_shear_pa(0.8, 0.004) == pytest.approx(31.4, abs=0.05)
    published = [(SHEAR_BARE, 0.25), (SHEAR_LEAST, 0.5), (SHEAR_PLANTED, 4), (SHEAR_MAT, 8), (SHEAR_HARD, 13)]
    for constant, lb_ft2 in published:
        assert constant.value == pytest.approx(lb_ft2 * 47.88, abs=0.6)
    settings = settings_with()

    def told(shear):
        facts = site_facts(shear_pa=shear)
        return {about: says for about, says, _ in warnings_of_site(facts, size_site(facts, settings), settings)}

    assert told(31.4)["shear"].startswith("At bankfull the water pulls at bed and bank with about 31 Pa on average.")
    assert "shear" not in told(float("nan"))


def test_41_limits_of_a_national_permit():
    assert PERMIT_LENGTH.value == pytest.approx(500 * FOOT_M.value)
    assert PERMIT_FILL.value == pytest.approx(CUBIC_YARD_M3.value / FOOT_M.value, abs=5e-4)
    settings = settings_with()

    def about(length):
        facts = site_facts(length_m=length, site={**site_facts().site, "length_m": length})
        return [one for one, _, _ in warnings_of_site(facts, size_site(facts, settings), settings)]

    assert ("length" in about(160.0), "length" in about(152.4), "length" in about(152.0)) == (True, False, False)
    fill = {one[0]: one[1] for one in warnings_of_settings(Sizing())}["fill"]
    assert fill.startswith("5.953 t/m of rock are about 3.6 m3/m: above 2.508 m3/m, ")
    most = PERMIT_FILL.value * dumped_density()
    below, above = (Sizing(toe_rock_t_m=(2.9763, most * share)) for share in (0.999, 1.001))
    assert [about for about, _, _ in warnings_of_settings(below)] == []
    assert [about for about, _, _ in warnings_of_settings(above)] == ["fill"]


def test_47_a_trench_beside_the_mark_of_a_line_is_dug_by_hand():
    assert [dig_by_hand(distance) for distance in (0.0, 0.61, 0.62)] == [True, True, False]
