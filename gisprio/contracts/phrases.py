"""Phrases with a length in them, of sentences that layers hold: one list to write them by, and to tell them in feet.

Sentences of layers are in metres, as their columns are. Who shows them with US units finds the phrases again, as they
are written here, and nothing else: what a user's own layers say stays as it is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from gisprio.contracts.constants import FOOT_M

_VALUE = re.compile(r"\{[^}]*\}")


@dataclass(frozen=True)
class Phrase:
    """Words with one or more places for a length, each followed by ``m``.

    Parameters
    ----------
    words
        A format string; the unit is not part of a place.
    """

    words: str

    def say(self, **values: float) -> str:
        """Fill in the lengths [m].

        >>> Phrase("lies {away_m:.0f} m away").say(away_m=12.4)
        'lies 12 m away'
        """
        return self.words.format(**values)

    def in_feet(self, sentence: str) -> str:
        """Give a sentence with this phrase told in feet, wherever it stands.

        >>> Phrase("lies {away_m:.0f} m away").in_feet("a dam 3 m high lies 12 m away")
        'a dam 3 m high lies 39 ft away'
        """
        return self._found.sub(lambda found: _LENGTH.sub(_feet, found[0]), sentence)

    @cached_property
    def _found(self) -> re.Pattern[str]:
        between = (re.escape(words) for words in _VALUE.split(self.words))
        return re.compile(r"(?<![\w.])" + r"\d+(?:\.\d+)?".join(between) + r"(?!\w)")


_LENGTH = re.compile(r"(?<![\w.])(\d+(?:\.(\d+))?) m\b")


def _feet(found: re.Match[str]) -> str:
    """Tell metres in feet: with a decimal less than they were written with, below one metre with as many."""
    decimals = len(found[2] or "")
    metres = float(found[1])
    return f"{metres / FOOT_M.value:.{decimals if metres < 1 else max(decimals - 1, 0)}f} ft"


STEP = Phrase("a step of {drop_m:.1f} m in the bed")
UPSTREAM = Phrase("lies {away_m:.0f} m upstream")
AWAY = Phrase("lies {away_m:.0f} m away")
LONG = Phrase("it is {length_m:.0f} m long, over {limit_m:g} m ([sites] length_limit_m)")
HIGH = Phrase("the bank is {height_m:.1f} m high")
RETREATED = Phrase("retreated by {value} m a year")
PHRASES = (STEP, UPSTREAM, AWAY, LONG, HIGH, RETREATED)
"""All of them: ``why`` of banks, ``why_measure`` and the prompts of sites have no other length."""
