"""Ranks, need and reasons on banks made by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.factors import FACTORS, layer_with_factors
from gisprio.compute.network.curves import read_curve
from gisprio.compute.scoring.orders import needs
from gisprio.compute.scoring.ranks import rank_banks, urban_findings
from gisprio.compute.scoring.reasons import why_sentence
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import (
    BANK_MEASURES,
    BANK_SETBACKS,
    BANKS,
    CONSTRAINTS,
    FURTHER_SETBACKS,
    GAP_PIECES,
    GAPS,
    REACHES,
    ROADS,
    VISIT_PLACES,
)
from gisprio.contracts.schema import check, empty
from makers import CRS
from tables import bank_asked, bank_ground, network, settings


def _tables(scores, kind="natural", apart=None):
    """Banks of reaches of 200 m; ``scores``: (power, bend, strip) 0..100 a bank, left then right of each reach.

    ``apart``: the same where each group is worst by itself; as ``scores`` unless given.
    """
    count = len(scores) // 2
    core = network(shapely.LineString([(0, 200 * count), (0, 0)]), kind=kind)
    banks = gpd.GeoDataFrame(
        {"reach_no": np.repeat(range(count), 2), "side": np.tile([0, 1], count), "length_m": 200.0},
        geometry=[shapely.LineString([(0, 0), (0, 200)])] * len(scores),
        crs=CRS,
    )
    layer = layer_with_factors(BANK_MEASURES)
    for column in layer.columns:
        if column.name not in banks:
            banks[column.name] = {"text": None, "float": np.nan, "int": 0}[column.kind]
    banks[[registered.card.basis_column for registered in FACTORS]] = "missing"
    banks["recentred_length_m"] = 0.0
    banks["crossing_length_m"], banks["gap_length_m"], banks["woody_share_basis"] = 0.0, 100.0, "measured"
    banks["bank_line_basis"], banks["adjacent_cover"], banks["buffer_width_m"] = "half_width", "pasture", 5.0
    for n, key in enumerate(("unit_stream_power", "outer_bend", "missing_strip")):
        value = {"unit_stream_power": "unit_stream_power_w_m2"}.get(key, key)
        score = np.array([np.nan if row[n] is None else row[n] for row in scores], float)
        banks[f"{key}_score"] = score
        banks[f"{key}_worst_score"] = score if apart is None else np.array([row[n] for row in apart], float)
        banks[value] = np.where(np.isnan(score), np.nan, score / 100 if key == "missing_strip" else score)
        banks[f"{key}_basis"] = np.where(np.isnan(score), "missing", "measured")
    return {
        "reach_measures": core["reach_measures"],
        "bank_measures": check(layer, banks),
        "gap_pieces": empty(GAP_PIECES, CRS),
        "bank_asked": bank_asked(banks),
        "further_setbacks": empty(FURTHER_SETBACKS),
        "bank_ground": bank_ground(banks),
        "constraints": empty(CONSTRAINTS, CRS),
        "roads": empty(ROADS, CRS),
        "visit_places": empty(VISIT_PLACES),
    }


def _ranked(scores, kind="natural", apart=None, **sections):
    sections = sections | {"priority": {"gap": {"missing_strip": 100}} | sections.get("priority", {})}
    got = rank_banks(_tables(scores, kind, apart), {}, settings(**sections))
    check(layer_with_factors(BANKS), got["banks"])
    check(REACHES, got["reaches"])
    check(GAPS, got["gaps"])
    check(BANK_SETBACKS, got["bank_setbacks"])
    return got


def test_scores_priority_and_ranks_by_hand():
    banks = _ranked([(100, 0, 100), (0, 0, 100), (60, 60, 60), (0, 0, 0)])["banks"]
    assert banks["bank_id"].tolist() == ["S0-01-L", "S0-01-R", "S0-02-L", "S0-02-R"]
    assert banks["erosion_score"].tolist() == [50.0, 0.0, 60.0, 0.0]
    assert banks["gap_score"].tolist() == [100.0, 100.0, 60.0, 0.0]
    assert banks["priority"].tolist() == [70.71, 31.62, 60.0, 10.0]  # sqrt of products, floored at 10
    assert banks["rank"].tolist() == [1, 3, 2, 4]
    assert banks["erosion_rank"].tolist() == [2, 3, 1, 3]
    assert banks["gap_rank"].tolist() == [1, 1, 3, 4]
    assert banks["need"].tolist() == ["both", "gap_only", "both", "none"]


def test_a_reach_takes_the_priority_of_its_more_urgent_bank():
    reaches = _ranked([(100, 0, 100), (0, 0, 100), (60, 60, 60), (0, 0, 0)])["reaches"]
    assert reaches["priority"].tolist() == [70.71, 60.0]
    assert reaches["rank"].tolist() == [1, 2]
    assert reaches["gap_length_m"].tolist() == [200.0, 200.0]


def test_orders_by_one_group_and_need_look_where_that_group_is_worst():
    shared = [(20, 20, 100), (60, 60, 60)]
    banks = _ranked(shared, apart=[(100, 80, 100), (60, 60, 90)])["banks"]
    assert banks["erosion_score"].tolist() == [20.0, 60.0]
    assert banks["erosion_worst_score"].tolist() == [90.0, 60.0]
    assert banks["erosion_rank"].tolist() == [1, 2]
    assert banks["gap_worst_score"].tolist() == [100.0, 90.0]
    assert banks["priority"].tolist() == [44.72, 60.0]  # sqrt(20 x 100): on one and the same stretch
    assert banks["rank"].tolist() == [2, 1]
    assert banks["need"].tolist() == ["both", "both"]


def test_weighted_sum():
    priority = {"combine": "weighted_sum", "weights": {"erosion": 25, "gap": 75}}
    banks = _ranked([(100, 0, 100), (0, 0, 100)], priority=priority)["banks"]
    assert banks["priority"].tolist() == [87.5, 75.0]


def test_other_kinds_keep_measures_and_say_why_they_are_not_ranked():
    got = _ranked([(100, 0, 100), (0, 0, 100)], kind="ditch")
    assert got["banks"]["not_ranked"].tolist() == ["a ditch", "a ditch"]
    assert got["banks"]["rank"].isna().all()
    assert got["banks"]["missing_strip_score"].tolist() == [100.0, 100.0]
    assert got["banks"]["why"].tolist() == ["Not ranked: a ditch."] * 2
    assert "nothing_ranked" in set(got["findings"]["check"])
    assert _ranked([(100, 0, 100), (0, 0, 100)], kind="ditch", priority={"ranked_kinds": ["ditch"]})["banks"][
        "rank"
    ].tolist() == [1, 2]


def test_single_missing_values_take_the_neutral_score_and_say_so():
    banks = _ranked([(None, 0, 100)] + [(40, 0, 100)] * 9)["banks"]
    assert banks["unit_stream_power_score"].iloc[0] == 50.0
    assert banks["unit_stream_power_basis"].iloc[0] == "default"
    assert np.isnan(banks["unit_stream_power_w_m2"].iloc[0])
    assert "not known: unit stream power" in banks["why"].iloc[0]


def test_a_factor_known_on_too_few_banks_is_shown_and_not_ranked_on():
    got = _ranked([(None, 80, 100)] * 3 + [(90, 80, 100)])
    factors = got["factors"].set_index("key")
    assert factors.index[factors["used"]].tolist() == ["outer_bend", "missing_strip"]
    assert factors["weight"][["unit_stream_power", "outer_bend", "missing_strip"]].tolist() == [0, 1000, 1000]
    assert got["banks"]["unit_stream_power_basis"].tolist() == ["missing"] * 3 + ["measured"]
    assert got["banks"]["erosion_score"].tolist() == [80.0] * 4
    said = {f.check: f.says for f in findings_from(got["findings"])}
    assert said["factor_coverage"] == (
        "Unit stream power is known on 25% of the ranked banks, under the 80% wanted: it is shown, not ranked on."
    )


def test_why_names_what_is_high():
    why = _ranked([(60, 0, 90), (0, 0, 0)])["banks"]["why"]
    assert why.tolist() == [
        "Short of riparian cover, less likely to erode: a bankfull flow of 60.0 W/m2, 90 % of the strip has no cover "
        "that counts (pasture), all on its worst stretch.",
        "Neither score is high.",
    ]


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.75, "; natural, no gap on 75% of it."), (0.3, "; natural, no gap on 30% of it."), (0.29, "."), (np.nan, ".")],
)
def test_why_names_natural_ground_without_a_gap(share, words):
    bank = {"not_ranked": None, "need": "none", "natural_share": share}
    assert why_sentence(bank, []) == "Neither score is high" + words


@pytest.mark.parametrize(
    ("e", "g", "need"),
    [(50, 50, "both"), (50, 49.9, "erosion_only"), (0, 50, "gap_only"), (49, np.nan, "none")],
)
def test_need_is_cut_at_the_threshold(e, g, need):
    assert needs(pd.Series([e]), pd.Series([g]), 50.0) == [need]


def test_rows_in_another_order_change_nothing():
    tables = _tables([(100, 0, 100), (0, 0, 100), (60, 60, 60), (0, 0, 0)])
    before = tables["bank_measures"].copy()
    a = rank_banks(tables, {}, settings())["banks"].set_index("bank_id")
    turned = tables | {"bank_measures": tables["bank_measures"].iloc[::-1].reset_index(drop=True)}
    b = rank_banks(turned, {}, settings())["banks"].set_index("bank_id").loc[a.index]
    pd.testing.assert_frame_equal(pd.DataFrame(a), pd.DataFrame(b))
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(tables["bank_measures"]))


def test_scores_and_priority_of_a_bank_do_not_hang_on_the_others():
    few = _ranked([(100, 0, 100), (20, 0, 30)])["banks"].set_index("bank_id")
    many = _ranked([(100, 0, 100), (20, 0, 30), (0, 0, 0), (90, 90, 90)])["banks"].set_index("bank_id").loc[few.index]
    for column in ("erosion_score", "gap_score", "priority", "need", "unit_stream_power_score"):
        assert many[column].tolist() == few[column].tolist()
    assert (few["rank"].tolist(), many["rank"].tolist()) == ([1, 2], [2, 3])


def test_banks_outside_the_watershed_keep_measures_and_are_not_ranked():
    tables = _tables([(100, 0, 100), (0, 0, 100), (60, 60, 60), (0, 0, 0)])
    tables["reach_measures"] = tables["reach_measures"].assign(outside=[False, True])
    banks = rank_banks(tables, {}, settings())["banks"]
    assert banks["not_ranked"].isna().tolist() == [True, True, False, False]
    assert set(banks["not_ranked"].dropna()) == {"outside the watershed"}
    assert banks["rank"].dropna().tolist() == [1, 2]
    assert banks["missing_strip_score"].notna().all()


def test_a_factor_without_weight_that_is_not_known_goes_unnamed_and_without_a_score():
    banks = _ranked([(60, 0, 90), (0, 0, 0)])["banks"]
    assert banks["bank_height_ratio_score"].isna().all()
    assert set(banks["bank_height_ratio_basis"]) == {"missing"}
    assert not banks["why"].str.contains("not known").any()


# ---------------------------------------------------------------- constraints and works


def _with_ground(known, **columns):
    tables = _tables([(50, 50, 50), (40, 40, 40)])
    tables["bank_ground"] = bank_ground(tables["bank_measures"], **columns)
    if known:
        tables["roads"] = gpd.GeoDataFrame({"class": [None]}, geometry=[shapely.LineString([(0, 0), (1, 1)])], crs=CRS)
    return tables


def test_planted_banks_leave_the_list_with_their_year():
    tables = _with_ground(False, planted_year=pd.array([2021, pd.NA], dtype="Int64"), done_year=2021, done_kind="oaks")
    got = rank_banks(tables, {}, settings())
    banks = check(layer_with_factors(BANKS), got["banks"])
    assert banks["not_ranked"].tolist()[0] == "planted in 2021"
    assert banks["why"].tolist()[0] == "Not ranked: planted in 2021."
    assert pd.isna(banks["rank"][0])
    assert banks["rank"][1] == 1
    assert (banks["done_kind"].tolist(), banks["done_year"].tolist()) == (["oaks"] * 2, [2021] * 2)
    told = [f.says for f in findings_from(got["findings"]) if f.check == "not_ranked"]
    assert told == ["1 banks are not ranked: planted in 2021."]


def test_planting_of_unknown_year_says_so():
    tables = _with_ground(False, planted_year=0)
    assert set(rank_banks(tables, {}, settings())["banks"]["not_ranked"]) == {"planted, the year is not known"}


def test_ground_is_null_where_nothing_is_known_of_constraints_or_gaps():
    columns = ["constrained_length_m", "plantable_area_m2"]
    measured = {"constrained_length_m": 120.0, "plantable_area_m2": 800.0}
    tables = _with_ground(True, **measured)
    tables["bank_measures"]["gap_area_m2"] = [900.0, np.nan]
    got = rank_banks(tables, {}, settings())["banks"]
    np.testing.assert_array_equal(got[columns], [[120.0, 800.0], [120.0, np.nan]])
    unknown = _with_ground(False, **measured)
    unknown["bank_measures"]["gap_area_m2"] = 900.0
    assert rank_banks(unknown, {}, settings())["banks"][columns].isna().all(axis=None)


def test_much_built_up_ground_under_a_curve_that_is_no_urban_one_is_told():
    banks = pd.DataFrame({"adjacent_cover": ["developed", "woody", None], "length_m": [50.0, 200.0, 900.0]})
    (found,) = urban_findings(banks, read_curve("usa"))
    assert (found.severity, found.layer, found.check) == ("warning", "reaches", "urban_stream")
    assert found.says == (
        "Beside 20% of the bank length the ground is developed, but the regional curve usa is not one of built-up land "
        "(its setting: not stated): a city stream under a rural curve is wider and carries more than it says, so "
        "width, discharge and stream power are likely too low."
    )
    assert urban_findings(banks, read_curve("nc-urban-piedmont")) == []
    assert urban_findings(banks.assign(length_m=[49.0, 200.0, 900.0]), read_curve("usa")) == []
