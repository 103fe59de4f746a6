"""Laws of routing, on any small ground: pits, flats, holes, taken cells and strips as chance has them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy import ndimage
from skimage import morphology

from gisprio.compute.terrain.cells import NODATA, OUTLET
from gisprio.compute.terrain.routing import route

LAW = settings(deadline=None, derandomize=True, max_examples=100)
STEPS = {1: (0, 1), 2: (1, 1), 3: (1, 0), 4: (1, -1), 5: (0, -1), 6: (-1, -1), 7: (-1, 0), 8: (-1, 1)}

shapes = st.tuples(st.integers(1, 12), st.integers(1, 12))
few_levels = st.sampled_from([0.0, 1.0, 2.0, 3.0, 5.0, -4.0, np.nan])
any_height = st.one_of(few_levels, st.floats(-50, 4000, width=32))
grounds = shapes.flatmap(lambda shape: arrays.arrays(np.float32, shape, elements=any_height))
flat_grounds = shapes.flatmap(lambda shape: arrays.arrays(np.float32, shape, elements=few_levels))
strips = st.integers(1, 5)


def rim_of(heights):
    """Cells with ground on the rim of the grid or beside a cell without."""
    gone = np.pad(np.isnan(heights), 1, constant_values=True)
    return ndimage.binary_dilation(gone, np.ones((3, 3)))[1:-1, 1:-1] & ~np.isnan(heights)


def end_of(direction, row, column):
    """Follow a cell down; give its outlet, or None after more steps than there are cells."""
    for _ in range(direction.size):
        if direction[row, column] == OUTLET:
            return row, column
        down, right = STEPS[int(direction[row, column])]
        row, column = row + down, column + right
    return None


@LAW
@given(grounds, strips)
def test_filling_raises_only_and_is_the_lowest_surface_that_drains(heights, strips):
    """Held against reconstruction by erosion, from the ground on the rim and the highest height elsewhere."""
    known = ~np.isnan(heights)
    filled = route(heights, strips=strips).filled
    np.testing.assert_array_equal(np.isnan(filled), ~known)
    if not known.any():
        return
    assert (filled[known] >= heights[known]).all()
    wall = np.nanmax(heights)
    ground = np.where(known, heights, wall)
    seed = np.where(rim_of(heights), ground, wall)
    expected = morphology.reconstruction(seed, ground, method="erosion", footprint=np.ones((3, 3)))
    np.testing.assert_array_equal(filled[known], expected[known])


@LAW
@given(grounds, strips)
def test_filling_again_changes_nothing(heights, strips):
    once = route(heights, strips=strips)
    again = route(once.filled, strips=strips)
    np.testing.assert_array_equal(again.filled, once.filled)
    np.testing.assert_array_equal(again.direction, once.direction)


@LAW
@given(st.one_of(grounds, flat_grounds), strips, st.data())
def test_every_cell_reaches_an_outlet_never_upwards_and_is_counted_there_once(heights, strips, data):
    taken = data.draw(arrays.arrays(np.bool_, heights.shape, elements=st.sampled_from([False, False, False, True])))
    routed = route(heights, taken, strips=strips)
    known, direction, count = ~np.isnan(heights), routed.direction, routed.counts()
    np.testing.assert_array_equal(direction == NODATA, ~known)
    ends = {(row, column): end_of(direction, row, column) for row, column in np.argwhere(known).tolist()}
    assert None not in ends.values()
    for row, column in ends:
        if direction[row, column] != OUTLET:
            down, right = STEPS[int(direction[row, column])]
            assert routed.filled[row + down, column + right] <= routed.filled[row, column]
        else:
            assert taken[row, column] or rim_of(heights)[row, column]
            assert count[row, column] == sum(end == (row, column) for end in ends.values())
    assert (direction[taken & known] == OUTLET).all()
    np.testing.assert_array_equal(routed.filled[taken & known], heights[taken & known])
    assert count[direction == OUTLET].sum() == known.sum()


TURNS = {
    "mirrored": lambda grid: grid[:, ::-1],
    "upside down": lambda grid: grid[::-1],
    "turned": np.rot90,
    "transposed": np.transpose,
}


@pytest.mark.parametrize("turn", TURNS.values(), ids=TURNS)
@LAW
@given(heights=grounds)
def test_mirroring_and_turning_the_map_turn_the_filled_ground_with_it(turn, heights):
    np.testing.assert_array_equal(route(turn(heights)).filled, turn(route(heights).filled))


@pytest.mark.parametrize("turn", TURNS.values(), ids=TURNS)
@pytest.mark.parametrize("seed", [1, 2])
def test_where_no_two_ways_are_equal_counts_turn_with_the_map(turn, seed):
    """On ground without pits and ties, that is; then the outlets' totals and all on the way."""
    rng = np.random.default_rng(seed)
    row, column = np.mgrid[0:30, 0:40]
    heights = (np.hypot(row - 60, column - 21) + rng.uniform(0, 0.2, row.shape)).astype(np.float32)
    routed = route(heights)
    assert (routed.filled == heights).all()
    np.testing.assert_array_equal(route(turn(heights)).counts(), turn(routed.counts()))


@LAW
@given(st.one_of(grounds, flat_grounds), strips, st.data())
def test_labels_orders_and_heights_follow_the_way_down(heights, strips, data):
    stream = data.draw(arrays.arrays(np.bool_, heights.shape)) & ~np.isnan(heights)
    routed = route(heights, strips=strips)
    label = np.where(stream, np.arange(stream.size).reshape(stream.shape), -1)
    met, above, order = routed.met(label), routed.height_above(stream, heights), routed.strahler(stream)
    flowing_in: dict[tuple[int, int], list[int]] = {}
    for row, column in np.argwhere(~np.isnan(heights)).tolist():
        code = int(routed.direction[row, column])
        down, right = STEPS.get(code, (0, 0))
        below = row + down, column + right
        if stream[row, column]:
            assert met[row, column] == label[row, column]
            assert above[row, column] == 0
            if code != OUTLET:
                flowing_in.setdefault(below, []).append(int(order[row, column]))
        else:
            assert met[row, column] == (-1 if code == OUTLET else met[below])
        if met[row, column] < 0:
            assert np.isnan(above[row, column])
        else:
            assert above[row, column] == heights[row, column] - heights.ravel()[met[row, column]]
    for row, column in np.argwhere(stream).tolist():
        came = flowing_in.get((row, column), [])
        largest = max(came, default=0)
        assert order[row, column] == (largest + (came.count(largest) > 1) if came else 1)
    assert (order[~stream] == 0).all()
    assert (met[np.isnan(heights)] == -1).all()
