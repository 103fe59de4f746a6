"""Setback rules of the config: rule files read into it, and what makes no sense in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from gisprio.contracts.errors import SettingsError
from gisprio.contracts.sections import StreamKind
from gisprio.contracts.setbacks import CLASSES, Average, BySlope, Classed, Limit, Rule
from gisprio.contracts.settings import Settings
from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.inputs.faults import Fault, nearest, quoted

HOME = "setbacks"
"""Folder of the rule files that come with gisprio."""
ENDING = ".toml"
_TABLES = ("also", "zone")


def with_rule_files(data: dict[str, Any], folder: Path, read: Callable[[Path], dict[str, Any]]) -> dict[str, Any]:
    """Give a config with the content of the rule files it names; its own keys overrule those of the file.

    Parameters
    ----------
    data
        The config as it stands in the file.
    folder
        Where relative paths start.
    read
        Reads a TOML file.

    Raises
    ------
    SettingsError
        There is no such rule file, or it is not TOML.
    """
    setback = data.get("setback")
    if not isinstance(setback, dict):
        return data
    whole = _with_file(setback, "[setback]", folder, read)
    for table in _TABLES:
        if isinstance(whole.get(table), dict):
            whole[table] = {
                name: _with_file(rule, f"[setback.{table}.{name}]", folder, read) for name, rule in whole[table].items()
            }
    return {**data, "setback": whole}


def _with_file(rule: Any, where: str, folder: Path, read: Callable[[Path], dict[str, Any]]) -> Any:
    name = rule.get("rule_file") if isinstance(rule, dict) else None
    if not isinstance(name, str) or not name:
        return rule
    return {**read(rule_path(name, where, folder)), **rule}


def from_rule_file(place: tuple[str | int, ...], data: Mapping[str, Any]) -> str:
    """Name the rule file of the rule that a place lies in, to be put behind the place; empty where there is none."""
    rule: Any = data.get("setback") if place[:1] == ("setback",) else None
    if place[1:2] and place[1] in _TABLES and isinstance(rule, dict):
        rule = rule.get(place[1], {}).get(place[2]) if len(place) > 2 else None
    name = rule.get("rule_file") if isinstance(rule, dict) else None
    return f" (rule file {name})" if name else ""


def rule_path(name: str, where: str, folder: Path) -> Path:
    """Give the path of a rule file: one that comes with gisprio by its name, one of the user's own by its path.

    Raises
    ------
    SettingsError
        There is no such file.
    """
    if name.endswith(ENDING):
        path = folder / Path(name).expanduser()
        if path.is_file():
            return path
        raise SettingsError(
            f"{where} rule_file: there is no file {quoted(name)}.",
            wanted=f"a rule file; a relative path starts at {folder}.",
            do="correct the path, or name a rule that comes with gisprio.",
        )
    names = [Path(one).stem for one in shipped_names(HOME)]
    if name in names:
        return shipped(f"{HOME}/{name}{ENDING}")
    like = nearest(name, names)
    raise SettingsError(
        f"{where} rule_file: no rule {quoted(name)} comes with gisprio.",
        wanted=f"one of {', '.join(names)}; or the path of a file that ends in {ENDING}.",
        do=f"write {like} if that is what you meant." if like else "write one of these names.",
    )


def rule_faults(settings: Settings) -> Iterator[Fault]:
    """Find what makes no sense in the rules of a config."""
    rule = settings.setback
    yield from _faults_of(rule, "[setback]")
    for table in _TABLES:
        for name, one in getattr(rule, table).items():
            where = f"[setback.{table}.{name}]"
            yield from _faults_of(one, where)
            if one.also or one.zones or one.zone:
                yield Fault(
                    f"{where} has rules or zones of its own.",
                    "also, zones and zone under [setback] alone.",
                    "take them out there.",
                )
    if rule.name in rule.also:
        yield Fault(
            f"[setback.also.{rule.name}] has the name of the rule that ranks.",
            "a name of its own for each rule: the results tell them apart by it.",
            "choose another name.",
        )
    if bool(rule.zones) != bool(rule.zone):
        has, lacks = ("zones", "zone.NAME") if rule.zones else ("zone.NAME", "zones")
        yield Fault(
            f"[setback] {has} is given without {lacks}.",
            "both: the polygons, and a rule for each name of a zone.",
            f"add {lacks}, or take {has} out.",
        )


def _faults_of(rule: Rule, where: str) -> Iterator[Fault]:
    steps = getattr(rule, "steps", ())
    yield from _unsorted(steps, f"{where} steps")
    if isinstance(rule, BySlope):
        yield from _unsorted(rule.slope_steps, f"{where} slope_steps")
    if isinstance(rule, Classed):
        yield from _class_faults(rule, where)
    if not rule.most_m:
        yield Fault(f"{where} asks for no width anywhere.", "a width above 0 m.", "give the rule its widths.")
    if isinstance(rule, Average) and rule.counted_m is not None and rule.counted_m < rule.most_base_m:
        yield Fault(
            f"{where} counted_m = {rule.counted_m:g} is less than the average that is asked for.",
            f"at least {rule.most_base_m:g}.",
            "raise it, or leave it out.",
        )


def _unsorted(steps: Sequence[Limit], where: str) -> Iterator[Fault]:
    if any(one.place >= other.place for one, other in pairwise(steps)):
        yield Fault(f"{where} do not rise.", "limits in rising order, each once.", "sort them.")


def _class_faults(rule: Classed, where: str) -> Iterator[Fault]:
    by_word = rule.by in CLASSES[:2]
    if rule.by is None and (rule.widths_m or rule.steps):
        yield Fault(f"{where} by is missing.", f"what the widths go by: one of {', '.join(CLASSES)}.", "add it.")
    elif rule.by is not None and not (rule.widths_m if by_word else rule.steps):
        key, like = ("widths_m", '{ "I" = 30 }') if by_word else ("steps", "[{ from = 0, width_m = 10 }]")
        yield Fault(f'{where} {key} is missing for by = "{rule.by}".', f"a table as in {key} = {like}.", "add it.")
    kinds = StreamKind.__args__  # type: ignore[attr-defined]
    for word in rule.widths_m if rule.by == "kind" else ():
        if word not in kinds:
            says = f"{where} widths_m: there is no kind {quoted(word)}."
            yield Fault(says, f"one of {', '.join(kinds)}.", "correct it.")
