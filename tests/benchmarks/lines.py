"""Reaches that lie by themselves, and the strips beside them."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

CRS = "EPSG:32633"
LENGTH_M, WIDTH_M = 200.0, 30.0
VERTICES = 21
MARGIN_M = 150.0
TURN = 0.3
"""Swing of the direction of a reach [radians]: bends have radii of 88 m and more."""


def winding_reaches(count: int, side_m: float, seed: int = 11) -> NDArray[np.object_]:
    """Draw reaches of 200 m and 21 vertices, anywhere in a square whose lower left corner is 0, 0; (count,)."""
    rng = np.random.default_rng(seed)
    at = (np.arange(VERTICES - 1) + 0.5) / (VERTICES - 1)
    waves, phase = rng.uniform(0.5, 1.2, (count, 1)), rng.uniform(0, 2 * np.pi, (count, 1))
    angle = rng.uniform(0, 2 * np.pi, (count, 1)) + TURN * np.sin(2 * np.pi * waves * at + phase)
    steps = np.stack([np.cos(angle), np.sin(angle)], axis=-1) * (LENGTH_M / (VERTICES - 1))
    places = np.concatenate([np.zeros((count, 1, 2)), np.cumsum(steps, axis=1)], axis=1)
    places += rng.uniform(MARGIN_M, side_m - MARGIN_M, (count, 1, 2)) - places.mean(axis=1, keepdims=True)
    return np.asarray(shapely.linestrings(places))


def strips(lines: NDArray[np.object_]) -> NDArray[np.object_]:
    """Give the strips of 30 m left and right of each line, two to a line; (2 n,)."""
    sides = [shapely.buffer(lines, sign * WIDTH_M, single_sided=True) for sign in (1, -1)]
    return np.stack(sides, axis=1).ravel()
