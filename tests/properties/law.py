"""A law: what must hold in every world, and the planted fault that it finds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis.strategies import SearchStrategy


@dataclass(frozen=True)
class Law:
    """What must hold, and one fault that breaks it.

    Parameters
    ----------
    name
        Short name, for the test.
    says
        The law in a sentence.
    worlds
        Strategy of what it is held against.
    holds
        Gets one world; an assertion fails where the law does not hold.
    fault
        The planted fault in a sentence.
    plant
        Puts the fault into gisprio.
    examples
        Worlds that are tried: 50 at most for a law of a stage, 10 for one of the whole chain.
    """

    name: str
    says: str
    worlds: SearchStrategy[Any]
    holds: Callable[[Any], None]
    fault: str
    plant: Callable[[pytest.MonkeyPatch], None]
    examples: int = 50

    def broken_by(self, world: Any) -> bool:
        """Say whether the law fails in a world by its own assertion; any other error is raised."""
        try:
            self.holds(world)
        except AssertionError:
            return True
        return False
