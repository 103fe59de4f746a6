"""Works done between two runs, beside a straight stream 4 m wide."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from gisprio.compute.compare.works import new_works, stations_beside, works_told


def make():
    at = np.arange(20) * 5.0 + 2.5
    sides = [
        pd.DataFrame(
            {"segment_id": "S", "station_no": range(20), "side": side, "x": x, "y": at, "length_m": 5.0,
             "bank_id": f"S-01-{side[0].upper()}", "name": "Tansy Brook", "gap": side == "left"}
        )
        for side, x in (("left", 2.0), ("right", -2.0))
    ]  # fmt: skip
    return pd.concat(sides, ignore_index=True)


LEFT = shapely.box(2.0, 20.0, 30.0, 50.0)
SHAPES = np.array([LEFT, shapely.box(-40, 60, 40, 80), shapely.box(40, 0, 50, 100)], object)
WORKS = pd.DataFrame({"kind": ["planting", None, "fence"], "year": [2020, 2024, None], "status": [None] * 3})


def test_works_lie_beside_the_bank_whose_strip_they_are_in():
    beside = stations_beside(make(), SHAPES, 30.0)
    rows = make().iloc[beside["row"]].assign(work=beside["work"].to_numpy())
    metres = rows.groupby(["work", "side"])["length_m"].sum()
    assert metres.to_dict() == {(0, "left"): 30.0, (1, "left"): 20.0, (1, "right"): 20.0}


def test_a_station_without_its_other_bank_has_no_transect():
    alone = make()[lambda rows: rows["side"] == "left"].reset_index(drop=True)
    assert len(stations_beside(alone, SHAPES, 30.0)) == 0


def test_works_are_told_newest_first_with_what_the_cover_shows():
    stations = make()
    closed = (stations["side"] == "right").to_numpy(bool)
    told = works_told(WORKS, stations_beside(stations, SHAPES, 30.0), stations, closed)
    assert told["year"].tolist()[:2] == [2024, 2020]
    assert told[["length_m", "gap_m", "closed_m"]].to_numpy().tolist() == [
        [40.0, 20.0, 20.0],
        [30.0, 30.0, 0.0],
        [0.0, 0.0, 0.0],
    ]
    assert told["banks"].tolist() == ["S-01-L, S-01-R", "S-01-L", ""]


def test_works_are_new_unless_kind_year_and_half_of_the_ground_are_the_same():
    earlier = WORKS.iloc[[0, 1]].astype({"year": float})  # as a file without nulls, or with some, gives it
    assert new_works(WORKS, SHAPES, earlier, SHAPES[:2]).tolist() == [False, False, True]
    whole = WORKS.iloc[:2].astype({"year": "int64"})
    assert new_works(whole, SHAPES[:2], earlier, SHAPES[:2]).tolist() == [False, False]
    later = earlier.assign(year=[2021.0, 2024.0])
    assert new_works(WORKS, SHAPES, later, SHAPES[:2]).tolist() == [True, False, True]
    third = np.array([shapely.box(2.0, 20.0, 11.0, 50.0), SHAPES[1]], object)
    assert new_works(WORKS, SHAPES, earlier, third).tolist() == [True, False, True]
    assert new_works(WORKS, SHAPES, earlier.iloc[:0], SHAPES[:0]).all()
