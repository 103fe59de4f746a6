"""The ground of each bank's gaps: what constraints leave of it, and what of it is planted already."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.constraints import clear_area, constraint_words, ground_taken
from gisprio.compute.banks.runs import Rows, columns_of, cut, runs
from gisprio.compute.banks.sides import SIDE_KEY, has_bank, station_sides
from gisprio.compute.setbacks.asked import strip_depth
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import BANK_GROUND
from gisprio.contracts.schema import check, empty
from gisprio.contracts.settings import Settings

Shapes = NDArray[np.object_]
BANK_KEY = ["reach_no", "side"]
MOST = 0.5
"""A bank is planted where more than this share of its gaps is [own]."""
NO_WORKS = {"done_kind": None, "done_year": pd.NA}


def measure_ground(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure constraints along each bank, and the ground of its gaps that is free to be planted.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_setbacks``, ``side_works`` and ``gap_pieces`` of the piece.
    halo
        ``constraints``, ``roads``, ``water`` and ``done``.
    sources
        None.
    settings
        Sections ``setback``, ``works``.

    Returns
    -------
    dict
        ``side_constraints`` and ``bank_ground``.
    """
    sides = station_sides(core, "side_setbacks", "side_works")
    width = strip_depth(sides, settings.setback)
    sides["constraint"] = constraint_words(sides, halo["constraints"], halo["roads"], width)
    if not len(sides):
        return {"side_constraints": sides[[*SIDE_KEY, "constraint"]], "bank_ground": empty(BANK_GROUND)}
    sides["length_m"] = sides["to_m"] - sides["from_m"]
    young = young_planting(halo["done"], settings.works.cover_after_y, settings.setback.most_m)
    taken = ground_taken(halo["constraints"], halo["roads"], halo["water"], settings.works.clear_m)
    gaps = _gap_ground(core["gap_pieces"], np.concatenate([taken, young]), young)
    inner = (sides["length_m"] * sides["island"]).groupby([sides[name] for name in BANK_KEY]).sum()
    inner = inner / sides.groupby(BANK_KEY)["length_m"].sum() > MOST
    banked = sides[has_bank(sides)]
    works, columns = _works(banked), columns_of(banked)
    own = {_key(columns, rows): cut(columns, rows) for rows in runs(columns["reach_no"], columns["side"])}
    none = cut(columns, slice(0))
    rows = [
        _bank(key, own.get(key, none), gaps.get(key, (0.0, 0.0, 0.0))) | works.get(key, NO_WORKS)
        for key in sorted(set(zip(sides["reach_no"].tolist(), sides["side"].tolist(), strict=True)))
    ]
    table = pd.DataFrame(rows).assign(island=inner.to_numpy()).astype({"done_year": "Int64", "planted_year": "Int64"})
    order = sides.sort_values(SIDE_KEY, ignore_index=True)
    return {"side_constraints": order[[*SIDE_KEY, "constraint"]], "bank_ground": check(BANK_GROUND, table)}


def young_planting(done: pd.DataFrame, cover_after_y: float, width_m: float) -> Shapes:
    """Give the ground of planting that is no cover yet; lines and points as wide as the setback [own]."""
    young = done[done["planting"].to_numpy(bool) & ~(done["age_y"] >= cover_after_y).to_numpy(bool)]
    shapes = np.asarray(young.geometry.array)
    flat = shapely.get_dimensions(shapes) < 2
    return np.where(flat, shapely.buffer(shapes, np.where(flat, width_m, 0.0)), shapes)


def _gap_ground(gaps: pd.DataFrame, taken: Shapes, young: Shapes) -> dict[tuple[int, int], tuple[float, float, float]]:
    """Give ground, plantable ground and planted ground of the gaps of each reach and side [m2]."""
    ground = np.asarray(gaps.geometry.array) if len(gaps) else np.zeros(0, object)
    whole = np.asarray(shapely.area(ground), float)
    areas = np.column_stack([whole, clear_area(ground, taken), whole - clear_area(ground, young)])
    sums: dict[tuple[int, int], tuple[float, float, float]] = {}
    for key, own in zip(zip(gaps["reach_no"], gaps["side"], strict=True), areas, strict=True):
        before = np.array(sums.get(key, (0.0, 0.0, 0.0)))
        sums[key] = tuple(before + own)
    return sums


def _key(columns: Rows, rows: slice) -> tuple[int, int]:
    return int(columns["reach_no"][rows.start]), int(columns["side"][rows.start])


def _bank(key: tuple[int, int], bank: Rows, gaps: tuple[float, float, float]) -> dict[str, object]:
    length, words = bank["length_m"], bank["constraint"]
    told = np.array([isinstance(each, str) for each in words], bool)
    kinds = sorted({kind for each in set(words[told]) for kind in each.split(", ")})
    ground, plantable, planted = gaps
    young = bank["planted"].astype(bool)
    most = planted > MOST * ground if ground else length[young].sum() > MOST * max(length.sum(), 1e-9)
    years = [year for year in bank["done_year"][young] if not pd.isna(year)]
    return {
        "reach_no": key[0],
        "side": key[1],
        "constrained_length_m": float(length[told].sum()),
        "constraint": ", ".join(kinds) or None,
        "plantable_area_m2": float(plantable),
        "planted_year": max(years, default=0) if most else pd.NA,
    }


def _works(banked: pd.DataFrame) -> dict[tuple[int, int], dict[str, object]]:
    """Name kind and year of the works along most of each bank that has any; of equal ones the newest."""
    told = banked[banked["done_kind"].notna() | banked["done_year"].notna()]
    by = told.groupby([*BANK_KEY, "done_kind", "done_year"], dropna=False)["length_m"].sum().reset_index()
    by = by.sort_values(["length_m", "done_year", "done_kind"], ascending=[False, False, True])
    best = by.drop_duplicates(BANK_KEY)
    kinds = [kind if isinstance(kind, str) else None for kind in best["done_kind"]]
    banks = zip(best["reach_no"].tolist(), best["side"].tolist(), strict=True)
    return {
        bank: {"done_kind": kind, "done_year": year}
        for bank, kind, year in zip(banks, kinds, best["done_year"], strict=True)
    }
