"""Prompts of sites: what to ask, and of whom, before anything is done. They are questions, not advice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from gisprio.contracts.phrases import HIGH, LONG
from gisprio.contracts.settings import Sites, WorkWindow

TIGHT_BEND_WIDTHS = 2.5
"""A bend of a smaller radius asks for a qualified design; common practice, no source."""
_PLANTED = ("plant", "fence and plant", "bank works and plant")
_AT_THE_BANK = ("bank works and plant", "look first")


def prompts(site: Mapping[Any, Any], settings: Sites) -> dict[str, str | None]:
    """Give the prompts of one site, None where one does not arise.

    Parameters
    ----------
    site
        ``measure``, ``name``, ``joint_length_m``, ``step``, ``structure``, ``bank_height_m``, ``outer_bend``,
        ``constraint``.
    settings
        Section ``sites``.
    """
    in_water = _in_water(site["measure"])
    return {
        "prompt_in_water": in_water,
        "prompt_window": _window(site["name"], settings.windows) if in_water else None,
        "prompt_length": _length(site, settings.length_limit_m),
        "prompt_structure": f"Near a structure: {site['structure']}. Ask its owner."
        if isinstance(site["structure"], str)
        else None,
        "prompt_locate": _locate(site),
        "prompt_design": _design(site, settings.design_bank_m),
    }


def _in_water(measure: str) -> str | None:
    if measure == "bank works and plant":
        return "Work in the water or at the toe of the bank is likely: ask which permits it needs."
    if measure == "look first":
        return "If works follow, work in the water is likely: ask which permits it needs."
    return None


def _window(name: object, windows: Sequence[WorkWindow]) -> str:
    """Tell the rows of the user's own table for a stream; rows without a stream hold where none names it."""
    stream = str(name).casefold() if isinstance(name, str) else ""
    own = [row for row in windows if row.stream and row.stream.casefold() == stream]
    told = [
        f"{row.opens} to {row.closes}" + (f" ({row.says})" if row.says else "")
        for row in own or [row for row in windows if not row.stream]
    ]
    if not told:
        return "Ask when work in the water is allowed: [sites] windows tells nothing for this stream."
    return f"By your own table ([sites] windows) work in the water may be done from {', '.join(told)}: ask if it holds."


def _length(site: Mapping[Any, Any], limit_m: float) -> str | None:
    if site["measure"] not in _AT_THE_BANK or site["joint_length_m"] <= limit_m:
        return None
    return (
        "With the sites that go on along this bank "
        f"{LONG.say(length_m=site['joint_length_m'], limit_m=limit_m)}: ask whether a permit has a limit of length."
    )


def _locate(site: Mapping[Any, Any]) -> str | None:
    if site["measure"] not in _PLANTED:
        return None
    known = f" The maps show beside it: {site['constraint']}." if isinstance(site["constraint"], str) else ""
    return f"Have buried lines located before digging, for posts and trees too.{known}"


def _design(site: Mapping[Any, Any], high_m: float) -> str | None:
    """Say that a qualified design is needed, and why."""
    reasons = []
    if site["measure"] == "bank works and plant":
        reasons.append("work on the face of a bank")
    if site["bank_height_m"] > high_m:
        reasons.append(HIGH.say(height_m=site["bank_height_m"]))
    if isinstance(site["step"], str):
        reasons.append(site["step"])
    if site["outer_bend"] < TIGHT_BEND_WIDTHS:
        reasons.append(f"a bend of {site['outer_bend']:.1f} widths' radius")
    if site["measure"] in _AT_THE_BANK:
        reasons += [site["structure"]] if isinstance(site["structure"], str) else []
        reasons += [f"{site['constraint']} beside it"] if isinstance(site["constraint"], str) else []
    return f"A qualified design is needed for any work on the bank: {'; '.join(reasons)}." if reasons else None


def with_prompts(sites: pd.DataFrame, settings: Sites) -> pd.DataFrame:
    """Add the columns of prompts to sites."""
    rows = pd.DataFrame(sites.drop(columns="geometry")).to_dict("records")
    made = pd.DataFrame([prompts(row, settings) for row in rows], index=sites.index, dtype=object)
    return sites.assign(**{name: made[name] for name in made.columns})
