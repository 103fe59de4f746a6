"""Stream order, sinuosity and slope error against published networks and closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from gisprio.compute.banks.stations import directions
from gisprio.compute.network.areas import network_areas
from gisprio.compute.network.hydraulics import slope_error
from gisprio.compute.network.order import strahler, stream_orders
from gisprio.compute.network.profile import Path, falling, reach_slope, sinuosities

pytestmark = pytest.mark.reference

SEGMENTS = "abcdefghijk"
FLOWS_INTO = {"a": "f", "b": "f", "c": "g", "f": "g", "d": "h", "e": "h", "g": "i", "h": "i", "i": "k", "j": "k"}
"""Heads a b c d e j; f = a + b, g = c + f, h = d + e, i = g + h, k = i + j."""


def orders(flows_into, names, minor=""):
    number = {name: n for n, name in enumerate(names)}
    down = np.array([number.get(flows_into.get(name, ""), -1) for name in names])
    steps = dict.fromkeys(names, 0)
    for name in names:
        here = name
        while here in flows_into:
            here = flows_into[here]
            steps[name] += 1
    upper_first = np.argsort([-steps[name] for name in names], kind="stable")
    flags = np.array([name in minor for name in names])
    order, main = stream_orders(down, flags, np.full(len(names), 100.0), upper_first)
    return dict(zip(names, order.tolist(), strict=True)), main


def test_order_of_strahler_s_network():
    """Strahler (1957): f, g, h 2; i 3; k 3, since a head that joins raises nothing."""
    found, _ = orders(FLOWS_INTO, SEGMENTS)
    assert found == {**dict.fromkeys("abcdej", 1), "f": 2, "g": 2, "h": 2, "i": 3, "k": 3}


@pytest.mark.parametrize(
    ("inflows", "order"), [([1, 1], 2), ([2, 1], 2), ([2, 2], 3), ([3, 2, 2], 3), ([2, 2, 2], 3), ([], 1)]
)
def test_rule_of_strahler(inflows, order):
    assert strahler(inflows) == order


def test_a_divided_channel_that_rejoins_raises_no_order():
    """a parts into m (main) and n (minor), which meet again in z: z keeps the order of a; so with a of order 2."""
    into = {"a": "m", "m": "z", "n": "z"}
    assert orders(into, "amnz", minor="n")[0] == {"a": 1, "m": 1, "n": 1, "z": 1}
    into = {"p": "a", "q": "a", "a": "m", "m": "z", "n": "z"}
    assert orders(into, "pqamnz", minor="n")[0]["z"] == 2
    assert orders(into, "pqamnz", minor="")[0]["z"] == 2
    into = {"a": "m", "m": "z", "n": "z"}
    assert orders(into, "amnz", minor="")[0]["z"] == 2  # and would, were the path not known as minor


def of_line(x, y, width):
    line = shapely.LineString(np.column_stack([x, y]))
    return sinuosities(line, line.length, [(0.0, line.length)], np.array([width]))[0]


def test_sinuosity_of_a_sine_and_of_semicircles():
    """k a = 1 over whole waves: 1.2160 (elliptic integral); semicircles: pi / 2."""
    x = np.linspace(0, 4 * np.pi, 4001)
    assert of_line(x, np.sin(x), 0.1) == pytest.approx(1.2160, abs=5e-4)
    angle = np.linspace(0, np.pi, 2001)
    x = np.concatenate([1 - np.cos(angle), 3 - np.cos(angle[1:])])
    y = np.concatenate([np.sin(angle), -np.sin(angle[1:])])
    assert of_line(x, y, 0.1) == pytest.approx(np.pi / 2, abs=5e-4)


def test_error_of_a_slope_by_least_squares_over_51_heights():
    """Heights 10 m apart with an error of .10 m: .10 / (10 sqrt(51 (51^2 - 1) / 12)) = 9.513e-5."""
    at = np.arange(51) * 10.0
    height = 100 + 0.001 * at
    path = Path(at, height, np.zeros(51, bool), falling(height))
    found = reach_slope(path, 0.0, 500.0, np.nan, 0.10)
    assert found.slope == pytest.approx(0.001, rel=1e-9)
    assert found.error == pytest.approx(9.513e-5, abs=1e-8)
    assert found.error == pytest.approx(float(slope_error(0.10, 10.0, 51)), rel=1e-12)


def magnitudes(flows_into, names, minor=""):
    """Give Shreve's magnitude: one for each source, carried down as ground is."""
    number = {name: n for n, name in enumerate(names)}
    down = np.array([number.get(flows_into.get(name, ""), -1) for name in names])
    sources = [n for n, name in enumerate(names) if n not in down and name not in minor]
    one_each = pd.DataFrame({"segment_no": sources, "from_m": 0.0, "area_m2": 1e6, "cut": False})
    areas = network_areas(pd.DataFrame({"downstream_no": down, "minor": False}), one_each)
    return dict(zip(names, areas.below_km2.tolist(), strict=True))


def test_areas_are_carried_down_as_shreve_s_magnitude():
    """Shreve (1966), the sum of sources: f 2, g 3, h 2, i 5, k 6."""
    found = magnitudes(FLOWS_INTO, SEGMENTS)
    assert found == {**dict.fromkeys("abcdej", 1), "f": 2, "g": 3, "h": 2, "i": 5, "k": 6}


def test_a_divided_channel_that_rejoins_does_not_double_the_magnitude():
    """p and q meet in a, a parts into m (main) and n (minor), which meet again in z: 2, not 4."""
    into = {"p": "a", "q": "a", "a": "m", "m": "z", "n": "z"}
    assert magnitudes(into, "pqamnz", minor="n") == {"p": 1, "q": 1, "a": 2, "m": 2, "n": 0, "z": 2}


def test_sinuosity_of_exactly_1_5():
    """Leopold and Wolman (1957) call a channel meandering from 1.5 on: the number must not fall just below.

    gisprio gives the number and no class. Up 5, across 20, down 5: 30 over 20.
    """
    assert of_line([0, 0, 20, 20], [0, 5, 5, 0], 0.1) == 1.5


def radius_through(a, b, c):
    """Radius of the circle through three points, sides over four times the area; infinite where they lie in line."""
    sides = [np.hypot(*np.subtract(p, q)) for p, q in ((a, b), (b, c), (c, a))]
    area = abs(np.cross(np.append(np.subtract(b, a), 0), np.append(np.subtract(c, a), 0))[2]) / 2
    return np.prod(sides) / (4 * area) if area else np.inf


@pytest.mark.parametrize(
    ("points", "radius"),
    [(((50, 0), (0, 50), (-50, 0)), 50.0), (((0, 0), (10, 1), (20, 0)), 50.5), (((0, 0), (10, 0), (20, 0)), np.inf)],
)
def test_radius_of_a_line_is_that_of_the_circle_through_three_of_its_points(points, radius):
    """Radius abc / 4K: 50, 50.5 (C^2 / 8m + m / 2) and infinite, to 1e-9.

    gisprio measures curvature along the whole smoothed line: of the arc through the points to 1e-4, as smoothing over a
    length s takes s^2 / 24 r^2 off a circle's radius.
    """
    assert radius_through(*points) == pytest.approx(radius, abs=1e-9)
    if np.isinf(radius):
        line = np.array(points, float)
    else:
        middle = np.array([points[1][0], points[1][1] - radius])
        first, last = (np.arctan2(*(np.array(p) - middle)[::-1]) for p in (points[0], points[2]))
        angle = np.linspace(first, last, 4001)
        line = middle + radius * np.column_stack([np.cos(angle), np.sin(angle)])
        np.testing.assert_allclose(line[[0, 2000, -1]], points, atol=1e-9)
    none = np.empty((0, 2))
    half_way = np.array([shapely.LineString(line).length / 2])
    *_, curvature = directions(line, none, none, half_way, 1.0)
    assert abs(curvature[0]) == pytest.approx(1 / radius, rel=1e-4, abs=1e-12)


def test_least_radius_of_a_sine_bend():
    """Amplitude 10 and wavelength 100: 1 / (a k^2) = 25.33 at the top."""
    x = np.linspace(0, 100, 20001)
    line = np.column_stack([x, 10 * np.sin(2 * np.pi * x / 100)])
    at = np.linspace(0, shapely.LineString(line).length, 2001)[200:-200]
    *_, curvature = directions(line, np.empty((0, 2)), np.empty((0, 2)), at, 1.0)
    assert 1 / np.abs(curvature).max() == pytest.approx(25.33, abs=0.02)
