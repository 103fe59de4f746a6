"""Warnings: what contradicts itself or published ranges, and what must be said of every regrade."""

from __future__ import annotations

import math
from collections.abc import Iterator

from gisprio.compute.works.design import dig_by_hand
from gisprio.compute.works.quantities import Quantity, told
from gisprio.compute.works.site_facts import SiteFacts
from gisprio.compute.works.toe import dumped_density, heap_height
from gisprio.compute.works.wrapping import largest_lift
from gisprio.contracts.constants import (
    HAND_DIG,
    LIFT_EMBEDMENT,
    LIFT_LEAST,
    LIFT_MOST,
    LIFT_STAKES,
    LIVE_STAKES_FAR,
    LIVE_STAKES_NEAR,
    PERMIT_FILL,
    PERMIT_LENGTH,
    SHEAR_BARE,
    SHEAR_HARD,
    SHEAR_LEAST,
    SHEAR_MAT,
    SHEAR_PLANTED,
    STABLE_SLOPE,
    TOE_ROCK_LEAST,
    TOE_ROCK_MOST,
)
from gisprio.contracts.settings import Settings, Sizing

Warned = tuple[str, str, str]
"""What it is about, what it says, what to do."""
SLACK = 0.005
"""Settings within half a percent of a published number are that number [own]: feet are rounded to centimetres."""
DOUBT_M = 0.5
"""Heights of map and site that lie farther apart than this besides their ranges contradict each other [own]."""
DOUBT_LENGTH = 0.2
"""A given length that differs by a larger share from the site's contradicts it [own]."""
LINES = ("pipe", "line", "main", "cable", "sewer")
"""Parts of the kinds of constraint that may be buried or hang low [own]."""
TEMPORARY: Warned = (
    "temporary",
    "Regrading alone is only temporary protection unless erosion of the toe and deepening of the bed are arrested "
    "first.",
    "Find out what the bed does, and hold the toe, before a bank is regraded.",
)


def always() -> list[Warned]:
    """Give what is said in every output of works, whatever the sites are."""
    return [TEMPORARY]


def warnings_of_settings(sizing: Sizing) -> Iterator[Warned]:
    """Warn of settings that lie outside published ranges, once for all sites."""
    near, far = sizing.live_stake_spacing_m
    if near < LIVE_STAKES_NEAR.value * (1 - SLACK) or far > LIVE_STAKES_FAR.value * (1 + SLACK):
        yield (
            "spacing",
            f"live_stake_spacing_m of {told(near)} to {told(far)} m is outside the published "
            f"{told(LIVE_STAKES_NEAR.value)} to {told(LIVE_STAKES_FAR.value)} m.",
            "Take a spacing within it, or ask whoever supplies the stakes.",
        )
    least, most = sizing.toe_rock_t_m
    if least < TOE_ROCK_LEAST.value * (1 - SLACK) or most > TOE_ROCK_MOST.value * (1 + SLACK):
        yield (
            "toe_rock",
            f"toe_rock_t_m of {told(least)} to {told(most)} t/m is outside the published "
            f"{told(TOE_ROCK_LEAST.value)} to "
            f"{told(TOE_ROCK_MOST.value)} t/m for small streams.",
            "Keep within it in a concept; other weights are a designer's.",
        )
    if sizing.toe == "rock":
        yield from _fill_warnings(most)
    if sizing.stake_spacing_m > LIFT_STAKES.value * (1 + SLACK):
        yield (
            "spacing",
            f"Stakes {told(sizing.stake_spacing_m)} m apart are farther than the published "
            f"{told(LIFT_STAKES.value)} m.",
            "Set stake_spacing_m no wider.",
        )
    if sizing.face == "lifts":
        yield from _lift_warnings(sizing)


def _fill_warnings(weight: float) -> Iterator[Warned]:
    fill = weight / dumped_density()
    if fill > PERMIT_FILL.value:
        yield (
            "fill",
            f"{told(weight)} t/m of rock are about {told(round(fill, 1))} m3/m: above {told(PERMIT_FILL.value)} "
            "m3/m, the "
            "limit below ordinary high water of one national permit (USA, 2012).",
            "Ask what the limit is where you are.",
        )


def _lift_warnings(sizing: Sizing) -> Iterator[Warned]:
    lift, anchor = sizing.lift_height_m, sizing.anchor_m
    if lift < LIFT_LEAST.value * (1 - SLACK) or lift > LIFT_MOST.value * (1 + SLACK):
        yield (
            "lift_height",
            f"Lifts of {told(lift)} m are outside the published {told(LIFT_LEAST.value)} to {told(LIFT_MOST.value)} m.",
            "Set lift_height_m within it; a designer sets the height.",
        )
    if anchor < LIFT_EMBEDMENT.value * (1 - SLACK):
        yield (
            "anchor",
            f"An anchor of {told(anchor)} m is shorter than the published embedment of {told(LIFT_EMBEDMENT.value)} m.",
            f"Hold at least {told(LIFT_EMBEDMENT.value)} m of the mat in the soil: a wider mat, or lower lifts.",
        )


def warnings_of_slope(finished: float, sizing: Sizing) -> Iterator[Warned]:
    """Warn of a finished slope: too steep for most soils, too flat for lifts, or too flat for the fold."""
    if finished < STABLE_SLOPE.value:
        yield (
            "steep",
            f"A finished slope of {told(finished)}:1 is steeper than {told(STABLE_SLOPE.value)}:1, at which most "
            "soils are stable.",
            "Flatten it, or have its stability analysed.",
        )
    if sizing.balanced:
        yield (
            "balanced",
            "A balanced cut moves the toe into the channel, by half of the run-out: usually not allowed.",
            "Set balanced = false: the toe stays and all earth is cut and carried off.",
        )
    if sizing.face != "lifts":
        return
    if finished > sizing.lift_slope_most:
        yield (
            "lift_slope",
            f"Wrapped lifts on a slope of {told(finished)}:1 stand flatter than {told(sizing.lift_slope_most)}:1: "
            "at such slopes mat on the face does.",
            'Set face = "mat", or a steeper finished slope with a designer.',
        )
    most = largest_lift(sizing.mat_width_m, sizing.anchor_m, finished)
    if sizing.lift_height_m > most * (1 + 1e-9):
        fold = sizing.mat_width_m - sizing.anchor_m
        yield (
            "fold",
            f"A lift of {told(sizing.lift_height_m)} m is too high: at {told(finished)}:1 a fold of {told(fold)} "
            f"m covers face and tread of lifts up to {told(most)} m.",
            "Take lower lifts, a wider mat or a steeper slope.",
        )


def warnings_of_site(facts: SiteFacts, found: list[Quantity], settings: Settings) -> Iterator[Warned]:
    """Warn of what contradicts itself at one site.

    Parameters
    ----------
    facts
        What is known of it.
    found
        What was sized.
    settings
        Sections ``sites``, ``sizing``.
    """
    by_item = {one.item: one for one in found}
    yield from _given_warnings(facts)
    if "earth_cut" in by_item:
        if facts.finished != settings.sizing.finished_slope:  # else it was told once for all sites
            yield from (one for one in warnings_of_slope(facts.finished, settings.sizing) if one[0] != "balanced")
        yield from _regrade_warnings(facts, by_item)
    if "toe_rock" in by_item:
        yield from _rock_warnings(facts, by_item["toe_rock"], settings.sizing)
    if by_item.keys() & {"earth_cut", "toe_rock"}:
        yield from _shear_told(facts)
    away, kind = facts.near.get("structure", (math.inf, ""))
    if found and any(word in kind.lower() for word in LINES) and away <= float(facts.site["setback_m"]):
        trench = "right there" if dig_by_hand(away) else f"{told(round(away, 1))} m from the bank line"
        yield (
            "utility",
            f"The maps show a {kind} {trench}: its mark decides, not the map.",
            f"Have it located; within {told(HAND_DIG.value)} m of its mark dig by hand, posts and trees too.",
        )


def _shear_told(facts: SiteFacts) -> Iterator[Warned]:
    if not math.isnan(facts.shear_pa):
        yield (
            "shear",
            f"At bankfull the water pulls at bed and bank with about {told(round(facts.shear_pa))} Pa on average. Bare "
            f"soil is said to bear under {told(SHEAR_BARE.value)} Pa, planted soil {told(SHEAR_LEAST.value)} to "
            f"{told(SHEAR_PLANTED.value)}, mats and living works {told(SHEAR_LEAST.value)} to {told(SHEAR_MAT.value)}, "
            f"rock under {told(SHEAR_HARD.value)}.",
            "Bends and floods pull harder: what holds there is for a qualified designer to choose.",
        )


def _given_warnings(facts: SiteFacts) -> Iterator[Warned]:
    given, mapped, heights = facts.given, facts.mapped, facts.heights
    own = float(facts.site["length_m"])
    if given.length_m is not None and abs(given.length_m - own) > DOUBT_LENGTH * own:
        yield (
            "length",
            f"The given length of {told(given.length_m)} m is not that of the site, {told(own)} m.",
            "See whether the site_id is right.",
        )
    if mapped is not None and heights is not None:
        apart = max(mapped.low.lowest - heights.high.highest, heights.low.lowest - mapped.high.highest)
        if apart > DOUBT_M:
            yield (
                "heights",
                f"Heights measured on site, {told(heights.low.lowest)} to {told(heights.high.highest)} m, "
                "contradict those "
                f"of the map, {told(round(mapped.low.lowest, 2))} to {told(round(mapped.high.highest, 2))} m.",
                "See whether it is the same bank, and whether toe and top were meant alike.",
            )
    if given.start_slope is not None and given.start_slope >= facts.finished:
        yield (
            "slope",
            f"The bank is {told(given.start_slope)}:1 now, and {told(facts.finished)}:1 is wanted: nothing is cut.",
            "See which of the two is wrong; a slope is horizontal to vertical.",
        )


def _regrade_warnings(facts: SiteFacts, by_item: dict[str, Quantity]) -> Iterator[Warned]:
    back, setback = by_item["run_out"], float(facts.site["setback_m"])
    away, kind = facts.near.get("structure", (math.inf, ""))
    if away <= back.high:
        yield (
            "strip",
            f"The top of the bank may move back {told(back.high)} m, and {kind} lies "
            f"{told(round(away, 1))} m "
            "from the bank line.",
            "Work elsewhere, or have it designed: do not cut there.",
        )
    if setback and back.mid > setback / 2:
        yield (
            "strip",
            f"Regrading takes {told(back.mid)} m of a strip of {told(setback)} m.",
            "Measure the strip anew from the new top of the bank.",
        )


def _rock_warnings(facts: SiteFacts, rock: Quantity, sizing: Sizing) -> Iterator[Warned]:
    least = sizing.toe_rock_t_m[0]
    low_heap = heap_height(least)
    if facts.heights is not None and low_heap > facts.heights.mid.mean:
        yield (
            "toe_rock",
            f"{told(least)} t/m of rock heap up {told(round(low_heap, 2))} m, and the bank is about "
            f"{told(round(facts.heights.mid.mean, 2))} m high.",
            "So low a bank hardly needs a toe of rock: ask a designer, or plant alone.",
        )
    if rock.mid and facts.length_m > PERMIT_LENGTH.value:
        yield (
            "length",
            f"{told(facts.length_m)} m are longer than {told(PERMIT_LENGTH.value)} m, the limit of one national "
            "permit (USA, "
            "2012).",
            "Ask what the limit is where you are.",
        )
