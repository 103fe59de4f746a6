"""What a site asks for: a short table of measures, read from the top; the first row that holds counts."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.constants import TORN_OUT_POWER

Marks = NDArray[np.bool_]
STEP_WIDTHS = 20.0
"""A bank so many bankfull widths below a step in the bed may have a bed that is cutting down [own]."""
HIGH_FORCE = 0.75
"""Force is high above this share of the run's ranked banks [own]."""
BARE_SHARE = 0.75
"""A strip is bare where this share of it, the inner third weighing most, has no counting cover [own]."""


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """A row of the table.

    Parameters
    ----------
    measure
        Word of ``MEASURES``.
    when
        When it holds, in words.
    holds
        The same of sites: ``step``, ``site_kind``, ``seen``, ``high_force``, ``bare``, ``adjacent_cover``.
    why
        The sentence of column ``why_measure``; may hold what :func:`_why` fills in.
    """

    measure: str
    when: str
    holds: Callable[[pd.DataFrame], Marks]
    why: str


MEASURE_TABLE = (
    MeasureRow(
        "look first",
        f"it lies within {STEP_WIDTHS:g} bankfull widths below a step in the bed: the bed may be cutting",
        lambda sites: sites["step"].notna().to_numpy(),
        "Look first: bed may be cutting, for {step}; planting is lost where the bed cuts.",
    ),
    MeasureRow(
        "look first",
        "it is likely to erode and its strip is there (erosion only)",
        lambda sites: (sites["site_kind"] == "erosion").to_numpy(),
        "Look first: likely to erode, but its strip is there, so that planting is not what it lacks.",
    ),
    MeasureRow(
        "bank works and plant",
        f"it was seen to erode, and {BARE_SHARE:.0%} of its strip is bare, on a cover fine enough to show it",
        lambda sites: (sites["seen"] & sites["bare"]).to_numpy(bool),
        "Seen to erode, and {bare} of the strip is bare: planting alone may be torn out{fence}.",
    ),
    MeasureRow(
        "bank works and plant",
        f"the flow's force is in the top {1 - HIGH_FORCE:.0%} of ranked banks, and {TORN_OUT_POWER.value:g} W/m2 or "
        f"the site likely to erode; {BARE_SHARE:.0%} of its strip is bare, on a cover fine enough to show it",
        lambda sites: (sites["high_force"] & sites["bare"]).to_numpy(bool),
        "The flow's force, {power} W/m2, is in the top quarter of the run and {bare} of the strip is bare: planting "
        "alone may be torn out{fence}.",
    ),
    MeasureRow(
        "fence and plant",
        "pasture is the commonest cover that its strip has instead",
        lambda sites: (sites["adjacent_cover"] == "pasture").to_numpy(),
        "Pasture where the strip should be, {bare} of it without cover: stock would eat what is planted{coarse}.",
    ),
    MeasureRow(
        "plant",
        "all other sites with a gap",
        lambda sites: (sites["site_kind"] == "gap").to_numpy(),
        "{bare} of the strip has no cover that counts{coarse}.",
    ),
    MeasureRow(
        "protect",
        "its strip is there and erosion is low ([sites] protect_from_m)",
        lambda sites: (sites["site_kind"] == "strip").to_numpy(),
        "Its strip is there and neither score is high: keep it so.",
    ),
)


def with_measures(sites: pd.DataFrame, banks: pd.DataFrame, score_at: float) -> pd.DataFrame:
    """Give sites their measure and why.

    Parameters
    ----------
    sites
        ``site_kind``, ``step`` (words of a step in the bed above, or None), ``lacking_share``, ``adjacent_cover``,
        ``gap_length_m`` (null in a coarse look), ``unit_stream_power_w_m2``, ``unit_stream_power_score`` and
        ``erosion_score`` and ``observed_erosion_score`` (what was seen there).
    banks
        Layer ``banks``, whose ranked rows say what force is high.
    score_at
        Erosion score from which a site is likely to erode, ``[sites] score_at``.

    Notes
    -----
    Force is the score of unit stream power, which counts the freedom to move; the top quarter of a quiet watershed is
    not told to do bank works: either the force is above a published break, or the site is likely to erode.
    """
    forces = banks.loc[banks["not_ranked"].isna(), "unit_stream_power_score"].dropna().to_numpy(float)
    least = float(np.quantile(forces, HIGH_FORCE)) if len(forces) else np.inf
    strong = (sites["unit_stream_power_w_m2"] >= TORN_OUT_POWER.value) | (sites["erosion_score"] >= score_at)
    table = sites.assign(
        high_force=(sites["unit_stream_power_score"] > least) & strong & (sites["site_kind"] == "gap"),
        seen=(sites["observed_erosion_score"] >= score_at) & (sites["site_kind"] == "gap"),
        bare=(sites["lacking_share"] >= BARE_SHARE) & sites["gap_length_m"].notna(),
    )
    row = np.select([each.holds(table) for each in MEASURE_TABLE], range(len(MEASURE_TABLE)), -1)
    facts = table.drop(columns="geometry", errors="ignore").to_dict("records")
    return table.assign(
        measure=[MEASURE_TABLE[number].measure for number in row],
        why_measure=[_why(MEASURE_TABLE[number].why, site) for number, site in zip(row, facts, strict=True)],
    )


def _why(sentence: str, site: Mapping[Hashable, Any]) -> str:
    """Fill in what is told of one site."""
    lacking, coarse = site["lacking_share"], pd.isna(site["gap_length_m"])
    return sentence.format(
        step=site["step"],
        bare="An unknown share" if pd.isna(lacking) else f"{lacking:.0%}",
        power=f"{site['unit_stream_power_w_m2']:.0f}",
        fence="; pasture beside it, so fence it too" if site["adjacent_cover"] == "pasture" else "",
        coarse="; a coarse look: the cover's cells are too wide to measure it" if coarse else "",
    )
