"""What the hillslope sends, at stations; concentrated flows and the gaps they cross."""

import numpy as np
import shapely

from gisprio.compute.banks.supply import share_supply
from gisprio.contracts.layers import FLOW_POINTS
from gisprio.contracts.schema import check
from tables import bank_chain

SOUTH = shapely.LineString([(0, 1000), (0, 0)])
"""Flows south; the left bank is the eastern one."""
FLOWS = ((340.0, 0, 2.0), (340.0, 1, 3.0), (700.0, 0, 1.5), (345.0, 0, 9.0))


def left_bare(x, y):
    """Wood everywhere but for pasture on the left, from y 300 to 400."""
    return np.where((x > 0) & (y > 300) & (y < 400), 2, 1)


def test_a_flow_through_a_gap_is_told_from_one_through_wood():
    core = bank_chain(SOUTH, left_bare, flows=FLOWS)
    points = check(FLOW_POINTS, core["flow_points"]).set_index("flow_id")
    assert points["in_gap"].to_dict() == {
        "S0-02-L-F01": True, "S0-02-L-F02": True, "S0-02-R-F01": False, "S0-04-L-F01": False,
    }  # fmt: skip
    assert points.loc["S0-02-L-F02", ["bank_id", "reach_id", "side", "from_m", "area_ha"]].tolist() == [
        "S0-02-L", "S0-02", "left", 145.0, 9.0,
    ]  # fmt: skip
    assert points.geometry.y.tolist() == [340.0, 345.0, 340.0, 700.0]
    sides = core["side_supply"]
    assert sides["concentrated_flows"].sum() == 4
    assert sides["open_flows"].sum() == 2
    assert sides.loc[sides["open_flows"] > 0, "side"].unique().tolist() == [0]


def test_stations_take_the_supply_of_their_own_piece_and_side():
    core = bank_chain(SOUTH, left_bare)
    pieces = core["bank_supply"]
    core["bank_supply"] = pieces.assign(delivery=pieces["from_m"] + pieces["side"])
    got = share_supply(core, {}, {}, None)["side_supply"].merge(core["stations"], on=["segment_no", "station_no"])
    np.testing.assert_array_equal(got["delivery"], np.floor(got["at_m"] / 50) * 50 + got["side"])
    shuffled = core | {"bank_supply": core["bank_supply"].sample(frac=1, random_state=1)}
    again = share_supply(shuffled, {}, {}, None)["side_supply"]
    np.testing.assert_array_equal(again["delivery"], got["delivery"])


def test_where_the_cover_is_not_known_a_flow_is_neither_in_a_gap_nor_out_of_it():
    core = bank_chain(SOUTH, lambda x, y: np.where(y > 500, 1, 0), flows=((200.0, 0, 2.0), (800.0, 0, 2.0)))
    assert core["flow_points"]["in_gap"].isna().tolist() == [True, False]


def test_no_flows_and_no_stations():
    core = bank_chain(SOUTH, left_bare)
    assert len(check(FLOW_POINTS, core["flow_points"])) == 0
    none = {name: core[name].iloc[:0] for name in core}
    got = share_supply(none, {}, {}, None)
    assert len(got["side_supply"]) == len(got["flow_points"]) == 0
