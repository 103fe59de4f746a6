"""Bank lines of two dates: how far banks moved, what could be detected, and what it does to score and words."""

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter1d

from gisprio.compute.banks.bank_lines import find_bank_lines
from gisprio.compute.banks.retreat import find_retreat
from gisprio.compute.banks.stations import lay_stations
from gisprio.compute.factors import layer_with_factors
from gisprio.compute.scoring.ranks import rank_banks
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import BANK_LINES, BANK_MEASURES, BANKS, SIDE_SCARS, STATION_RESULTS
from gisprio.contracts.schema import check
from gisprio.run.explain import retreat_lines
from makers import frame
from tables import bank_chain, nearby, network, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Five reaches of 200 m; the left bank lies east."""
OLD, NEW = 2010.5, 2020.5


def bank_lines(*lines, error_m=np.nan):
    """Lines (date, x or list of x, y): each runs along the stream, straight or by its own points."""
    shapes = [shapely.LineString(at if isinstance(at, list) else [(at, -10), (at, 1010)]) for _, at in lines]
    errors = error_m if isinstance(error_m, list) else [error_m] * len(lines)
    return check(BANK_LINES, frame(shapes, date_y=[date for date, _ in lines], error_m=errors))


def bulge(x, to_x, low=400, high=500):
    return [(x, -10), (x, low), (to_x, low), (to_x, high), (x, high), (x, 1010)]


def stations(line=SOUTH):
    core = network(line)
    return lay_stations(core, {"segments": core["segments"]}, {}, settings())["stations"]


def found(lines, error_m=0.5, line=SOUTH):
    """Left and right rates and bounds along the middle of the stream."""
    laid = stations(line)
    rows = find_retreat(laid, lines, error_m).merge(laid[["segment_no", "station_no", "at_m"]])
    return rows[rows["at_m"].between(405, 495)]


def rates(lines, **more):
    """The one rate and the one bound of each side."""
    rows = found(lines, **more)
    got = rows.groupby("side")[["retreat_m_y", "least_retreat_m_y"]].agg(lambda v: v.drop_duplicates().tolist())
    assert got.map(len).eq(1).all().all()
    return {side: (row["retreat_m_y"][0], row["least_retreat_m_y"][0]) for side, row in got.iterrows()}


def test_retreat_is_the_outward_move_over_the_years_and_its_bound_comes_from_both_errors():
    """Left: 3 m in 10 years. Bound: 1.96 sqrt(.3^2 + .4^2) / 10 = .098 m/y."""
    got = rates(bank_lines((OLD, 4.0), (NEW, 7.0), error_m=[0.3, 0.4]))
    assert got[0] == pytest.approx((0.3, 0.098))
    assert np.isnan(got[1]).all()


def test_errors_that_the_data_do_not_tell_are_the_setting_s():
    assert rates(bank_lines((OLD, 4.0), (NEW, 7.0)), error_m=1.0)[0] == pytest.approx((0.3, 0.196 * np.sqrt(2)))


@pytest.mark.parametrize(("moved", "told"), [(1.38, False), (1.39, True), (-1.38, False), (-1.39, True)])
def test_what_the_lines_cannot_show_is_null_with_its_bound_and_never_nought(moved, told):
    """1.96 x .5 x sqrt(2) = 1.386 m."""
    rate, least = rates(bank_lines((OLD, 5.0), (NEW, 5.0 + moved)))[0]
    assert least == pytest.approx(0.1386, abs=1e-4)
    assert rate == pytest.approx(moved / 10) if told else np.isnan(rate)


def test_of_three_dates_the_oldest_and_the_newest_count_however_they_are_ordered():
    assert rates(bank_lines((2015.5, 9.0), (NEW, 7.0), (OLD, 4.0)))[0][0] == pytest.approx(0.3)


@pytest.mark.parametrize("lines", [[(OLD, 4.0)], [(OLD, 4.0), (np.nan, 9.0)], [(OLD, 4.0), (OLD, 9.0)], []])
def test_one_date_tells_nothing(lines):
    assert found(bank_lines(*lines))[["retreat_m_y", "least_retreat_m_y"]].isna().all().all()


def test_over_less_than_a_year_nothing_is_scaled_up():
    assert rates(bank_lines((2020.0, 4.0), (2020.5, 7.0)))[0] == pytest.approx((3.0, 1.386), abs=1e-3)


def test_a_line_that_turns_back_is_taken_where_it_is_nearest_outward():
    """The old line comes back at x 40, as around the next bend."""
    back = [(4, -10), (4, 1010), (40, 1010), (40, -10)]
    assert rates(bank_lines((OLD, back), (NEW, 7.0)))[0][0] == pytest.approx(0.3)


@pytest.mark.parametrize(("metres", "count"), [(15, 0), (20, 4)])
def test_a_move_counts_where_it_goes_on_for_20_m(metres, count):
    rows = found(bank_lines((OLD, 4.0), (NEW, bulge(4.0, 9.0, 420, 420 + metres))))
    assert rows["retreat_m_y"].notna().sum() == count
    assert rows.loc[rows["side"] == 0, "least_retreat_m_y"].notna().all()


def test_a_channel_that_moved_by_more_than_half_its_width_keeps_its_banks_apart():
    """Banks at -3 and 3; ten years ago at -9 and -3.5, or at -7 and -1: west of the present centre line."""
    for west, east in ((-9.0, -3.5), (-7.0, -1.0)):
        got = rates(bank_lines((OLD, west), (OLD, east), (NEW, -3.0), (NEW, 3.0)))
        assert got[0][0] == pytest.approx((3.0 - east) / 10)
        assert got[1][0] == pytest.approx((3.0 + west) / 10)
        assert got[1][0] < 0


def test_two_old_lines_far_apart_on_one_side_are_no_channel():
    got = rates(bank_lines((OLD, 4.0), (OLD, 40.0), (NEW, -3.0), (NEW, 6.0)))
    assert got[0][0] == pytest.approx(0.2)
    assert np.isnan(got[1][0])


def test_reversing_the_map_swaps_the_sides_and_nothing_else():
    lines = bank_lines((OLD, 4.0), (NEW, 7.0), (OLD, -4.0), (NEW, -4.9), error_m=0.2)
    down, up = rates(lines), rates(lines, line=SOUTH.reverse())
    assert (down[0], down[1]) == (pytest.approx(up[1]), pytest.approx(up[0]))
    assert down[0][0] > down[1][0] > 0


def wandering(line, error_m, rng):
    """A line whose place errs by ``error_m``, alike over some metres."""
    points = shapely.get_coordinates(line)
    error = gaussian_filter1d(rng.standard_normal(points.shape), 10, axis=0)
    return shapely.LineString(points + error_m * error / error.std())


def test_on_a_winding_stream_moves_are_told_from_the_error_of_the_lines():
    """Left 3 m in ten years, right nothing, each line off by .5 m: a bound of 1.39 m that chance passes in 5 %."""
    along = np.linspace(0, 1500, 3001)
    line = shapely.LineString(np.column_stack([25 * np.sin(along / 40), 1500 - along]))
    rng = np.random.default_rng(11)
    offsets, dates = (3, -3, 6, -3), [OLD, OLD, NEW, NEW]
    lines = frame([wandering(line.offset_curve(o), 0.5, rng) for o in offsets], date_y=dates, error_m=[0.5] * 4)
    rows = find_retreat(stations(line), lines, 1.0)
    left, right = (rows.loc[rows["side"] == side, "retreat_m_y"] for side in (0, 1))
    assert (left > 0).mean() > 0.95
    assert left.mean() == pytest.approx(0.3, abs=0.01)
    assert right.notna().mean() < 0.05


def test_the_setback_is_measured_from_the_newest_line_and_undated_ones_come_last():
    lines = bank_lines((NEW, 7.0), (OLD, 4.0), (np.nan, 2.0), (np.nan, -6.0))
    points = find_bank_lines({"stations": stations()}, nearby(bank_lines=lines), {}, settings())["bank_points"]
    offsets = points.groupby("side")["offset_m"].unique().map(list)
    assert offsets.tolist() == [[7.0], [6.0]]


def wood(x, y):
    return np.full(x.shape, 1)


def judged(lines, **sections):
    """A weak straight stream, for which the modelled erosion score is low everywhere."""
    core = bank_chain(SOUTH, wood, halo={"bank_lines": lines}, **sections)
    check(SIDE_SCARS, core["side_scars"])
    core["reach_measures"] = core["reach_measures"].assign(unit_stream_power_w_m2=5.0)
    core["valleys"] = core["valleys"].assign(valley_width_m=60.0)
    made = settings(**sections)
    core |= score_sides(core, {}, {}, made)
    check(layer_with_factors(BANK_MEASURES), core["bank_measures"])
    check(layer_with_factors(STATION_RESULTS), core["station_results"])
    got = rank_banks(core | nearby(), {}, made)
    return core, check(layer_with_factors(BANKS), got["banks"]).set_index("bank_id")


@pytest.fixture(scope="module")
def moved():
    """Left 5.6 m out over 100 m of one reach, and inward over 100 m of another, in ten years; right only lately."""
    inward = bulge(7.0, 4.0, 0, 100)[1:5]
    outward = bulge(7.0, 12.6)[1:5]
    new = [(7.0, -10), *inward, *outward, (7.0, 1010)]
    return judged(bank_lines((OLD, 7.0), (NEW, new), (NEW, -4.0)))


def test_observed_retreat_beats_what_is_modelled(moved):
    """.56 m/y lies between .24 (80) and 1.4 (100): 80 + 20 x .32 / 1.16 = 85.5."""
    bank = moved[1].loc["S0-03-L"]
    assert bank["retreat_m_y"] == pytest.approx(0.56)
    assert (bank["retreat_basis"], bank["observed_erosion"]) == ("measured", 1.0)
    assert bank["erosion_score"] == pytest.approx(85.5)
    assert bank["erosion_rank"] == 1
    assert bank["why"] == (
        "Erodes, riparian cover mostly there: look first: seen to erode along 100 %, retreated by 0.56 m a year, all "
        "on its worst stretch."
    )


def test_a_bank_that_grew_does_not_erode(moved):
    bank = moved[1].loc["S0-01-L"]
    assert bank["retreat_m_y"] == pytest.approx(-0.3)
    assert (bank["retreat_score"], bank["observed_erosion"]) == (0.0, 0.0)
    assert "rodes" not in bank["why"]


def test_a_bank_without_detectable_move_has_a_bound_and_one_of_one_date_has_none(moved):
    still, unknown = moved[1].loc["S0-02-L"], moved[1].loc["S0-02-R"]
    assert np.isnan(still["retreat_m_y"])
    assert still["retreat_basis"] == "measured"
    assert still["least_retreat_m_y"] == pytest.approx(0.196 * np.sqrt(2))
    assert np.isnan(unknown[["retreat_m_y", "least_retreat_m_y", "observed_erosion"]].astype(float)).all()
    assert unknown["retreat_basis"] == "missing"
    assert not moved[1].loc[["S0-02-L", "S0-02-R"], "why"].str.contains("rodes").any()


def test_stations_carry_rate_and_bound(moved):
    rows = moved[0]["station_results"]
    rows = rows[rows["retreat_m_y"].notna()].groupby(["bank_id", "retreat_m_y"]).size()
    assert {(bank, round(rate, 6)): n for (bank, rate), n in rows.items()} == {
        ("S0-01-L", -0.3): 20,
        ("S0-03-L", 0.56): 20,
    }


def test_what_was_seen_on_a_part_of_a_bank_was_seen():
    """Lines of two dates over 40 m of the bank: 40 of its worst 50 m erode, and nothing is told of the rest."""
    lines = bank_lines((OLD, [(7.0, 440), (7.0, 480)]), (NEW, 9.6), error_m=0.2)
    bank = judged(lines, priority={"nodes": {"retreat": [[0, 0], [0.26, 0.5]]}})[1].loc["S0-03-L"]
    assert bank["observed_erosion"] == pytest.approx(0.8)
    assert bank["retreat_m_y"] == pytest.approx(0.26)
    assert bank["retreat_score"] == pytest.approx(40.0)
    assert bank["erosion_score"] == pytest.approx(64.0)


def test_explain_says_rate_and_bound(moved):
    banks = moved[1]
    said = [retreat_lines(banks.loc[name]) for name in ("S0-03-L", "S0-02-L", "S0-01-L", "S0-01-R")]
    assert said == [
        ["  bank lines of two dates: retreat 0.56 m/y; smallest detectable 0.28 m/y"],
        ["  bank lines of two dates: no retreat detectable; smallest detectable 0.28 m/y"],
        ["  bank lines of two dates: the bank grew by 0.30 m/y: no erosion; smallest detectable 0.28 m/y"],
        [],
    ]
