"""What a rule asks of station sides, and the tables of limits that most rules are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from gisprio.contracts.setbacks import Classed, Limit, Rule

Floats = NDArray[np.float64]
Marks = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a rule asks of each station side.

    Parameters
    ----------
    width_m
        (n,) width of the strip [m]; 0 where the rule asks for nothing.
    told
        (n,) whether all that the width hangs on is known; where not, the width is the least that the rule may ask.
    least_m
        (n,) width that must be there everywhere, where the rule asks for an average [m]; NaN elsewhere.
    inner_m
        (n,) width of the inner of two zones [m]; NaN where there is one zone.
    """

    width_m: Floats
    told: Marks
    least_m: Floats
    inner_m: Floats

    @classmethod
    def plain(cls, width_m: Floats, told: Marks | None = None) -> Asked:
        """Ask for a width of one zone, everywhere the same kind of cover."""
        nothing = np.full(len(width_m), np.nan)
        return cls(width_m, np.ones(len(width_m), bool) if told is None else told, nothing, nothing)


def step_at(values: Floats, steps: Sequence[Limit]) -> NDArray[np.int64]:
    """Give the step that holds at each value, -1 below the first; missing values are below it.

    Parameters
    ----------
    values
        (n,) what the steps go by.
    steps
        In rising order; each begins at its value (``from``) or just beyond it (``above``).

    Examples
    --------
    >>> step_at(np.array([4.9, 5.0, 5.1]), [Step(**{"from": 5.0}, width_m=3.0)]).tolist()
    [-1, 0, 0]
    >>> step_at(np.array([4.9, 5.0, 5.1]), [Step(above=5.0, width_m=3.0)]).tolist()
    [-1, -1, 0]
    """
    found = np.full(len(values), -1)
    for number, step in enumerate(steps):
        limit, beyond = step.place
        with np.errstate(invalid="ignore"):
            found[values > limit if beyond else values >= limit] = number
    return found


def strip_depth(sides: pd.DataFrame, rule: Rule) -> Floats:
    """Give how deep the strip beside each station is that things are looked for in; (n,) [m].

    Where the rule asks for nothing there is a strip all the same, as deep as its widest: land has an owner there too.

    Parameters
    ----------
    sides
        Layer ``side_setbacks``.
    rule
        ``[setback]``.
    """
    width = sides["setback_m"].to_numpy(float)
    return np.where(width > 0, width, rule.most_m)


def base_widths(sides: pd.DataFrame, rule: Classed) -> tuple[Floats, Marks]:
    """Give the width of the class of stream that each station side lies on, and whether that class is known.

    Parameters
    ----------
    sides
        Layer ``side_facts``: the column that ``rule.by`` names.
    rule
        A form with classes; where the class is not known, or is none of those named, its ``width_m`` stands.
    """
    width, told = np.full(len(sides), rule.width_m), np.ones(len(sides), bool)
    if rule.by is None:
        return width, told
    if rule.by in ("class", "kind"):
        words = sides["stream_class" if rule.by == "class" else "kind"]
        by_word = {word.casefold(): metres for word, metres in rule.widths_m.items()}
        metres = words.str.casefold().map(by_word).to_numpy(float)
        return np.where(np.isnan(metres), rule.width_m, metres), words.notna().to_numpy()
    values = sides[rule.by].to_numpy(float)
    step = step_at(values, rule.steps)
    metres = np.array([one.width_m for one in rule.steps])[step] if rule.steps else width
    return np.where(step < 0, rule.width_m, metres), ~np.isnan(values)
