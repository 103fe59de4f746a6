"""Register of the worked numbers that the tests hold gisprio to: what, how near, from where, and by which test.

Numbers 1 to 56 are those of the list of worked checks this project began with; letters part several numbers of one
check. A check goes through a ``stage`` when the number is read off what a stage of the stage table, reading of layers
or a whole run gives for layers; else through the ``function`` that holds the formula.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

STAGES, SCORED = "test_stage_checks.py", "test_stage_scores.py"
FLOW, LINES = "test_hydraulics.py", "test_lines_on_ground.py"
SLOPES, NET, GRID, RANKS = "test_hillslope.py", "test_network.py", "test_terrain.py", "test_weights_and_ranks.py"
HORN, SCORES, SOILS = "test_slope.py", "../unit/scoring/test_factors.py", "../unit/banks/test_soils.py"


@dataclass(frozen=True, slots=True)
class Check:
    """One worked number, or a few of one example.

    Parameters
    ----------
    number
        In the list, with a letter where it has several.
    what
        The case.
    expected
        Numbers as they stand in the test.
    within
        Tolerance, as written there.
    source
        Key in references.toml, or the work itself; where a number follows from geometry alone, how.
    test
        File and function.
    through
        ``stage`` or ``function``.
    """

    number: str
    what: str
    expected: tuple[float, ...]
    within: str
    source: str
    test: tuple[str, str]
    through: Literal["stage", "function"]


def _held(
    file: str,
    test: str,
    source: str,
    within: str,
    through: Literal["stage", "function"],
    *rows: tuple[str | float, ...],
) -> list[Check]:
    """Give the checks of one test and source: number, case, and the numbers expected."""
    return [
        Check(str(number), str(what), tuple(map(float, expected)), within, source, (file, test), through)
        for number, what, *expected in rows
    ]


THROUGH_STAGES = (
    *_held(STAGES, "test_bankfull_width", "bieger2015", ".001 m", "stage",
           ("1", "width, USA, 10 km2", 6.072),
           ("1b", "width, USA, 1 km2", 2.7),
           ("1c", "width, USA, 100 km2", 13.657),
           ("1d", "width, USA, 1,000 km2", 30.716),
           ("3", "width, Appalachian Highlands, 100 km2", 21.094),
           ("3b", "width, Appalachian Highlands, 10 km2", 8.112),
           ("3c", "width, Atlantic Plain, 10 km2", 5.121),
           ("3d", "width, Interior Plains, 10 km2", 5.744),
           ("3e", "width, Laurentian Upland, 10 km2", 8.434),
           ("3f", "width, Rocky Mountain System, 10 km2", 3.376),
           ("3g", "width, Intermontane Plateaus, 10 km2", 2.886),
           ("3h", "width, Pacific Mountain System, 10 km2", 6.917),
           ("4", "width, Interior Highlands, 10 km2", 30.694),
    ),
    *_held(STAGES, "test_bankfull_depth", "bieger2015", ".001 m", "stage",
           ("2", "mean depth, USA, 100 km2", 0.8001),
           ("2b", "mean depth, USA, 1,000 km2", 1.3065),
           ("2c", "mean depth, Atlantic Plain, 10 km2", 0.5049),
    ),
    *_held(STAGES, "test_bankfull_width", "harman1999", ".001 m", "stage",
           ("5", "width, N. Carolina rural Piedmont, 10 mi2", 9.754),
    ),
    *_held(STAGES, "test_bankfull_depth", "harman1999", ".001 m", "stage",
           ("5b", "depth, N. Carolina rural Piedmont, 10 mi2", 0.955),
    ),
    *_held(STAGES, "test_bankfull_discharge", "harman1999", ".002 m3/s", "stage",
           ("6", "discharge, N. Carolina rural, 10 mi2", 13.232),
    ),
    *_held(STAGES, "test_bankfull_discharge", "bent_waite2013", ".002 m3/s", "stage",
           ("7", "discharge, Northeast, 10 mi2", 9.2695),
           ("7b", "discharge, Massachusetts, 10 mi2, cfs", 234.1),
    ),
    *_held(STAGES, "test_bankfull_discharge", "usgs_sir_2004_5247", ".002 m3/s", "stage",
           ("7c", "discharge, New York 5, 10 mi2, cfs", 325.16),
    ),
    *_held(STAGES, "test_bankfull_width", "bent_waite2013", ".001 m", "stage",
           ("7d", "width, Northeast, 10 mi2", 12.157),
    ),
    *_held(STAGES, "test_bankfull_depth", "bent_waite2013", ".001 m", "stage",
           ("7e", "depth, Northeast, 10 mi2", 0.6295),
    ),
    *_held(STAGES, "test_a_curve_in_miles_and_feet_gives_the_width_of_the_same_curve_in_kilometres",
           "exact, by definition", "1e-11", "stage",
           ("9", "width of a curve in mi2 and in km2", 2.589988110336),
    ),
    *_held(STAGES, "test_unit_stream_power", "bull1979", ".1 %", "stage",
           ("10", "unit stream power, Q 10, S .005, w 12", 40.875),
           ("11", "unit stream power, Q 3, S .002, w 8", 7.3575),
    ),
    *_held(STAGES, "test_chain_from_area_alone", "bieger2015", ".2 %", "stage",
           ("12", "chain from 10 km2, S .005, n .04: Q, power", 2.958, 23.894),
    ),
    *_held(STAGES, "test_power_of_the_northeast_curve", "bent_waite2013", ".1 %", "stage",
           ("12b", "power, Northeast, 10 mi2, S .005", 37.4),
    ),
    *_held(SCORED, "test_score_of_unit_stream_power", "brookes1987", ".0005", "stage",
           ("13", "score of power 20", 0.2766),
           ("13b", "score of power 35", 0.5),
    ),
    *_held(SCORED, "test_score_of_unit_stream_power", "nanson_croke1992", ".0005", "stage",
           ("13c", "score of power 100", 0.7443),
           ("13d", "score of power 130.8", 0.8068),
           ("13e", "score of power 300 and more", 1),
    ),
    *_held(SCORED, "test_score_of_a_bend", "hec15", ".02: smoothing", "stage",
           ("14", "score of a bend of 2.5 widths", 0.9059),
           ("14b", "score of a bend of 3 widths", 0.8186),
           ("14c", "score of a bend of 4 widths", 0.6556),
           ("14d", "score of a bend of 5 widths", 0.5079),
           ("14e", "score of a bend of 6 widths", 0.3756),
           ("14f", "score of a bend of 8 widths", 0.1571),
    ),
    *_held(SCORED, "test_score_of_bank_height_ratio", "rosgen2001", ".0006", "stage",
           ("18", "score of height ratio 1.3", 0.4037),
           ("18b", "score of height ratio 1.6", 0.5889),
           ("18c", "scores of height ratios at breaks", 0.3333, 0.5444, 0.7667, 0.8889),
    ),
    *_held(SCORED, "test_score_of_bank_angle", "rosgen2001", ".0006", "stage",
           ("18d", "score of angle 45", 0.2389),
           ("18e", "scores of angles at breaks", 0.3222, 0.5444, 0.7667),
    ),
    *_held(SCORED, "test_score_of_critical_shear", "julian_torres2006", ".0005 of 22.5 Pa", "stage",
           ("19", "critical shear, 20 % fines", 4.5908),
           ("19b", "critical shear, 50 % fines", 13.07),
           ("19c", "critical shear, 80 % fines", 20.2712),
           ("19d", "critical shear, 100 % fines", 22.49),
    ),
    *_held(SCORED, "test_score_of_resistance_under_cover", "julian_torres2006", ".001", "stage",
           ("20", "resistance under grass and dense trees", 1.97, 19.2),
    ),
    *_held(SCORED, "test_length_and_steepness_of_a_first_cell", "desmet_govers1996", ".1 %", "stage",
           ("23", "LS of a first cell of 10 m at 10 %", 0.7765),
    ),
    *_held(SCORED, "test_what_arrives_by_index_of_connectivity", "vigiak2012", ".2 %", "stage",
           ("32", "what arrives at index -2", 0.1782),
           ("32b", "what arrives at index -3", 0.1184),
           ("32c", "what arrives at index -4", 0.0763),
           ("32d", "what arrives at index -5", 0.0481),
    ),
    *_held(SCORED, "test_what_arrives_by_index_of_connectivity", "borselli2008", ".2 %", "stage",
           ("32e", "what arrives at index -6", 0.0299),
    ),
    *_held(STAGES, "test_accumulation_of_the_6_by_6_grid", "ocallaghan1984", "exact", "stage",
           ("36", "accumulation of the 6 by 6 grid"),
    ),
    *_held(STAGES, "test_orders_of_strahlers_network", "strahler1957", "exact", "stage",
           ("39", "orders of the network of heads a to e and j", 3),
    ),
    *_held(STAGES, "test_magnitudes_of_shreves_network", "Shreve 1966, J. Geol. 74:17", "exact", "stage",
           ("39b", "magnitudes of that network", 5, 6),
    ),
    *_held(STAGES, "test_a_divided_channel_that_rejoins_raises_neither_order_nor_area",
           "strahler1957", "exact", "stage",
           ("40", "divided channel that rejoins: order, area", 2),
    ),
    *_held(STAGES, "test_sinuosity", "elliptic integral", ".0005", "stage",
           ("41", "sinuosity of a sine, amplitude times wave number 1", 1.216),
    ),
    *_held(STAGES, "test_sinuosity", "600 m over 400 m", "1e-9", "stage",
           ("42", "sinuosity of exactly 1.5", 1.5),
    ),
    *_held(SCORED, "test_weights_told_are_the_principal_eigenvector", "saaty1980", "as told", "stage",
           ("43", "three judgements: weights, ratio", 0.636986, 0.258285, 0.104729, 0.0332),
           ("45", "four factors: weights, ratio", 0.467296, 0.277181, 0.160088, 0.095435, 0.0115),
           ("45b", "five factors: weights, ratio", 0.263603, 0.475835, 0.053815, 0.098068, 0.108678, 0.0161),
    ),
    *_held(SCORED, "test_a_run_ranks_by_the_principal_eigenvector", "saaty1980", "in thousandths", "stage",
           ("43b", "weights that a run ranks by", 0.636986, 0.258285, 0.104729),
    ),
    *_held(SCORED, "test_a_run_refuses_judgements_in_a_circle", "saaty1980", "ratio 6.130", "stage",
           ("46", "circular judgements are refused"),
    ),
    *_held(SCORED, "test_rank_acceptability_of_two_alternatives",
           "lahdelma_salminen2001", ".015 of 10,000 draws", "stage",
           ("47", "two alternatives: 6/13 and 7/13", 6, 7, 13),
    ),
    *_held(SCORED, "test_rank_acceptability_of_three_alternatives",
           "lahdelma_salminen2001", ".015 of 10,000 draws", "stage",
           ("48", "three alternatives: first, first or second", 0.2, 0.4, 0.5),
    ),
    *_held(SCORED, "test_rank_acceptability_of_two_alternatives", "lahdelma_salminen2001", "1e-12", "stage",
           ("50", "shares of the first rank sum to 1", 1),
    ),
    *_held(STAGES, "test_error_of_a_slope_fitted_to_51_heights",
           "least squares of independent errors", "2e-7", "stage",
           ("52", "error of a slope of 51 heights, 10 m apart", 9.513e-05),
    ),
    *_held(STAGES, "test_a_missing_code_of_an_area_is_missing_when_layers_are_read",
           "NHDPlus user guide, missing codes", "exact", "stage",
           ("54", "-9998 is missing when layers are read", -9998),
    ),
    *_held(LINES, "test_slope_and_valley_are_those_of_the_raw_ground_however_deep_the_stream_is_burned",
           "manuals of hydrography: raw heights for slopes", "exact", "stage",
           ("55", "slope and valley unchanged by burning"),
    ),
    *_held(LINES, "test_a_line_30_m_beside_its_channel_is_flagged_by_the_ratio_of_areas",
           "manuals of hydrography: ratio of areas", "exact", "stage",
           ("56", "line 30 m beside its channel is flagged", 30),
    ),
)  # fmt: skip

THROUGH_FUNCTIONS = (
    *_held(FLOW, "test_closure", "bieger2015", ".25, .0501", "function",
           ("8", "closure of every curve"),
    ),
    *_held(SCORES, "test_bend_shear_factor", "hec15", "1e-4", "function",
           ("15", "bend shear factor at 12 widths", 1.05),
    ),
    *_held(NET, "test_radius_of_a_line_is_that_of_the_circle_through_three_of_its_points",
           "sides over four times the area", "1e-9", "function",
           ("16", "radius of three points", 50, 50.5),
    ),
    *_held(SOILS, "test_critical_shear_under_sparse_trees", "julian_torres2006", ".01", "function",
           ("20b", "critical shear, 50 % fines, sparse trees", 70.578),
    ),
    *_held(SLOPES, "test_22_length_and_steepness_of_100_feet", "wischmeier_smith1978", ".002", "function",
           ("22", "AH-537 LS of 100 ft at 10 % and 5 %", 1.369, 0.535),
    ),
    *_held(SLOPES, "test_23_revised_length_and_steepness", "renard1997", ".001", "function",
           ("23b", "RUSLE LS at 10 %, 50 m", 1.787),
    ),
    *_held(SLOPES, "test_24_exponent_of_length", "mccool1989", ".005", "function",
           ("24", "exponent of length at 10, 20, 50 %", 0.518, 0.614, 0.7),
    ),
    *_held(SLOPES, "test_25_steepness_has_its_published_step_at_9_percent", "mccool1987", ".001", "function",
           ("25", "steepness at 9 % minus and plus", 0.998, 1.006),
    ),
    *_held(SLOPES, "test_26_the_unit_plot_gives_one_by_moore_and_burch_too",
           "Moore and Burch 1986, SSSAJ 50:1294", "1e-4", "function",
           ("26", "unit plot by another published form", 1.0005),
    ),
    *_held(SLOPES, "test_27_length_of_a_cell_goes_by_aspect", "desmet_govers1996", ".001", "function",
           ("27", "length of a cell, cardinal and diagonal", 3.228, 2.698),
    ),
    *_held(SLOPES, "test_28_the_mean_over_a_slope_is_that_of_the_whole_slope",
           "desmet_govers1996", "1e-4", "function",
           ("28", "mean cell L over 100 m", 2.1257),
    ),
    *_held(SLOPES, "test_29_erodibility_is_in_us_units", "wischmeier_smith1978", "1e-4", "function",
           ("29", "erodibility by nomograph, US and SI", 0.3109, 0.04094),
    ),
    *_held(SLOPES, "test_30_the_product_of_the_equation", "wischmeier_smith1978", ".02", "function",
           ("30", "product of the equation", 14.42, 32.33),
    ),
    *_held(SLOPES, "test_31_index_of_connectivity_and_what_arrives", "borselli2008", "1e-4", "function",
           ("31", "index of connectivity, what arrives", -4.3802, 0.06413),
    ),
    *_held(SLOPES, "test_33_slope_and_weight_are_kept_within_bounds", "cavalli2013", "exact", "function",
           ("33", "bounds of slope and weight", 0.005, 1, 0.001),
    ),
    *_held(HORN, "test_slope_of_the_worked_example", "horn1981", "1e-3", "function",
           ("34", "slope of the worked 3 by 3 grid", 75.2577),
    ),
    *_held(HORN, "test_a_plane_that_falls_1_in_10_has_5_7106_degrees_and_its_own_way_down",
           "horn1981", "1e-3", "function",
           ("35", "plane of 1 in 10", 5.7106),
    ),
    *_held(GRID, "test_directions_of_the_6_by_6_grid", "ocallaghan1984", "exact", "function",
           ("36b", "directions of the 6 by 6 grid"),
    ),
    *_held(GRID, "test_height_above_the_nearest_stream_of_the_6_by_6_grid", "nobre2011", "exact", "function",
           ("37", "height above the stream, 6 by 6 grid"),
    ),
    *_held(GRID, "test_filling_the_5_by_5_grid_raises_the_inside_to_the_notch_and_no_more_when_done_again",
           "barnes2014", "exact", "function",
           ("38", "filling of the 5 by 5 grid, twice", 7),
    ),
    *_held(RANKS, "test_consistent_judgements_have_ratio_0", "saaty1980", "1e-9", "function",
           ("44", "consistent judgements have ratio 0", 0),
    ),
    *_held(RANKS, "test_central_weights_of_identity", "lahdelma_salminen2001", ".01", "function",
           ("49", "central weights of identity", 11, 18, 7, 36),
    ),
    *_held(FLOW, "test_shortest_length_of_a_slope", "two independent errors", ".1 m", "function",
           ("51", "shortest length of a slope", 707.1),
    ),
)  # fmt: skip

NOT_CHECKED = {
    17: "a field index by five measures of which a map shows two: gisprio makes none",
    21: "mass of a bank by a rate of retreat: no rate has a published coefficient, so there is no mass",
    53: "the AGREE form of lowering: gisprio lowers by a ramp of its own, tested by what it must not change (55)",
}
"""Numbers of the list without a test, and why."""

CHECKS = THROUGH_STAGES + THROUGH_FUNCTIONS
