"""A shortlist as products take it: sites chosen, sites considered, the curve of budgets, the facts of the choice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from gisprio.contracts.schema import Column, Layer
from gisprio.contracts.words import MEASURES, SIDES

C = Column
EFFECT_BASES = ("measured", "modelled", "default", "missing")

_COSTS = (
    C("cost_low", "float", "Low cost of the site by itself, in the currency of the table of costs.", low=0),
    C("cost_mid", "float", "Middle cost.", low=0),
    C("cost_high", "float", "High cost.", low=0),
)
_SHARE = C("chosen_share", "float", "Share of the rank draws in which it is chosen, each choice made again; null without draws.", null=True, low=0, high=1)

SHORTLIST = Layer(
    "shortlist", "polygon", ("site_id",), "Sites that together do most within the budget, as far as maps can tell.",
    (
        C("site_id", "text", "Site of the run."),
        C("bank_id", "text", "Bank."),
        C("name", "text", "Name of the stream.", null=True),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("property_id", "text", "Property; null where none is known.", null=True),
        C("cluster", "text", "First site of the cluster of joining properties that it belongs to."),
        C("sub_watershed_id", "text", "Sub-watershed.", null=True),
        C("length_m", "float", "Along the stream.", "m", low=0),
        C("gap_length_m", "float", "Metres of gap; null in a coarse look.", "m", null=True, low=0),
        C("measure", "text", "What it asks for.", among=MEASURES),
        C("certainty", "text", "Of its gap.", null=True),
        C("priority", "float", "Erosion and gap score put together.", low=0, high=100),
        C("rank", "int", "Among sites of the run.", null=True, low=1),
        C("effect", "float", "What it does, by the effect that was asked for.", low=0),
        C("effect_low", "float", "The least of its range.", low=0),
        C("effect_high", "float", "The most of its range.", low=0),
        C("effect_basis", "text", "How the effect was got; default: the length stands for metres of gap in a coarse look.", among=EFFECT_BASES),
        *_COSTS,
        C("at_least", "bool", "Something of its works has no price or no size: it costs at least that."),
        C("effect_per_1000", "float", "Effect for each 1,000 of its own cost; null where it costs nothing.", null=True, low=0),
        C("cost_rank", "int", "Its place among all candidates by that; 1 is the most.", low=1),
        C("sites_on_property", "int", "Chosen sites on its property, itself among them: they share its start-up cost.", low=1),
        C("sites_in_cluster", "int", "Chosen sites in its cluster, itself among them.", low=1),
        C("must", "bool", "Asked for as a must-have."),
        C("earlier", "bool", "It was on the earlier shortlist; null where none was given.", null=True),
        _SHARE,
        C("why_chosen", "text", "Why it is here, in one sentence."),
        C("why_measure", "text", "Why it asks for that measure."),
    ),
)  # fmt: skip

CANDIDATES = Layer(
    "candidates", "line", ("site_id",), "All sites that could be chosen, as the stretch of stream beside them; by these a later shortlist finds them again.",
    (
        C("site_id", "text", "Site of the run."),
        C("side", "text", "Looking downstream.", among=SIDES),
        C("chosen", "bool", "It is on the shortlist."),
        C("effect", "float", "What it does.", low=0),
        *_COSTS,
        C("enters_at", "float", "Smallest budget of the curve at which it is chosen; null where none.", null=True, low=0),
        _SHARE,
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Choice:
    """What products are made of.

    Parameters
    ----------
    chosen
        Layer ``shortlist``.
    candidates
        Layer ``candidates``.
    curve
        One row a budget: ``budget``, ``effect``, ``cost``, ``sites``, ``properties``, ``gap``, ``greedy_effect``.
    more
        What the next money would buy, one row a larger budget.
    facts
        Everything else, as ``shortlist.json`` holds it.
    """

    chosen: gpd.GeoDataFrame
    candidates: gpd.GeoDataFrame
    curve: pd.DataFrame
    more: pd.DataFrame
    facts: Mapping[str, Any]
