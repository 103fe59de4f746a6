"""Stations, banks and polygons of two runs are paired by place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.compare.matching import one_to_one, pair_banks, pair_polygons, pair_stations


def stations(x, y, side="left", segment="S", bank="B", length=5.0):
    count = len(x)
    return pd.DataFrame(
        {
            "segment_id": [segment] * count, "station_no": range(count), "side": [side] * count, "x": x, "y": y,
            "bank_id": [bank] * count if isinstance(bank, str) else bank, "length_m": length,
        }
    )  # fmt: skip


def test_stations_are_one_within_15_m_on_their_side():
    first = stations([0.0, 100.0, 200.0], [0.0, 0.0, 0.0], segment="A")
    near = stations([0.0, 100.0, 200.0], [14.9, -3.0, 15.1], segment="B")
    assert pair_stations(first, near).tolist() == [0, 1, -1]
    assert pair_stations(first, near.assign(side="right")).tolist() == [-1, -1, -1]
    assert pair_stations(first, near.iloc[:0]).tolist() == [-1, -1, -1]


def test_a_station_of_the_same_key_and_place_wins_over_one_that_lies_as_near():
    first = stations([0.0], [0.0])
    twice = pd.concat([stations([0.0], [0.0], segment="T"), first], ignore_index=True)
    assert pair_stations(first, twice).tolist() == [1]
    moved = first.assign(x=2.0)  # the key alone is no place
    assert pair_stations(first, pd.concat([stations([1.0], [0.0], segment="T"), moved])).tolist() == [0]


def test_banks_share_half_of_the_longer_one():
    x = np.arange(40) * 5.0
    first = stations(x, x * 0, bank=["A"] * 20 + ["B"] * 20)
    second = stations(x, x * 0, bank=["a"] * 13 + ["b"] * 17 + ["c"] * 10)
    pairs = pair_banks(first, second, np.arange(40))
    assert pairs[["before", "after", "shared_m"]].to_numpy().tolist() == [["A", "a", 65.0], ["B", "b", 50.0]]
    assert pairs["share"].tolist() == [0.65, 0.5]
    gone = np.where(np.arange(40) < 20, np.arange(40), -1)
    assert pair_banks(first, second, gone)["before"].tolist() == ["A"]


def test_each_id_stands_once_and_the_next_best_takes_what_is_left():
    pairs = pd.DataFrame(
        [("a", "x", 0.9), ("a", "y", 0.8), ("b", "x", 0.7), ("b", "y", 0.6), ("c", "y", 0.55), ("d", "z", 0.49)],
        columns=["before", "after", "share"],
    )
    assert one_to_one(pairs)[["before", "after"]].to_numpy().tolist() == [["a", "x"], ["b", "y"]]


def test_polygons_share_half_of_the_larger_area():
    square = shapely.box(0, 0, 10, 10)
    others = np.array([shapely.box(0, 0, 10, 5), shapely.box(0, 0, 30, 10), shapely.box(50, 0, 60, 10)], object)
    pairs = pair_polygons(["P"], np.array([square], object), ["half", "third", "away"], others)
    assert pairs.to_numpy().tolist() == [["P", "half", 0.5]]
    assert len(pair_polygons([], np.array([], object), ["half"], others[:1])) == 0
