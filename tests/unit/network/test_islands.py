"""Islands between threads, and that their sides are no banks."""

import numpy as np
import pytest
import shapely

from gisprio.compute.banks.gaps import find_gaps
from gisprio.compute.banks.ground import measure_ground
from gisprio.compute.network.islands import find_islands
from gisprio.compute.scoring.ranks import rank_banks
from gisprio.compute.scoring.sides import score_sides
from gisprio.contracts.layers import ISLANDS
from gisprio.contracts.schema import check
from tables import bank_chain, nearby, network, settings

ABOVE = shapely.LineString([(0, 600), (0, 400)])
BELOW = shapely.LineString([(0, 200), (0, 0)])


def thread(x):
    return shapely.LineString([(0, 400), (x, 350), (x, 250), (0, 200)])


def islands(*lines, width=6.0):
    return check(ISLANDS, find_islands(network(*lines, width_m=width), {}, {})["islands"])


def test_ground_between_two_threads_is_an_island():
    found = islands(ABOVE, thread(20), thread(-20), BELOW)
    assert found.geometry.area.tolist() == [pytest.approx(100 * 40 + 50 * 40)]


@pytest.mark.parametrize(("width", "count"), [(3.9, 0), (4.1, 1), (np.nan, 0)])
def test_land_wider_than_ten_bankfull_widths_is_no_island(width, count):
    assert len(islands(ABOVE, thread(20), thread(-20), BELOW, width=width)) == count


def test_without_a_loop_there_is_none():
    assert len(islands(ABOVE, BELOW)) == 0


def test_each_of_three_threads_leaves_two_islands():
    assert len(islands(ABOVE, thread(40), shapely.LineString([(0, 400), (0, 200)]), thread(-40), BELOW)) == 2


def banks_of(line, rings):
    halo = {"islands": rings}
    core = bank_chain(line, lambda x, y: np.full(x.shape, 2), halo=halo)
    core["valleys"] = core["valleys"].assign(valley_width_m=60.0)
    core |= find_gaps(core, core, {}, settings())
    core |= measure_ground(core, nearby(), {}, settings())
    core |= score_sides(core, {}, {}, settings())
    return core, rank_banks(core | nearby(), {}, settings())["banks"].set_index("bank_id")


def test_the_side_of_an_island_is_no_bank_and_the_outer_ring_is():
    rings = islands(ABOVE, thread(20), thread(-20), BELOW)
    core, banks = banks_of(thread(20), rings)
    assert banks.loc["S0-01-R", "not_ranked"] == "the side of an island"  # flows south on the east: west is the island
    assert banks.loc["S0-01-R", "length_m"] == 0
    assert banks.loc["S0-01-R", "gap_length_m"] == 0 or np.isnan(banks.loc["S0-01-R", "gap_length_m"])
    assert (core["gap_pieces"]["side"] == 0).all()
    assert banks.loc["S0-01-L", "rank"] == 1
    assert banks.loc["S0-01-L", "gap_length_m"] > 190


def test_a_thread_between_two_islands_has_no_bank():
    middle = shapely.LineString([(0, 400), (0, 200)])
    core, banks = banks_of(middle, islands(ABOVE, thread(40), middle, thread(-40), BELOW))
    assert banks["not_ranked"].tolist() == ["an inner thread of a braid"] * 2
    assert len(core["gap_pieces"]) == 0
