"""What the strip of a bank would do, in words: ranges without decimals, with what they leave out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd
import pyproj
import shapely

from gisprio.compute.scoring.strip_meaning import sun_side
from gisprio.contracts.constants import (
    AMPHIBIANS_LEAST,
    AMPHIBIANS_MOST,
    COOL_WIDTH,
    COOLEST_WIDTH,
    NITRATE_NARROW_LEAST,
    NITRATE_NARROW_MOST,
    NITRATE_WIDE_LEAST,
    NITRATE_WIDE_MOST,
    NITRATE_WIDTH,
    REPTILES_LEAST,
    REPTILES_MOST,
    WIDTH_EXPLAINS,
    WOOD_WIDTH,
)
from gisprio.run.lines import wrapped


def strip_lines(bank: Mapping[Any, Any], crs: str = "") -> list[str]:
    """Tell what the strip of a bank does and would do; nothing where no strip is asked for, or by older results.

    Parameters
    ----------
    bank
        Row of layer ``banks``.
    crs
        System of its geometry, as WKT; empty unknown.
    """
    asked = _range(bank, "sediment_asked", "pct")
    if asked is None:
        return []
    width = float(bank["setback_m"])
    told = [_sediment(bank, asked), _bypassed(bank), _shade(bank, crs), _warmth(width), _nitrate(width), _others()]
    head = (
        "What the strip would do, in ranges: assumes sheet flow; says nothing of bank erosion; width alone explains "
        f"about {WIDTH_EXPLAINS.value:.0f} % of how far studies of sediment differ (that share from memory)."
    )
    return ["", *wrapped(head, 2, 4), *(line for text in told if text for line in wrapped(text, 4, 6))]


def _range(bank: Mapping[Any, Any], name: str, unit: str) -> str | None:
    """Give a range in whole numbers, rounded outwards; None where it is not known."""
    low, high = (bank.get(f"{name}_{end}_{unit}") for end in ("low", "high"))
    if low is None or high is None or pd.isna(low) or pd.isna(high):
        return None
    return f"{math.floor(low)} to {math.ceil(high)}"


def _sediment(bank: Mapping[Any, Any], asked: str) -> str:
    now = _range(bank, "sediment_now", "pct")
    today = "not known today"
    if now is not None:
        today = (
            f"{now} % by the counting cover there today" if bank["buffer_width_m"] > 0 else "no counting cover today"
        )
    return f"Sediment held: {today}; {asked} % by the width asked for (a review, and an equation)."


def _bypassed(bank: Mapping[Any, Any]) -> str:
    count = bank.get("concentrated_flow_gap_count")
    if count is None or pd.isna(count) or not count:
        return ""
    return (
        f"Concentrated flow crosses a gap in {int(count)} {'place' if count == 1 else 'places'}: it passes by a strip."
    )


def _shade(bank: Mapping[Any, Any], crs: str) -> str:
    heights = _range(bank, "shade_tree", "m")
    if heights is None:
        return ""
    told = f"Shade on most of the stream (70 %): from trees of {heights} m."
    if not crs:
        return told
    side = _side_of_sun(bank["geometry"], str(bank["side"]), crs)
    return f"{told} This bank lies {side}; the sun's side shades most."


def _side_of_sun(line: shapely.Geometry, side: str, crs: str) -> str:
    """Say where a bank lies to the midday sun, by the way from its upper to its lower end."""
    ends = shapely.get_coordinates(line)[[0, -1]]
    along = ends[1] - ends[0]
    east = float(along[0] / max(math.hypot(*along), 1e-9))
    to_degrees = pyproj.Transformer.from_crs(pyproj.CRS.from_user_input(crs), "EPSG:4326", always_xy=True)
    return sun_side(east if side == "left" else -east, to_degrees.transform(*ends.mean(axis=0))[1])


def _warmth(width_m: float) -> str:
    if width_m >= COOLEST_WIDTH.value:
        return "Warmth of the water: the width asked for is as wide as full protection was found to need."
    if width_m >= COOL_WIDTH.value:
        return (
            "Warmth of the water: at the width asked for within 2 degrees C of a stream in forest, not full protection."
        )
    return f"Warmth of the water: the width asked for is under the {COOL_WIDTH.value:.0f} m from which it was kept."


def _nitrate(width_m: float) -> str:
    wide = width_m > NITRATE_WIDTH.value
    least, most = (
        (NITRATE_WIDE_LEAST, NITRATE_WIDE_MOST) if wide else (NITRATE_NARROW_LEAST, NITRATE_NARROW_MOST)
    )  # fmt: skip
    kind = f"{'over' if wide else 'up to'} {NITRATE_WIDTH.value:.0f} m wide"
    return f"Nitrate in ground water: strips {kind} held {least.value:.0f} to {most.value:.0f} %."


def _others() -> str:
    return (
        f"Wood falls in from as far as grown trees are tall (about {WOOD_WIDTH.value:.0f} m). Core habitat is an aim "
        f"apart from the setback: {AMPHIBIANS_LEAST.value:.0f} to {AMPHIBIANS_MOST.value:.0f} m for amphibians, "
        f"{REPTILES_LEAST.value:.0f} to {REPTILES_MOST.value:.0f} m for reptiles."
    )
