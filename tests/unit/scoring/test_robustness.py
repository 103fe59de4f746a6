"""The stage of the draws: columns it fills, the verdict, what changes the top."""

import numpy as np
import pandas as pd
import pytest

from banks_world import THREE, drawn_tables, ranked_banks, some_values, three_factors
from gisprio.compute.scoring.robustness import draw_ranks, summarise, told_apart_to
from gisprio.compute.scoring.sensitivity import moved_weights
from gisprio.contracts.findings import findings_from
from gisprio.contracts.layers import ROBUSTNESS, SENSITIVITY
from gisprio.contracts.schema import check
from gisprio.contracts.settings import Robustness
from tables import settings

STILL = {"draws": 10, "weight_spread": 0.0, "error_scale": 0.0}


def _run(tables, **sections):
    before = {name: table.copy() for name, table in tables.items()}
    priority = THREE | sections.pop("priority", {})
    got = draw_ranks(tables, {}, settings(**{"robustness": {"draws": 300}, "priority": priority, **sections}))
    for name, table in before.items():
        pd.testing.assert_frame_equal(pd.DataFrame(tables[name]), pd.DataFrame(table))
    check(ROBUSTNESS, got["robustness"])
    check(SENSITIVITY, got["sensitivity"])
    return got


@pytest.mark.parametrize("combine", ["geometric", "weighted_sum"])
def test_without_errors_the_interval_is_the_rank(combine):

    priority = three_factors(combine=combine)
    tables = drawn_tables(ranked_banks(some_values(400), priority=priority))
    got = _run(tables, robustness=STILL, priority={"combine": combine})
    for name in ("drawn_banks", "drawn_reaches", "drawn_properties"):
        table = got[name]
        rank = table["rank"].to_numpy(float)
        assert len(table) > 0
        assert (table["rank_p05"] == rank).all(), name
        assert (table["rank_p95"] == rank).all(), name
        assert (table["top_share"] == (rank <= 20)).all()
    assert (got["drawn_banks"]["rank_p50"] == got["drawn_banks"]["rank"]).all()


def test_what_was_observed_holds_in_every_draw():
    """Bank 7 is weak by the factors and scarred: without errors it keeps the rank that the scar gives it."""
    values = some_values(100)
    values.loc[7, ["unit_stream_power_w_m2", "outer_bend"]] = [1.0, np.nan]
    plain = ranked_banks(values)
    scarred = ranked_banks(values.assign(observed_erosion_score=np.where(np.arange(100) == 7, 80.0, 0.0)))
    assert scarred.loc[7, "rank"] < plain.loc[7, "rank"]
    got = _run(drawn_tables(scarred), robustness=STILL)
    assert (got["drawn_banks"]["rank_p95"] == got["drawn_banks"]["rank"]).all()
    moved = _run(drawn_tables(scarred))["drawn_banks"].loc[7]
    assert moved["rank_p95"] < plain.loc[7, "rank"]


def test_banks_that_are_not_ranked_have_no_interval():
    banks = ranked_banks(some_values(40))
    banks.loc[3, ["not_ranked", "rank", "priority"]] = ["a ditch", pd.NA, np.nan]
    got = _run(drawn_tables(banks))["drawn_banks"]
    for name in ("rank_p05", "rank_p50", "rank_p95", "top_share"):
        assert got[name].isna().tolist() == [n == 3 for n in range(40)]
    assert (got["rank_p05"].dropna() <= got["rank_p50"].dropna()).all()


def test_without_a_ranked_bank_everything_is_null():
    banks = ranked_banks(some_values(8))
    tables = drawn_tables(banks)
    tables["banks"]["rank"] = pd.array([pd.NA] * 8, dtype="Int64")
    tables["reaches"]["rank"] = pd.array([pd.NA] * 4, dtype="Int64")
    got = _run(tables)
    assert got["drawn_banks"]["rank_p95"].isna().all()
    assert (len(got["sensitivity"]), len(got["findings"])) == (0, 0)
    assert got["robustness"]["verdict"].tolist() == ["No bank is ranked."]


def test_a_missing_value_widens_the_interval():
    values = some_values(100).assign(unit_stream_power_w_m2=40.0, missing_strip=0.6)
    known = ranked_banks(values)
    asked = known.copy()
    asked.loc[50, "unit_stream_power_basis"] = "default"
    still = {"robustness": {"draws": 300, "weight_spread": 0.0, "error_scale": 0.2}}
    a, b = (_run(drawn_tables(banks), **still)["drawn_banks"].loc[50] for banks in (known, asked))
    assert b["rank_p95"] - b["rank_p05"] > 3 * (a["rank_p95"] - a["rank_p05"])


def test_the_verdict_is_a_finding():
    got = _run(drawn_tables(ranked_banks(some_values(200))), robustness=STILL)
    (found,) = findings_from(got["findings"])
    assert (found.severity, found.layer, found.check) == ("note", "banks", "draws")
    assert found.says == (
        "20 of the top 20 banks stay there in at least 80% of 10 draws of weights and errors; ranks beyond 125 are not "
        "told apart from the middle of the 200 ranked banks."
    )
    assert found.do == "Read rank_p05 and rank_p95 beside rank; sensitivity.csv says what would change the top."


def test_summary_by_hand():
    banks = pd.DataFrame({"rank": [1, 2, 3, 4, 5, None], "rank_p95": [1, 4, 2, 5, 5, None],
                          "top_share": [1.0, 0.79, 0.8, 0.1, 0.0, None]})  # fmt: skip
    row = summarise(banks, Robustness(draws=100, top_n=3)).iloc[0]
    assert (row["ranked_banks"], row["top_banks"], row["top_staying"], row["told_apart_to_rank"]) == (5, 3, 2, 1)
    assert row["verdict"] == (
        "2 of the top 3 banks stay there in at least 80% of 100 draws of weights and errors; ranks beyond 1 are not "
        "told apart from the middle of the 5 ranked banks."
    )
    tied = summarise(banks.assign(rank=[1, 1, 1, 1, 5, None], rank_p95=5.0), Robustness(draws=100, top_n=3))
    assert tied["verdict"].tolist() == [
        "2 of the 4 banks of rank 3 or better stay there in at least 80% of 100 draws of weights and errors; no rank "
        "is told apart from the middle of the 5 ranked banks."
    ]


def test_ranks_told_apart_by_hand():
    rank = np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10])
    assert told_apart_to(rank, np.array([2.0, 3, 4, 9, 5, 8, 9, 9, 9, 10])) == 5  # 4 of the first 5
    assert told_apart_to(rank, np.full(10, 9.0)) == 0
    assert told_apart_to(np.array([1.0, 1, 1, 1]), np.array([1.0, 1, 4, 4])) == 0  # equal ranks go together
    assert told_apart_to(np.zeros(0), np.zeros(0)) == 0


# ---------------------------------------------------------------- what changes the top


def _sensitivity(banks, **sections):
    got = _run(drawn_tables(banks), robustness={"draws": 1}, **sections)["sensitivity"]
    return got.set_index(["moved", "direction"])


def test_moved_weights_keep_the_proportions_of_the_others():
    assert moved_weights({"a": 500, "b": 300, "c": 200}, "a", -50, 1000) == {"a": 0, "b": 600, "c": 400}
    assert moved_weights({"a": 1000, "b": 0}, "a", -10, 1000) == {"a": 900, "b": 100}


def test_the_smallest_move_of_a_weight_by_hand():
    """Ten banks of bend score 656 and no power, one of power score 500: it passes as 500 w > 656 (1 - w), w > .567."""
    values = pd.DataFrame({"unit_stream_power_w_m2": [1.0] * 10 + [35.0, 1.0],
                           "outer_bend": [4.0] * 10 + [np.nan, np.nan], "missing_strip": 1.0})  # fmt: skip
    table = _sensitivity(ranked_banks(values))
    up, down = table.loc[("unit_stream_power", "up")], table.loc[("unit_stream_power", "down")]
    assert (up["moved_by"], up["changed_count"], up["first_in"]) == (7.0, 1, "S001-01-L")
    assert (up["kind"], up["unit"]) == ("weight", "percent points")
    assert [down["changed_count"], *down[["moved_by", "first_in"]].isna()] == [0, True, True]
    assert table.loc[("outer_bend", "down"), "moved_by"] == 7.0


def test_the_smallest_move_agrees_with_trying_each():
    banks = ranked_banks(some_values(120, seed=3))
    table = _sensitivity(banks)

    top = set(banks.loc[banks["rank"] <= 10, "bank_id"])
    for sign, direction in ((1, "up"), (-1, "down")):
        moved = table.loc[("unit_stream_power", direction), "moved_by"]
        for percent in range(1, 51):
            erosion = {"unit_stream_power": 50.0 + sign * percent, "outer_bend": 50.0 - sign * percent}
            again = ranked_banks(some_values(120, seed=3), priority=three_factors(erosion=erosion))
            if set(again.loc[again["rank"] <= 10, "bank_id"]) != top:
                break
        assert moved == percent


def test_inputs_are_moved_by_one_standard_deviation_at_all_banks():
    values = some_values(120, seed=4).assign(line_offset_m=0.0).round({"missing_strip": 3})
    banks = ranked_banks(values)
    table = _sensitivity(banks)
    inputs = table[table["kind"] == "input"]
    assert set(inputs.index.get_level_values(0)) == {"curve", "slope", "legend", "line"}
    assert set(inputs["unit"]) == {"standard deviations"}
    assert (inputs["moved_by"] == 1).all()
    assert not table.loc[["line", "slope"], "changed_count"].any()
    changed = []
    for z, direction in ((1, "up"), (-1, "down")):
        barer = ranked_banks(values.assign(missing_strip=(values["missing_strip"] + 0.15 * z).clip(0, 1)))
        out = (banks["rank"] <= 10) & (barer["rank"] > 10)
        changed.append(int(out.sum()))
        assert table.loc[("legend", direction), "changed_count"] == out.sum()
    assert max(changed) > 0
