"""What a comparison of two runs holds: the tables of ``compare.gpkg`` and ``compare-*.csv``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.layers import MONITORING
from gisprio.contracts.schema import Column, Layer
from gisprio.contracts.words import SIDES

C = Column
MEANINGS = ("measure", "state", "doubt", "none")
"""What a difference means: measured in another way; the ground as seen then and now; gisprio itself; nothing."""
CHANGES = ("closed", "opened", "lost_sight", "new_sight", "gone", "new_stream")
"""A gap then and none now; none then and one now; a gap, and its cover not known now, or not known then; a gap, and no
bank there now, or then."""
REASONS = ("rules", "scores", "others", "same", "came", "went")
"""Why a rank moved: weights or ways of scoring; its own scores; only those of others. Then: the same rank; ranked now
only; ranked then only."""
OF_RANKS = ("bank", "site", "property")
# fmt: off

COMPARED_INPUTS = Layer(
    "compared_inputs", "none", (), "What differs between what the two runs were made from.",
    (
        C("kind", "text", "layer, cell, system, setting, factor, version or method."),
        C("name", "text", "Which one."),
        C("before", "text", "Then."),
        C("after", "text", "Now."),
        C("meaning", "text", "measure: what it reaches cannot be compared; state: the ground then and now; doubt: gisprio itself; none.", among=MEANINGS),
        C("reaches", "text", "What of the results hangs on it, with commas between; empty for nothing."),
    ),
)
CHANGED_GAPS = Layer(
    "changed_gaps", "line", (), "Stretches of bank whose gap closed or opened, along the bank line; none where gaps were measured in two ways.",
    (
        C("change", "text", "What happened.", among=CHANGES),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("bank_id_before", "text", "Bank in the earlier run.", null=True),
        C("bank_id", "text", "Bank in the later run.", null=True),
        C("name", "text", "Name of the stream.", null=True),
        C("sub_watershed_id", "text", "Label for totals.", null=True),
        C("length_m", "float", "Along the stream.", "m", low=0),
        C("buffer_width_before_m", "float", "Median over stations, then.", "m", null=True, low=0),
        C("buffer_width_m", "float", "Median over stations, now.", "m", null=True, low=0),
        C("certainty", "text", "uncertain: shorter than the shortest gap, or most of it in an uncertain gap.", among=("clear", "uncertain")),
    ),
)
MOVED_RANKS = Layer(
    "moved_ranks", "none", (), "Banks, sites and properties that are in both runs, with their ranks.",
    (
        C("what", "text", "bank, site or property.", among=OF_RANKS),
        C("before", "text", "Id in the earlier run."),
        C("after", "text", "Id in the later run."),
        C("name", "text", "Name of the stream.", null=True),
        C("rank_before", "int", "Rank then.", null=True, low=1),
        C("rank", "int", "Rank now.", null=True, low=1),
        C("moved", "int", "Places gained; positive where it became more urgent.", null=True),
        C("priority_before", "float", "Priority then.", null=True, low=0, high=100),
        C("priority", "float", "Priority now.", null=True, low=0, high=100),
        C("reason", "text", "Why it moved.", among=REASONS),
        C("why", "text", "Which score moved most; empty where none did."),
        C("within", "bool", "Each rank lies within the 90 % of draws of the other: within the uncertainty. Null where a run has none.", null=True),
        C("gap_before_m", "float", "Metres of gap then.", "m", null=True, low=0),
        C("gap_m", "float", "Metres of gap now.", "m", null=True, low=0),
        C("comparable", "bool", "Priority and rank came about in the same way in both runs."),
        C("gap_comparable", "bool", "Metres of gap were measured in the same way in both runs."),
    ),
)
TOTALS = Layer(
    "gap_totals", "none", ("sub_watershed_id",), "Gaps by sub-watershed, from stations; all null where gaps were measured in two ways.",
    (
        C("sub_watershed_id", "text", "Label; none for banks without one, all for the sum."),
        C("bank_before_m", "float", "Metres of bank then, both sides.", "m", null=True, low=0),
        C("bank_m", "float", "Metres of bank now.", "m", null=True, low=0),
        C("known_before_m", "float", "Metres of bank whose strip had its width measured then.", "m", null=True, low=0),
        C("known_m", "float", "Metres of bank whose strip has its width measured now.", "m", null=True, low=0),
        C("woody_share_before", "float", "Woody share of the strips then, by length.", null=True, low=0, high=1),
        C("woody_share", "float", "Woody share of the strips now.", null=True, low=0, high=1),
        C("gap_before_m", "float", "Metres of gap then.", "m", null=True, low=0),
        C("gap_m", "float", "Metres of gap now.", "m", null=True, low=0),
        C("closed_m", "float", "In a gap then, in none now.", "m", null=True, low=0),
        C("closed_clear_m", "float", "That of it which is clear.", "m", null=True, low=0),
        C("opened_m", "float", "In no gap then, in one now.", "m", null=True, low=0),
        C("opened_clear_m", "float", "That of it which is clear.", "m", null=True, low=0),
        C("lost_sight_m", "float", "In a gap then, cover not known now.", "m", null=True, low=0),
        C("new_sight_m", "float", "Cover not known then, in a gap now.", "m", null=True, low=0),
        C("gone_m", "float", "In a gap then, no bank there now.", "m", null=True, low=0),
        C("new_stream_m", "float", "No bank there then, in a gap now.", "m", null=True, low=0),
    ),
)
WORKS_BETWEEN = Layer(
    "works_between", "polygon", (), "Works done that the earlier run did not know, newest first.",
    (
        C("kind", "text", "Kind as the data name it.", null=True),
        C("year", "int", "Year of the works.", null=True),
        C("status", "text", "Status as the data name it.", null=True),
        C("streams", "text", "Names of the streams beside it."),
        C("banks", "text", "Banks beside it, of the later run."),
        C("length_m", "float", "Bank beside it, both sides counted.", "m", low=0),
        C("gap_m", "float", "That of it which the later run still has in a gap.", "m", low=0),
        C("closed_m", "float", "That of it which was in a gap then and is in none now.", "m", low=0),
    ),
)
UNMATCHED = Layer(
    "unmatched", "none", ("what",), "How many of each run found a partner at their place.",
    (
        C("what", "text", "bank, site or property.", among=OF_RANKS),
        C("before", "int", "In the earlier run.", low=0),
        C("after", "int", "In the later run.", low=0),
        C("matched", "int", "Partners.", low=0),
        C("gone", "text", "Ids of the earlier run without a partner, a few."),
        C("came", "text", "Ids of the later run without a partner, a few."),
    ),
)
COMPARE_LAYERS = {
    "inputs": COMPARED_INPUTS, "changes": CHANGED_GAPS, "ranks": MOVED_RANKS, "totals": TOTALS, "works": WORKS_BETWEEN,
    "unmatched": UNMATCHED, "monitoring": MONITORING,
}
"""Layers by the short names that tables of a comparison and its CSV files have."""
# fmt: on


@dataclass(frozen=True, slots=True)
class Compared:
    """One of the two runs, in words.

    Parameters
    ----------
    name
        ``[run] name``.
    folder
        Name of the result folder.
    date
        Day of the run.
    digest
        Of what it was made from and what it made.
    """

    name: str
    folder: str
    date: str
    digest: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a comparison found.

    Parameters
    ----------
    before, after
        The two runs.
    tables
        By the names of :data:`COMPARE_LAYERS`.
    incomparable, doubtful
        What of the results was measured in two ways; what another version of gisprio may have changed.
    comparable_gaps
        Whether lengths of gaps may be compared and summed up.
    reaches
        Lines of the streams of the later run.
    crs
        Working system of the later run as WKT; all geometry is in it.
    setback_m
        Widest setback of the later run [m].
    shortest_gap_m
        Shorter changes are uncertain [m].
    top_n
        How many first ranks are told.
    units
        Of what people read: ``si`` or ``us``.
    planted
        Ids of sites taken as done, where nothing else differs.
    planted_m
        Metres of bank along them.
    """

    before: Compared
    after: Compared
    tables: dict[str, pd.DataFrame]
    incomparable: tuple[str, ...]
    doubtful: tuple[str, ...]
    comparable_gaps: bool
    reaches: NDArray[np.object_]
    crs: str
    setback_m: float
    shortest_gap_m: float
    top_n: int
    units: Literal["si", "us"]
    planted: tuple[str, ...] = ()
    planted_m: float = 0.0

    def changes(self) -> gpd.GeoDataFrame:
        """Give what closed and opened."""
        table = self.tables["changes"]
        assert isinstance(table, gpd.GeoDataFrame)
        return table
