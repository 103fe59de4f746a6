"""Stretches of one bank, as gaps and sites are: the strip beside them, and what of it is their own ground."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gisprio.compute.banks.bank_lines import UNKNOWN_HALF_WIDTH_M
from gisprio.compute.banks.own_ground import keep_own
from gisprio.compute.banks.ownership import SITE_STEP_M, Ints, Sites, lay_sites
from gisprio.compute.banks.runs import Rows, cut
from gisprio.compute.banks.strips import bank_line, outward_strip, polygons_of, varying_strip
from gisprio.contracts.cards import Tables

Floats = NDArray[np.float64]
Shapes = NDArray[np.object_]
NARROWEST_M = 0.5
"""Present buffer narrower than this is not cut out of the polygon."""


@dataclass(frozen=True)
class Stretch:
    """A stretch inside one reach side.

    Parameters
    ----------
    side
        Columns of the whole segment side it lies on.
    rows
        Its stations among all rows.
    first, after
        Its stations on the side.
    reach_no, reach_from
        Its reach and that one's lower end [m].
    from_m, to_m
        Its ends along the segment [m].
    """

    side: Rows
    rows: slice
    first: int
    after: int
    reach_no: int
    reach_from: float
    from_m: float
    to_m: float

    @property
    def own(self) -> Rows:
        """Columns of its own stations."""
        return cut(self.side, slice(self.first, self.after))

    @property
    def side_no(self) -> int:
        """0 left, 1 right."""
        return int(self.side["side"][0])


def strip_ground(stretch: Stretch, asked: Floats, present: Floats | None = None) -> shapely.Geometry:
    """Draw the strip beside a stretch, outward of the bank line.

    Parameters
    ----------
    stretch
        The stretch.
    asked
        (k,) width of the strip at its stations [m].
    present
        (k,) width that is left out beside the bank line [m]; None for none.
    """
    side, at, own = stretch.side, stretch.side["at_m"], stretch.own
    low, high = stretch.from_m, stretch.to_m
    line = bank_line(np.column_stack([side["x"], side["y"]]), at, low, high)
    ground = outward_strip(line, float(asked.max()), stretch.side_no)
    places = np.concatenate([[low], at[(at > low + 1e-6) & (at < high - 1e-6)], [high]])[::-1]
    out = np.column_stack([np.interp(places, at, side[name]) for name in ("out_x", "out_y")])
    out /= np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-9)[:, None]
    if asked.min() < asked.max():
        ground = shapely.intersection(ground, varying_strip(line, out, np.interp(places, own["at_m"], asked)))
        ground = polygons_of(ground)
    if present is not None and present.max() > NARROWEST_M:
        widths = np.interp(places, own["at_m"], np.minimum(present, asked))
        ground = polygons_of(shapely.difference(ground, varying_strip(line, out, widths)))
    return ground


def on_own_ground(
    drawn: Shapes, stretches: Sequence[Stretch], deepest: Sequence[float], banks: Sites, halo: Tables
) -> Shapes:
    """Cut strips back to the ground nearest to their own segment, and there nearest to their own stretch of it.

    Parameters
    ----------
    drawn
        (n,) the strips.
    stretches
        What each lies beside.
    deepest
        (n,) widest strip of each [m].
    banks
        Measured bank points of the piece.
    halo
        ``segments``, ``reach_measures`` and ``stretches``: the banks of other streams.
    """
    segment_no = np.array([int(one.side["segment_no"][0]) for one in stretches], int)
    side = np.array([one.side_no for one in stretches], int)
    low, high = (np.array([getattr(one, name) for one in stretches], float) for name in ("from_m", "to_m"))
    sites = lay_sites(halo)

    def of_segment(row: Ints, site: Ints) -> NDArray[np.bool_]:
        return sites.segment_no[site] == segment_no[row]

    def of_stretch(row: Ints, site: Ints) -> NDArray[np.bool_]:
        along = (banks.at_m[site] > low[row]) & (banks.at_m[site] < high[row])
        return along & (banks.side[site] == side[row]) & (banks.segment_no[site] == segment_no[row])

    reach = np.array([deep + _slack(one) for deep, one in zip(deepest, stretches, strict=True)])
    ground = keep_own(drawn, segment_no, sites, of_segment, reach)
    return keep_own(ground, segment_no, banks, of_stretch, reach)


def _slack(stretch: Stretch) -> float:
    """Give how far the bank line of a stretch may lie from the points that own its ground [m]."""
    own = stretch.own
    half = np.nan_to_num(own["bankfull_width_m"] / 2, nan=UNKNOWN_HALF_WIDTH_M)
    return float(np.abs(own["offset_m"] - half).max() + (own["to_m"] - own["from_m"]).max()) + SITE_STEP_M
