"""Frontages and ranks of properties, by hand."""

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.land.frontages import share_properties
from gisprio.compute.land.ranks import rank_properties
from gisprio.contracts.layers import FRONTAGES, PROPERTIES, SHOWN_FRONTAGES
from gisprio.contracts.schema import check
from makers import frame
from tables import asked, network, settings

N = 40  # stations of 5 m on a stream 200 m long going south along x = 0; bank points at x = 3 and -3


def _core(gap_from=0):
    at = (np.arange(N) + 0.5) * 5
    stations = pd.DataFrame(
        {
            "segment_no": 0,
            "station_no": range(N),
            "reach_no": 0,
            "at_m": at,
            "from_m": at - 2.5,
            "to_m": at + 2.5,
            "kind": "natural",
            "x": 0.0,
            "y": at,
            "left_x": 1.0,
            "left_y": 0.0,
            "curvature_1_m": 0.0,
            "bankfull_width_m": 6.0,
        }
    )
    key = {"segment_no": 0, "station_no": np.repeat(range(N), 2), "side": np.tile([0, 1], N)}
    sign = np.tile([1.0, -1.0], N)
    points = pd.DataFrame(
        key | {"x": 3 * sign, "y": np.repeat(at, 2), "out_x": sign, "out_y": 0.0, "crossing": False, "island": False}
    )
    gap = (np.repeat(range(N), 2) >= gap_from) & (sign > 0)
    return {
        "stations": stations,
        "bank_points": points,
        "side_setbacks": asked(points),
        "side_gaps": pd.DataFrame(key | {"gap": gap}),
        "side_cover": pd.DataFrame(key | {"buffer_width_m": np.where(gap, 0.0, 30.0)}),
        "gap_pieces": frame(
            [shapely.box(3, gap_from * 5, 33, 200)], gap_id=["g"], segment_no=[0], reach_no=[0], side=[0]
        ),
    }


def _parcels(*rows):
    made = frame([r[1] for r in rows], property_id=[r[0] for r in rows])
    made["class"], made["passed_over"] = None, [r[2] if len(r) > 2 else None for r in rows]
    return {"parcels": made}


def _frontages(core, halo):
    return check(FRONTAGES, share_properties(core, halo, {}, settings())["frontages"])


def test_metres_go_to_one_property_and_ground_by_area():
    halo = _parcels(("near", shapely.box(0, 0, 13, 200)), ("behind", shapely.box(13, 0, 100, 200)))
    got = _frontages(_core(), halo).set_index("property_id")
    # 10 m of the 30 m strip on "near", 20 m on "behind"
    assert got["frontage_m"].to_dict() == {"behind": 200.0}
    assert got["gap_length_m"].to_dict() == {"behind": 200.0}
    assert got["gap_area_m2"].to_dict() == {"behind": 4000.0}


def test_a_river_parcel_is_passed_over():
    halo = _parcels(("river", shapely.box(-25, 0, 25, 200), "river"), ("farm", shapely.box(25, 0, 100, 200)))
    got = _frontages(_core(), halo)
    assert got[["property_id", "side", "frontage_m"]].values.tolist() == [["farm", 0, 200.0]]


def test_two_properties_along_the_bank_share_the_gap():
    halo = _parcels(
        ("low", shapely.box(0, 0, 100, 60)),
        ("high", shapely.box(0, 60, 100, 200)),
        ("right", shapely.box(-90, 0, 0, 200)),
    )
    got = _frontages(_core(gap_from=8), halo).set_index("property_id")
    assert got["frontage_m"].to_dict() == {"high": 140.0, "low": 60.0, "right": 200.0}
    assert got["gap_length_m"].to_dict() == {"high": 140.0, "low": 20.0, "right": 0.0}
    assert got["gap_area_m2"].to_dict() == pytest.approx({"high": 4200.0, "low": 600.0, "right": 0.0})


def test_slivers_and_holes_give_no_frontage_and_equal_parts_go_to_the_first_id():
    halo = _parcels(
        ("b", shapely.box(3, 0, 18, 200)),
        ("a", shapely.box(18, 0, 33, 200)),
        ("sliver", shapely.box(17.5, 0, 18.5, 200)),
    )
    assert _frontages(_core(), halo)["property_id"].tolist() == ["a"]
    assert len(_frontages(_core(), _parcels(("far", shapely.box(500, 0, 600, 200))))) == 0


def test_rank_follows_priority_times_metres_of_gap():
    reaches = network(shapely.LineString([(0, 400), (0, 0)]))["reach_measures"]
    frontages = pd.DataFrame(
        {
            "property_id": ["p", "p", "q", "r"],
            "reach_no": [0, 1, 0, 1],
            "side": [0, 0, 1, 1],
            "frontage_m": [100.0, 300.0, 50.0, 200.0],
            "gap_length_m": [100.0, 0.0, 50.0, 200.0],
            "gap_area_m2": [10.0, 0.0, 5.0, 20.0],
            "joint_gap_m": [60.0, 0.0, 50.0, np.nan],
        }
    )
    banks = pd.DataFrame(
        {
            "bank_id": list("wxyz"),
            "reach_id": ["S0-01", "S0-02", "S0-01", "S0-02"],
            "side": ["left", "left", "right", "right"],
            "priority": [80.0, 40.0, 90.0, np.nan],
        }
    )
    properties = frame([shapely.box(i, 0, i + 1, 1) for i in range(4)], property_id=["p", "q", "r", "s"])
    properties["class"] = None
    pairs = [("p", "r"), ("p", "q"), ("q", "p"), ("r", "p")]
    joint = pd.DataFrame(pairs, columns=["property_id", "neighbour_id"])
    joint = pd.concat([joint.assign(segment_no=0), joint.iloc[:1].assign(segment_no=1)])  # met along two segments
    tables = {"frontages": frontages, "banks": banks, "reach_measures": reaches, "properties": properties}
    tables |= {"joint_gaps": joint, "sites": pd.DataFrame({"property_id": ["p", "q", "p", None]})}
    given = rank_properties(tables, {}, settings())
    shown = check(SHOWN_FRONTAGES, given["shown_frontages"])
    assert shown.to_dict("list") == {
        "property_id": ["p", "p", "q", "r"], "bank_id": ["w", "x", "y", "z"],
        "frontage_m": [100.0, 300.0, 50.0, 200.0], "gap_length_m": [100.0, 0.0, 50.0, 200.0],
        "gap_area_m2": [10.0, 0.0, 5.0, 20.0],
    }  # fmt: skip
    got = check(PROPERTIES, given["ranked_properties"]).set_index("property_id")
    assert got["priority"].to_dict()["p"] == 50.0  # (80 x 100 + 40 x 300) / 400
    assert got["priority_gap_m"].to_dict()["p"] == 5000.0
    assert got["priority_gap_m"].to_dict()["q"] == 4500.0
    assert got["rank"].dropna().to_dict() == {"p": 1, "q": 2}
    assert got.loc["r", "frontage_m"] == 200.0  # on a bank that is not ranked
    assert "s" not in got.index
    assert got["joint_neighbours"].to_dict() == {"p": "q, r", "q": "p", "r": "p"}
    assert got["joint_gap_m"].dropna().to_dict() == {"p": 60.0, "q": 50.0}
    assert got["site_count"].to_dict() == {"p": 2, "q": 1, "r": 0}
