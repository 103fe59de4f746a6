"""Concept sizing: what each site's measure asks for, as quantities with ranges, formulas and warnings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from gisprio.compute.works.design import design_reasons
from gisprio.compute.works.earthwork import size_earthwork, size_trees_lost
from gisprio.compute.works.fencing import size_fencing
from gisprio.compute.works.planting import size_planting, size_seed
from gisprio.compute.works.quantities import Quantity, quantity, told
from gisprio.compute.works.site_facts import SiteFacts, facts_of_sites
from gisprio.compute.works.stakes import size_live_stakes
from gisprio.compute.works.toe import size_toe
from gisprio.compute.works.warnings import Warned, always, warnings_of_settings, warnings_of_site, warnings_of_slope
from gisprio.compute.works.wrapping import size_mat
from gisprio.contracts.layers import WORK_ITEMS, WORK_SITES, WORK_WARNINGS
from gisprio.contracts.schema import check
from gisprio.contracts.settings import Settings
from gisprio.contracts.works import ITEM_KEYS, Given, item_of

Part = Callable[[SiteFacts, Settings], list[Quantity]]


def _length(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    metres = told(facts.length_m)
    three = (facts.length_m, facts.length_m, facts.length_m)
    return [quantity("works_length", three, f"{metres} = {metres} m", facts.length_basis)]


def _planting(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    return size_planting(facts.area, facts.area_basis, facts.area_says, settings.sizing) if facts.area[2] > 0 else []


def _fencing(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    return size_fencing(facts.length_m, float(facts.site["setback_m"]), facts.length_basis)


def _fencing_on_pasture(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    return _fencing(facts, settings) if facts.site["adjacent_cover"] == "pasture" else []


def _toe(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    if settings.sizing.toe == "none":
        return []
    unknown = settings.sites.design_bank_m
    return size_toe(facts.length_m, facts.length_basis, facts.heights, unknown, settings.sizing)


def _regrading(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    """Size earth and what covers the new face; nothing where nobody knows the height of the bank."""
    if facts.heights is None:
        return []
    sizing = settings.sizing
    earth = size_earthwork(facts.heights, facts.start, facts.start_basis, facts.finished, facts.length_basis, sizing)
    by_item = {one.item: one for one in earth}
    face = by_item["face"]
    return [
        *earth,
        _trees(facts, by_item["land_taken"], settings),
        *size_mat(facts.heights, facts.finished, facts.length_basis, sizing),
        size_live_stakes(face, sizing),
        size_seed(face, sizing),
    ]


def _trees(facts: SiteFacts, strip: Quantity, settings: Settings) -> Quantity:
    counted = facts.given.trees_lost
    if counted is None:
        return size_trees_lost(strip, facts.woody, facts.woody_basis, settings.sizing)
    return quantity("trees_lost", (counted,) * 3, f"{told(counted)} = {told(counted)} trees; counted on site", "given")


@dataclass(frozen=True, slots=True)
class Scope:
    """What a measure is sized for.

    Parameters
    ----------
    measure
        Word of ``MEASURES``.
    says
        In words.
    parts
        Functions that size it; none where nothing is.
    """

    measure: str
    says: str
    parts: tuple[Part, ...]


SCOPES = (
    Scope("plant", "Trees and shrubs on the ground of the strip that lacks them, with guards.", (_length, _planting)),
    Scope(
        "fence and plant",
        "The same, with a fence against stock and water for it away from the stream.",
        (_length, _planting, _fencing),
    ),
    Scope(
        "bank works and plant",
        "A regraded bank under mat, live stakes and seed, rock at its toe and keys at both ends, and planting; with a "
        "fence where pasture lies beside it.",
        (_length, _regrading, _toe, _planting, _fencing_on_pasture),
    ),
    Scope("look first", "Nothing: somebody has to look why the bank erodes before works are thought of.", ()),
    Scope("protect", "Nothing: its strip is there and wants no works.", ()),
)
"""What sites are sized for, by measure."""


def size_works(
    tables: Mapping[str, pd.DataFrame], settings: Settings, given: Mapping[str, Given] | None = None
) -> dict[str, pd.DataFrame]:
    """Size the works of sites; :func:`size_facts` does the same of facts that were put together before.

    Parameters
    ----------
    tables
        As :func:`gisprio.compute.works.site_facts.facts_of_sites` takes them.
    settings
        Sections ``dem``, ``setback``, ``sites``, ``sizing``.
    given
        What somebody measured on site, by ``site_id``.

    Returns
    -------
    dict
        ``work_sites``, ``work_items``, ``work_warnings``, in the order of the sites.
    """
    return size_facts(facts_of_sites(tables, settings, given or {}), settings)


def size_facts(facts: list[SiteFacts], settings: Settings) -> dict[str, pd.DataFrame]:
    """Size the works of sites of which the facts are known; tables as in :func:`size_works`."""
    sized = [size_site(one, settings) for one in facts]
    warned: list[tuple[str | None, Warned]] = [(None, one) for one in common_warnings(facts, settings)]
    for one, found in zip(facts, sized, strict=True):
        warned += [(one.site_id, warning) for warning in warnings_of_site(one, found, settings)]
    return {
        "work_sites": check(WORK_SITES, _sites(facts, sized, settings)),
        "work_items": check(WORK_ITEMS, _items(facts, sized)),
        "work_warnings": check(WORK_WARNINGS, _warnings(warned)),
    }


def size_site(facts: SiteFacts, settings: Settings) -> list[Quantity]:
    """Size one site for its measure, in the order of ``ITEMS``."""
    scope = next(scope for scope in SCOPES if scope.measure == facts.measure)
    found = [one for part in scope.parts for one in part(facts, settings)]
    return sorted(found, key=lambda one: ITEM_KEYS.index(one.item)) if len(found) > 1 else []


def common_warnings(facts: Iterable[SiteFacts], settings: Settings) -> list[Warned]:
    """Give the warnings that hold for all sites: what is always said, and the settings where banks are worked on."""
    found = always()
    if any(one.measure == "bank works and plant" for one in facts):
        found += [
            *warnings_of_settings(settings.sizing),
            *warnings_of_slope(settings.sizing.finished_slope, settings.sizing),
        ]
    return found


def not_sized(facts: SiteFacts, found: list[Quantity]) -> str | None:
    """Say what is not sized at a site and why; None where all is."""
    scope = next(scope for scope in SCOPES if scope.measure == facts.measure)
    if not scope.parts:
        return scope.says
    lacking = []
    if facts.measure == "bank works and plant" and facts.heights is None:
        lacking.append(
            f"No earth, mat, live stakes or seed: nobody knows how high the bank is ({facts.no_heights}). Measure it "
            "first."
        )
        if any(one.item == "toe_rock" for one in found):
            lacking.append("Rock is by length alone: whether so high a bank needs it is not known.")
    if not any(one.item == "planting_area" for one in found):
        lacking.append("No plants: there is no ground to plant.")
    return " ".join(lacking) if lacking else None


def told_of(facts: SiteFacts, settings: Settings) -> list[str]:
    """Say what a site was sized from, a sentence each, and how each was got."""
    length = "along the stream line" if facts.length_basis == "modelled" else "given"
    lines = [f"Length {told(facts.length_m)} m, {length}."]
    if facts.measure == "bank works and plant":
        if facts.heights is None:
            lines.append(f"Height of the bank unknown: {facts.no_heights}.")
        else:
            means = _spread([told(round(mean, 2)) for mean in facts.heights.means])
            lines.append(f"Height of the bank {facts.heights.says}; taken as {means} m on average.")
            lines.append(f"Slope now {facts.start_says}; afterwards {told(facts.finished)}:1, a choice of design.")
    if not facts.area[2]:
        lines.append("No ground to plant.")
    else:
        lines.append(f"Ground to plant {_spread([told(round(area)) for area in facts.area])} m2: {facts.area_says}.")
    return lines


def _spread(three: list[str]) -> str:
    """Write low, mid and high, or one number where they are one."""
    low, mid, high = three
    return low if low == mid == high else f"{low}, {mid} and {high}"


def _sites(facts: list[SiteFacts], sized: list[list[Quantity]], settings: Settings) -> pd.DataFrame:
    rows: list[dict[str, Any]] = []
    for one, found in zip(facts, sized, strict=True):
        works = one.measure == "bank works and plant"
        heights = one.heights if works else None
        low, mid, high = heights.means if heights is not None else (None, None, None)
        moved = heights is not None
        rows.append(
            {
                "site_id": one.site_id,
                "property_id": one.site["property_id"],
                "measure": one.measure,
                "length_m": one.length_m,
                "length_basis": one.length_basis,
                "height_low_m": low,
                "height_mid_m": mid,
                "height_high_m": high,
                "height_basis": heights.basis if heights is not None else None,
                "start_slope_steep": one.start[2] if moved else None,
                "start_slope_flat": one.start[0] if moved else None,
                "finished_slope": one.finished if moved else None,
                "sized": bool(found),
                "not_sized": not_sized(one, found),
                "design": design_reasons(one, settings),
            }
        )
    return pd.DataFrame(rows, columns=WORK_SITES.names())


def _items(facts: list[SiteFacts], sized: list[list[Quantity]]) -> pd.DataFrame:
    rows = [
        {
            "site_id": one.site_id,
            "item": each.item,
            "unit": item_of(each.item).unit,
            "quantity_low": each.low,
            "quantity_mid": each.mid,
            "quantity_high": each.high,
            "formula": each.formula,
            "basis": each.basis,
        }
        for one, found in zip(facts, sized, strict=True)
        for each in found
    ]
    return pd.DataFrame(rows, columns=WORK_ITEMS.names())


def _warnings(warned: list[tuple[str | None, Warned]]) -> pd.DataFrame:
    rows = [(site, *warning) for site, warning in warned]
    return pd.DataFrame(rows, columns=WORK_WARNINGS.names(), dtype=object)
