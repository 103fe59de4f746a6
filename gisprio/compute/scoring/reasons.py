"""Reasons in words: why a bank is not ranked, and why it ranks where it does."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import pandas as pd

_KINDS = {
    "ditch": "a ditch",
    "piped": "piped",
    "lake_path": "standing water, without a bank",
    "tidal": "tidal",
    "canal": "a canal",
    "unconfirmed": "not confirmed to be a stream",
    "natural": "natural",
}
NEED_WORDS = {
    "both": "Likely to erode and short of riparian cover",
    "erosion_only": "Likely to erode, riparian cover mostly there: look first",
    "gap_only": "Short of riparian cover, less likely to erode",
    "none": "Neither score is high",
}
OBSERVED_WORDS = {
    "both": "Erodes and short of riparian cover",
    "erosion_only": "Erodes, riparian cover mostly there: look first",
    "gap_only": "Short of riparian cover, erodes in part",
    "none": "Erodes in part, neither score is high",
}
"""The same where the bank was seen to erode."""
VERDICT_WORDS = {
    "wrong line": "a visit found the line wrong here",
    "wrong cover": "a visit found other cover here than the map shows",
    "already done": "a visit found it already done",
    "not natural": "a visit found no natural bank here",
}
"""Why a bank is not ranked after a visit; the verdict ok takes nothing out."""
_AT_DESK = ("a visit", "a look at the desk")
SPEAKS_FROM = 30.0
"""A factor is named in the sentence from this score on [own]."""

NATURAL_FROM = 0.3
"""Natural ground without a gap is named from this share of the bank on [own]."""


def why_not_ranked(
    kind: str,
    length_m: float,
    ranked_kinds: Collection[str],
    *,
    outside: bool = False,
    planted: object = None,
    island: object = None,
    visited: object = None,
    at_desk: bool = False,
) -> str | None:
    """Give the reason a bank is not ranked, or None.

    >>> why_not_ranked("ditch", 200.0, ("natural",))
    'a ditch'
    >>> why_not_ranked("natural", 200.0, ("natural",), planted=2021)
    'planted in 2021'
    >>> why_not_ranked("natural", 200.0, ("natural",), visited="wrong line", at_desk=True)
    'a look at the desk found the line wrong here'
    """
    if kind not in ranked_kinds:
        return _KINDS[kind]
    if outside:
        return "outside the watershed"
    if isinstance(island, str):
        return island
    if length_m <= 0:
        return "no bank: all of it is standing water, piped or under a crossing"
    if pd.notna(planted):
        return f"planted in {planted}" if planted else "planted, the year is not known"
    words = VERDICT_WORDS.get(str(visited))
    return words.replace(*_AT_DESK) if words and at_desk else words


def why_sentence(bank: Mapping[Any, Any], factors: Sequence[Mapping[Any, Any]]) -> str:
    """Say in one sentence how a bank's rank came about.

    Parameters
    ----------
    bank
        A row of ``banks``.
    factors
        The rows of the table of factors.
    """
    if isinstance(bank["not_ranked"], str):
        return f"Not ranked: {bank['not_ranked']}."
    if not isinstance(bank["need"], str):
        return "Not ranked on any factor."
    reasons = [phrase for row in factors if (phrase := _phrase(bank, row))]
    asked = (row for row in factors if row["given_weight"] > 0)
    unknown = [row["title"].lower() for row in asked if bank[row["basis_column"]] == "default"]
    sentence = need_words(bank)
    if reasons:
        sentence += ": " + ", ".join(reasons) + (", all" if len(reasons) > 1 else "") + " on its worst stretch"
    natural = bank.get("natural_share")
    elsewhere = [phrase for row in factors if (phrase := _seen_elsewhere(bank, row))]
    if elsewhere:
        sentence += "; on another stretch " + ", ".join(elsewhere)
    if natural is not None and natural >= NATURAL_FROM:
        sentence += f"; natural, no gap on {natural:.0%} of it"
    if unknown:
        sentence += "; not known: " + ", ".join(unknown)
    return sentence + "."


def need_words(bank: Mapping[Any, Any]) -> str:
    """Say what a bank needs: "erodes" only where that was seen, on whatever stretch of it, else "likely to erode"."""
    seen = bank.get("observed_erosion")
    words = OBSERVED_WORDS if seen is not None and seen > 0 else NEED_WORDS
    return words[bank["need"]]


def _seen_elsewhere(bank: Mapping[Any, Any], factor: Mapping[Any, Any]) -> str:
    """Give the phrase of what was seen on this bank, but not where erosion and gap together are worst."""
    value, score = bank[factor["value_column"]], bank[factor["score_column"]]
    if not factor.get("floors") or pd.isna(value) or value <= 0 or score > 0:
        return ""
    return _worded(value, factor)


def _worded(value: float, factor: Mapping[Any, Any]) -> str:
    shown = f"{value * 100:.0f} %" if factor["unit"] == "share" else f"{value:.{factor['digits']}f}"
    return str(factor["because"].format(value=shown))


def _phrase(bank: Mapping[Any, Any], factor: Mapping[Any, Any]) -> str:
    """Give a factor's phrase where it is ranked on, known and not low."""
    value, score = bank[factor["value_column"]], bank[factor["score_column"]]
    floors = bool(factor.get("floors"))
    if not (factor["used"] or floors) or pd.isna(value) or pd.isna(score) or score < (0.01 if floors else SPEAKS_FROM):
        return ""
    cover = bank["adjacent_cover"]
    of_cover = factor["key"] == "missing_strip" and isinstance(cover, str)
    return _worded(value, factor) + (f" ({cover})" if of_cover else "")
