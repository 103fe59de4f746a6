"""Stream order, sinuosity and slope error against published networks and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

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
