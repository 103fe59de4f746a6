"""What a sheet tells of a property: strips that lack their cover, the setback line, works done; cut to its own ground.

Nothing of a neighbour goes in: every shape is cut to the outline of the property, and no other property is named.
"""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from gisprio.contracts.cards import Tables

LEAST_LENGTH_M = 10.0
"""A strip of a property that is shorter is not shown: an edge of somebody else's [own]."""
LEAST_WIDTH_M = 2.0
"""A strip of a property that is narrower on average is not shown: within what lines of maps are off [own]."""
LEAST_PART_M2 = 0.5
"""Pieces of ground that are smaller come of rounding [own]."""
STEP_M = 5.0
"""How finely a gap is shared out along its bank [own]."""
LINE_M = 0.2
"""How far a bank line may be simplified before the setback is drawn off it [own]."""
TOUCH_M = 1.0
"""Strips of one side that come as near are one strip: gaps are cut at the borders of reaches [own]."""


@dataclass(frozen=True, slots=True)
class Strip:
    """A strip along a bank of a property where the cover is narrower than the setback.

    Parameters
    ----------
    letter
        Its name on the sheet.
    side
        Bank, looking downstream.
    length_m
        Along the stream [m].
    width_m
        Width that is lacking, on average [m]; outside a bend ground is wider than its bank is long, so at most the
        setback.
    area_m2
        Ground that is lacking [m2].
    covers
        What grows or stands there, the commonest first.
    shape
        Its ground.
    """

    letter: str
    side: str
    length_m: float
    width_m: float
    area_m2: float
    covers: tuple[str, ...]
    shape: shapely.Geometry


@dataclass(frozen=True, slots=True)
class Work:
    """Works done on a property."""

    kind: str | None
    year: int | None
    shape: shapely.Geometry


@dataclass(frozen=True, slots=True)
class Plot:
    """A property that gets a sheet, and what is on it.

    Parameters
    ----------
    property_id
        Its id.
    outline
        Its ground.
    strips
        Strips that lack their cover, from north to south; never empty.
    setback_line
        Where the setback ends on it.
    setbacks_m
        Least and greatest setback of its strips [m].
    streams
        Names of the streams its strips are on; without the unnamed.
    works
        Works done on it.
    """

    property_id: str
    outline: shapely.Geometry
    strips: tuple[Strip, ...]
    setback_line: shapely.Geometry
    setbacks_m: tuple[float, float]
    streams: tuple[str, ...]
    works: tuple[Work, ...] = ()


@dataclass(frozen=True, slots=True)
class Plots:
    """Properties with a sheet, by rank (those without one last, by id), and how many get none, by reason."""

    plots: tuple[Plot, ...]
    without: Mapping[str, int] = field(default_factory=dict)


WITHOUT = ("not_known", "no_gap", "not_clear", "not_natural", "sliver")
"""Why a property gets no sheet: its gaps are not known, it has none, none that is clear, none on a natural stream, only
slivers of some."""


def find_plots(tables: Tables, wanted: Sequence[str] | None = None) -> Plots:
    """Find the properties that get a sheet, and what is on each.

    Parameters
    ----------
    tables
        Result layers reaches, banks, gaps, properties, works_done.
    wanted
        Ids of the properties to look at; all when absent.
    """
    land = tables["properties"]
    land = land.sort_values(["rank", "property_id"], ignore_index=True)
    asked = np.ones(len(land), dtype=bool) if wanted is None else land["property_id"].isin(wanted).to_numpy()
    gaps = tables["gaps"]
    if wanted is not None:
        touched = shapely.STRtree(gaps.geometry.to_numpy()).query(land.geometry.to_numpy()[asked], "intersects")[1]
        gaps = gaps.iloc[np.unique(touched)]
    gaps = gaps.reset_index(drop=True)
    gaps = gaps.assign(natural=gaps["reach_id"].map(tables["reaches"].set_index("reach_id")["kind"]).eq("natural"))
    parts = _parts_on(land, gaps)
    parts = _measured(parts, tables["reaches"], tables["banks"])
    parts = parts[parts["land"].isin(np.flatnonzero(asked))].reset_index(drop=True)
    strips = _strips(parts[parts["clear"] & parts["natural"]].reset_index(drop=True))
    have = np.unique(strips["land"].to_numpy())
    lines = _setback_lines(land.geometry.to_numpy()[have], tables["banks"])
    works = _works_on(land.geometry.to_numpy()[have], tables["works_done"])
    by_land = dict(list(strips.groupby("land")))
    plots = [_plot(land.iloc[at], by_land[at], line, done) for at, line, done in zip(have, lines, works, strict=True)]
    return Plots(tuple(plots), _reasons(parts, have, asked, land["gap_length_m"].isna().to_numpy()))


def _parts_on(land: pd.DataFrame, gaps: pd.DataFrame) -> pd.DataFrame:
    """Cut gaps to properties: a row for each piece of ground, with its property and what the gap says of it.

    Ground of a gap that is nobody's has property -1.
    """
    ground, shapes = land.geometry.to_numpy(), gaps.geometry.to_numpy()
    gap, own = shapely.STRtree(ground).query(shapes, predicate="intersects")
    pieces = shapely.intersection(shapes[gap], ground[own])
    taken = pd.Series(pieces).groupby(gap).agg(shapely.union_all)
    rest = shapely.difference(shapes[taken.index], taken.to_numpy(object))
    gap, own = np.append(gap, taken.index), np.append(own, np.full(len(rest), -1))
    parts, pair = shapely.get_parts(np.append(pieces, rest), return_index=True)
    solid = (shapely.get_dimensions(parts) == 2) & (shapely.area(parts) > LEAST_PART_M2)
    pair = pair[solid]
    told = gaps.iloc[gap[pair]][["bank_id", "side", "setback_m", "from_m", "to_m", "length_m", "adjacent_cover"]]
    return told.reset_index(drop=True).assign(
        gap=gap[pair],
        land=own[pair],
        clear=gaps["certainty"].eq("clear").to_numpy()[gap[pair]],
        natural=gaps["natural"].to_numpy()[gap[pair]],
        shape=parts[solid],
    )


def _measured(parts: pd.DataFrame, reaches: pd.DataFrame, banks: pd.DataFrame) -> pd.DataFrame:
    """Measure the length of each piece: the metres of its gap whose transect lies more on it than on another piece."""
    own = banks.set_index("bank_id").loc[parts["bank_id"]]
    reach_m = reaches.set_index("reach_id")["length_m"].loc[own["reach_id"]].to_numpy()
    steps = np.maximum(np.ceil((parts["to_m"] - parts["from_m"]) / STEP_M), 1).to_numpy(int)
    piece = np.repeat(np.arange(len(parts)), steps)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(steps) - steps, steps)
    at_m = (
        parts["from_m"].to_numpy()[piece] + (step + 0.5) * ((parts["to_m"] - parts["from_m"]).to_numpy() / steps)[piece]
    )
    transects = _transects(
        own.geometry.to_numpy()[piece],
        1 - at_m / reach_m[piece],
        np.where(parts["side"].eq("left"), parts["setback_m"], -parts["setback_m"])[piece],
    )
    on = shapely.length(shapely.intersection(transects, parts["shape"].to_numpy()[piece]))
    hits = pd.DataFrame({"gap": parts["gap"].to_numpy()[piece], "step": step, "piece": piece, "on": on})
    hits = hits[hits["on"] > 0].sort_values(["gap", "step", "on", "piece"], ascending=[True, True, False, True])
    won = hits.drop_duplicates(["gap", "step"])
    count = np.bincount(won["piece"], minlength=len(parts))
    of_gap = parts["gap"].map(won["gap"].value_counts()).to_numpy(float)
    return parts.assign(
        length_m=parts["length_m"] * count / of_gap,
        area_m2=shapely.area(parts["shape"].to_numpy()),
        stream=own["name"].to_numpy(),
    )


def _transects(lines: np.ndarray, share: np.ndarray, reach_m: np.ndarray) -> np.ndarray:
    """Give lines outward of places on bank lines (n,), ``reach_m`` long: to their left where it is positive."""
    along = share * shapely.length(lines)
    before, at, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.maximum(along + far, 0)))
        for far in (-STEP_M, 0.0, STEP_M)
    )
    way = after - before
    outward = np.column_stack([-way[:, 1], way[:, 0]]) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    return shapely.linestrings(np.stack([at, at + outward * reach_m[:, None]], axis=1))


def _strips(parts: pd.DataFrame) -> pd.DataFrame:
    """Put pieces of one property and side that touch together; leave out what is too small to be seen as a strip."""
    shapes = parts["shape"].to_numpy()
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=TOUCH_M)
    land, side = parts["land"].to_numpy(), parts["side"].to_numpy()
    same = (land[one] == land[other]) & (side[one] == side[other])
    links = coo_array((np.ones(same.sum()), (one[same], other[same])), shape=(len(parts),) * 2)
    strip = connected_components(links, directed=False)[1] if len(parts) else np.empty(0, int)
    order = np.argsort(strip, kind="stable")
    first = np.flatnonzero(np.diff(strip[order], prepend=-1))
    parts, pieces = parts.iloc[order], np.split(order, first[1:])
    covers, names = (parts[name].astype(object).to_numpy() for name in ("adjacent_cover", "stream"))
    rows = np.split(np.arange(len(parts)), first[1:])
    area = parts["area_m2"].to_numpy()
    made = pd.DataFrame(
        {
            "land": parts["land"].to_numpy()[first],
            "side": parts["side"].to_numpy()[first],
            "length_m": _sums(parts["length_m"], first),
            "area_m2": _sums(parts["area_m2"], first),
            "least_m": np.minimum.reduceat(parts["setback_m"].to_numpy(float), first) if len(first) else [],
            "most_m": np.maximum.reduceat(parts["setback_m"].to_numpy(float), first) if len(first) else [],
            "covers": [_by_area(covers[some], area[some]) for some in rows[: len(first)]],
            "streams": [tuple(sorted({n for n in names[some] if not pd.isna(n)})) for some in rows[: len(first)]],
            "shape": [shapely.union_all(shapes[some]) for some in pieces[: len(first)]],
        }
    )
    wide = made["area_m2"] >= LEAST_WIDTH_M * made["length_m"]
    made = made[(made["length_m"] >= LEAST_LENGTH_M) & wide]
    middle = shapely.centroid(made["shape"].to_numpy(object))
    north = np.lexsort((shapely.get_x(middle), -shapely.get_y(middle), made["land"].to_numpy(int)))
    return made.iloc[north].reset_index(drop=True)


def _sums(values: pd.Series, first: np.ndarray) -> np.ndarray:
    """Sum runs of values that begin at ``first``."""
    return np.add.reduceat(values.to_numpy(float), first) if len(first) else np.empty(0)


def _by_area(covers: np.ndarray, area: np.ndarray) -> tuple[str, ...]:
    """Give covers without the missing, that of the most ground first."""
    of: Counter[str] = Counter()
    for cover, ground in zip(covers.tolist(), area.tolist(), strict=True):
        if not pd.isna(cover):
            of[cover] += ground
    return tuple(sorted(of, key=lambda cover: (-of[cover], cover)))


def _setback_lines(outlines: np.ndarray, banks: pd.DataFrame) -> list[shapely.Geometry]:
    """Give, for each outline, the line where the setbacks of all natural banks end; (n,).

    It is the edge of all ground that is nearer to some bank line than its setback.
    """
    asks = banks[(banks["kind"] == "natural") & (banks["setback_m"] > 0)]
    lines, wide = shapely.simplify(asks.geometry.to_numpy(), LINE_M), asks["setback_m"].to_numpy(float)
    if not len(lines):
        return [shapely.LineString()] * len(outlines)
    ground = shapely.buffer(lines, wide, quad_segs=8)
    own, bank = shapely.STRtree(ground).query(outlines, predicate="intersects")
    return [
        shapely.intersection(shapely.boundary(shapely.union_all(ground[np.sort(bank[own == at])])), outline)
        for at, outline in enumerate(outlines)
    ]


def _works_on(outlines: np.ndarray, works: pd.DataFrame) -> list[tuple[Work, ...]]:
    """Give the works done on each outline, cut to it."""
    found: list[list[Work]] = [[] for _ in outlines]
    shapes = works.geometry.to_numpy()
    own, work = shapely.STRtree(shapes).query(outlines, predicate="intersects")
    for at, row in sorted(zip(own.tolist(), work.tolist(), strict=True)):
        part = shapely.intersection(shapes[row], outlines[at])
        if shapely.area(part) > 0:
            kind, year = works["kind"].iloc[row], works["year"].iloc[row]
            found[at].append(Work(None if pd.isna(kind) else str(kind), None if pd.isna(year) else int(year), part))
    return [tuple(some) for some in found]


def _plot(owned: pd.Series, strips: pd.DataFrame, line: shapely.Geometry, works: tuple[Work, ...]) -> Plot:
    rows = strips.to_dict("records")
    return Plot(
        property_id=str(owned["property_id"]),
        outline=owned["geometry"],
        strips=tuple(
            Strip(
                letter=letter_of(at),
                side=row["side"],
                length_m=float(row["length_m"]),
                width_m=float(min(row["area_m2"] / row["length_m"], row["most_m"])),
                area_m2=float(row["area_m2"]),
                covers=row["covers"],
                shape=row["shape"],
            )
            for at, row in enumerate(rows)
        ),
        setback_line=line,
        setbacks_m=(float(strips["least_m"].min()), float(strips["most_m"].max())),
        streams=tuple(sorted({name for row in rows for name in row["streams"]})),
        works=works,
    )


def letter_of(number: int) -> str:
    """Name the strips A to Z, then AA, AB ...

    >>> letter_of(0), letter_of(25), letter_of(26), letter_of(53)
    ('A', 'Z', 'AA', 'BB')
    """
    first, last = divmod(number, 26)
    return (letter_of(first - 1) if first else "") + string.ascii_uppercase[last]


def _reasons(parts: pd.DataFrame, have: np.ndarray, asked: np.ndarray, unknown: np.ndarray) -> dict[str, int]:
    """Count the properties without a sheet by reason, in the order of :data:`WITHOUT`."""
    rows = np.flatnonzero(asked)
    clear = parts["clear"]
    lacks = [~np.isin(rows, parts.loc[some, "land"]) for some in (clear | True, clear, clear & parts["natural"])]
    why = np.select([np.isin(rows, have), lacks[0] & unknown[rows], *lacks], ["", *WITHOUT[:4]], WITHOUT[4])
    counted = Counter(why.tolist())
    return {reason: counted[reason] for reason in WITHOUT if counted[reason]}
