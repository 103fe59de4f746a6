"""Sites: stretches of one bank on one property that could be one piece of work, cut from the scores of stations."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.constraints import ground_taken, strip_cells
from gisprio.compute.banks.gaps import reach_places
from gisprio.compute.banks.ground import young_planting
from gisprio.compute.banks.own_ground import bank_sites
from gisprio.compute.banks.runs import Rows, Words, columns_of, cut, median, runs
from gisprio.compute.banks.sides import has_bank, station_sides
from gisprio.compute.banks.stretches import Stretch, on_own_ground, strip_ground
from gisprio.compute.banks.strips import polygons_of
from gisprio.compute.factors import factors_of, layer_with_factors
from gisprio.compute.land.frontages import owners
from gisprio.compute.land.shared_ground import shared_areas
from gisprio.compute.land.site_runs import cut_runs, site_runs
from gisprio.compute.scoring.sides import Scales, station_scores, stretch_scores
from gisprio.compute.scoring.values import FULL
from gisprio.compute.setbacks.asked import strip_depth
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.layers import SITE_PIECES
from gisprio.contracts.schema import empty
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import SITE_KINDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Marks = NDArray[np.bool_]
Shapes = NDArray[np.object_]
FREE_SHARE = 0.5
"""A station can be planted where this share of its strip is free of constraints, roads, water, young planting [own]."""


def cut_sites(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Cut sites from the scores of stations, and draw the strip beside each.

    Parameters
    ----------
    core
        ``stations``, ``bank_points``, ``side_setbacks``, ``side_cover``, ``side_gaps``, ``side_heights``,
        ``side_constraints``, ``side_scores``, ``gap_pieces``, ``reach_measures`` of the piece.
    halo
        ``parcels``, ``constraints``, ``roads``, ``water``, ``done``, ``segments`` and ``reach_measures`` near it;
        ``stretches``.
    sources
        None.
    settings
        Sections ``priority``, ``factor``, ``setback``, ``works``, ``sites``.

    Returns
    -------
    dict
        ``site_pieces``: one row a site, with its measures and its factor scores on its worst stretch.

    Notes
    -----
    First stations whose gap score reaches ``score_at``, that lie in a gap and can be planted, make runs. Then, of the
    rest, stations whose erosion score reaches it: there the strip stands and the bank is to be looked at. So no site is
    half of one and half of the other. Then, if asked for, stretches to protect. Interruptions up to ``merge_m`` are
    bridged; crossings, pipes, standing water and other property part runs. Scores of stations are those by which the
    worst stretch of a bank is found.
    """
    factors = factors_of(settings)
    layer, crs = layer_with_factors(SITE_PIECES, factors), getattr(core["reach_measures"], "crs", None)
    sides = _sides(core, settings)
    if not len(sides):
        return {"site_pieces": empty(layer, crs)}
    bases = {one.card.basis_column: Words.of(sides[one.card.basis_column]) for one in factors}
    columns = columns_of(sides) | {name: words.codes for name, words in bases.items()}
    scales = Scales.of(settings.priority, factors, bases)
    taken = _ground_taken(halo, settings)
    run = _runs(sides, station_scores(columns, scales), taken, settings)
    ids, areas, owner = _owners(sides, halo["parcels"])
    reaches = reach_places(core["reach_measures"])
    least, most = settings.sites.site_min_length_m, settings.sites.site_max_length_m
    cuts = cut_runs(sides, run, owner, reaches, least, most)
    if not len(cuts):
        return {"site_pieces": empty(layer, crs)}
    stretches = _stretches(columns, cuts)
    by_segment = {number: columns_of(own) for number, own in reaches.groupby("segment_no")}
    ground = _ground(stretches, bank_sites(columns, by_segment), halo)
    planted = cuts["taken"].to_numpy() == SITE_KINDS.index("gap")
    ground[planted] = without(ground[planted], taken)
    ground = within_own(ground, cuts["owner"].to_numpy(), areas)
    covers = Words.of(sides["adjacent_cover"])
    rows = [_measures(one, covers) | stretch_scores(one.own, scales) for one in stretches]
    table = gpd.GeoDataFrame(rows, geometry=ground, crs=crs)
    table["property_id"] = np.array([*ids, None], object)[cuts["owner"].to_numpy()]
    table["site_kind"] = np.array(SITE_KINDS, object)[cuts["taken"]]
    table["area_m2"] = shapely.area(ground)
    table["plantable_area_m2"] = np.where(
        table["gap_length_m"].isna(), np.nan, _in_gaps(table, core["gap_pieces"], planted)
    )
    table = table[table["area_m2"] > 0].sort_values(["reach_no", "side", "from_m"], ignore_index=True)
    return {"site_pieces": table[[*layer.names(), "geometry"]]}


def _sides(core: Tables, settings: Settings) -> pd.DataFrame:
    """One row a station side with what sites are cut by, sorted along each side of each segment."""
    sides = station_sides(
        core, "side_setbacks", "side_cover", "side_gaps", "side_heights", "side_constraints", "side_scores"
    )
    sides["length_m"] = sides["to_m"] - sides["from_m"]
    sides["has_bank"] = has_bank(sides)
    sides["ranked"] = sides["has_bank"] & sides["kind"].isin(settings.priority.ranked_kinds)
    sides["depth_m"] = strip_depth(sides, settings.setback)
    sides["coarse"] = sides["buffer_width_m"].isna() & sides["missing_strip"].notna()
    reaches = core["reach_measures"].set_index("reach_no").reindex(sides["reach_no"])
    sides["reach_from_m"], sides["reach_to_m"] = reaches["from_m"].to_numpy(), reaches["to_m"].to_numpy()
    for card in (registered.card for registered in factors_of(settings)):
        sides[card.basis_column] = np.where(sides[card.score_column].isna(), "missing", "measured")
        sides[card.score_column] = np.round(sides[card.score_column] * (FULL / 100))
    return sides


def _ground_taken(halo: Tables, settings: Settings) -> Shapes:
    """Give the ground that cannot be planted: constraints, roads, water, young planting."""
    young = young_planting(halo["done"], settings.works.cover_after_y, settings.setback.most_m)
    ground = ground_taken(halo["constraints"], halo["roads"], halo["water"], settings.works.clear_m)
    return np.concatenate([ground, young])


def _runs(sides: pd.DataFrame, scores: dict[str, Floats], taken: Shapes, settings: Settings) -> Ints:
    """Number the kind of run each station lies in, as SITE_KINDS has them; -1 in none."""
    sites = settings.sites
    erosion, gap = (scores[name] >= sites.score_at * FULL / 100 for name in ("erosion", "gap"))
    coarse, in_gap = sides["coarse"].to_numpy(bool), sides["gap"].to_numpy(bool)
    there = sides["ranked"].to_numpy(bool)
    bare = there & gap & (in_gap | coarse)
    bare[bare] = free_share(sides[bare], taken) >= FREE_SHARE
    passes = [(bare, sites.site_min_length_m), (there & erosion, sites.site_min_length_m)]
    if sites.protect_from_m is not None:
        strip_there = there & ~in_gap & ~coarse & sides["buffer_width_m"].notna().to_numpy()
        passes.append((strip_there, sites.protect_from_m))
    return site_runs(sides, there, passes, sites.merge_m)


def free_share(sides: pd.DataFrame, taken: Shapes) -> Floats:
    """Give the share of the strip beside each station that nothing takes; (n,).

    Parameters
    ----------
    sides
        Station sides with ``depth_m``.
    taken
        (m,) ground that cannot be planted.
    """
    cells = strip_cells(sides, sides["depth_m"].to_numpy(float))
    share = np.ones(len(cells))
    if not len(cells) or not len(taken):
        return share
    cell, thing = shapely.STRtree(taken).query(cells, predicate="intersects")
    if len(cell):
        parts = shapely.intersection(cells[cell], taken[thing])
        met, of = np.unique(cell, return_inverse=True)
        covered = shapely.union_all(shapely.geometrycollections(parts, indices=of)[:, None], axis=1)
        share[met] -= shapely.area(covered) / shapely.area(cells[met])
    return share


def _owners(sides: pd.DataFrame, parcels: pd.DataFrame) -> tuple[NDArray[np.object_], Shapes, Ints]:
    """Give ids and grounds of the properties, and the row of each station side's own, -1 for none."""
    lots = parcels[parcels["passed_over"].isna()].sort_values("property_id", ignore_index=True)
    ids, areas = lots["property_id"].to_numpy(object), np.asarray(lots.geometry.array)
    if not len(lots):
        return ids, areas, np.full(len(sides), -1, np.int64)
    return ids, areas, owners(sides, areas, sides["depth_m"].to_numpy(float))


def _stretches(columns: Rows, cuts: pd.DataFrame) -> list[Stretch]:
    """Give the stretch of each site, in the order of ``cuts``."""
    found = []
    sides = runs(columns["segment_no"], columns["side"])
    of = np.searchsorted([rows.start for rows in sides], cuts["row"].to_numpy(), side="right") - 1
    whole = {number: cut(columns, sides[number]) for number in np.unique(of)}
    places = cuts[["reach_no", "reach_from_m", "low_m", "high_m"]].itertuples(index=False)
    for number, (reach_no, reach_from, low, high) in zip(of, places, strict=True):
        side, start = whole[number], sides[number].start
        a = int(np.searchsorted(side["to_m"], low + 1e-6, side="right"))
        b = int(np.searchsorted(side["from_m"], high - 1e-6, side="left"))
        found.append(Stretch(side, slice(start + a, start + b), a, b, int(reach_no), float(reach_from), low, high))
    return found


def _ground(stretches: list[Stretch], banks: object, halo: Tables) -> Shapes:
    """Draw the strip beside each stretch, on its own ground."""
    drawn = np.array([strip_ground(one, one.own["depth_m"]) for one in stretches], dtype=object)
    deepest = [float(one.own["depth_m"].max()) for one in stretches]
    return on_own_ground(drawn, stretches, deepest, banks, halo)  # type: ignore[arg-type]


def without(ground: Shapes, taken: Shapes) -> Shapes:
    """Take ground off polygons; (n,) polygons, perhaps empty."""
    left = ground.copy()
    if len(ground) and len(taken):
        piece, thing = shapely.STRtree(taken).query(ground, predicate="intersects")
        for one, hits in pd.Series(thing).groupby(piece):
            away = shapely.union_all(taken[np.sort(hits)])
            left[one] = polygons_of(shapely.difference(ground[one], away))
    return left


def within_own(ground: Shapes, owner: Ints, areas: Shapes) -> Shapes:
    """Cut polygons to the property each lies on; those on none stay; (n,)."""
    kept, owned = ground.copy(), np.flatnonzero(owner >= 0)
    inside = shapely.intersection(ground[owned], areas[owner[owned]])
    kept[owned] = [polygons_of(shape) for shape in inside]
    return kept


def _in_gaps(sites: gpd.GeoDataFrame, gaps: pd.DataFrame, planted: Marks) -> Floats:
    """Give the ground of each site that lies in gaps of its own bank; 0 where it is not to be planted; (n,) [m2]."""
    area = np.zeros(len(sites))
    if not len(gaps):
        return area
    shared = shared_areas(np.asarray(sites.geometry.array), np.asarray(gaps.geometry.array))
    site, gap = shared["strip"].to_numpy(), shared["property"].to_numpy()
    same = planted[site]
    for name in ("reach_no", "side"):
        same &= sites[name].to_numpy()[site] == gaps[name].to_numpy()[gap]
    np.add.at(area, site[same], shared["area_m2"].to_numpy()[same])
    return area


def _measures(stretch: Stretch, covers: Words) -> dict[str, object]:
    """Give what is told of one site besides its scores and its ground."""
    own = stretch.own
    length = np.minimum(own["to_m"], stretch.to_m) - np.maximum(own["from_m"], stretch.from_m)
    missing = own["missing_strip"].astype(float)
    lacking = length * np.nan_to_num(missing)
    told = [word for word in own["constraint"] if isinstance(word, str)]
    kinds = sorted({kind for words in told for kind in words.split(", ")})
    known = ~np.isnan(missing)
    return {
        "segment_no": int(stretch.side["segment_no"][0]),
        "reach_no": stretch.reach_no,
        "side": stretch.side_no,
        "from_m": stretch.from_m - stretch.reach_from,
        "to_m": stretch.to_m - stretch.reach_from,
        "setback_m": median(own["setback_m"]),
        "gap_length_m": float((length * own["gap"]).sum()) if not np.isnan(own["buffer_width_m"]).all() else np.nan,
        "lacking_share": float(lacking.sum() / length[known].sum()) if known.any() else np.nan,
        "adjacent_cover": covers.most(stretch.rows, lacking if lacking.any() else length),
        "bank_height_m": median(own["bank_height_m"]),
        "constraint": ", ".join(kinds) or None,
    }
