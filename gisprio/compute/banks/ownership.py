"""Ownership: which bank each piece of ground belongs to, so that no ground is judged twice.

Strips of two streams overlap beside a confluence, and those of the two limbs of a bend across its neck. Ground
belongs to the nearest bank of all streams. So that both sides of a border, and neighbouring tiles, agree where it
runs, banks are told here from what every tile knows: the line of each segment and half the bankfull width. On both of
these curves points are laid about every 5 m; ground belongs to the nearest point.

Mapped edges of water, given bank lines and lines moved into their channel are not asked: where they differ from half
the bankfull width, the border between two streams is off too, but it is the same from both sides.

Every stream with a bank counts, ranked or not: ground beside a brook that lies nearer to a ditch is the ditch's. Pipes
and paths through standing water have no bank, so they own nothing. The side of an island has none either, but lies
nearest to the threads around it, which are no ranked ground there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from gisprio.compute.banks.bank_lines import UNKNOWN_HALF_WIDTH_M
from gisprio.compute.banks.sides import NO_BANK, SIDE_KEY, station_sides
from gisprio.compute.banks.stations import SMOOTHING_LINE_ERRORS, SMOOTHING_WIDTHS, along_line
from gisprio.contracts.cards import Sources, Tables
from gisprio.contracts.settings import Settings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
SITE_STEP_M = 5.0
"""Distance between points on a bank [own]."""
LOOK_M = 2.0
"""Step along a transect when looking for the border of a bank's ground; the border itself is exact [own]."""
APART_M = 1e7
"""Distance that keeps different segments from meeting: more than any is long [m]."""
SAME_M = 1e-3
"""Places along a segment nearer than this are one [m]."""
FAR_TIMES = 2.0
"""This many times setback and bankfull width away along a stream, its banks are those of another limb [own]."""
_SIGN = (1.0, -1.0)
"""Of the vector to the left, outward: left, right."""


def share_ground(core: Tables, halo: Tables, sources: Sources, settings: Settings) -> dict[str, pd.DataFrame]:
    """Measure how far outward of each bank point the ground is the bank's own.

    Parameters
    ----------
    core
        ``stations`` and ``bank_points`` of the piece.
    halo
        ``segments`` and ``reach_measures`` near it, ``stretches``.
    sources
        None.
    settings
        Section ``setback``.

    Returns
    -------
    dict
        ``side_ground``: ``owned_m`` of each station side, at most the widest setback and one opening; null where
        the stream has no bank.

    Notes
    -----
    Walking out along a transect, the ground is another bank's from where the nearest bank point is one of another
    stream, or of the same stream further away along it than 2 (setback + bankfull width) [own]: nearer than that,
    the points are those of the bend the station lies in, and beyond the other limb of a neck. The border between the
    points s, own, and q, other, lies where |b + t o - s| = |b + t o - q|, with b the bank point and o the unit vector
    outward: t = (|q - b|^2 - |s - b|^2) / (2 o (q - s)).
    """
    sides = station_sides(core)
    width = settings.setback.most_m
    sites = lay_sites(halo)
    far = FAR_TIMES * (width + np.nan_to_num(sides["bankfull_width_m"].to_numpy(float)))
    owned = owned_lengths(sides, sites, Stems.of(halo["segments"]), width + settings.setback.opening_m, far)
    owned[sides["kind"].isin(NO_BANK)] = np.nan
    return {"side_ground": sides[SIDE_KEY].assign(owned_m=owned).sort_values(SIDE_KEY, ignore_index=True)}


@dataclass(frozen=True)
class Sites:
    """Points on banks; ground belongs to the nearest.

    Parameters
    ----------
    xy
        (n, 2) [m].
    segment_no, side
        (n,) their bank.
    at_m
        (n,) their place, upstream from the segment's downstream end [m].
    by_segment
        Whether each segment is asked by itself, as if there were no other.
    """

    xy: Floats
    segment_no: Ints
    side: Ints
    at_m: Floats
    by_segment: bool = False

    @classmethod
    def of(cls, xy: Floats, segment_no: Ints, side: Ints, at_m: Floats, *, by_segment: bool = False) -> Sites:
        """Put points to the millimetre; of those in one place the first owns the ground."""
        xy = np.round(xy, 3)
        first = ~pd.DataFrame(xy).duplicated().to_numpy()
        return cls(xy[first], segment_no[first], side[first], at_m[first], by_segment)

    def __len__(self) -> int:
        return len(self.xy)

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(self._lifted(self.xy, self.segment_no))

    def _lifted(self, xy: Floats, segment_no: Ints) -> Floats:
        return np.column_stack([xy, segment_no * APART_M]) if self.by_segment else xy

    def nearest(self, xy: Floats, segment_no: Ints) -> Ints:
        """Give the row of the nearest site of each place; (m,). ``segment_no`` is the segment that asks."""
        return np.asarray(self._tree.query(self._lifted(xy, segment_no))[1], np.int64)

    def within(self, box: Floats, segment_no: int) -> Ints:
        """Give the rows inside a box (x0, y0, x1, y1), in order."""
        middle = (box[:2] + box[2:]) / 2
        radius = float(np.hypot(*(box[2:] - middle)))
        asked = self._lifted(middle[None, :], np.array([segment_no]))[0]
        rows = np.sort(np.array(self._tree.query_ball_point(asked, radius), np.int64))
        inside = (self.xy[rows] >= box[:2]) & (self.xy[rows] <= box[2:])
        return rows[inside.all(axis=1)]


def lay_sites(halo: Tables) -> Sites:
    """Lay points on both banks of every segment near, from its line and half the bankfull width alone.

    Parameters
    ----------
    halo
        ``segments``, ``reach_measures``, ``stretches``.

    Returns
    -------
    Sites
        By segment, place and side. The direction across is that of a chord as long as the line is smoothed.
    """
    points = _looked_up(_places(halo["segments"]), halo["reach_measures"], "bankfull_width_m")
    points = _looked_up(points, halo["stretches"], "kind")
    points = points[~points["kind"].isin(NO_BANK)].sort_values(["segment_no", "at_m"])
    segment_no, at_m = points["segment_no"].to_numpy(np.int64), points["at_m"].to_numpy(float)
    width = points["bankfull_width_m"].to_numpy(float)
    centre, left = _across(halo["segments"], segment_no, at_m, width)
    half = np.where(np.isnan(width), UNKNOWN_HALF_WIDTH_M, width / 2)[:, None, None]
    xy = centre[:, None, :] + half * np.stack([sign * left for sign in _SIGN], axis=1)
    return Sites.of(xy.reshape(-1, 2), np.repeat(segment_no, 2), np.tile([0, 1], len(points)), np.repeat(at_m, 2))


def _places(segments: pd.DataFrame) -> pd.DataFrame:
    """Give even places along every segment, half a step from its ends."""
    at = [np.empty(0)]
    for length in segments["length_m"].tolist():
        end = min(SITE_STEP_M, length) / 2
        at.append(np.linspace(end, length - end, max(1, round(length / SITE_STEP_M))))
    count = [len(part) for part in at[1:]]
    return pd.DataFrame({"segment_no": np.repeat(segments["segment_no"], count), "at_m": np.concatenate(at)})


def _across(segments: pd.DataFrame, segment_no: Ints, at_m: Floats, width_m: Floats) -> tuple[Floats, Floats]:
    """Give places on segments, and the vectors to the left of a chord there as long as the line is smoothed; (n, 2)."""
    centre, left = np.empty((len(at_m), 2)), np.empty((len(at_m), 2))
    smooth = SMOOTHING_WIDTHS * np.nan_to_num(width_m)
    for segment in segments.itertuples(index=False):
        first, after = np.searchsorted(segment_no, [segment.segment_no, segment.segment_no + 1])
        rows = slice(first, after)
        vertices = shapely.get_coordinates(segment.geometry)
        along = along_line(vertices)
        half = np.maximum(smooth[rows], SMOOTHING_LINE_ERRORS * segment.line_error_m) / 2
        down = along[-1] - at_m[rows]
        centre[rows], below, above = (
            np.column_stack([np.interp(place, along, vertices[:, i]) for i in (0, 1)])
            for place in (down, down + half, down - half)
        )
        ahead = (below - above) / np.maximum(np.hypot(*(below - above).T), 1e-9)[:, None]
        left[rows] = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    return centre, left


def _looked_up(line: pd.DataFrame, pieces: pd.DataFrame, column: str) -> pd.DataFrame:
    """Add a column of the piece of segment each point lies in; points in none are left out."""
    numbers = np.unique(line["segment_no"])
    own = pieces[pieces["segment_no"].isin(numbers)]
    starts, ends = (_along_all(numbers, own["segment_no"], own[name]) for name in ("from_m", "to_m"))
    order = np.argsort(starts, kind="stable")
    place = _along_all(numbers, line["segment_no"], line["at_m"])
    row = order[np.searchsorted(starts[order], place, side="right") - 1] if len(own) else np.zeros(len(line), int)
    inside = (place >= starts[row]) & (place <= ends[row] + SAME_M) if len(own) else np.zeros(len(line), bool)
    return line[inside].assign(**{column: own[column].to_numpy()[row[inside]]})


def _along_all(numbers: Ints, segment_no: pd.Series, at_m: pd.Series) -> Floats:
    """Give places along segments as places along one line, on which all segments lie far apart; (n,) [m]."""
    return np.searchsorted(numbers, segment_no.to_numpy()) * APART_M + at_m.to_numpy(float)


@dataclass(frozen=True)
class Stems:
    """Segments that continue each other, and the place of each along its stem.

    Parameters
    ----------
    stem
        Lowest segment of the stem, by segment.
    from_m
        Place of the segment's downstream end along the stem [m], by segment.
    """

    stem: pd.Series
    from_m: pd.Series

    @classmethod
    def of(cls, segments: pd.DataFrame) -> Stems:
        """Follow each stem upstream; a tributary begins a stem of its own."""
        numbers = segments["segment_no"].tolist()
        up = dict(zip(numbers, segments["main_upstream_no"].tolist(), strict=True))
        down = dict(zip(numbers, segments["downstream_no"].tolist(), strict=True))
        length = dict(zip(numbers, segments["length_m"].tolist(), strict=True))
        stem: dict[int, int] = {}
        place: dict[int, float] = {}
        lowest = [one for one in numbers if up.get(down[one]) != one]
        for start in [*lowest, *numbers]:  # the second time for rings, which have no lowest
            at, one = 0.0, start
            while one in length and one not in stem:
                stem[one], place[one] = start, at
                at += length[one]
                one = up[one] if down.get(up[one]) == one else -1
        return cls(pd.Series(stem, dtype=np.int64), pd.Series(place, dtype=float))

    def places(self, segment_no: Ints, at_m: Floats) -> tuple[Ints, Floats]:
        """Give stem and place along it of points on segments; (n,) each."""
        return self.stem.reindex(segment_no).to_numpy(), self.from_m.reindex(segment_no).to_numpy() + at_m


def owned_lengths(sides: pd.DataFrame, sites: Sites, stems: Stems, most_m: float, far_m: Floats) -> Floats:
    """Give how far outward of bank points the ground is their own.

    Parameters
    ----------
    sides
        (n,) rows with ``segment_no``, ``at_m``, ``x``, ``y``, ``out_x``, ``out_y``.
    sites, stems
        Points on all banks near, and which segments continue each other.
    most_m
        Length of the transects [m].
    far_m
        (n,) from this distance along a stem on its banks are another's [m].

    Returns
    -------
    ndarray
        (n,) 0 to ``most_m`` [m].
    """
    owned = np.full(len(sides), most_m)
    if not len(sites) or not len(sides):
        return owned
    walk = _Walk.of(sides, sites, stems, far_m)
    probes = np.array([1 / 3, 2 / 3, 1.0]) * most_m
    doubtful = np.flatnonzero(walk.other(walk.nearest(np.arange(len(sides)), probes)).any(axis=1))
    steps = np.linspace(0.0, most_m, int(np.ceil(most_m / LOOK_M)) + 1)
    near = walk.nearest(doubtful, steps)
    other = walk.other(near, doubtful)
    first = np.where(other.any(axis=1), other.argmax(axis=1), len(steps))
    owned[doubtful[first == 0]] = 0.0
    met = np.flatnonzero((first > 0) & (first < len(steps)))
    rows, step = doubtful[met], first[met]
    border = walk.border(rows, near[met, step - 1], near[met, step])
    owned[rows] = np.round(np.clip(border, steps[step - 1], steps[step]), 3)
    return owned


@dataclass(frozen=True)
class _Walk:
    """Transects, walked outward over the ground of all banks."""

    place: Floats
    out: Floats
    segment_no: Ints
    sites: Sites
    own: tuple[Ints, Floats]
    theirs: tuple[Ints, Floats]
    far_m: Floats

    @classmethod
    def of(cls, sides: pd.DataFrame, sites: Sites, stems: Stems, far_m: Floats) -> _Walk:
        segment_no = sides["segment_no"].to_numpy(np.int64)
        return cls(
            sides[["x", "y"]].to_numpy(float),
            sides[["out_x", "out_y"]].to_numpy(float),
            segment_no,
            sites,
            stems.places(segment_no, sides["at_m"].to_numpy(float)),
            stems.places(sites.segment_no, sites.at_m),
            far_m,
        )

    def nearest(self, rows: Ints, steps: Floats) -> Ints:
        """Give the site nearest to places along some transects; (m, k)."""
        xy = self.place[rows, None, :] + self.out[rows, None, :] * steps[:, None]
        asks = np.repeat(self.segment_no[rows], len(steps))
        return self.sites.nearest(xy.reshape(-1, 2), asks).reshape(len(rows), len(steps))

    def other(self, near: Ints, rows: Ints | slice = slice(None)) -> NDArray[np.bool_]:
        """Say which sites (m, k) are another bank's than that of the transect (m,)."""
        (stem, at), (their_stem, their_at) = self.own, self.theirs
        away = np.abs(their_at[near] - at[rows, None]) > self.far_m[rows, None]
        return (their_stem[near] != stem[rows, None]) | away

    def border(self, rows: Ints, own: Ints, other: Ints) -> Floats:
        """Give where transects leave the ground of one site for that of another [m]; (m,)."""
        s, q = self.sites.xy[own] - self.place[rows], self.sites.xy[other] - self.place[rows]
        across = 2 * (self.out[rows] * (q - s)).sum(axis=1)
        gain = (q**2).sum(axis=1) - (s**2).sum(axis=1)
        return np.divide(gain, across, out=np.full(len(rows), np.inf), where=np.abs(across) > 1e-9)
