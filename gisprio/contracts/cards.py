"""Cards: what a factor, a setback rule, a stage or an output is, as data and one function each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from gisprio.contracts.grids import Grid, GridSource
from gisprio.contracts.pictures import Picture
from gisprio.contracts.settings import Settings

Tables = Mapping[str, pd.DataFrame]
Sources = Mapping[str, GridSource]
Output = dict[str, "pd.DataFrame | Grid"]
WholeStage = Callable[[Tables, Sources, Settings], Output]
PieceStage = Callable[[Tables, Tables, Sources, Settings], dict[str, pd.DataFrame]]


@dataclass(frozen=True, slots=True)
class Stage:
    """One row of the stage table.

    Parameters
    ----------
    name
        Verb and noun are the function's; this is the noun the store files its tables under.
    function
        ``module:function``, a :data:`WholeStage` or a :data:`PieceStage`, imported when it runs.
    scope
        ``whole`` gets whole tables; ``piece`` is called once a tile.
    reads
        Tables it gets; a piece stage gets the rows of its own segments (``core``).
    halo
        Tables of which a piece stage gets the rows near its segments, never to be written.
    as_is
        Tables a piece stage gets whole, because they are small: legends, curves.
    sources
        Grids it may open windows on.
    sections
        Settings sections it may read.
    writes
        Tables or grids it gives; ``findings`` may always be given besides.
    says
        What it does, in the words of a method section.
    references
        Keys in references.toml of the methods it follows.
    kernels
        ``module:function`` that says whether the kernels it calls were compiled on this machine before; empty for none.
    """

    name: str
    function: str
    scope: Literal["whole", "piece"]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    says: str
    halo: tuple[str, ...] = ()
    as_is: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    sections: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    kernels: str = ""


@dataclass(frozen=True, slots=True)
class Error:
    """One reason why a factor's value is off, as the draws of the ranking take it.

    Parameters
    ----------
    cause
        What it comes from, which says who shares it: ``curve`` (the regional curve: every bank of the run), ``slope``
        (heights: banks of one segment), ``legend`` (cover class: banks of one side of a segment beside the same
        cover), ``line`` (place of the stream line: both banks of a reach, with opposite sign), ``single`` (one bank).
    sd
        Standard deviation. Where the cause has one of its own at each bank (slope, line), it multiplies that.
    of
        What it is added to: the logarithm of the value (``ratio``), the value, or the score 0..1.
    """

    cause: Literal["curve", "slope", "legend", "line", "single"]
    sd: float
    of: Literal["ratio", "value", "score"]


ERROR_NOT_KNOWN = (Error("single", 0.1, "score"),)
"""Taken where a factor's card says nothing of its error: a tenth of the full score at each bank [own]."""


@dataclass(frozen=True, slots=True)
class Factor:
    """What makes a bank more urgent.

    Parameters
    ----------
    key
        Name of function, file and value column (without unit).
    group
        The score it feeds: erosion or gap.
    unit, suffix
        Unit in words, and the suffix the value column carries (empty for none).
    title
        Name for people.
    says
        What it measures, in one sentence.
    because
        Phrase for the sentence ``why``; may hold ``{value}``; empty where another factor's phrase says it.
    nodes
        Value function: (value, score 0..1), linear between nodes, clamped outside.
    logarithmic
        Whether it is linear in the logarithm of the value.
    source
        Keys in references.toml, or "own"; several with a comma between.
    status
        What stands behind the nodes, in words.
    neutral
        Score 0..1 where the value is missing.
    digits
        Decimals of the value in sentences.
    scaled_by
        Column of 0..1 that multiplies the score, with ``scaled_says`` to explain it; empty for none.
    value_of
        What stands for a bank: the mean of its worst stretch, or the least of it.
    shares
        Name of what it measures together with others that go with it: they share one weight; empty for none.
    forms
        Other published value functions, by the name that ``[priority.forms]`` calls them.
    errors
        How far the value may be off, by cause; what the draws of the ranking take.
    floors
        Whether the score of its group is never below its own, with or without a weight: what is observed. Its value
        for a bank is that of the stretch where it is highest itself, so that nothing seen is lost.
    """

    key: str
    group: Literal["erosion", "gap"]
    unit: str
    suffix: str
    title: str
    says: str
    because: str
    nodes: tuple[tuple[float, float], ...]
    source: str
    status: str
    logarithmic: bool = False
    neutral: float = 0.5
    digits: int = 1
    scaled_by: str = ""
    scaled_says: str = ""
    value_of: Literal["mean", "least"] = "mean"
    shares: str = ""
    forms: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    errors: tuple[Error, ...] = ERROR_NOT_KNOWN
    floors: bool = False

    @property
    def value_column(self) -> str:
        """Name of the value column."""
        return self.key + self.suffix

    @property
    def basis_column(self) -> str:
        """Name of the basis column."""
        return self.key + "_basis"

    @property
    def score_column(self) -> str:
        """Name of the score column."""
        return self.key + "_score"

    @property
    def worst_column(self) -> str:
        """Name of the column with the score where the factor's group is worst by itself."""
        return self.key + "_worst_score"


@dataclass(frozen=True, slots=True)
class RuleForm:
    """A form of setback rule.

    Parameters
    ----------
    name
        As in ``[setback] rule``.
    ask
        Function of layer ``side_facts`` and the rule's own keys, that gives what it asks of each row
        (:class:`gisprio.compute.setbacks.asked.Asked`).
    says
        What it asks for, in one sentence.
    """

    name: str
    ask: Callable[..., Any]
    says: str


@dataclass(frozen=True, slots=True)
class Part:
    """What part of a run some results are, where one map cannot hold all.

    Parameters
    ----------
    label
        Its sub-watershed, or ``rest``.
    of
        How many parts there are.
    index
        File that leads to all of them.
    ranked
        How many the whole run ranked: ``rank``, ``erosion_rank`` and ``gap_rank`` of banks, and ``properties``.
    """

    label: str
    of: int
    index: str
    ranked: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Results:
    """What a product is made from.

    Parameters
    ----------
    tables
        The result layers by name, and ``factors``: one row a factor, from the cards.
    elevation
        The routing grid of heights in the working system, for the hillshade; of results read back, no cells.
    settings
        The settings of the run.
    record
        The run record, as run.json holds it.
    crs
        The working system as WKT.
    methods
        Gives how the run was done, an item a line; blanks before an item say how deep it stands.
    backdrop
        Gives the picture at the foot of maps, None where there is none; itself None where it is to be drawn from
        ``elevation``.
    part
        What part of the run this is; None for all of it.
    """

    tables: Tables
    elevation: GridSource
    settings: Settings
    record: Mapping[str, Any]
    crs: str
    methods: Callable[[], Sequence[str]] = tuple
    backdrop: Callable[[], Picture | None] | None = None
    part: Part | None = None


@dataclass(frozen=True, slots=True)
class Product:
    """An output: its file in the result folder, and ``module:function`` that writes it.

    The function takes the path to write and :class:`Results`. Where it may write further files beside, ``more`` is the
    pattern of their names. One that is ``optional`` may have nothing to say and then writes no file.
    """

    file: str
    function: str
    says: str
    more: str = ""
    optional: bool = False


def write_function(product: Product) -> Callable[[Path, Results], None]:
    """Import the function of a product."""
    from importlib import import_module

    module, name = product.function.split(":")
    function: Callable[[Path, Results], None] = getattr(import_module(module), name)
    return function
