"""Decisions: what is done where it could be done otherwise; one sentence each, with its code and its test.

They stand in ``decisions.toml``, in the order in which ``gisprio methods`` prints them below their stage.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PLACE = re.compile(r"\{([^{} ]+)( %)?\}")
"""A number in a sentence: ``{CONSTANT}``, ``{section.key}`` or ``{module:NAME}``; with `` %`` as percent."""


@dataclass(frozen=True, slots=True)
class Decision:
    """A decision.

    Parameters
    ----------
    stage
        Stage it belongs to.
    says
        The sentence of method; numbers are named in it, not written, so that each stands in one place only.
    status
        ``own``, ``common practice, no source``, or keys in references.toml with commas between.
    code
        ``module:function`` that does it.
    test
        ``path::name`` of the test that fails without it.
    layer
        Told only where this layer was given; ``not NAME``: where it was not. Empty: always.
    factor
        Told only with this factor. Empty: always.
    when
        Told only where this setting holds something (``priority.pairwise``) or this (``priority.combine = geometric``).
    numbers
        Names of constants that belong to it besides those in the sentence.
    """

    stage: str
    says: str
    status: str
    code: str
    test: str
    layer: str = ""
    factor: str = ""
    when: str = ""
    numbers: tuple[str, ...] = ()

    @property
    def constants(self) -> tuple[str, ...]:
        """Names of the published numbers behind it: those in the sentence, then the others."""
        named = [name for name, _ in PLACE.findall(self.says) if name.isupper()]
        return tuple(dict.fromkeys((*named, *self.numbers)))

    def sentence(self, number: Callable[[str, bool], str]) -> str:
        """Give the sentence with its numbers, each as ``number`` writes it, given its name and whether as percent."""
        return PLACE.sub(lambda place: number(place[1], bool(place[2])), self.says)


@cache
def decisions() -> tuple[Decision, ...]:
    """Give all decisions, in the order of the file."""
    content = tomllib.loads((Path(__file__).parent / "decisions.toml").read_text("utf-8"))
    return tuple(Decision(**{**entry, "numbers": tuple(entry.get("numbers", ()))}) for entry in content["decision"])
