"""Results with sub-watersheds and frontages whose totals are known by hand, for the public map."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import pandas as pd

from gisprio.contracts.cards import Results
from gisprio.contracts.settings import Settings
from unit.products.product_world import make_results

Held = Mapping[str, Sequence[float]]
"""Metres of frontage of each property of a sub-watershed."""

EVEN = (300.0, 200.0, 200.0, 200.0, 100.0)


def make_public_results(
    held: Held,
    *,
    gaps: Mapping[str, float] | None = None,
    given: bool = True,
    names: Sequence[str] = ("Tansy Brook", "Sorrel Run", "Hazel Beck"),
    title: str = "Tansy Brook",
    units: str = "si",
    contact: str = "Friends of the Brook, brook@example.org",
    reaches_each: int = 4,
) -> Results:
    """Make results: the sub-watersheds lie one below the other, each of ``reaches_each`` reaches of 200 m.

    Parameters
    ----------
    held
        By sub-watershed.
    gaps
        Share of each bank that lacks its strip, by sub-watershed; 0.5 where not told.
    given
        Whether the sub-watersheds are the user's, so that their names are shown.
    """
    results = _base(reaches_each * len(held), title, units)
    subs = list(held)
    reaches, banks = (results.tables[name].copy() for name in ("reaches", "banks"))
    reaches["sub_watershed_id"] = np.repeat(subs, reaches_each)
    reaches["name"] = np.repeat([names[i % len(names)] for i in range(len(subs))], reaches_each)
    reaches["downstream_reach_id"] = [*reaches["reach_id"][1:], None]
    banks["sub_watershed_id"] = np.repeat(subs, 2 * reaches_each)
    banks["name"] = np.repeat(reaches["name"].to_numpy(), 2)
    banks["length_m"] = 200.0
    share = banks["sub_watershed_id"].map(gaps or {}).fillna(0.5)
    banks["gap_length_m"], banks["gap_area_m2"] = 200.0 * share, 200.0 * share * 25
    banks["width_known_share"] = 1.0
    banks["erosion_above_share"] = np.where(np.arange(len(banks)) % 4 == 0, 1.0, 0.0)
    banks["need"] = np.resize(["both", "gap_only", "none", "none"], len(banks))
    frontages = _frontages(held, banks)
    properties = results.tables["properties"]
    land = frontages.groupby("property_id")[["frontage_m", "gap_length_m", "gap_area_m2"]].sum()
    rows = np.arange(len(land)) % len(properties)
    properties = properties.iloc[rows].assign(
        property_id=list(land.index), **land.reset_index(drop=True).set_index(properties.index[rows])
    )
    tables = {**results.tables, "reaches": reaches, "banks": banks, "frontages": frontages, "properties": properties}
    settings = results.settings.model_dump(by_alias=True)
    settings["report"]["contact"] = contact
    settings["layers"]["sub_watersheds"] = ("subs.gpkg",) if given else ()
    return dataclasses.replace(results, tables=tables, settings=Settings.model_validate(settings))


@cache
def _base(reaches: int, title: str, units: str) -> Results:
    return make_results(reaches, title=title, units=units, ditches=10**6)


def _frontages(held: Held, banks: pd.DataFrame) -> pd.DataFrame:
    """Lay each property along the first banks of its sub-watershed; half of each lacks its strip."""
    rows = []
    for sub, metres in held.items():
        own = banks.loc[banks["sub_watershed_id"] == sub, "bank_id"].tolist()
        rows += [(f"{sub[:1]}{n:03d}/P", own[n % len(own)], front) for n, front in enumerate(metres)]
    table = pd.DataFrame(rows, columns=["property_id", "bank_id", "frontage_m"])
    return table.assign(gap_length_m=table["frontage_m"] / 2, gap_area_m2=table["frontage_m"] * 12.5)
