"""Planting: trees, shrubs, guards and seed by area, spacing and survival."""

from __future__ import annotations

from gisprio.compute.works.quantities import Quantity, Three, quantity, told, whole_up
from gisprio.compute.works.stakes import density, density_words
from gisprio.contracts.settings import Sizing

HECTARE_M2 = 10_000.0


def plants(area: float, spacing: float, pattern: str, survival: float = 1.0) -> int:
    """Give the plants to order for some ground, with those that will die: area x density / survival.

    >>> plants(1500, 3, "square"), plants(1500, 3, "square", 0.80)
    (167, 209)
    """
    return whole_up(area * density(spacing, pattern) / survival)


def size_planting(area: Three, basis: str, why: str, sizing: Sizing) -> list[Quantity]:
    """Size trees, shrubs and guards.

    Parameters
    ----------
    area
        Ground to plant [m2].
    basis
        How it was got.
    why
        Where it comes from, in words.
    sizing
        Section ``sizing``.
    """
    found = [quantity("planting_area", area, f"{told(area[1])} = {told(area[1])} m2; {why}", basis)]
    kinds = (
        ("tree", sizing.tree_share, sizing.tree_spacing_m),
        ("shrub", 1 - sizing.tree_share, sizing.shrub_spacing_m),
    )
    for item, share, spacing in kinds:
        if share > 0:
            found.append(_plants(item, area, share, spacing, basis, sizing))
            if item == "tree" and sizing.guards:
                trees = found[-1]
                formula = f"{told(trees.mid)} = {told(trees.mid)} guards; one for each tree to order"
                found.append(quantity("guard", trees.range, formula, basis))
    return found


def _plants(item: str, area: Three, share: float, spacing: float, basis: str, sizing: Sizing) -> Quantity:
    least, most = sizing.survival
    lives = (most, (least + most) / 2, least)
    low, mid, high = (
        plants(ground * share, spacing, sizing.pattern, live) for ground, live in zip(area, lives, strict=True)
    )
    dense = density_words(spacing, sizing.pattern)
    formula = (
        f"ceil({told(area[1])} x {told(share)} x {dense} / {told(lives[1])}) = {mid} plants; {told(share)} of "
        f"the ground, {told(spacing)} m apart, {told(least)} to {told(most)} of them live"
    )
    return quantity(item, (low, mid, high), formula, basis)


def size_seed(bare: Quantity, sizing: Sizing) -> Quantity:
    """Size seed for ground that the works leave bare."""
    least, most = sizing.seed_kg_ha
    rates = (least, (least + most) / 2, most)
    low, mid, high = (area * rate / HECTARE_M2 for area, rate in zip(bare.range, rates, strict=True))
    formula = f"{told(bare.mid)} x {told(rates[1])} / 10000 = {told(mid)} kg; {told(least)} to {told(most)} kg/ha"
    return quantity("seed", (low, mid, high), formula, bare.basis)
