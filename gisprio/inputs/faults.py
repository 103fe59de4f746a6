"""Several faults of one kind, raised as one error: nobody wants to meet them one run at a time."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from gisprio.contracts.errors import GisprioError

_ZONES = ("[layers] setback_zones", "[setback] zones")
"""The one layer that is named outside [layers], and how the config names it."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong and where; what was wanted; what to do."""

    says: str
    wanted: str
    do: str


def raise_faults(kind: type[GisprioError], faults: Sequence[Fault], heading: str) -> None:
    """Raise all faults as one error; return when there are none.

    Parameters
    ----------
    kind
        The error to raise.
    faults
        The faults; one alone is raised in the plain form, several are numbered.
    heading
        What the numbered list is called, after the number: "layers cannot be read".

    Raises
    ------
    GisprioError
        Of the given kind, where there is a fault.
    """
    if not faults:
        return
    faults = [replace(fault, says=fault.says.replace(*_ZONES)) for fault in faults]
    if len(faults) == 1:
        raise kind(faults[0].says, wanted=faults[0].wanted, do=faults[0].do)
    lines = [f"{len(faults)} {heading}."]
    for number, fault in enumerate(faults, 1):
        lines += [f"  {number}. {fault.says}", f"     Wanted: {fault.wanted}", f"     Do: {fault.do}"]
    raise kind("\n".join(lines))


def nearest(word: str, known: Collection[str]) -> str | None:
    """Give the known word that is spelt most like ``word``, or None when none is like it.

    Examples
    --------
    >>> nearest("widht_m", ["width_m", "kind"])
    'width_m'
    """
    by_lower = {name.lower(): name for name in sorted(known)}
    found = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=0.5)
    return by_lower[found[0]] if found else None


def quoted(value: object) -> str:
    """Give a value as a person wrote it in a TOML file, cut when long.

    Examples
    --------
    >>> quoted("wide"), quoted(True), quoted(3.5)
    ('"wide"', 'true', '3.5')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        text = f"[{', '.join(quoted(item) for item in value)}]"
    else:
        text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
