"""Kernels do compiled what they do as written, whatever the strips and threads."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

import gisprio
from gisprio.compute.terrain.accumulation import accumulate, count_inflows, join_strips
from gisprio.compute.terrain.cells import bordered, neighbour_offsets, without_border
from gisprio.compute.terrain.routing import cells_of, route
from unit.terrain.uncompiled import products, without_compiler


def rough(shape, seed, step=0.0):
    """Smooth ground with pits; flats where rounded to ``step``; a bay and a hole without data."""
    rng = np.random.default_rng(seed)
    heights = ndimage.gaussian_filter(rng.normal(0, 30, shape), 2) + rng.normal(0, 0.5, shape)
    heights = np.round(heights / step) * step if step else heights
    rows, columns = shape
    heights[rows // 3 : rows // 2, columns - columns // 4 :] = np.nan
    heights[rows // 5, columns // 5] = np.nan
    return heights.astype(np.float32)


def worlds():
    taken = np.zeros((23, 31), bool)
    taken[11, 3:20] = True
    return [
        {"heights": rough((29, 34), 1), "threshold": np.array(6)},
        {"heights": rough((29, 34), 2, 1.0), "threshold": np.array(4)},
        {"heights": rough((23, 31), 3, 2.0), "taken": taken, "threshold": np.array(5)},
        {"heights": np.full((7, 9), 3.0, np.float32), "threshold": np.array(3)},
        {"heights": np.full((4, 5), np.nan, np.float32), "threshold": np.array(1)},
    ]


def assert_same(one, other):
    assert one.keys() == other.keys()
    for name in one:
        np.testing.assert_array_equal(one[name], other[name], err_msg=name)
        assert one[name].dtype == other[name].dtype


def test_compiled_kernels_do_what_is_written(tmp_path):
    given = worlds()
    for world, slow in zip(given, without_compiler(given, tmp_path, 3), strict=True):
        assert_same(products(world, 3), slow)


@pytest.mark.parametrize("step", [0.0, 0.5])
def test_strips_and_threads_change_nothing(step):
    heights = rough((61, 47), 5, step)
    threshold = np.array(9)
    whole = products({"heights": heights, "threshold": threshold}, 1)
    assert whole["order"].max() >= 3
    assert (whole["filled"] > heights).sum() > 50
    for strips in (2, 3, 7, 61, 100):
        assert_same(products({"heights": heights, "threshold": threshold}, strips), whole)
    for workers in (1, 2, 8):
        routed = route(heights, strips=5, workers=workers)
        np.testing.assert_array_equal(routed.direction, whole["direction"])
        np.testing.assert_array_equal(routed.counts(), whole["count"])


def test_counts_beyond_the_range_of_32_bits_are_exact():
    """A thousand million cells flow into the uppermost of three: widened, not wrapped."""
    routed = route(np.array([[3.0, 2.0, 1.0]], np.float32))
    direction, offset, width = routed.flat_direction, neighbour_offsets(5), 5
    inflow, count = bordered((1, 3), np.uint8, 255), bordered((1, 3), np.int64, 0)
    count_inflows(direction, inflow, count, offset, width, 1, 2)
    without_border(count, (1, 3))[0, 0] = 3_000_000_000
    leaving = accumulate(direction, inflow, count, offset, *cells_of((1, 2), width))
    join_strips(direction, inflow, count, offset, leaving)
    assert without_border(count, (1, 3)).tolist() == [[3_000_000_000, 3_000_000_001, 3_000_000_002]]


def test_kernels_are_known_to_be_compiled_once_a_run_has_called_them_and_not_before(tmp_path):
    """In processes of their own, with a cache of their own: as on a machine where gisprio is new."""
    asked = (
        "import numpy as np; from gisprio.compute.terrain.routing import compiled_before, route; "
        "print(compiled_before()); "
        "route(np.ones((3, 3)), np.eye(3) > 0).carried(np.eye(3) > 0, np.ones((3, 3))); "
        "print(compiled_before())"
    )
    paths = os.pathsep.join([str(Path(gisprio.__file__).parents[1]), os.environ.get("PYTHONPATH", "")])
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path), "PYTHONPATH": paths}
    said = [
        subprocess.run(
            [sys.executable, "-c", asked], env=environment, check=True, capture_output=True, text=True
        ).stdout.split()
        for _ in range(2)
    ]
    assert said == [["False", "True"], ["True", "True"]]
