"""The config file: from TOML to settings, with all its faults at once; and the template of a new one."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.setbacks import FORMS, Rule
from gisprio.contracts.settings import Hydraulics, OwnFactor, Settings
from gisprio.contracts.shipped import shipped
from gisprio.inputs.faults import Fault, nearest, quoted, raise_faults
from gisprio.inputs.own_factors import is_value_function, own_factor_faults
from gisprio.inputs.setback_rules import from_rule_file, rule_faults, with_rule_files
from gisprio.inputs.work_windows import from_table, with_windows_table

CONFIG_NAME = "gisprio.toml"
TEMPLATE = "template.toml"
CURVE_ENDING = ".toml"
"""A curve whose name ends so is a file of the user's own."""
_NOT_YET = ("run.each",)
_TABLES_OF_NAMES = ("erosion", "gap", "nodes")
_OF_RULES = ("also", "zone")
"""Tables of ``[setback]`` whose names are rules."""


def read_settings(path: str | Path, known: Mapping[str, Collection[str]] | None = None) -> Settings:
    """Read a config file.

    Parameters
    ----------
    path
        The TOML file; relative paths inside it start at its folder.
    known
        Names that may stand in the config, where the caller knows them: ``erosion`` and ``gap`` (factor
        keys), ``curves`` (regional curves); and those that no factor of the user's own
        may have: ``taken``. What is not given is not checked.

    Returns
    -------
    Settings
        All sections, defaults filled in.

    Raises
    ------
    SettingsError
        The file is not there or is not TOML, or with every fault of its keys and values in one message.
    """
    path = Path(path)
    folder = path.resolve().parent
    data = with_windows_table(with_rule_files(_toml(path), folder, _toml), folder)
    named = known or {}
    faults = list(_not_finite(data))
    settings = None
    try:
        settings = Settings.model_validate({**as_tuples(data), "folder": folder}, strict=True)
    except ValidationError as error:
        faults += [_fault(one, data) for one in error.errors() if not _is_not_finite(one["input"])]
    if "folder" in data:
        faults.append(_unknown_key(("folder",), Settings))
    if isinstance(data.get("hydraulics"), dict) and "own_curve" in data["hydraulics"]:
        faults.append(_unknown_key(("hydraulics", "own_curve"), Hydraulics))
    if settings is not None:
        faults += _meaning_faults(settings, named)
    else:
        faults += _name_faults(data, named)
    if len(faults) == 1:
        faults = [replace(faults[0], says=f"{path.name}, {faults[0].says}")]
    raise_faults(SettingsError, faults, f"faults in {path.name}")
    assert settings is not None
    return _with_own_curve(settings)


def _with_own_curve(settings: Settings) -> Settings:
    """Read the regional curve that the config names by its path, if it does, into the settings."""
    name = settings.hydraulics.curve
    if not name.endswith(CURVE_ENDING):
        return settings
    path = settings.folder / Path(name).expanduser()
    if not path.is_file():
        raise SettingsError(
            f"[hydraulics] curve: there is no file {quoted(name)}.",
            wanted=f"a regional curve; a relative path starts at {settings.folder}.",
            do="correct the path, or name a curve that comes with gisprio.",
        )
    content = _toml(path)
    hydraulics = settings.hydraulics.model_copy(update={"own_curve": content})
    return settings.model_copy(update={"hydraulics": hydraulics})


def write_template(folder: str | Path) -> Path:
    """Start a project: make the folder and put the commented config into it.

    Parameters
    ----------
    folder
        Folder to make; it may exist, but may not hold a config.

    Returns
    -------
    Path
        The config that was written.

    Raises
    ------
    InputError
        A config is there already, or the folder cannot be made.
    """
    target = Path(folder) / CONFIG_NAME
    text = shipped(TEMPLATE).read_text(encoding="utf-8")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        taken = target if target.exists() else target.parent
        raise InputError(
            f"{taken} is there already.",
            wanted=f"a folder without {CONFIG_NAME}.",
            do="name another folder, or move the old file away first.",
        ) from None
    except OSError as error:
        raise InputError(
            f"{target} cannot be written: {error.strerror}.",
            wanted="a folder that may be written to.",
            do="name another folder, or change its permissions.",
        ) from None
    return target


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(
            f"there is no config file {path}.",
            wanted="the path of a TOML file.",
            do="check the path, or start one with `gisprio new FOLDER`.",
        ) from None
    except OSError as error:
        raise SettingsError(
            f"{path} cannot be read: {error.strerror}.",
            wanted="the path of a TOML file.",
            do="give the config file itself, not its folder, and check its permissions.",
        ) from None
    except UnicodeDecodeError:
        raise SettingsError(
            f"{path.name} is not written in UTF-8.",
            wanted="a text file in UTF-8.",
            do="save it again from your editor with the encoding UTF-8.",
        ) from None
    except tomllib.TOMLDecodeError as error:
        says = str(error)
        raise SettingsError(
            f"{path.name} is not valid TOML: {says[:1].lower() + says[1:]}.",
            wanted='lines of the form key = value under [section], text in "double quotes".',
            do="correct that line; in paths write / instead of \\, which has a meaning in TOML.",
        ) from None


def as_tuples(value: Any) -> Any:
    """Give lists as tuples, as strict models want them."""
    if isinstance(value, dict):
        return {key: as_tuples(item) for key, item in value.items()}
    return tuple(as_tuples(item) for item in value) if isinstance(value, list) else value


def _is_not_finite(value: Any) -> bool:
    return isinstance(value, float) and not math.isfinite(value)


def _not_finite(value: Any, place: tuple[str | int, ...] = ()) -> Iterator[Fault]:
    if _is_not_finite(value):
        yield Fault(
            f"{_written(place)}: {value} is refused.",
            "a finite number.",
            "write a number, or leave the key out.",
        )
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from _not_finite(item, (*place, key))


def _written(place: tuple[str | int, ...]) -> str:
    """Give the place of a key as it stands in the file, such as ``[setback] width_m``."""
    names = [str(part) for part in place if not isinstance(part, int)]
    depth = _depth(names)
    section = f"[{'.'.join(names[:depth])}]"
    key = ".".join(names[depth:])
    number = next((part for part in place if isinstance(part, int)), None)
    return section + (f" {key}" if key else "") + (f", item {number + 1}" if number is not None else "")


def _depth(names: list[str]) -> int:
    """Give how many names of a place stand in the head of its section."""
    of_priority = names[0] == "priority" and len(names) > 2 and names[1] in _TABLES_OF_NAMES
    if names[0] == "setback" and len(names) > 2:
        return 3 + _depth(["setback", *names[3:]]) - 1 if names[1] in _OF_RULES else 2
    return 2 if of_priority or names[0] == "factor" else 1


def _untagged(place: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Take the names of rule forms out of a place, which the models put in and the file does not have."""
    if place[:1] != ("setback",):
        return place
    after = [i for i, part in enumerate(place) if i == 0 or (i > 1 and place[i - 1] in _OF_RULES)]
    return tuple(part for i, part in enumerate(place) if not (part in FORMS and i - 1 in after))


def _model_at(place: tuple[str | int, ...]) -> type[BaseModel] | None:
    """Give the model whose keys stand at a place; None where any name may stand."""
    model: type[BaseModel] | None = Settings
    if place[:1] == ("factor",) and len(place) == 2:
        return OwnFactor
    if place[:1] == ("setback",):
        form = max(i for i, part in enumerate(place) if part in FORMS)
        model, place = FORMS[str(place[form])], place[form + 1 :]
    for part in place:
        if model is None:
            return None
        by_key = {field.alias or name: field for name, field in model.model_fields.items()}
        field = by_key.get(str(part))
        kind = field.annotation if field is not None else None
        model = kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None
    return model


def _keys(model: type[BaseModel]) -> list[str]:
    """Name the keys of a section, those of a rule's own form first."""
    fields = model.model_fields
    if issubclass(model, Rule):
        fields = {**{name: fields[name] for name in fields if name not in Rule.model_fields}, **fields}
    return [field.alias or name for name, field in fields.items() if name not in ("folder", "own_curve")]


def _unknown_key(place: tuple[str | int, ...], model: type[BaseModel], where: str = "") -> Fault:
    dotted = ".".join(str(part) for part in place)
    if dotted in _NOT_YET:
        return Fault(
            f"{_written(place)}: this version does not know it yet.",
            "a config without it.",
            "take it out, or put # before its lines.",
        )
    keys = _keys(model)
    like = nearest(str(place[-1]), keys)
    what = "section" if len(place) == 1 else "key"
    do = f"take the {what} out."
    if like:
        do = f"write {like} if that is what you meant, else {do}"
    return Fault(f"{where or _written(place)}: there is no such {what}.", f"one of {', '.join(keys)}.", do)


_BOUNDS = {
    "greater_than": ("is too small", "a number above {gt:g}"),
    "greater_than_equal": ("is too small", "a number of at least {ge:g}"),
    "less_than": ("is too large", "a number below {lt:g}"),
    "less_than_equal": ("is too large", "a number of at most {le:g}"),
}
_KINDS = {
    "float_type": ("is not a number", "a number, written without quotes"),
    "int_type": ("is not a whole number", "a whole number, written without quotes"),
    "int_from_float": ("is not a whole number", "a whole number, written without quotes"),
    "string_type": ("is not text", 'text in "double quotes"'),
    "string_too_short": ("is empty", 'text in "double quotes"'),
    "tuple_type": ("is not a list", "a list: [..., ...]"),
    "too_long": ("has too many items", "pairs: [value, score]"),
    "missing": ("is too short", "pairs: [value, score]"),
    "one_limit": ("has no limit, or two", "one of from, above, as in { from = 5, width_m = 10 }"),
    "not_a_day": ("is not a day of the year", 'month and day, as in opens = "07-15"'),
    "not_a_date": ("is not a date", 'a date, as in as_of = "2026-05-31"'),
    "not_tiles": ("is no address of tiles", 'one that begins with https:// and holds {z}, {x} and {y}'),
    "not_in_order": ("is not in order", "lowest and highest, as in [0.5, 0.9]"),
    "nothing_left": (
        "leaves nothing of the mat",
        "anchor_m and course_lap_m below mat_width_m, and roll_lap_m below roll_m",
    ),
    "model_type": ("is not a section", "a section of its own, with keys of the form key = value below it"),
    "dict_type": ("is not a section", "a section of its own, with keys of the form key = value below it"),
}
_PATHS = "a path, a glob, or a list of them"
_REQUIRED = {
    "run": "[run] with name and output",
    "layers": "[layers] with dem and land_cover",
    "land_cover": '[land_cover] with legend, as in legend = "nlcd"',
}


def _fault(error: Any, data: Mapping[str, Any]) -> Fault:
    """Put one complaint of the models about the data into our own words."""
    place, kind, value = _untagged(tuple(error["loc"])), error["type"], error["input"]
    where = _written(place) + from_rule_file(place, data) + from_table(place, data)
    if kind == "extra_forbidden":
        return _unknown_key(place, _model_at(tuple(error["loc"])[:-1]) or Settings, where)
    if kind == "union_tag_invalid":
        word = value.get("rule")
        return _unknown_name(f"{where} rule: there is no rule {quoted(word)}.", str(word), list(FORMS))
    if kind == "missing" and isinstance(place[-1], str):
        wanted = _REQUIRED[place[-1]] if len(place) == 1 else f"a value for {place[-1]}"
        do = "add it; `gisprio new FOLDER` writes a config that has it."
        return Fault(f"{where} is missing.", f"{wanted}.", do)
    if kind == "literal_error":
        words = error["ctx"]["expected"].replace(" or ", ", ").replace("'", "").split(", ")
        like = nearest(value, words) if isinstance(value, str) else None
        do = f'write "{like}" if that is what you meant.' if like else "write one of these words."
        return Fault(f"{where}: {quoted(value)} is not known.", f"one of {', '.join(words)}.", do)
    if kind in _BOUNDS:
        says, wanted = _BOUNDS[kind]
        return Fault(f"{where}: {quoted(value)} {says}.", wanted.format(**error["ctx"]) + ".", f"correct {where}.")
    if kind == "tuple_type" and place[0] == "layers":
        return Fault(f"{where}: {quoted(value)} is not a path.", f"{_PATHS}.", f"correct {where}.")
    says, wanted = _KINDS.get(kind, ("is not of the right kind", "a value as `gisprio new FOLDER` writes it"))
    if "pairwise" in place and kind in ("missing", "too_long", "string_type", "float_type", "tuple_type"):
        wanted = 'judgements as in [["unit_stream_power", "outer_bend", 2]]'
    whole = kind in ("string_too_short", "model_type", "dict_type", "nothing_left")
    shown = f"{where} {says}" if whole else f"{where}: {quoted(value)} {says}"
    return Fault(f"{shown}.", f"{wanted}.", f"correct {where}.")


def _name_faults(data: dict[str, Any], known: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    """Find unknown names of factors, rules and curves; works on faulty data too."""
    known = _with_own_names(known, data.get("factor"))
    priority = data.get("priority")
    groups = priority if isinstance(priority, dict) else {}
    both = sorted({*known.get("erosion", ()), *known.get("gap", ())})
    for table in _TABLES_OF_NAMES:
        names = both if table == "nodes" else sorted(known.get(table, ()))
        keys = groups.get(table)
        for key in keys if names and isinstance(keys, dict) else ():
            if key not in names:
                yield _unknown_name(f"[priority.{table}] {key}: there is no such factor.", key, names)
    forms = groups.get("forms")
    for key, form in forms.items() if isinstance(forms, dict) else ():
        names = sorted(known.get("forms", ()))
        if names and f"{key}.{form}" not in names:
            says = f"[priority.forms] {key}: there is no form {quoted(form)}."
            pairs = ", ".join('{} = "{}"'.format(*name.split(".")) for name in names)
            yield Fault(says, f"one of {pairs}.", f"take {key} out: then its usual form counts.")
    yield from _pair_faults(groups.get("pairwise"), known)
    part = data.get("hydraulics")
    value, names = part.get("curve") if isinstance(part, dict) else None, sorted(known.get("curves", ()))
    if names and isinstance(value, str) and value not in names and not value.endswith(CURVE_ENDING):
        yield _unknown_name(f"[hydraulics] curve: there is no curve {quoted(value)}.", value, names)


def _pair_faults(pairwise: object, known: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    """Find unknown factors in judgements of pairs."""
    for group in ("erosion", "gap") if isinstance(pairwise, dict) else ():
        names = sorted(known.get(group, ()))
        rows = pairwise.get(group) if isinstance(pairwise, dict) else ()
        told = [name for row in rows or () if isinstance(row, list | tuple) for name in row[:2]]
        for key in dict.fromkeys(told) if names else ():
            if isinstance(key, str) and key not in names:
                yield _unknown_name(f"[priority.pairwise] {group}: there is no factor {quoted(key)}.", key, names)


def _with_own_names(known: Mapping[str, Collection[str]], own: Any) -> Mapping[str, Collection[str]]:
    """Add the factors of the user's own to those of their group, where these are known."""
    factors = own.items() if isinstance(own, dict) else ()
    more = {
        group: [name for name, factor in factors if isinstance(factor, dict) and factor.get("group") == group]
        for group in ("erosion", "gap")
    }
    return {**known, **{group: [*known[group], *names] for group, names in more.items() if known.get(group)}}


def _unknown_name(says: str, word: str, names: Collection[str]) -> Fault:
    like = nearest(word, names)
    do = f"write {like} if that is what you meant." if like else "write one of these names."
    return Fault(says, f"one of {', '.join(names)}.", do)


def _meaning_faults(settings: Settings, known: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    """Find values that are each of the right kind but make no sense."""
    yield from _name_faults(settings.model_dump(), known)
    yield from rule_faults(settings)
    yield from own_factor_faults(settings.factor, known.get("taken", ()))
    for name in type(settings.layers).model_fields:
        paths = getattr(settings.layers, name)
        if any(not path for path in paths) or (name in ("dem", "land_cover") and not paths):
            yield Fault(f"[layers] {name} is empty.", f"{_PATHS}.", "give the path, or leave the key out.")
    priority = settings.priority
    groups = {
        "[priority] weights": (priority.weights.erosion, priority.weights.gap),
        "[priority.erosion]": tuple(priority.erosion.values()),
        "[priority.gap]": tuple(priority.gap.values()),
    }
    for where, weights in groups.items():
        if not sum(weights):
            yield Fault(f"{where}: all weights are 0.", "at least one weight above 0.", "give one of them a weight.")
    for key, nodes in priority.nodes.items():
        if not is_value_function(nodes):
            yield Fault(
                f"[priority.nodes] {key} is no value function.",
                "two or more pairs [value, score], values rising, scores between 0 and 1.",
                "sort the pairs by value, and give scores as 0 to 1, not as percent.",
            )
    sites = settings.sites
    if sites.site_max_length_m < 2 * sites.site_min_length_m:
        yield Fault(
            f"[sites] site_max_length_m: {sites.site_max_length_m:g} is under twice site_min_length_m "
            f"({sites.site_min_length_m:g}): parts of a site that is split would be too short.",
            f"at least {2 * sites.site_min_length_m:g}.",
            "raise site_max_length_m or lower site_min_length_m.",
        )
    streams = settings.streams
    if streams.reach_length_m < 2 * streams.station_spacing_m:
        yield Fault(
            f"[streams] reach_length_m: {streams.reach_length_m:g} is too short for stations every "
            f"{streams.station_spacing_m:g} m.",
            f"at least 2 x station_spacing_m = {2 * streams.station_spacing_m:g}.",
            "lengthen reach_length_m or lower station_spacing_m.",
        )
