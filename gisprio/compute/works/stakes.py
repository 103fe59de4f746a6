"""Stakes: wooden ones in rows, live ones over the face."""

from __future__ import annotations

import math

from gisprio.compute.works.quantities import Quantity, quantity, told, whole_down, whole_up
from gisprio.contracts.settings import Sizing


def row_count(length: float, spacing: float) -> int:
    """Give the stakes of a row with one at its beginning.

    >>> row_count(55, 0.90), row_count(55, 0.60)
    (62, 92)
    """
    return whole_down(length / spacing) + 1


def density(spacing: float, pattern: str) -> float:
    """Give plants or stakes on a square metre: 1 / s2 in squares, 2 / (sqrt(3) s2) in triangles [1/m2].

    >>> round(density(0.6096, "triangular"), 3), round(density(3, "square") * 10_000, 1)
    (3.107, 1111.1)
    """
    return (2 / math.sqrt(3) if pattern == "triangular" else 1.0) / spacing**2


def density_words(spacing: float, pattern: str) -> str:
    """Write a density out."""
    return f"{'1.1547' if pattern == 'triangular' else '1'} / {told(spacing)}^2"


def size_live_stakes(face: Quantity, sizing: Sizing) -> Quantity:
    """Size live stakes over a finished face: few where they stand far apart, many where they stand near."""
    near, far = sizing.live_stake_spacing_m
    pattern, middle = sizing.live_stake_pattern, (near + far) / 2
    low, mid, high = (
        whole_up(area * density(spacing, pattern))
        for area, spacing in zip(face.range, (far, middle, near), strict=True)
    )
    formula = f"ceil({told(face.mid)} x {density_words(middle, pattern)}) = {mid} stakes"
    words = "in triangles" if pattern == "triangular" else "in squares"
    return quantity("live_stake", (low, mid, high), f"{formula}; {told(middle)} m apart {words}", face.basis)
