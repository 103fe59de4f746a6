"""Every law of the register holds, and finds the fault planted for it.

Worlds are the same in every run (``derandomize``): a gate that fails by chance is not believed.
``GISPRIO_LAW_EXAMPLES=N`` tries N worlds a law, drawn anew each time.
"""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from properties import bank_laws, chain_laws, network_laws, rank_laws

LAWS = (*bank_laws.LAWS, *network_laws.LAWS, *rank_laws.LAWS, *chain_laws.LAWS)
ASKED = int(os.environ.get("GISPRIO_LAW_EXAMPLES", "0"))
by_name = pytest.mark.parametrize("law", LAWS, ids=lambda law: law.name)


def test_there_are_enough_laws_each_with_a_fault_of_its_own():
    assert len(LAWS) >= 15
    assert len({law.name for law in LAWS}) == len(LAWS)
    assert len({law.fault for law in LAWS}) == len(LAWS)
    assert len({law.plant for law in LAWS}) == len(LAWS)


def effort(law, least=1):
    return settings(
        max_examples=ASKED or max(least, law.examples),
        derandomize=not ASKED,
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=list(Phase) if ASKED else [Phase.explicit, Phase.generate],  # to shrink takes minutes
    )


@by_name
def test_it_holds(law):
    @effort(law)
    @given(law.worlds)
    def held(world):
        law.holds(world)

    held()


@by_name
def test_it_finds_the_planted_fault(law, monkeypatch):
    """A world is found in which the law fails by its own assertion."""
    law.plant(monkeypatch)
    found = []

    @effort(law, least=10)
    @given(law.worlds)
    def tried(world):
        if not found and law.broken_by(world):
            found.append(world)

    tried()
    assert found, law.fault
