"""Flow over real and generated ground against other libraries, cell for cell where they must agree.

- Filled ground: scikit-image's reconstruction by erosion, richdem's priority-flood, topotoolbox's ``fillsinks``.
- Directions: the steepest neighbour, by whole-array arithmetic written here.
- Counts: the cells upstream by pyflwdir on gisprio's directions, and a sparse solve of its own.
- Order and height above nearest drainage: pyflwdir on gisprio's directions.
- Directions and channels: topotoolbox, which also takes the steepest neighbour. Across flats no two libraries agree, so
  cells of flats are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import spsolve
from skimage import morphology

from gisprio.compute.terrain.routing import Routed, route
from reference.grounds import SEA_FLOOR, WITH_COAST, generated
from reference.outside import library

pytestmark = pytest.mark.reference

STEPS = [(0, 0), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]
"""Row and column of directions 0 to 8: none, E, SE, S, SW, W, NW, N, NE."""
LEAST_OVERLAP = 0.97


@dataclass(frozen=True)
class Case:
    """Ground and what gisprio made of it."""

    heights: NDArray[np.float32]
    routed: Routed

    @property
    def known(self) -> NDArray[np.bool_]:
        return ~np.isnan(self.heights)


@cache
def case(name):
    heights = generated() if name == "generated" else WITH_COAST[name]()
    return Case(heights, route(heights))


every_ground = pytest.mark.parametrize("name", [*WITH_COAST, pytest.param("generated", marks=pytest.mark.slow)])


def by_reconstruction(heights):
    """Fill by scikit-image: the lowest surface over the ground that is held to it on the rim."""
    known = ~np.isnan(heights)
    wall = np.float32(np.nanmax(heights) + 1)
    mask = np.where(known, heights, wall)
    rim = known & ~ndimage.binary_erosion(known, np.ones((3, 3)), border_value=0)
    seed = np.where(rim, mask, wall)
    return morphology.reconstruction(seed, mask, method="erosion", footprint=np.ones((3, 3)))


def by_richdem(heights):
    richdem = library("richdem")
    given = richdem.rdarray(np.nan_to_num(heights, nan=-9999.0), no_data=-9999.0)
    return np.asarray(richdem.FillDepressions(given, in_place=False))


def by_topotoolbox(heights):
    return np.asarray(topotoolbox_grid(heights).fillsinks().z)


def topotoolbox_grid(heights):
    grid = library("topotoolbox").GridObject()
    grid.z, grid.cellsize = np.asfortranarray(heights), 1.0
    return grid


@pytest.mark.parametrize(
    ("name", "other"),
    [
        *((name, other) for name in WITH_COAST for other in (by_reconstruction, by_richdem, by_topotoolbox)),
        pytest.param("generated", by_richdem, marks=pytest.mark.slow),
        pytest.param("generated", by_topotoolbox, marks=pytest.mark.slow),
    ],
)
def test_filled_ground_is_that_of_another_library_cell_for_cell(name, other):
    """Reconstruction takes long on 9e6 cells; the two others are asked there."""
    at = case(name)
    filled, expected = at.routed.filled, other(at.heights)
    assert (filled[at.known] > at.heights[at.known]).mean() > 0.002  # there is something to fill
    assert (filled[at.known] != expected[at.known]).sum() == 0
    np.testing.assert_array_equal(np.isnan(filled), ~at.known)


def drops(filled):
    """Give the drop to each neighbour over its distance, (8, rows, columns); -inf where there is no neighbour."""
    z = np.pad(filled.astype(float), 1, constant_values=np.nan)
    rows, columns = filled.shape
    found = []
    for r, c in STEPS[1:]:
        to = z[1 + r : 1 + r + rows, 1 + c : 1 + c + columns]
        found.append(np.nan_to_num((filled - to) / np.hypot(r, c), nan=-np.inf))
    return np.array(found)


@every_ground
def test_every_cell_off_the_flats_points_to_its_steepest_neighbour_and_flats_and_rims_keep_their_rules(name):
    """On flats the way leads to a cell as high; an outlet has no lower neighbour and lies on the rim."""
    at = case(name)
    wrong, slopes = 0, 0
    for first in range(0, at.heights.shape[0], 500):  # a strip at a time, with a row more on each side
        low, high = max(0, first - 1), min(at.heights.shape[0], first + 501)
        drop = drops(at.routed.filled[low:high])
        inner = slice(first - low, first - low + min(500, at.heights.shape[0] - first))
        drop, direction = drop[:, inner], at.routed.direction[low:high][inner]
        known = at.known[low:high][inner]
        steepest = drop.max(axis=0)
        own = np.take_along_axis(drop, np.clip(direction.astype(int) - 1, 0, 7)[None], axis=0)[0]
        flows = (direction >= 1) & (direction <= 8)
        off_flats = known & (steepest > 0)
        slopes += off_flats.sum()
        rim = np.isinf(drop).any(axis=0)
        wrong += (off_flats & ~(flows & np.isclose(own, steepest, rtol=1e-12, atol=0))).sum()
        wrong += (known & (steepest <= 0) & flows & (own != 0)).sum()
        wrong += (known & ~flows & ~((direction == 0) & rim & (steepest <= 0))).sum()
        wrong += (~known & (direction != 254)).sum()
    assert wrong == 0
    assert slopes > 0.5 * at.known.sum()


def downstream(direction):
    """Give the flat index of the cell each flows to; its own at outlets and where there is no ground."""
    columns = direction.shape[1]
    step = np.array([r * columns + c for r, c in STEPS])
    flows = direction <= 8
    return np.arange(direction.size) + np.where(flows.ravel(), step[np.where(flows, direction, 0).ravel()], 0)


@pytest.mark.parametrize("name", WITH_COAST)
def test_counts_solve_the_balance_of_every_cell(name):
    """Counts = 1 + counts of the cells that flow in, solved as one sparse system: equal to the last cell."""
    at = case(name)
    below, size = downstream(at.routed.direction), at.heights.size
    goes_on = np.flatnonzero(below != np.arange(size))
    inflow = csr_matrix((np.ones(len(goes_on)), (below[goes_on], goes_on)), (size, size))
    counts = spsolve((identity(size) - inflow).tocsc(), at.known.ravel().astype(float))
    np.testing.assert_array_equal(at.routed.counts().ravel(), np.round(counts).astype(int))
    outlets = at.routed.direction == 0
    assert at.routed.counts()[outlets].sum() == at.known.sum()


@cache
def pyflwdir_of(name):
    """Give gisprio's directions to pyflwdir, which then accumulates, orders and walks by itself."""
    pyflwdir = library("pyflwdir")
    codes = np.array([0, 1, 2, 4, 8, 16, 32, 64, 128], np.uint8)
    direction = case(name).routed.direction
    d8 = np.where(direction <= 8, codes[np.where(direction <= 8, direction, 0)], np.uint8(247))
    return pyflwdir.from_array(d8, ftype="d8", check_ftype=True, latlon=False)


def stream_of(at):
    return at.routed.counts() >= threshold(at)


def threshold(at):
    return 2000 if at.heights.size > 1e6 else 100


@every_ground
def test_counts_are_those_of_pyflwdir_on_the_same_directions(name):
    at = case(name)
    expected = pyflwdir_of(name).upstream_area(unit="cell")
    counts = at.routed.counts()
    assert (counts[at.known] != expected[at.known]).sum() == 0
    assert counts.max() > 0.02 * at.known.sum()


@every_ground
def test_orders_are_those_of_pyflwdir_on_the_same_directions(name):
    at = case(name)
    stream = stream_of(at)
    expected = pyflwdir_of(name).stream_order(type="strahler", mask=stream)
    order = at.routed.strahler(stream)
    assert (order[stream] != expected[stream]).sum() == 0
    assert (order[~stream] == 0).all()
    assert order.max() >= (2 if name == "vancouver island without sea" else 3)


@pytest.mark.parametrize("name", WITH_COAST)
def test_heights_above_the_stream_are_those_of_pyflwdir_on_the_same_directions(name):
    """Where a stream is met; where none is, ours is missing. pyflwdir walks every cell: too slow for 9e6."""
    at = case(name)
    stream = stream_of(at)
    met = at.routed.met(np.where(stream, np.arange(stream.size).reshape(stream.shape), -1)) >= 0
    above = at.routed.height_above(stream, at.heights)
    expected = pyflwdir_of(name).hand(drain=stream, elevtn=np.nan_to_num(at.heights, nan=0.0))
    assert (above[met] != expected[met]).sum() == 0
    assert np.isnan(above[~met]).all()
    assert 0.3 < met[at.known].mean() <= 1


def on_flats(filled):
    """Say which cells have no lower neighbour after filling."""
    level = np.nan_to_num(filled, nan=np.inf)
    return ndimage.minimum_filter(level, size=3, mode="nearest") >= level


@cache
def topotoolbox_flow(name):
    return library("topotoolbox").FlowObject(topotoolbox_grid(case(name).heights))


@every_ground
def test_directions_off_the_flats_are_those_of_topotoolbox(name):
    at, flow = case(name), topotoolbox_flow(name)
    size, shape = at.heights.size, at.heights.shape
    source, target = (
        np.ravel_multi_index(np.unravel_index(np.asarray(cells).astype(np.int64), shape, order=flow.order), shape)
        for cells in (flow.source, flow.target)
    )
    theirs = np.arange(size)
    theirs[source] = target
    off_flats = (at.known & ~on_flats(at.routed.filled)).ravel()
    assert (theirs != downstream(at.routed.direction))[off_flats].sum() == 0


@pytest.mark.parametrize(
    "name", [*sorted(set(WITH_COAST) - {SEA_FLOOR}), pytest.param("generated", marks=pytest.mark.slow)]
)
def test_channels_off_the_flats_are_those_of_topotoolbox(name):
    """Share of the cells that either calls a channel that both do (Jaccard), cells of flats left out.

    Not on the sea floor: there 23 % of the cells are flats that either leaves by another of several ways out, which
    leaves .80; its directions are equal all the same, as the test above shows.
    """
    at = case(name)
    theirs = np.asarray(topotoolbox_flow(name).flow_accumulation().z) >= threshold(at)
    ours = stream_of(at)
    off_flats = at.known & ~on_flats(at.routed.filled)
    overlap = (ours & theirs & off_flats).sum() / ((ours | theirs) & off_flats).sum()
    assert overlap >= LEAST_OVERLAP, overlap
