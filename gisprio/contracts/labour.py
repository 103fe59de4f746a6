"""How much one person plants, sets or sows in an hour: published rates, for what volunteers do by hand."""

from __future__ import annotations

from dataclasses import dataclass

SOURCE = "allen_fischenich2000"
"""Key of the source of the rates; they were seen quoted in a secondary text, not in the source itself."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate.

    Parameters
    ----------
    item
        Item of works.
    task
        What is done, for people.
    low, high
        How much of the item's unit one person does in an hour, at least and at most.
    says
        The rate in words.
    """

    item: str
    task: str
    low: float
    high: float
    says: str


RATES = (
    Rate("live_stake", "Drive live stakes", 45, 50, "45 to 50 willow cuttings an hour"),
    Rate("tree", "Plant trees", 20, 120, "20 to 40 plants in containers or 30 to 120 seedlings an hour"),
    Rate("shrub", "Plant shrubs", 20, 120, "20 to 40 plants in containers or 30 to 120 seedlings an hour"),
    Rate("face", "Sow the new face", 200, 2000, "0.02 to 0.2 ha sown an hour"),
)
"""Rates of Allen and Fischenich 2000; what machines do, and what no rate was found for, is not here."""
