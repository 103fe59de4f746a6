"""The published sources of numbers and methods, as ``references.toml`` lists them."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType

NO_SOURCE = {
    "own": "own",
    "common practice, no source": "common practice, no source",
    "config": "your own, from the config",
    "exact": "by definition",
}
"""What may stand in place of a key, in words."""


@dataclass(frozen=True, slots=True)
class Reference:
    """A published source.

    Parameters
    ----------
    key
        Name in ``references.toml``.
    authors, year, title, venue, doi
        As it is cited; ``doi`` may be empty.
    taken
        What was taken from it.
    seen
        How far that was checked.
    letter
        Behind the year, where another source would be cited in the same words; else empty.
    """

    key: str
    authors: str
    year: int
    title: str
    venue: str
    doi: str
    taken: str
    seen: str
    letter: str = ""

    @property
    def short(self) -> str:
        """Citation in a sentence: ``Nanson and Croke 1992``."""
        return f"{_surnames(self.authors)} {self.year}{self.letter}"


@cache
def references() -> Mapping[str, Reference]:
    """Give the published sources by key, in the order of the file."""
    content = tomllib.loads((Path(__file__).parent / "references.toml").read_text("utf-8"))
    plain = [Reference(key=key, **entry) for key, entry in content.items()]
    like = {source.short: [other.key for other in plain if other.short == source.short] for source in plain}
    return MappingProxyType({source.key: _lettered(source, like[source.short]) for source in plain})


def keys_in(source: str) -> list[str]:
    """Give the keys of published sources that stand in a text of keys with commas between.

    >>> keys_in("own, hec15")
    ['hec15']
    """
    return [key for key in source.split(", ") if key in references()]


def cited(source: str) -> str:
    """Give keys with commas between as short citations; what is no key in words.

    >>> cited("nanson_croke1992, own")
    'Nanson and Croke 1992; own'
    """
    if source in NO_SOURCE:
        return NO_SOURCE[source]
    return "; ".join(_one_cited(key) for key in source.split(", ") if key)


def in_order(keys: Iterable[str]) -> list[Reference]:
    """Give published sources once each, by authors and year."""
    found = {key: references()[key] for key in keys if key in references()}
    return sorted(
        found.values(), key=lambda source: (source.authors.casefold(), source.year, source.letter, source.key)
    )


def _lettered(source: Reference, like: list[str]) -> Reference:
    """Tell a source from others that would be cited in the same words, which are listed by key."""
    return source if len(like) == 1 else replace(source, letter="abcdefgh"[sorted(like).index(source.key)])


def _one_cited(key: str) -> str:
    return references()[key].short if key in references() else NO_SOURCE.get(key, key)


def _surnames(authors: str) -> str:
    """Give surnames: both of two, the first of more."""
    others = authors.endswith(" and others")
    people = [_surname(person) for person in authors.removesuffix(" and others").split(", ")]
    if others or len(people) > 2:
        return f"{people[0]} and others"
    return " and ".join(people)


def _surname(person: str) -> str:
    name, _, initials = person.rpartition(" ")
    return name if name and initials.isupper() else person
