"""Scores of station sides and their roll-up to banks, on hand-made streams."""

import numpy as np
import pytest
import shapely

from gisprio.compute.factors import layer_with_factors
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import BANK_MEASURES, SIDE_SCORES, STATION_RESULTS
from gisprio.contracts.schema import check
from makers import frame
from tables import bank_chain, settings

SOUTH = shapely.LineString([(0, 1000), (0, 0)])


def scored(line, cover, power=35.0, valley=60.0, **kwargs):
    """Run the bank stages and score; the valley is ``valley`` wide everywhere, the stream 6 m."""
    core = bank_chain(line, cover, **kwargs)
    core["valleys"] = core["valleys"].assign(valley_width_m=valley)
    core["reach_measures"] = core["reach_measures"].assign(unit_stream_power_w_m2=power)
    got = score_sides(core, {}, {}, settings())
    check(layer_with_factors(SIDE_SCORES), got["side_scores"])
    check(layer_with_factors(STATION_RESULTS), got["station_results"])
    return check(layer_with_factors(BANK_MEASURES), got["bank_measures"]).set_index(["reach_no", "side"])


def wood(x, y):
    return np.full(x.shape, 1)


def scar_of_60_m(x, y):
    """Wood everywhere but for 60 m of pasture on the left, from y 300 to 360."""
    return np.where((x > 0) & (y > 300) & (y < 360), 2, 1)


def test_a_scar_of_60_m_is_not_diluted_in_a_reach_of_200():
    banks = scored(SOUTH, scar_of_60_m)
    assert banks.loc[(1, 0), "missing_strip_score"] == 100.0
    assert banks.loc[(1, 0), "missing_strip"] == 1.0
    assert banks.loc[(1, 0), "gap_length_m"] == 60.0
    assert banks.loc[(1, 0), "gap_above_share"] == pytest.approx(0.3)
    assert banks.loc[(1, 1), "missing_strip_score"] == 0.0
    assert banks.loc[(0, 0), "gap_length_m"] == 0.0


def test_cover_moves_no_factor_of_erosion_that_has_a_weight_by_default():
    def bare(x, y):
        return np.full(x.shape, 2)

    weights = settings().priority.erosion
    wooded, open_ground = scored(SOUTH, wood), scored(SOUTH, bare)
    moved = {key for key in weights if not wooded[f"{key}_score"].equals(open_ground[f"{key}_score"])}
    assert moved == {"near_bank_cover"}
    assert weights["near_bank_cover"] == 0.0
    assert (open_ground["missing_strip_score"] - wooded["missing_strip_score"]).tolist() == [100.0] * len(wooded)


def test_a_wooded_bend_and_a_bare_straight_are_not_taken_for_a_bare_bend():
    """Bend and bare ground lie 300 m apart on one bank of 600 m: each is worst by itself, neither stretch is both."""
    angle = np.linspace(0, np.pi / 2, 100)
    arc = np.column_stack([18 * np.cos(angle) - 18, 18 * np.sin(angle)])  # bends left: the right bank is the outer one
    line = shapely.LineString([(0, -400), *arc, (-200, 18)])

    def bare_below(x, y):
        return np.where((y < -100) & (y > -200), 2, 1)

    def bare_bend(x, y):
        return np.where((np.hypot(x + 18, y) < 60) & (y > -20), 2, 1)

    def right(cover):
        banks = scored(line, cover, step=700.0, power=10.0)
        assert len(banks) == 2
        return banks.loc[(0, 1)]

    apart, together = right(bare_below), right(bare_bend)
    assert apart["outer_bend_worst_score"] > 60
    assert apart["missing_strip_worst_score"] == 100
    assert min(apart["outer_bend_score"], apart["missing_strip_score"]) < 10
    assert together["outer_bend_score"] > 60
    assert together["missing_strip_score"] > 90


def test_the_worst_stretch_is_named_by_its_place():
    banks = scored(SOUTH, scar_of_60_m)
    assert banks.loc[(1, 0), ["worst_from_m", "worst_to_m"]].tolist() == pytest.approx([100.0, 150.0], abs=5.0)


def test_cover_beside_the_bank_is_named_where_the_strip_lacks_some_not_where_most_of_it_is_wooded():
    banks = scored(SOUTH, scar_of_60_m)
    assert banks.loc[(1, 0), "adjacent_cover"] == "pasture"  # on 60 of 200 m, and the only one that is not wood
    assert banks.loc[(1, 1), "adjacent_cover"] == "woody"


@pytest.mark.parametrize(("valley", "score"), [(12.0, 0.0), (36.0, 25.0), (60.0, 50.0), (600.0, 50.0)])
def test_force_is_multiplied_by_freedom_to_move(valley, score):
    banks = scored(SOUTH, wood, power=35.0, valley=valley)  # 35 W/m2 scores .5; 6 widths of 6 m: half way
    assert set(banks["unit_stream_power_score"]) == {score}
    assert set(banks["unit_stream_power_w_m2"]) == {35.0}
    assert set(banks["unit_stream_power_basis"]) == {"modelled"}


@pytest.mark.parametrize(("power", "valley"), [(np.nan, 60.0), (35.0, np.nan)])
def test_missing_in_gives_missing_out(power, valley):
    banks = scored(SOUTH, wood, power=power, valley=valley)
    assert banks["unit_stream_power_score"].isna().all()
    assert set(banks["unit_stream_power_basis"]) == {"missing"}
    assert banks["missing_strip_score"].notna().all()


def test_only_the_outer_bank_of_a_bend_scores_and_its_value_is_the_tightest_radius():
    angle = np.linspace(0, np.pi, 200)
    arc = np.column_stack([30 * np.cos(angle), 30 * np.sin(angle)])  # anticlockwise: bends left, outer bank right
    line = shapely.LineString([(30, -200), *arc, (-30, -200)])
    banks = scored(line, wood)
    left, right = banks.xs(0, level="side"), banks.xs(1, level="side")
    assert right["outer_bend_score"].max() > 40  # r/w = 5 scores 51, the 50 m window takes in some of the straight
    assert right["outer_bend"].min() == pytest.approx(5.0, rel=0.05)
    assert left["outer_bend_score"].max() == 0.0


def test_crossings_and_water_without_a_bank_are_left_out():
    road = frame([shapely.LineString([(-100, 500), (100, 500)])]).assign(**{"class": ["primary"]})
    banks = scored(SOUTH, wood, halo={"roads": road})
    assert banks.loc[(2, 0), "crossing_length_m"] == 20.0
    assert banks.loc[(2, 0), "length_m"] == 180.0
    pond = scored(SOUTH, wood, kind="lake_path")
    assert (pond["length_m"] == 0).all()
    assert pond["missing_strip_score"].isna().all()
    assert pond["gap_length_m"].isna().all()


def test_the_tidal_part_of_a_bank_does_not_rank_it():
    """Pasture below y 80, wood above; the lowest 90 m are tidal, so what is left of the lowest bank is wood."""

    def bare_below(x, y):
        return np.where(y < 80, 2, 1)

    def judged(tidal_m):
        core = bank_chain(SOUTH, bare_below)
        below = core["stations"]["at_m"] < tidal_m
        core["stations"] = core["stations"].assign(kind=np.where(below, "tidal", "natural"))
        return score_sides(core, {}, {}, settings())["bank_measures"].set_index(["reach_no", "side"]).loc[(0, 0)]

    assert judged(0.0)["missing_strip_score"] == 100.0
    part = judged(90.0)
    assert (part["missing_strip_score"], part["length_m"]) == (0.0, 200.0)
    assert part["worst_from_m"] >= 90.0
    assert judged(1000.0)["missing_strip_score"] == 100.0  # of no ranked kind anywhere: measured all the same


def test_bank_lines_run_downstream_on_their_own_side():
    banks = scored(SOUTH, wood)
    left = banks.loc[(0, 0), "geometry"]
    assert left.coords[0] == pytest.approx((3.0, 200.0), abs=0.01)
    assert left.coords[-1] == pytest.approx((3.0, 0.0), abs=0.01)
    assert banks.loc[(0, 1), "geometry"].coords[0][0] == pytest.approx(-3.0, abs=0.01)


def test_delivery_counts_by_the_share_of_strip_that_is_missing():
    banks = scored(SOUTH, scar_of_60_m, supply=0.3, flows=((320.0, 0, 2.0), (320.0, 1, 2.0)))
    assert banks.loc[(1, 0), "delivery"] == pytest.approx(0.3)
    assert banks.loc[(1, 0), "delivery_score"] == 50.0  # .3 is half way; all of the strip is missing
    assert banks.loc[(1, 1), "delivery_score"] == 0.0  # as much comes, and a whole strip meets it
    assert banks.loc[(1, 1), "delivery"] == pytest.approx(0.3)
    counts = banks[["concentrated_flow_count", "concentrated_flow_gap_count"]]
    assert counts.loc[(1, 0)].tolist() == [1, 1]
    assert counts.loc[(1, 1)].tolist() == [1, 0]
    assert counts.loc[(0, 0)].tolist() == [0, 0]


def test_missing_delivery_is_missing():
    banks = scored(SOUTH, scar_of_60_m, supply=np.nan)
    assert banks["delivery_score"].isna().all()
    assert set(banks["delivery_basis"]) == {"missing"}


def test_natural_share_is_that_of_the_length_without_a_gap_for_nature():
    """Pasture on the left, natural from y 850 up and below y 50; reaches of 200 m, numbered from y 0."""

    def cover(x, y):
        return np.where(x < 0, 1, np.where((y > 850) | (y < 50), 5, 2))

    core = bank_chain(SOUTH, cover, setback={"natural": ["bare"]})
    banks = score_sides(core, {}, {}, settings())["bank_measures"].set_index(["reach_no", "side"])
    assert banks.loc[(0, 0), "natural_share"] == pytest.approx(0.25)
    assert banks.loc[(2, 0), "natural_share"] == 0.0
    assert banks.loc[(4, 0), "natural_share"] == pytest.approx(0.75)
    assert banks.loc[(4, 0), "gap_length_m"] == pytest.approx(50.0)
    assert (banks["natural_share"].xs(1, level="side") == 0).all()


def test_a_bank_says_on_how_much_of_it_the_width_is_measured():
    """Cover beside y 0 to 50 is not known; reaches of 200 m, numbered from y 0."""
    core = bank_chain(SOUTH, lambda x, y: np.where((x > 0) & (y < 50), 0, 2))
    banks = score_sides(core, {}, {}, settings())["bank_measures"].set_index(["reach_no", "side"])
    assert banks.loc[(0, 0), ["width_known_share", "gap_length_m"]].tolist() == pytest.approx([0.75, 150.0])
    assert banks.loc[(0, 1), ["width_known_share", "gap_length_m"]].tolist() == pytest.approx([1.0, 200.0])
    nothing = bank_chain(SOUTH, lambda x, y: np.zeros(x.shape))
    banks = score_sides(nothing, {}, {}, settings())["bank_measures"]
    assert (banks["width_known_share"] == 0).all()
    assert banks["natural_share"].isna().all()


def test_a_stretch_is_chosen_by_the_score_that_is_read_there_and_not_by_what_is_missing():
    """Where most of a stretch is unknown and the rest is whole, the unknown must not make it the worst."""
    core = bank_chain(SOUTH, wood)
    at = core["stations"].set_index("station_no")["at_m"].reindex(core["side_cover"]["station_no"]).to_numpy()
    strip = np.where((at > 210) & (at < 270), 0.4, 0.0)
    strip[(at > 300) & (at < 380) & (np.arange(len(at)) // 2 % 6 > 0)] = np.nan
    core["side_cover"] = core["side_cover"].assign(missing_strip=strip)
    core["valleys"] = core["valleys"].assign(valley_width_m=60.0)
    core["reach_measures"] = core["reach_measures"].assign(unit_stream_power_w_m2=35.0)
    banks = score_sides(core, {}, {}, settings())["bank_measures"].set_index(["reach_no", "side"])
    assert banks.loc[(1, 0), "missing_strip_score"] == pytest.approx(40.0)
    assert banks.loc[(1, 0), "missing_strip_worst_score"] == pytest.approx(40.0)
    assert banks.loc[(1, 0), ["worst_from_m", "worst_to_m"]].tolist() == pytest.approx([10.0, 70.0], abs=11)
