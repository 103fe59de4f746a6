"""When a qualified designer is called for: a list of triggers, each with its reason; limits stand in the settings."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from gisprio.compute.land.measures import STEP_WIDTHS
from gisprio.compute.land.prompts import TIGHT_BEND_WIDTHS
from gisprio.compute.works.quantities import told
from gisprio.compute.works.site_facts import SiteFacts
from gisprio.contracts.constants import HAND_DIG
from gisprio.contracts.settings import Settings

WORKS_ON_BANKS = ("bank works and plant", "look first")
"""Measures that may move earth or rock."""


@dataclass(frozen=True, slots=True)
class Trigger:
    """What calls for a designer.

    Parameters
    ----------
    key
        Its name.
    asks
        The question, as it is put on the page; of the settings of the run.
    answer
        Reason where it holds, an empty text where it does not, None where maps do not tell.
    """

    key: str
    asks: Callable[[Settings], str]
    answer: Callable[[SiteFacts, Settings], str | None]


def _bank_height(facts: SiteFacts, settings: Settings) -> str | None:
    if facts.heights is None:
        return None
    high = facts.heights.high.highest
    return f"the bank may be {told(round(high, 2))} m high" if high > settings.sites.design_bank_m else ""


def _slope(facts: SiteFacts, settings: Settings) -> str:
    steep = facts.finished < settings.sizing.design.finished_slope
    return f"the finished slope is {told(facts.finished)}:1" if steep else ""


def _structure(facts: SiteFacts, settings: Settings) -> str | None:
    """Measure from the new top of the bank, where it may have moved to."""
    away, kind = facts.near.get("structure", (math.inf, ""))
    high = settings.sites.design_bank_m if facts.heights is None else facts.heights.high.highest
    back = max(facts.finished - facts.start[2], 0.0) * high
    if away - back <= settings.sizing.design.structure_heights * high:
        return f"{kind}, {told(round(away))} m from the bank line"
    return None if facts.beside else ""


def _bed(facts: SiteFacts, settings: Settings) -> str | None:
    away, kind = facts.near.get("step", (math.inf, ""))
    return f"{kind}, {told(round(away))} m away" if away <= STEP_WIDTHS * facts.width_m else None


def _limits(facts: SiteFacts, settings: Settings) -> str | None:
    limits, reasons = settings.sizing.design, []
    if limits.drainage_area_km2 is not None and facts.drainage_km2 > limits.drainage_area_km2:
        reasons.append(f"{told(facts.drainage_km2)} km2 drain to it")
    if limits.velocity_m_s is not None and facts.velocity_m_s > limits.velocity_m_s:
        reasons.append(f"bankfull velocity is about {told(round(facts.velocity_m_s, 1))} m/s")
    unset = limits.drainage_area_km2 is None and limits.velocity_m_s is None
    return " and ".join(reasons) if reasons else None if unset else ""


def _bend(facts: SiteFacts, settings: Settings) -> str | None:
    if math.isnan(facts.bend):
        return None
    return f"a bend of {facts.bend:.1f} widths' radius" if facts.bend < TIGHT_BEND_WIDTHS else ""


def _crossing(facts: SiteFacts, settings: Settings) -> str:
    away, kind = facts.near.get("crossing", (math.inf, ""))
    near = away <= settings.sizing.design.crossing_widths * facts.width_m
    return f"a {kind} crosses the stream so near" if near else ""


def _in_channel(facts: SiteFacts, settings: Settings) -> str:
    rock = "rock at the toe" if settings.sizing.toe == "rock" else ""
    fill = "a balanced cut, which fills the channel's edge" if settings.sizing.balanced else ""
    both = " and ".join(part for part in (rock, fill) if part)
    return both if facts.measure == "bank works and plant" else ""


def _not_on_maps(facts: SiteFacts, settings: Settings) -> None:
    return None


TRIGGERS = (
    Trigger("height", lambda s: f"Is the bank higher than {told(s.sites.design_bank_m)} m?", _bank_height),
    Trigger("slope", lambda s: f"Is the finished slope steeper than {told(s.sizing.design.finished_slope)}:1?", _slope),
    Trigger(
        "structure",
        lambda s: f"Does a building, road or main lie within {told(s.sizing.design.structure_heights)} bank heights?",
        _structure,
    ),
    Trigger("bed", lambda s: "Is the bed cutting down, or is there a step in it near?", _bed),
    Trigger("limits", lambda s: "Is drainage area or velocity beyond the limit of your programme?", _limits),
    Trigger("bend", lambda s: f"Is the bend tighter than {told(TIGHT_BEND_WIDTHS)} channel widths?", _bend),
    Trigger("ground", lambda s: "Is there seepage, a slide, contaminated or cultural ground?", _not_on_maps),
    Trigger("fish", lambda s: "Are fish or other species at risk here?", _not_on_maps),
    Trigger(
        "crossing",
        lambda s: f"Is a bridge, culvert or dam within {told(s.sizing.design.crossing_widths)} channel widths?",
        _crossing,
    ),
    Trigger("in_channel", lambda s: "Does anything stand in the channel?", _in_channel),
)
"""Any one of them calls for a qualified designer; common practice, no source."""


def answers(facts: SiteFacts, settings: Settings) -> list[tuple[str, str | None]]:
    """Give each question with its answer: a reason, nothing, or None where maps do not tell."""
    return [(trigger.asks(settings), trigger.answer(facts, settings)) for trigger in TRIGGERS]


def design_reasons(facts: SiteFacts, settings: Settings) -> str | None:
    """Say why a qualified designer is called for at a site; None where it is not for works on a bank."""
    if facts.measure not in WORKS_ON_BANKS:
        return None
    reasons = [reason for _, reason in answers(facts, settings) if reason]
    return "; ".join(reasons) if reasons else None


def dig_by_hand(distance_m: float) -> bool:
    """Say whether a trench so far from the mark of a buried line is dug by hand, or sucked out.

    >>> dig_by_hand(0.61), dig_by_hand(0.62)
    (True, False)
    """
    return distance_m <= HAND_DIG.value
