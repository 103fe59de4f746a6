"""Gaps that closed and opened, and their totals, on stations known by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.compare.gaps import change_runs, gap_changes, in_clear_gap
from gisprio.compute.compare.matching import pair_stations
from gisprio.compute.compare.totals import sub_watershed_totals


def make(gap, width, step=5.0, clear=True, sub="W"):
    count = len(gap)
    at = np.arange(count) * step + step / 2
    return pd.DataFrame(
        {
            "segment_id": "S", "station_no": range(count), "side": "left", "bank_id": "S-01-L", "reach_id": "S-01",
            "at_m": at, "x": 0.0, "y": at, "length_m": step, "gap": np.array(gap, bool), "buffer_width_m": width,
            "woody_share": 0.5, "clear": clear, "name": None, "sub_watershed_id": sub,
        }
    )  # fmt: skip


def compared(before, after, shortest=20.0):
    there, back = pair_stations(before, after), pair_stations(after, before)
    then, now = gap_changes(before, after, there, back)
    runs = [change_runs(before, after, there, then, shortest), change_runs(after, before, back, now, shortest)]
    return then, now, pd.concat(runs, ignore_index=True)


def test_what_became_of_each_station():
    before = make([1, 1, 1, 0, 0, 0], [2.0, 2.0, 2.0, 30.0, 30.0, np.nan])
    after = make([1, 0, 0, 1, 0, 1], [2.0, 30.0, np.nan, 1.0, 30.0, 1.0])
    then, now, runs = compared(before, after)
    assert then.tolist() == ["stays", "closed", "lost_sight", "", "", ""]
    assert now.tolist() == ["stays", "", "", "opened", "", "new_sight"]
    assert runs["change"].tolist() == ["closed", "lost_sight", "opened", "new_sight"]


def test_a_bank_that_is_gone_closes_nothing():
    before, after = make([1, 1], [2.0, 2.0]), make([1], [3.0])
    after["y"] += 500.0
    then, now, runs = compared(before, after)
    assert (then.tolist(), now.tolist()) == (["gone", "gone"], ["new_stream"])
    assert runs[["change", "length_m"]].to_numpy().tolist() == [["gone", 10.0], ["new_stream", 5.0]]
    assert runs["bank_id"].isna().tolist() == [True, False]


def test_a_run_has_its_length_its_widths_and_its_line():
    before = make([0, 1, 1, 1, 0, 1], [30.0, 2.0, 4.0, 9.0, 30.0, 6.0])
    after = make([0, 0, 0, 0, 0, 1], [30.0] * 5 + [6.0])
    _, _, runs = compared(before, after, shortest=15.0)
    (run,) = runs.to_dict("records")
    assert (run["change"], run["length_m"], run["certainty"]) == ("closed", 15.0, "clear")
    assert (run["buffer_width_before_m"], run["buffer_width_m"]) == (4.0, 30.0)
    assert shapely.get_coordinates(run["shape"])[0].tolist() == [0.0, 5.0]
    assert shapely.get_coordinates(run["shape"])[-1].tolist() == [0.0, 20.0]


def test_short_runs_and_uncertain_gaps_are_uncertain():
    before, after = make([1] * 6, [2.0] * 6), make([0] * 6, [30.0] * 6)
    assert compared(before, after, shortest=30.0)[2]["certainty"].tolist() == ["clear"]
    assert compared(before, after, shortest=30.1)[2]["certainty"].tolist() == ["uncertain"]
    before["clear"] = [True, True, True, False, False, False]
    assert compared(before, after)[2]["certainty"].tolist() == ["uncertain"]


def test_metres_are_the_same_with_stations_twice_as_far_apart():
    before, after = (
        make([1] * 8 + [0] * 8, [2.0] * 8 + [30.0] * 8),
        make([1, 1] + [0] * 4 + [1, 1], [2.0, 2.0] + [30.0] * 4 + [2.0] * 2, 10.0),
    )
    _, _, runs = compared(before, after)
    assert runs.groupby("change")["length_m"].sum().to_dict() == {"closed": 20.0, "opened": 20.0}


def test_totals_balance_and_are_null_where_gaps_were_measured_in_two_ways():
    before = make([1, 1, 1, 0, 0, 0], [2.0, 2.0, 2.0, 30.0, 30.0, 30.0], sub=["W", "W", "V", "V", None, None])
    after = make([1, 0, 0, 1, 0, 0], [2.0, 30.0, 30.0, 1.0, 30.0, 30.0], sub=["W", "W", "V", "V", None, None])
    runs = compared(before, after)[2]
    table = sub_watershed_totals(before, after, runs, comparable=True).set_index("sub_watershed_id")
    assert table.index.tolist() == ["V", "W", "none", "all"]
    assert table["gap_before_m"].tolist() == [5.0, 10.0, 0.0, 15.0]
    assert (table["gap_m"] == table["gap_before_m"] - table["closed_m"] + table["opened_m"]).loc["all"]
    assert table.loc["all", ["closed_m", "opened_m", "closed_clear_m"]].tolist() == [10.0, 5.0, 0.0]
    nothing = sub_watershed_totals(before, after, runs, comparable=False)
    assert nothing.drop(columns="sub_watershed_id").isna().all(axis=None)


def test_a_station_is_in_a_clear_gap_where_the_gap_of_its_bank_says_so():
    stations = make([1] * 8, [2.0] * 8)
    gaps = pd.DataFrame(
        {"bank_id": ["S-01-L", "S-01-L", "S-01-R"], "from_m": [0.0, 20.0, 10.0], "to_m": [10.0, 40.0, 20.0],
         "certainty": ["clear", "uncertain", "clear"]}
    )  # fmt: skip
    assert in_clear_gap(stations, gaps).tolist() == [True, True] + [False] * 6
    assert not in_clear_gap(stations, gaps.iloc[:0]).any()


@pytest.mark.parametrize("side", [0, 1])
def test_nothing_changed_gives_no_run(side):
    one = make([1, 0, 1], [2.0, 30.0, 3.0])
    assert len(compared(one, one)[2]) == 0
    assert compared(one, one)[side].tolist() == ["stays", "", "stays"]
