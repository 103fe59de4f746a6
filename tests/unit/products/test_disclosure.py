"""What may be told to everybody: at least five properties, none of which makes up most, nothing by subtracting."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.products.disclosure import held_by_property, may_be_told, pool_parts

NO_LINKS = np.empty((0, 2), np.int64)


def held_by(*metres, gaps=None):
    """Make frontages: a tuple of metres for each sub-watershed, every one of another property."""
    rows = [(sub, f"{sub}-{n}", front) for sub, own in enumerate(metres) for n, front in enumerate(own)]
    table = pd.DataFrame(rows, columns=["sub", "property_id", "frontage_m"])
    return table if gaps is None else table.assign(gap_length_m=gaps)


def told(held):
    return may_be_told(held_by_property(held))


def lines_at(*places):
    return [shapely.LineString([(x, 0), (x, 10)]) for x in places]


def pooled(held, links=NO_LINKS, places=None):
    count = int(held["sub"].max()) + 1
    parts = pool_parts(count, held, np.asarray(links), lines_at(*(places or range(count))))
    return parts.of.tolist(), parts.told.tolist()


@pytest.mark.parametrize(("number", "may"), [(4, False), (5, True)])
def test_five_properties_may_be_told_and_four_not(number, may):
    assert told(held_by([100.0] * number)) is may


def test_a_property_along_two_banks_counts_once():
    held = held_by([100.0] * 4)
    assert not told(pd.concat([held, held]))


@pytest.mark.parametrize(("largest", "may"), [(1600.0, True), (1601.0, False)])
def test_one_property_may_hold_four_fifths_of_the_frontage_and_no_more(largest, may):
    assert told(held_by([largest, 100.0, 100.0, 100.0, 100.0])) is may


def test_one_property_may_not_have_most_of_the_gap_either():
    assert told(held_by([100.0] * 5, gaps=[50.0, 10.0, 10.0, 0.0, 0.0]))
    assert not told(held_by([100.0] * 5, gaps=[90.0, 10.0, 10.0, 0.0, 0.0]))
    assert told(held_by([100.0] * 5, gaps=[0.0] * 5))


def test_too_few_are_pooled_with_where_their_water_goes_even_when_another_is_nearer():
    held = held_by([100.0] * 4, [100.0] * 5, [100.0] * 5)
    assert pooled(held, [(0, 2)]) == ([0, 1, 0], [True, True])
    assert pooled(held, [(2, 0)]) == ([0, 1, 0], [True, True])


def test_too_few_without_a_link_are_pooled_with_the_nearest():
    held = held_by([100.0] * 4, [100.0] * 5, [100.0] * 5)
    assert pooled(held, places=(0, 50, 20)) == ([0, 1, 0], [True, True])
    assert pooled(held, places=(0, 20, 50)) == ([0, 0, 1], [True, True])


def test_small_ones_are_pooled_with_each_other_before_a_large_one_loses_its_detail():
    held = held_by([100.0] * 2, [100.0] * 3, [100.0] * 9)
    assert pooled(held, [(0, 1), (0, 2), (1, 2)]) == ([0, 0, 1], [True, True])


def test_a_sub_watershed_without_any_property_is_pooled_too():
    held = held_by([100.0] * 5, [100.0] * 5).assign(sub=lambda t: t["sub"] * 2)
    assert pooled(held, [(1, 2)]) == ([0, 1, 1], [True, True])


def test_one_is_rather_pooled_with_whom_it_may_be_told():
    held = held_by([100.0] * 4, [9000.0, 10.0, 10.0, 10.0, 10.0], [100.0] * 9)
    assert pooled(held, [(0, 1), (0, 2)]) == ([0, 1, 0], [True, False])


def test_one_with_a_property_that_holds_most_is_not_told_and_stays_apart():
    held = held_by([9000.0, 10.0, 10.0, 10.0, 10.0], [100.0] * 5)
    assert pooled(held, [(0, 1)]) == ([0, 1], [False, True])


def test_where_all_together_are_too_few_nothing_is_told():
    assert pooled(held_by([100.0] * 2, [100.0] * 2), [(0, 1)]) == ([0, 0], [False])


def test_the_order_of_rows_does_not_matter():
    held = held_by([100.0] * 2, [100.0] * 3, [100.0] * 9, [100.0] * 4)
    links = [(0, 1), (1, 2), (3, 2)]
    for seed in range(5):
        mixed = held.sample(frac=1.0, random_state=seed)
        assert pooled(mixed, links) == pooled(held, links)
