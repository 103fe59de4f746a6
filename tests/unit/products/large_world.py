"""A large invented world of results, made without a loop over banks: what the map has to hold at its limits.

Streams wander side by side, four to a sub-watershed, each cut in reaches of 200 m and 24 points. Values, scores, keys
and ranks follow the cards and the exact keys, so they hold together as those of a run do.
"""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.ndimage import zoom

from gisprio.compute.factors import FACTORS
from gisprio.compute.scoring.keys import group_score, priority_keys, priority_of, ranks
from gisprio.compute.scoring.values import value_score, whole
from gisprio.contracts.cards import Factor, Results
from gisprio.contracts.grids import ArraySource, Grid, Lattice
from gisprio.contracts.layers import (
    BANK_SETBACKS,
    BANKS,
    FINDINGS,
    FLOW_POINTS,
    FRONTAGES,
    GAPS,
    LONG_PROFILES,
    PROPERTIES,
    REACHES,
    SENSITIVITY,
)
from gisprio.contracts.schema import Column, Layer, check, empty
from unit.products.product_world import CRS, make_settings

Floats = NDArray[np.float64]

POINTS, REACH_M, PER_STREAM, SETBACK_M = 24, 200.0, 40, 30.0
STREAM_GAP_M, ROW_M = 1300.0, 9500.0
WEIGHTS = {
    "unit_stream_power": 300, "outer_bend": 300, "bank_height_ratio": 150, "near_bank_cover": 150, "subsoil_fines": 100,
    "missing_strip": 600, "adjacent_use": 200, "delivery": 200,
}  # fmt: skip
CARDS: tuple[Factor, ...] = tuple(one.card for one in FACTORS if one.card.key in WEIGHTS)
NAMES = tuple(f"{first} {last}" for first in ("Tansy", "Sorrel", "Hazel", "Bramble", "Otter", "Willow", "Fern", "Larch",
              "Heron", "Mallow", "Sedge", "Alder") for last in ("Brook", "Run", "Beck", "Water"))  # fmt: skip


def make_large_results(banks: int, *, properties: int | None = None, seed: int = 11) -> Results:
    """Make results with so many banks and, if not told, a property to five banks."""
    draw = np.random.default_rng(seed)
    points, normal = _stream_points(banks // 2, draw)
    reach = _reaches(points, draw)
    bank = _banks(reach, points, normal, draw)
    gap = _gaps(bank, points, normal, draw)
    front, land = _properties(bank, points, normal, banks // 5 if properties is None else properties, draw)
    tables = {
        "reaches": _fitted(REACHES, reach),
        "banks": _fitted(banks_layer(), bank.drop(columns=["at", "offset"])),
        "gaps": _fitted(GAPS, gap),
        "flow_points": empty(FLOW_POINTS, CRS),
        "properties": _fitted(PROPERTIES, land),
        "frontages": _fitted(FRONTAGES, front).assign(bank_id=bank["bank_id"].to_numpy()),
        "bank_setbacks": _fitted(BANK_SETBACKS, _setbacks(bank)),
        "findings": empty(FINDINGS),
        "long_profiles": _fitted(LONG_PROFILES, _long_profiles(reach, points, draw)),
        "sensitivity": empty(SENSITIVITY),
        "factors": _factors(),
    }
    record = {"started": "2026-03-04T09:30:00+00:00", "format": 1}
    return Results(tables, _elevation(points), make_settings(name="Large Water"), record, CRS)


def banks_layer() -> Layer:
    """Give BANKS with the columns of the factors."""
    more = []
    for card in CARDS:
        more += [Column(card.value_column, "float", card.title, null=True)]
        more += [Column(card.basis_column, "text", "How it was got.", null=True)]
        more += [Column(name, "float", card.title, null=True) for name in (card.score_column, card.worst_column)]
    return dataclasses.replace(BANKS, columns=BANKS.columns + tuple(more))


def _fitted(layer: Layer, frame: pd.DataFrame) -> pd.DataFrame:
    """Hold a frame to its layer; columns this world does not make are null, the first word allowed, or 0."""
    absent = [column for column in layer.columns if column.name not in frame.columns]
    missing = {c.name: None if c.null else c.among[0] if c.among else 0 for c in absent}
    return check(layer, frame.assign(**missing))


def _stream_points(reaches: int, draw: np.random.Generator) -> tuple[Floats, Floats]:
    """Give points (reach, point, 2) and unit normals to the left, of streams that turn by slow waves of heading."""
    streams = -(-reaches // PER_STREAM)
    steps = PER_STREAM * (POINTS - 1)
    step = REACH_M / (POINTS - 1)
    along = np.arange(steps) * step
    turn = np.full((streams, steps), -np.pi / 2)
    for length, swing in ((140.0, 0.55), (390.0, 0.5), (2100.0, 0.35)):
        turn += swing * np.sin(2 * np.pi * along / length + draw.uniform(0, 2 * np.pi, (streams, 1)))
    turn += 0.12 * draw.standard_normal((streams, steps))
    walk = np.concatenate([np.zeros((streams, 1, 2)), np.cumsum(step * _unit(turn), axis=1)], axis=1)
    wide = max(1, round((streams * ROW_M / STREAM_GAP_M) ** 0.5))
    place = np.arange(streams)
    corner = np.column_stack([400_000 + STREAM_GAP_M * (place % wide), 5_300_000 - ROW_M * (place // wide)])
    walk += corner[:, None]
    heading = np.concatenate([turn, turn[:, -1:]], axis=1) + np.pi / 2
    pick = np.arange(PER_STREAM)[:, None] * (POINTS - 1) + np.arange(POINTS)
    return walk[:, pick].reshape(-1, POINTS, 2)[:reaches], _unit(heading)[:, pick].reshape(-1, POINTS, 2)[:reaches]


def _unit(angle: Floats) -> Floats:
    return np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _ids(count: int, prefix: str = "") -> NDArray[np.str_]:
    """Give ids of six letters and digits in the order of the alphabet, as those of segments look."""
    letters = np.array(list("0123456789ABCDEFGHJKLMNPQRSTVWXZ"))
    number = np.arange(count, dtype=np.int64) * (32**6 // max(count, 1)) + 977
    digits = [letters[(number >> shift) & 31] for shift in range(25, -1, -5)]
    out = np.full(count, prefix)
    for digit in digits:
        out = np.char.add(out, digit)
    return out


def _reaches(points: Floats, draw: np.random.Generator) -> gpd.GeoDataFrame:
    n = len(points)
    k = np.arange(n)
    stream, piece = np.divmod(k, PER_STREAM)
    names = np.array(NAMES, object)[stream % len(NAMES)]
    names[stream % 4 == 3] = None
    area = np.round(0.4 * 1.13 ** (piece + 1) * draw.uniform(0.8, 1.2, stream.max() + 1)[stream], 3)
    ditch = stream % 12 == 11
    numbers = np.char.add("-", np.char.zfill((PER_STREAM - piece).astype(str), 2))
    return gpd.GeoDataFrame(
        {
            "reach_id": np.char.add(_ids(stream.max() + 1)[stream], numbers),
            "name": names,
            "kind": np.where(ditch, "ditch", "natural"),
            "sub_watershed_id": _ids(stream.max() // 4 + 1, "W-")[stream // 4],
            "strahler_order": 1 + piece // 12,
            "length_m": REACH_M,
            "slope_m_m": np.round(0.03 / (1 + area) ** 0.6 * draw.uniform(0.6, 1.5, n), 5),
            "sinuosity": np.round(draw.uniform(1.02, 1.9, n), 3),
            "drainage_area_km2": area,
            "drainage_area_basis": "modelled",
            "bankfull_width_m": np.round(2.7 * area**0.4, 2),
            "bankfull_depth_m": np.round(0.3 * area**0.3, 2),
            "bankfull_width_basis": "modelled",
            "slope_basis": "measured",
            "not_ranked": np.where(ditch, "A ditch: only natural streams are ranked.", None),
        },
        geometry=shapely.linestrings(points),
        crs=CRS,
    ).sort_values("reach_id", ignore_index=False)


def _values(n: int, two: pd.DataFrame, draw: np.random.Generator) -> dict[str, Floats]:
    """Give the values of the factors: many of the strip 0 or 1, some missing, the rest drawn."""
    strip = np.round(np.clip(draw.beta(0.5, 0.6, n) * 1.2 - 0.1, 0, 1), 3)
    power = 9810 * two["slope_m_m"] * 1.4 * two["drainage_area_km2"] ** 0.75 / two["bankfull_width_m"]
    bend = np.where(draw.random(n) < 0.55, np.nan, np.round(1 + 8 * draw.random(n) ** 1.5, 2))
    return {
        "unit_stream_power": np.round(power.to_numpy(), 2),
        "outer_bend": bend,
        "bank_height_ratio": np.where(draw.random(n) < 0.1, np.nan, np.round(1 + draw.gamma(1.5, 0.3, n), 2)),
        "near_bank_cover": np.round(np.clip(strip + 0.2 * draw.standard_normal(n), 0, 1), 4),
        "subsoil_fines": np.round(np.repeat(draw.uniform(15, 85, n // 16 + 1), 16)[:n]),
        "missing_strip": strip,
        "adjacent_use": draw.choice([0.0, 0.3, 0.7, 0.89, 1.0], n),
        "delivery": np.round(draw.lognormal(-1.5, 1.3, n), 4),
    }


def _banks(reach: gpd.GeoDataFrame, points: Floats, normal: Floats, draw: np.random.Generator) -> gpd.GeoDataFrame:
    two = pd.DataFrame(reach.drop(columns="geometry")).loc[reach.index.repeat(2)]
    at, n = two.index.to_numpy(), len(two)
    two = two.reset_index(drop=True)
    left = np.arange(n) % 2 == 0
    offset = np.where(left, 1, -1) * two["bankfull_width_m"].to_numpy() / 2
    ranked = two["not_ranked"].isna().to_numpy()
    values = _values(n, two, draw)
    strip = values["missing_strip"]
    metres = np.where(strip > 0.12, np.round(REACH_M * np.clip(strip * 1.1, 0, 1), 1), 0.0)
    return gpd.GeoDataFrame(
        {
            "at": at,
            "offset": offset,
            "bank_id": np.char.add(two["reach_id"].to_numpy(str), np.where(left, "-L", "-R")),
            "reach_id": two["reach_id"],
            "side": np.where(left, "left", "right"),
            **{name: two[name] for name in ("name", "kind", "not_ranked", "sub_watershed_id", "length_m")},
            "bank_line_basis": "half_width",
            "setback_m": SETBACK_M,
            "setback_rule": "fixed_width",
            "setback_kind": "own target",
            "buffer_width_m": np.round(SETBACK_M * (1 - strip), 1),
            "buffer_width_basis": "measured",
            "woody_share": np.round(1 - strip, 4),
            "woody_share_basis": "measured",
            "gap_length_m": metres,
            "gap_area_m2": np.round(metres * SETBACK_M * np.maximum(strip, 0.1), 1),
            "crossing_length_m": np.where(draw.random(n) < 0.05, 16.0, 0.0),
            "concentrated_flow_count": draw.poisson(0.3, n),
            "concentrated_flow_gap_count": 0,
            "constrained_length_m": np.where(draw.random(n) < 0.06, np.round(200 * draw.random(n), 1), 0.0),
            "constraint": np.where(draw.random(n) < 0.06, "road, building", None),
            "plantable_area_m2": np.round(metres * SETBACK_M * strip * 0.9, 1),
            "done_kind": np.where(draw.random(n) < 0.01, "planting", None),
            "done_year": np.where(draw.random(n) < 0.01, 2021.0, np.nan),
            "adjacent_cover": draw.choice(["pasture", "crop", "developed", "woody", "herbaceous"], n),
            "line_offset_m": np.round(6 * draw.random(n), 1),
            "worst_from_m": np.round(150 * draw.random(n) / 10) * 10,
            "valley_width_m": np.round(draw.lognormal(3.5, 0.8, n), 1),
            "erosion_above_share": np.round(np.where(ranked, draw.integers(0, 21, n) / 20, np.nan), 2),
            "gap_above_share": np.round(np.where(ranked, draw.integers(0, 21, n) / 20, np.nan), 2),
            **_judged(values, ranked, draw),
            "why": _why(values, two, ranked),
        },
        geometry=shapely.linestrings(points[at] + offset[:, None, None] * normal[at]),
        crs=CRS,
    )


def _judged(values: dict[str, Floats], ranked: NDArray[np.bool_], draw: np.random.Generator) -> dict[str, object]:
    """Give value, basis and score of every factor, the two scores, the priority and the ranks."""
    out: dict[str, object] = {}
    scores: dict[str, NDArray[np.int64]] = {}
    worst: dict[str, NDArray[np.int64]] = {}
    elsewhere = draw.random(len(ranked)) < 0.25  # the worst stretch of a group alone is another one
    for card in CARDS:
        value = values[card.key]
        score = value_score(value, card.nodes, logarithmic=card.logarithmic)
        score = whole(np.where(np.isnan(score), card.neutral, score))
        scores[card.key] = score.astype(np.int64)
        worst[card.key] = np.where(
            elsewhere, np.minimum(score + draw.integers(0, 200, len(score)), 1000), score
        ).astype(int)
        shown, most = (np.where(ranked, one[card.key] / 10, np.nan) for one in (scores, worst))
        basis = np.where(np.isnan(value), "default", "measured")
        out |= {card.value_column: value, card.basis_column: basis, card.score_column: shown, card.worst_column: most}
    groups = {g: {c.key: WEIGHTS[c.key] for c in CARDS if c.group == g} for g in ("erosion", "gap")}
    erosion, gap = (group_score({key: scores[key] for key in own}, own) for own in groups.values())
    erosion_worst, gap_worst = (group_score({key: worst[key] for key in own}, own) for own in groups.values())
    keys = priority_keys(erosion, gap, {"erosion": 50, "gap": 50}, "geometric")
    need = np.array(["none", "gap_only", "erosion_only", "both"])[2 * (erosion_worst >= 5000) + (gap_worst >= 5000)]
    rank = _rank(keys, ranked)
    spread = (rank * draw.uniform(0.05, 0.5, len(keys))).round()
    return out | {
        "erosion_score": np.where(ranked, erosion / 100, np.nan),
        "gap_score": np.where(ranked, gap / 100, np.nan),
        "erosion_worst_score": np.where(ranked, erosion_worst / 100, np.nan),
        "gap_worst_score": np.where(ranked, gap_worst / 100, np.nan),
        "need": np.where(ranked, need, None),
        "priority": np.where(ranked, priority_of(keys, "geometric"), np.nan),
        "rank": rank,
        "erosion_rank": _rank(erosion_worst, ranked),
        "gap_rank": _rank(gap_worst, ranked),
        "rank_p05": np.maximum(rank - spread, 1),
        "rank_p50": np.maximum(rank + (spread / 8).round(), 1),
        "rank_p95": rank + spread,
        "top_share": np.where(ranked, np.round(np.clip(1 - rank / 500, 0, 1), 4), np.nan),
    }


def _rank(keys: NDArray[np.int64], ranked: NDArray[np.bool_]) -> Floats:
    out = np.full(len(keys), np.nan)
    out[ranked] = ranks(keys[ranked])
    return out


def _why(values: dict[str, Floats], two: pd.DataFrame, ranked: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Give a sentence a bank, of up to three phrases with numbers in them."""
    power = np.char.add(np.char.add("a bankfull flow of ", values["unit_stream_power"].round(1).astype(str)), " W/m2, ")
    bend = np.char.add(
        np.char.add("the outer bank of a bend of ", values["outer_bend"].round(1).astype(str)), " widths' radius, "
    )
    share = np.char.add(
        (100 * values["missing_strip"]).round().astype(int).astype(str), " % of the strip has no cover that counts"
    )
    says = np.char.add(
        "Short of riparian cover, less likely to erode: ", np.where(values["unit_stream_power"] > 20, power, "")
    )
    says = np.char.add(says, np.where(values["outer_bend"] < 4, bend, ""))
    says = np.char.add(np.char.add(says, share), ", all on its worst stretch.")
    return np.where(ranked, says.astype(object), two["not_ranked"].to_numpy(object))


def _bands(
    at: NDArray[np.int64], start: Floats, end: Floats, inner: Floats, outer: Floats, points: Floats, normal: Floats
) -> Floats:
    """Give rings (n, 2 x k + 1, 2) between two offsets of reach lines, from one share of the reach to another.

    ``inner`` and ``outer`` are (n, k) with sign, to the left [m].
    """
    k = inner.shape[1]
    place = (start[:, None] + (end - start)[:, None] * np.linspace(0, 1, k)) * (POINTS - 1)
    below = np.minimum(place.astype(int), POINTS - 2)
    part = (place - below)[..., None]
    row = at[:, None]
    xy = points[row, below] * (1 - part) + points[row, below + 1] * part
    across = normal[row, below]
    ring = np.concatenate([xy + inner[..., None] * across, (xy + outer[..., None] * across)[:, ::-1]], axis=1)
    return np.concatenate([ring, ring[:, :1]], axis=1)


def _lots(at: NDArray[np.int64], depth: Floats, points: Floats) -> Floats:
    """Give rings along a reach with two corners at their back, so deep to its left [m]."""
    front = points[at, 1:-1]
    along = front[:, -1] - front[:, 0]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    back = front[:, [-1, 0]] + (depth[:, None] * across)[:, None]
    return np.concatenate([front, back, front[:, :1]], axis=1)


def _gaps(bank: gpd.GeoDataFrame, points: Floats, normal: Floats, draw: np.random.Generator) -> gpd.GeoDataFrame:
    """Give about a gap a bank: one or two where there is any, with ragged inner edges."""
    has = np.flatnonzero((bank["gap_length_m"] > 0) & bank["not_ranked"].isna())
    own = np.concatenate([has, has[draw.random(len(has)) < 0.4]])
    place = np.concatenate([np.zeros(len(has)), np.full(len(own) - len(has), 0.5)])
    own, place = own[order := np.argsort(own, kind="stable")], place[order]
    rows = bank.iloc[own].reset_index(drop=True)
    n, k = len(rows), 18
    start = place + draw.uniform(0, 0.1, n)
    end = start + draw.uniform(0.15, 0.38, n)
    half = rows["offset"].to_numpy()
    side = np.sign(half)[:, None]
    ragged = rows["buffer_width_m"].to_numpy()[:, None] + np.repeat(draw.normal(0, 4, (n, k // 3)), 3, axis=1)
    inner = half[:, None] + side * np.clip(ragged, 0, SETBACK_M - 2)
    outer = np.repeat(half[:, None] + side * SETBACK_M, k, axis=1)
    rings = _bands(rows["at"].to_numpy(), start, end, inner, outer, points, normal)
    polygons = shapely.polygons(rings)
    length = REACH_M * (end - start)
    return gpd.GeoDataFrame(
        {
            "gap_id": np.char.add(rows["bank_id"].to_numpy(str), np.where(place > 0, "-2", "-1")),
            "bank_id": rows["bank_id"],
            "reach_id": rows["reach_id"],
            "side": rows["side"],
            "rule": "fixed_width",
            "from_m": np.round(REACH_M * start, 1),
            "to_m": np.round(REACH_M * end, 1),
            "length_m": np.round(length, 1),
            "setback_m": SETBACK_M,
            "buffer_width_m": rows["buffer_width_m"],
            "area_m2": np.round(shapely.area(polygons), 1),
            "adjacent_cover": rows["adjacent_cover"],
            "certainty": np.where(draw.random(n) < 0.2, "uncertain", "clear"),
        },
        geometry=polygons,
        crs=CRS,
    )


def _properties(
    bank: gpd.GeoDataFrame, points: Floats, normal: Floats, wanted: int, draw: np.random.Generator
) -> tuple[pd.DataFrame, gpd.GeoDataFrame]:
    """Give properties: each holds a run of banks on one side, its one edge the stream, the others near straight."""
    per = max(1, len(bank) // max(wanted, 1))
    side = (bank["side"] == "right").to_numpy().astype(int)
    order = np.lexsort((bank["at"], side))
    number = np.empty(len(bank), int)
    number[order] = np.arange(len(bank)) // per
    number = np.minimum(number, wanted - 1)
    first = order[np.arange(wanted) * per]
    rows = bank.iloc[first]
    rings = _lots(rows["at"].to_numpy(), np.sign(rows["offset"].to_numpy()) * draw.uniform(150, 400, wanted), points)
    ids = np.char.add("TB-", np.char.zfill(np.arange(wanted).astype(str), 6))
    front = pd.DataFrame(
        {
            "property_id": ids[number],
            "reach_no": np.arange(len(bank)) // 2,
            "side": side,
            "frontage_m": REACH_M,
            "gap_length_m": bank["gap_length_m"].to_numpy(),
            "gap_area_m2": bank["gap_area_m2"].to_numpy(),
            "joint_gap_m": 0.0,
        }
    )
    sums = front.groupby("property_id")[["frontage_m", "gap_length_m", "gap_area_m2"]].sum().round(1)
    priority = bank["priority"].groupby(ids[number]).mean().reindex(sums.index).round(2)
    weighed = (priority * sums["gap_length_m"]).round(1)
    rank = _rank((weighed.fillna(0) * 10).astype("int64").to_numpy(), weighed.notna().to_numpy())
    land = gpd.GeoDataFrame(
        {
            "property_id": sums.index,
            **{name: sums[name].to_numpy() for name in sums},
            "priority": priority.to_numpy(),
            "priority_gap_m": weighed.to_numpy(),
            "rank": rank,
            "joint_neighbours": np.where(np.arange(wanted) % 3 == 0, np.roll(ids, -1), None),
            "joint_gap_m": np.where(np.arange(wanted) % 3 == 0, 41.5, 0.0),
        },
        geometry=shapely.polygons(rings),
        crs=CRS,
    )
    return front, land


def _long_profiles(reach: gpd.GeoDataFrame, points: Floats, draw: np.random.Generator) -> pd.DataFrame:
    """Give a point every other vertex of every reach, from the mouth of each stream up."""
    by_place = reach.sort_index()
    pick = np.arange(POINTS - 2, 0, -2)
    n, k = len(points), len(pick)
    stream = np.arange(n) // PER_STREAM
    last = np.minimum((stream + 1) * PER_STREAM, n) - 1
    up = (last - np.arange(n))[:, None] * REACH_M + (POINTS - 1 - pick) * REACH_M / (POINTS - 1)
    order = np.lexsort((up.ravel(), np.repeat(stream, k)))

    def spread(name: str) -> NDArray[np.object_]:
        return np.repeat(by_place[name].to_numpy(), k)[order]

    at, segment = up.ravel()[order], np.repeat(by_place["reach_id"].str[:6].to_numpy(), k)[order]
    steep = np.repeat(by_place["slope_m_m"].to_numpy(), k)[order]
    rise = np.where(
        at > REACH_M / POINTS * 2.5, steep * 2 * REACH_M / (POINTS - 1) * draw.uniform(0.2, 1.8, n * k), 0.0
    )
    fall = 200 + np.cumsum(rise) - np.maximum.accumulate(np.where(rise == 0, np.cumsum(rise), 0))
    low = fall + 0.15 * draw.standard_normal(n * k)
    xy = points[:, pick].reshape(-1, 2)[order]
    return pd.DataFrame(
        {
            "stream_id": segment,
            "stream_name": spread("name"),
            "segment_id": segment,
            "reach_id": spread("reach_id"),
            "x_m": np.round(xy[:, 0], 1),
            "y_m": np.round(xy[:, 1], 1),
            "from_mouth_m": np.round(at, 1),
            "from_outlet_m": np.round(at, 1),
            "low_elevation_m": np.round(low, 2),
            "falling_elevation_m": np.round(fall, 2),
            **{name: spread(name).astype(float) for name in ("slope_m_m", "drainage_area_km2")},
            "crossing": draw.random(n * k) < 0.01,
            "knickpoint": False,
            "seam": False,
        }
    )


def _setbacks(bank: gpd.GeoDataFrame) -> pd.DataFrame:
    frame = pd.DataFrame(bank[["bank_id", "setback_m", "buffer_width_m", "gap_length_m", "gap_area_m2"]])
    return frame.assign(rule="fixed_width")


def _factors() -> pd.DataFrame:
    keep = (
        "key",
        "group",
        "title",
        "unit",
        "value_column",
        "basis_column",
        "score_column",
        "says",
        "floors",
        "source",
        "status",
    )
    rows = [
        {name: getattr(card, name) for name in keep} | {"weight": WEIGHTS[card.key], "used": True} for card in CARDS
    ]
    return pd.DataFrame(rows)


def _elevation(points: Floats) -> ArraySource:
    """Make heights: roughness at every size, as land has it, about 2,000 cells on the longer side."""
    (x0, y0), (x1, y1) = points.min(axis=(0, 1)) - 900, points.max(axis=(0, 1)) + 900
    cell = max(10.0, max(x1 - x0, y1 - y0) / 2000)
    high, wide = int((y1 - y0) / cell), int((x1 - x0) / cell)
    draw = np.random.default_rng(3)
    z = np.zeros((high, wide), np.float32)
    for size in (256, 128, 64, 32, 16, 8, 4, 2, 1):
        rough = draw.standard_normal((high // size + 3, wide // size + 3))
        z += zoom(rough, size, order=1, grid_mode=True, mode="nearest")[:high, :wide] * (0.05 * cell * size**0.8)
    return ArraySource(Grid(400 + z, Lattice(float(x0), float(y1), float(cell))))
