"""Faults of ``[factor.NAME]``: names, keys that do not go together, value functions."""

from __future__ import annotations

import itertools
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from gisprio.contracts.settings import OwnFactor
from gisprio.inputs.faults import Fault, quoted

NAME = re.compile(r"[a-z][a-z0-9_]{1,40}")
_ENDINGS = ("", "_basis", "_score", "_worst_score")
"""Of the columns that a factor brings."""


def own_factor_faults(own: Mapping[str, OwnFactor], taken: Collection[str]) -> Iterator[Fault]:
    """Find what is wrong with the factors of the user's own.

    Parameters
    ----------
    own
        ``[factor]``.
    taken
        Names of factors and columns that are there already.
    """
    for name, factor in own.items():
        yield from _name_faults(name, own, taken)
        yield from _key_faults(f"[factor.{name}]", factor)
        yield from _nodes_faults(f"[factor.{name}]", factor)


def _name_faults(name: str, own: Mapping[str, OwnFactor], taken: Collection[str]) -> Iterator[Fault]:
    do = "choose another name, here and under [priority]."
    if not NAME.fullmatch(name):
        wanted = "2 to 41 small letters, digits and _, a letter first: columns of the results are named after it."
        yield Fault(f"[factor.{name}]: {quoted(name)} cannot be the name of a factor.", wanted, do)
        return
    columns = {name + ending for ending in _ENDINGS}
    if columns & set(taken):
        both = sorted(columns & set(taken))[0]
        wanted = f"a name that nothing else has, as in [factor.my_{name}]."
        yield Fault(f"[factor.{name}]: {both} is a name of gisprio's own.", wanted, do)
    for other in own:
        if other != name and name in {other + ending for ending in _ENDINGS}:
            says = f"[factor.{name}]: [factor.{other}] has a column of that name."
            yield Fault(says, "names whose columns differ.", do)


def _key_faults(where: str, factor: OwnFactor) -> Iterator[Fault]:
    measure = f'measure = "{factor.measure}"'
    if factor.measure == "column" and factor.column is None:
        yield Fault(f"{where} column is missing.", f"the attribute whose value counts, for {measure}.", "add it.")
    if factor.measure in ("share", "distance") and factor.column is not None:
        yield Fault(
            f"{where} column: {measure} reads no attribute.", 'column only with measure = "mean" or "column".',
            "take column out, or correct measure.",
        )  # fmt: skip
    if factor.measure == "distance" and factor.within_m is not None:
        yield Fault(
            f"{where} within_m: {measure} goes to the nearest feature however far.",
            "nodes that say from where on a feature is too far to count.",
            "take within_m out.",
        )


def _nodes_faults(where: str, factor: OwnFactor) -> Iterator[Fault]:
    if not _is_range(factor.nodes) and not (_are_pairs(factor.nodes) and is_value_function(factor.nodes)):
        yield Fault(
            f"{where} nodes: {quoted(factor.nodes)} is no value function.",
            "[low, high], low below high; or two or more pairs [value, score], values rising, scores between 0 and 1.",
            "give scores as 0 to 1, not as percent; where less is worse, say so with direction or with falling scores.",
        )
        return
    scores = [score for _, score in factor.value_function()]
    if factor.direction is not None and scores != sorted(scores, reverse=factor.direction == "less"):
        wrong, right = ("fall", "rise") if factor.direction == "more" else ("rise", "fall")
        yield Fault(
            f'{where} direction: "{factor.direction}" is worse, but scores of the nodes {wrong}.',
            f"scores that {right} with the value.",
            "correct the nodes, or take direction out: then the nodes alone count.",
        )


def is_value_function(nodes: Sequence[Any]) -> bool:
    """Say whether pairs [value, score] have rising values and scores of 0 to 1; two at least."""
    values = [value for value, _ in nodes]
    rising = all(a < b for a, b in itertools.pairwise(values))
    return len(nodes) >= 2 and rising and all(0 <= score <= 1 for _, score in nodes)


def _is_range(nodes: Sequence[Any]) -> bool:
    return len(nodes) == 2 and all(_is_number(one) for one in nodes) and nodes[0] < nodes[1]


def _are_pairs(nodes: Sequence[Any]) -> bool:
    return all(isinstance(one, (list, tuple)) and len(one) == 2 and all(map(_is_number, one)) for one in nodes)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
