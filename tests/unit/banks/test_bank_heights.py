"""Bank heights and angles on ground whose banks are known; where there is none to tell, the reason."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.bank_heights import angle_says, bank_height
from gisprio.compute.banks.bank_profiles import fitted, steepest, waters_edge
from gisprio.contracts.settings import Dem
from makers import frame
from unit.banks.bank_world import SOUTH, channel, measured

SEEDS = (57, 3101, 90210)


def rolled(sides: pd.DataFrame, dem: Dem | None = None) -> list[dict[str, object]]:
    """Roll sides up as two banks, left and right, of stations that stand for equal lengths."""
    got = []
    for _, rows in sides.groupby("side"):
        bank = {name: rows[name].to_numpy() for name in rows}
        n = len(rows)
        got.append(bank_height(bank | {"length_m": np.full(n, 5.0), "has_bank": np.ones(n, bool)}, dem or Dem()))
    return got


def assert_height(sides, wanted, within):
    for bank in rolled(sides):
        assert bank["bank_height_m"] == pytest.approx(wanted, abs=within)
        assert bank["bank_height_says"] is None


def assert_none(sides, says):
    for bank in rolled(sides):
        assert np.isnan(bank["bank_height_m"])
        assert bank["bank_height_says"] == says


def test_banks_of_1_5_m_to_the_centimetre_without_error():
    sides = measured(SOUTH, height=channel(SOUTH, side=0.0))
    assert set(sides["bank_height_code"]) == {"top"}
    np.testing.assert_allclose(sides["bank_height_m"], 1.5, atol=0.02)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("shift", [(0, 0), (5, 0), (-5, 0)], ids=["on the line", "5 m east", "5 m west"])
def test_banks_of_1_5_m_within_0_3_m_with_correlated_error_and_lines_beside_the_stream(seed, shift):
    sides = measured(SOUTH, height=channel(SOUTH), noise_m=0.1, seed=seed, shift=shift)
    assert sides["bank_height_m"].notna().mean() > 0.95
    assert (sides["bank_height_m"] - 1.5).abs().quantile(0.95) < 0.3
    assert_height(sides, 1.5, 0.15)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("steep", [0.1, 0.3, 0.5, 1.0])
def test_a_v_valley_has_no_bank(steep, seed):
    sides = measured(SOUTH, height=channel(SOUTH, bank=0.0, side=steep), noise_m=0.1, seed=seed)
    assert sides["bank_height_m"].notna().mean() < 0.2
    assert_none(sides, "no break of slope: hillslope, ravine or even ground")


@pytest.mark.parametrize("seed", SEEDS)
def test_on_cells_of_10_m_the_height_is_null_with_the_reason(seed):
    sides = measured(SOUTH, height=channel(SOUTH), cell_m=10.0, noise_m=0.8, seed=seed)
    assert set(sides["bank_height_code"]) == {"coarse"}
    assert_none(sides, "the heights here have cells of 10 m")


def test_where_a_survey_of_10_m_fills_the_mosaic_its_smoothed_cells_are_not_measured():
    sides = measured(SOUTH, height=channel(SOUTH), coarse_west_of=-1.0)
    left, right = rolled(sides)
    assert left["bank_height_m"] == pytest.approx(1.5, abs=0.1)
    assert right["bank_height_says"] == "the heights here have cells of 10 m"


def test_the_step_between_two_surveys_is_no_bank():
    def height(x, y):
        return channel(SOUTH)(x, y) + 3.0 * (x < -5)  # the coarser survey lies 3 m above

    left, right = rolled(measured(SOUTH, height=height, coarse_west_of=-5.0))
    assert left["bank_height_m"] == pytest.approx(1.5, abs=0.1)
    assert right["bank_height_says"] == "no heights here"


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sine_channel_of_known_radius(seed):
    at = np.linspace(0, 600, 1201)
    line = shapely.LineString(np.column_stack([30 * np.sin(2 * np.pi * at / 200), at])[::-1])
    assert 1 / (30 * (2 * np.pi / 200) ** 2) == pytest.approx(33.8, abs=0.1)  # radius at the bends, over 5 widths
    sides = measured(line, height=channel(line), noise_m=0.1, seed=seed, shift=(3, 4))
    assert_height(sides, 1.5, 0.2)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_confluence_of_45_degrees(seed):
    main, below = shapely.LineString([(0, 600), (0, 300)]), shapely.LineString([(0, 300), (0, 0)])
    side = shapely.LineString([(212, 512), (0, 300)])
    height = channel(main, below, side)
    sides = measured(main, side, below, height=height, downstream=(2, 2, -1), noise_m=0.1, seed=seed)
    for number in range(3):
        assert_height(sides[sides["segment_no"] == number], 1.5, 0.2)
    told = sides["bank_height_m"].dropna()
    assert told.max() < 2.5


def test_behind_an_island_the_outer_bank_is_measured_not_the_island():
    west = shapely.LineString([(0, 600), (0, 400), (-12, 360), (-12, 240), (0, 200), (0, 0)])
    east = shapely.LineString([(0, 400), (12, 360), (12, 240), (0, 200)])
    island = 0.6

    def height(x, y):
        inside = (np.abs(x) < 9) & (y > 240) & (y < 360)
        return np.where(inside, 100 + 0.005 * y + island, channel(west, east)(x, y))

    ring = shapely.Polygon(west.buffer(3).union(east.buffer(3)).exterior)
    water = frame([ring], kind=["channel"])
    sides = measured(SOUTH, height=height, halo={"water": water}, noise_m=0.1)
    beside = sides[sides["at_m"].between(245, 355)]
    assert_height(beside, 1.5, 0.2)


def test_the_waters_edge_is_that_of_the_thread_beside_the_bank_line():
    z = np.repeat([100.0, 100.6, 100.05, 101.5], 6)  # the other thread, an island, the thread beside the bank, the bank
    edge, water = waters_edge(z, 0, 20, 18, 0.1)
    assert edge == 17
    assert water == pytest.approx(100.025)


FILL_M = 3.0


def road_fill(x, y):
    """Flat ground 1 m above the water; on the left, beside it, a fill 3 m higher with a crest of 7 m."""
    crest = np.clip((5.5 - np.abs(x - 9)) / 2, 0, 1)
    return np.where(np.abs(x) < 3, 100.0, 101.0 + FILL_M * crest)


def test_a_road_fill_beside_the_stream_is_no_bank():
    road = frame([shapely.LineString([(9, 700), (9, -100)])]).assign(**{"class": ["secondary"]})
    with_road = measured(SOUTH, height=road_fill, halo={"roads": road}, noise_m=0.1)
    left, right = rolled(with_road)
    assert np.isnan(left["bank_height_m"])
    assert left["bank_height_says"] in (
        "a road lies on it: road fill",
        "the ground falls again behind it: dyke, wall, fill or another channel",
    )
    assert right["bank_height_m"] == pytest.approx(1.0, abs=0.15)
    left, right = rolled(measured(SOUTH, height=road_fill, noise_m=0.1))
    assert left["bank_height_says"] == "the ground falls again behind it: dyke, wall, fill or another channel"
    assert right["bank_height_m"] == pytest.approx(1.0, abs=0.15)


def test_a_road_on_a_shelf_over_the_stream_is_no_bank():
    road = frame([shapely.LineString([(9, 700), (9, -100)])]).assign(**{"class": ["secondary"]})
    left, right = rolled(measured(SOUTH, height=channel(SOUTH, bank=3.0, face=2.0, side=0.0), halo={"roads": road}))
    assert left["bank_height_says"] == "a road lies on it: road fill"
    assert right["bank_height_m"] == pytest.approx(3.0, abs=0.1)


def test_a_road_well_behind_the_bank_takes_nothing_away():
    road = frame([shapely.LineString([(20, 700), (20, -100)])]).assign(**{"class": ["secondary"]})
    assert_height(measured(SOUTH, height=channel(SOUTH), halo={"roads": road}), 1.5, 0.1)


def test_a_slope_of_over_6_m_is_a_hillslope():
    high = channel(SOUTH, bank=7.0, face=7.0, side=0.02)
    assert_none(measured(SOUTH, height=high), "a slope of over 6 m: hillslope")
    assert_height(measured(SOUTH, height=high, dem={"most_bank_m": 8.0}), 7.0, 0.3)


def test_a_bank_lower_than_the_error_is_given_and_said_to_be():
    sides = measured(SOUTH, height=channel(SOUTH, bank=0.15, side=0.0))
    for bank in rolled(sides):
        assert bank["bank_height_m"] == pytest.approx(0.15, abs=0.03)
        assert bank["bank_height_says"] == "under 0.3 m, the error of the heights"


def test_no_heights_in_the_water_leave_the_water_level_at_its_edge():
    def height(x, y):
        return np.where(np.abs(x) < 2, np.nan, channel(SOUTH)(x, y))

    assert_height(measured(SOUTH, height=height), 1.5, 0.1)


def test_no_heights_behind_the_bank_are_told():
    sides = measured(SOUTH, height=lambda x, y: np.where(x > 4, np.nan, channel(SOUTH)(x, y)))
    left, right = rolled(sides)
    assert left["bank_height_says"] == "no heights here"
    assert right["bank_height_m"] == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize(("face", "degrees"), [(3.0, 45.0), (5.0, 30.96), (8.0, 20.56)])
def test_the_angle_is_at_least_so_much_where_the_face_spans_three_cells(face, degrees):
    sides = measured(SOUTH, height=channel(SOUTH, bank=3.0, face=face, side=0.0), noise_m=0.1)
    angle = sides["bank_angle_deg"]
    assert angle.notna().mean() > 0.8
    assert degrees - 12 < angle.median() <= degrees
    assert (angle.dropna() <= degrees + 3).mean() > 0.9


def test_a_face_under_three_cells_has_no_angle_but_a_height():
    sides = measured(SOUTH, height=channel(SOUTH, side=0.0))
    assert sides["bank_angle_deg"].isna().all()
    (bank, _) = rolled(sides)
    assert angle_says(bank | {"bank_angle_deg": np.nan}) == (
        "the face spans under 3 cells of the heights on half of the bank or more"
    )
    assert angle_says(bank | {"bank_angle_deg": 40.0}) is None
    low = {"bank_angle_deg": np.nan, "bank_height_says": "no heights here"}
    assert angle_says(low) == "no heights here"


def test_the_largest_rise_sees_more_of_a_vertical_bank_than_a_slope_over_three_cells():
    """A vertical step of 1.5 m on cells of 1 m: Horn gives h / 2D, 36.9 degrees (values of handbooks); this 56.3."""
    z = np.interp(np.arange(0, 10.1, 0.5), [4.5, 5.5], [0.0, 1.5])  # bilinear between two cells
    assert np.degrees(np.arctan(steepest(z, 8, 12, 0.5))) == pytest.approx(56.31, abs=0.01)


def test_a_straight_line_is_fitted_by_least_squares():
    z = np.array([9.0, 1.0, 2.5, 2.0, 4.5, 9.0])
    slope, level = np.polyfit(np.arange(4) * 0.5, z[1:5], 1)
    assert fitted(z, 1, 4, 0.5) == pytest.approx((level, slope))


def stations(height, code, cell=1.0, has_bank=True):
    n = len(height)
    return {
        "bank_height_m": np.array(height),
        "bank_height_code": np.array(code, object),
        "height_cell_m": np.full(n, cell),
        "length_m": np.full(n, 5.0),
        "has_bank": np.broadcast_to(has_bank, n),
    }


def test_a_bank_needs_half_of_its_length_and_takes_the_median():
    nan = np.nan
    got = bank_height(stations([1.0, 1.2, 9.0, nan, nan, nan], ["top"] * 3 + ["road"] * 2 + ["no_break"]), Dem())
    assert got == {"bank_height_m": 1.2, "bank_height_says": None}
    got = bank_height(stations([1.0, 1.2, nan, nan, nan], ["top"] * 2 + ["road"] * 2 + ["no_break"]), Dem())
    assert np.isnan(got["bank_height_m"])
    assert got["bank_height_says"] == "a road lies on it: road fill"


def test_a_bank_that_is_no_bank_says_so():
    got = bank_height(stations([1.0, 1.2], ["top", "top"], has_bank=False), Dem())
    assert np.isnan(got["bank_height_m"])
    assert got["bank_height_says"] == "no bank: standing water, piped or under a crossing"


def test_stations_read_through_one_window_or_through_many_say_the_same(monkeypatch):
    import gisprio.compute.banks.bank_heights as module

    together = measured(SOUTH, height=channel(SOUTH), noise_m=0.1)
    monkeypatch.setattr(module, "STATIONS_AT_ONCE", 5)
    pd.testing.assert_frame_equal(measured(SOUTH, height=channel(SOUTH), noise_m=0.1), together)
