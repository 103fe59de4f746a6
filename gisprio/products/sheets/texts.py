"""Sentences of the sheets by language: those that come with gisprio, and the user's own."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gisprio.contracts.constants import FOOT_M
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.contracts.words import CAUTION
from gisprio.products.units import ACRE_M2

FOLDER = "sheets"
HECTARE_M2 = 10_000.0
HECTARES_FROM_M2 = 100_000.0
"""Ground from this size is told in hectares [own]."""
CALM = re.compile(r"violat|complian|illegal|infring|unlawful", re.IGNORECASE)
"""Words that no sheet may hold."""
SPOKEN = ("spoken.", "ways.", "looks.")
"""Tables of sentences that tagged sheets alone need: they are read aloud in place of what is drawn."""
_PLACE = re.compile(r"\{([a-z_]+)\}")


@dataclass(frozen=True, slots=True)
class Texts:
    """The sentences of one language.

    Parameters
    ----------
    language
        Its code, such as ``en``.
    sentences
        Sentence by key; tables of words as ``table.word``.
    units
        ``si`` or ``us``.
    """

    language: str
    sentences: Mapping[str, str]
    units: str = "si"

    def say(self, key: str, **values: str) -> str:
        """Give a sentence with its values filled in."""
        return _PLACE.sub(lambda place: values[place[1]], self.sentences[key])

    def number(self, value: float, digits: int = 0) -> str:
        """Write a number as the language does."""
        plain = f"{value:,.{digits}f}"
        signs = {",": self.sentences["thousands"], ".": self.sentences["decimal"]}
        return "".join(signs.get(sign, sign) for sign in plain)

    def metres(self, value: float) -> str:
        """Write a length [m], whole metres or feet."""
        if self.units == "us":
            return f"{self.number(value / FOOT_M.value)}\u00a0ft"
        return f"{self.number(value)}\u00a0m"

    def area(self, value: float) -> str:
        """Write ground [m2]: square metres by tens and then hectares, or acres."""
        if self.units == "us":
            return f"{self.number(max(value / ACRE_M2, 0.01), 2)}\u00a0acres"
        if value >= HECTARES_FROM_M2:
            return f"{self.number(value / HECTARE_M2, 2)}\u00a0ha"
        return f"{self.number(max(10.0, round(value, -1)))}\u00a0m²"

    def listed(self, words: list[str], last: str = "and") -> str:
        """Put words in a row: ``a, b and c``, or with ``or``."""
        if len(words) < 2:
            return "".join(words)
        return f"{', '.join(words[:-1])} {self.sentences[last]} {words[-1]}"


def texts_in(
    language: str, own: Path | None = None, units: str = "si", *, folder: str = FOLDER, spoken: bool = False
) -> Texts:
    """Give the sentences of a language.

    Parameters
    ----------
    language
        Its code: one that comes with gisprio, or a table of the user's file that holds every sentence.
    own
        The user's file: a table for each language, with the sentences it changes.
    units
        ``si`` or ``us``.
    folder
        Where the sentences lie below ``configs``: those of sheets or of letters.
    spoken
        Whether sentences that are read aloud must be there too.

    Raises
    ------
    InputError
        The file cannot be read.
    SettingsError
        There is no such language, or the file has a sentence that fits nowhere, lacks one, or holds a word that no
        sheet may hold.
    """
    shipped_too = f"{folder}/{language}.toml" in shipped_names(folder)
    english = _flat(tomllib.loads(shipped(f"{folder}/en.toml").read_text("utf-8")))
    if folder == FOLDER:
        english["caution"] = CAUTION
    base = {**_flat(tomllib.loads(shipped(f"{folder}/{language}.toml").read_text("utf-8")))} if shipped_too else {}
    if language == "en":
        base = english
    changed = _own(own, language)
    if not shipped_too and not changed:
        raise SettingsError(
            f'There are no {folder} sentences in "{language}".',
            wanted=f"one of {', '.join(_languages(folder))}, or a language that your own file of sentences holds.",
            do=f"choose one of these, or write the sentences into a file of your own, after configs/{folder}/en.toml.",
        )
    if shipped_too and "caution" in changed:
        raise _wrong(own, language, "caution", "changes the caution.", "the caution as it comes with gisprio.")
    for key, sentence in changed.items():
        _check_sentence(own, language, key, sentence, english)
    made = {**base, **changed}
    lacking = [key for key in english if key not in made and (spoken or not key.startswith(SPOKEN))]
    if lacking:
        raise _wrong(own, language, lacking[0], f"is not there, and {len(lacking) - 1} more.", "every sentence.")
    return Texts(language, made, units)


def _languages(folder: str) -> list[str]:
    return [Path(name).stem for name in shipped_names(folder)]


def _flat(content: Mapping[str, Any]) -> dict[str, str]:
    flat: dict[str, str] = {}
    for key, value in content.items():
        if isinstance(value, dict):
            flat |= {f"{key}.{word}": text for word, text in value.items()}
        else:
            flat[key] = value
    return flat


def _own(path: Path | None, language: str) -> dict[str, str]:
    if path is None:
        return {}
    try:
        content = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(
            f"[sheets] texts: {path} cannot be read: {error}.",
            wanted='a TOML file in UTF-8 with a table for each language: [en] title = "...".',
            do="mend it, or leave the key out.",
        ) from error
    table = content.get(language, {})
    return _flat(table) if isinstance(table, dict) else {}


def _check_sentence(path: Path | None, language: str, key: str, sentence: object, english: Mapping[str, str]) -> None:
    """Refuse a sentence of the user's file that fits nowhere.

    Raises
    ------
    SettingsError
        It is unknown, no text, empty, asks for a value that is not given, or judges.
    """
    if key not in english:
        near = difflib.get_close_matches(key, english, 1)
        wanted = f"a key as in configs/sheets/en.toml{f', such as {near[0]}' if near else ''}."
        raise _wrong(path, language, key, "is no sentence of the sheets.", wanted)
    if not isinstance(sentence, str) or not sentence.strip():
        raise _wrong(path, language, key, "is no text.", "a sentence.")
    values = set(_PLACE.findall(english[key]))
    others = [name for name in _PLACE.findall(sentence) if name not in values]
    if others:
        given = ", ".join(f"{{{name}}}" for name in sorted(values)) or "no value"
        raise _wrong(path, language, key, f"asks for {{{others[0]}}}.", f"{given} in this sentence.")
    judges = CALM.search(sentence)
    if judges and key != "caution":
        raise _wrong(path, language, key, f'says "{judges[0]}".', "plain words that blame nobody.")


def _wrong(path: Path | None, language: str, key: str, says: str, wanted: str) -> SettingsError:
    return SettingsError(f"{path}: [{language}] {key} {says}", wanted=wanted, do="mend the sentence, or take it out.")
