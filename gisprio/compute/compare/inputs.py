"""What differs between what two runs were made from, and which results each difference reaches.

What a result hangs on is not listed by hand: a run keeps digests of all that each stage read, and the stage table says
which stage wrote it. Followed back from a result, through what differs alone, they lead to the causes.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from gisprio.contracts.cards import Stage

Record = Mapping[str, Any]
Causes = frozenset[str]
"""``layer NAME``, ``section NAME``, ``code`` and ``libraries``."""

STATE_LAYERS = (
    "land_cover",
    "canopy",
    "wetlands",
    "done",
    "eroding",
    "visits",
    "roads",
    "constraints",
    "properties",
)
"""Layers that show the state of the ground [own]: a newer one is what runs are compared for. All others, and all
settings, say how it is measured: where they differ, lengths and ranks of the two runs are not the same thing."""
_MAY_BE_ABSENT = ("done", "eroding", "visits")
"""Where one of these is given once only, nothing was known before, or nothing is told any more."""
_IDLE = (
    "layers",
    "land_cover",
    "report",
    "run.crs",
    "run.name",
    "run.output",
    "run.store_limit_gb",
    "run.tile_m",
    "setback.about",
    "setback.also",
    "setback.kind",
    "setback.rule_file",
    "sheets",
)
"""Settings by which none of the compared numbers changes; layers, legend and working system tell for
themselves."""


_ONLY = {
    "streams.reach_length_m": ("streams", "scores", "ranks", "intervals", "sites", "properties"),
    "streams.sub_watershed_km2": ("streams",),
}
"""Settings that reach less than their section: where reaches are cut moves no gap, and labels move nothing."""


@dataclass(frozen=True, slots=True)
class Subject:
    """Columns of the results that come about together.

    Parameters
    ----------
    key
        For programs.
    title
        For people.
    table
        Table of the stage table in which they are first known.
    columns
        ``layer.column`` as the result layers name them; ``layer.*`` for all of them.
    """

    key: str
    title: str
    table: str
    columns: tuple[str, ...]


SUBJECTS = (
    Subject("streams", "slopes, drainage areas, widths, stream power", "reach_measures",
            ("reaches.slope_m_m", "reaches.drainage_area_km2", "reaches.bankfull_width_m",
             "reaches.bankfull_discharge_m3_s", "reaches.unit_stream_power_w_m2", "reaches.sinuosity",
             "reaches.strahler_order", "reaches.sub_watershed_id")),
    Subject("heights", "heights and angles of banks", "side_heights", ("banks.bank_height_m", "banks.bank_angle_deg")),
    Subject("asked", "widths that the rule asks for", "side_setbacks", ("banks.setback_m", "banks.exempt_length_m")),
    Subject("strips", "widths and cover of the strips", "side_cover",
            ("banks.buffer_width_m", "banks.woody_share", "banks.adjacent_cover", "banks.width_known_share")),
    Subject("gaps", "lengths and areas of gaps", "gap_pieces",
            ("gaps.*", "banks.gap_length_m", "banks.gap_area_m2", "reaches.gap_length_m", "bank_setbacks.*")),
    Subject("plantable", "ground that can be planted", "bank_ground",
            ("banks.plantable_area_m2", "banks.constrained_length_m")),
    Subject("scores", "scores of erosion and gap", "bank_measures",
            ("banks.erosion_score", "banks.gap_score", "banks.erosion_worst_score", "banks.gap_worst_score")),
    Subject("ranks", "priorities and ranks of banks and reaches", "banks",
            ("banks.priority", "banks.rank", "banks.need", "reaches.priority", "reaches.rank")),
    Subject("intervals", "how far ranks may be off", "drawn_banks",
            ("banks.rank_p05", "banks.rank_p50", "banks.rank_p95", "banks.top_share", "properties.rank_p05",
             "properties.rank_p95", "properties.top_share")),
    Subject("sites", "sites", "sites", ("sites.*",)),
    Subject("properties", "gaps, priorities and ranks of properties", "ranked_properties",
            ("properties.gap_length_m", "properties.gap_area_m2", "properties.priority", "properties.priority_gap_m",
             "properties.rank")),
)  # fmt: skip
"""What is compared, in the order in which it comes about."""


def input_differences(before: Record, after: Record, stages: Sequence[Stage]) -> pd.DataFrame:
    """List what differs between what two runs were made from.

    Parameters
    ----------
    before, after
        Content of run.json.
    stages
        The stage table.

    Returns
    -------
    DataFrame
        ``kind``, ``name``, ``before``, ``after``; ``meaning``: ``measure`` (results it reaches cannot be compared),
        ``state`` (the ground as seen then and now: what is compared), ``doubt`` (gisprio itself), ``none`` (no result
        follows from it);
        ``reaches``: keys of :data:`SUBJECTS` with commas between.
    """
    rows = [
        *_system(before, after),
        *_layers(before, after),
        *_cells(before, after),
        *_settings(before, after),
        *_factors(before, after),
        *_makers(before, after),
    ]
    causes = {subject.key: causes_of(subject.table, before, after, stages) for subject in SUBJECTS}
    told = [_weighed({**row, "reaches": _reached(row, causes)}) for row in rows]
    table = pd.DataFrame(told, columns=["kind", "name", "before", "after", "meaning", "reaches"])
    return table.astype("str")


def incomparable(differences: pd.DataFrame) -> list[Subject]:
    """Give what cannot be compared, since it was measured in another way."""
    return _subjects_of(differences, "measure")


def doubtful(differences: pd.DataFrame) -> list[Subject]:
    """Give what another version of gisprio or of a library may have changed."""
    return _subjects_of(differences, "doubt")


def _subjects_of(differences: pd.DataFrame, meaning: str) -> list[Subject]:
    reached = differences.loc[differences["meaning"] == meaning, "reaches"]
    keys = {key for text in reached for key in text.split(", ")}
    return [subject for subject in SUBJECTS if subject.key in keys]


def causes_of(table: str, before: Record, after: Record, stages: Sequence[Stage]) -> Causes:
    """Follow a table back to what it was made from, through what differs alone.

    Parameters
    ----------
    table
        A table that a stage writes.
    before, after
        Content of run.json: the digests of what each stage read.
    stages
        The stage table.

    Returns
    -------
    frozenset
        Names of what may have changed it; a stage of which a record tells nothing hangs on all it reads.
    """
    writer = {name: stage for stage in stages for name in stage.writes}
    parts = [{stage["name"]: stage.get("parts") or {} for stage in record["stages"]} for record in (before, after)]
    found: set[str] = set()
    open_, met = [table], set()
    while open_:
        stage = writer.get(open_[-1])
        name = open_.pop()
        if stage is None:
            found.add(f"layer {name}")
            continue
        if stage.name in met:
            continue
        met.add(stage.name)
        for part in _differing(stage, *(one.get(stage.name, {}) for one in parts)):
            kind, _, of = part.partition(" ")
            if kind in ("table", "halo", "source"):
                open_.append(of)
            else:
                found.add(part)
    return frozenset(found)


def _differing(stage: Stage, before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[str]:
    """Give the parts of a stage that differ; all of them where one run does not tell."""
    if before and after:
        yield from (name for name in sorted({*before, *after}) if before.get(name) != after.get(name))
        return
    yield from (f"table {name}" for name in (*stage.reads, *stage.as_is, *stage.halo, *stage.sources))
    yield from (f"section {name}" for name in stage.sections)
    yield from ("code", "libraries")


def _weighed(row: dict[str, Any]) -> dict[str, Any]:
    """Take back what a difference means where no result follows from it."""
    idle = row["meaning"] == "measure" or (row["kind"] == "setting" and row["meaning"] == "doubt")
    return {**row, "meaning": "none"} if idle and not row["reaches"] else row


def _reached(row: Mapping[str, Any], causes: Mapping[str, Causes]) -> str:
    if row["meaning"] == "none":
        return ""
    own = row["causes"]
    return ", ".join(key for key, found in causes.items() if key in row.get("always", ()) or own & found)


def _row(kind: str, name: str, before: object, after: object, meaning: str, *causes: str) -> dict[str, Any]:
    return {
        "kind": kind,
        "name": name,
        "before": _shown(before),
        "after": _shown(after),
        "meaning": meaning,
        "causes": frozenset(causes),
    }


def _shown(value: object) -> str:
    """Write a setting as the config does, shortly."""
    if value is None:
        return "not given"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 120 else text[:119] + "…"


def _system(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    """Tell another working system: all is laid anew, and no digest says any more which lines are the same."""
    if before["crs"] != after["crs"]:
        row = _row("system", "working system", _name_of(before["crs"]), _name_of(after["crs"]), "measure")
        yield {**row, "always": tuple(subject.key for subject in SUBJECTS)}


def _name_of(wkt: str) -> str:
    return next(iter(re.findall(r'"([^"]+)"', wkt)), "unknown")


def _layers(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    old, new = before["inputs"], after["inputs"]
    for name in sorted({*old, *new}):
        if old.get(name) == new.get(name):
            continue
        once = name not in old or name not in new
        is_state = name in STATE_LAYERS and (not once or name in _MAY_BE_ABSENT)
        cause = _OWN + name.removeprefix("factor.") if name.startswith("factor.") else name
        meaning, then, now = "state" if is_state else "measure", _file_of(name, before), _file_of(name, after)
        yield _row("layer", name, then, now, meaning, f"layer {cause}")


_OWN = "own_"


def _file_of(name: str, record: Record) -> str | None:
    """Name the files of a layer, and the beginning of the digest of what is in them."""
    digest = record["inputs"].get(name)
    if digest is None:
        return None
    settings = record["settings"]
    paths = settings["layers"].get(name) or []
    if name == "legend":
        paths = [settings["land_cover"]["legend"]]
    files = ", ".join(str(path).replace("\\", "/").rsplit("/", 1)[-1] for path in paths[:3])
    return f"{files}{' and more' if len(paths) > 3 else ''} ({digest[:8]})".strip()


def _cells(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    """Tell cells of other sizes, where both runs tell them."""
    old, new = (record.get("cells_m") or {} for record in (before, after))
    for name in sorted({*old} & {*new}):
        if old[name] != new[name]:
            yield _row("cell", name, f"{old[name]:g} m", f"{new[name]:g} m", "measure", f"layer {name}")
    routing = [record.get("routing_cell_m") for record in (before, after)]
    if None not in routing and routing[0] != routing[1]:
        yield _row("cell", "routing grid", *(f"{cell:g} m" for cell in routing), "measure", "layer dem", "section dem")


def _settings(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    old, new = (dict(_flat(record["settings"])) for record in (before, after))
    for key in sorted({*old, *new}):
        if old.get(key) == new.get(key) or _is_at(key, ("layers",)):
            continue
        meaning, causes = _meaning_of(key)
        if meaning == "measure" and not (key in old and key in new):
            meaning = "doubt"  # another gisprio has it: what it did is not known
        row = _row("setting", key, old.get(key), new.get(key), meaning, *causes)
        yield {**row, "always": _ONLY.get(key, ())}


def _meaning_of(key: str) -> tuple[str, tuple[str, ...]]:
    """Give what a setting that differs means, and the causes it stands behind."""
    section, _, rest = key.partition(".")
    if key in _ONLY:
        return "measure", ()
    if _is_at(key, _IDLE):
        return "none", ()
    if key == "run.as_of":
        return "state", ("layer done", "layer bank_lines", "layer eroding")
    if section == "columns":
        return "measure", (f"layer {rest.partition('.')[0]}",)
    if section == "stream_kinds":
        return "measure", ("layer streams",)
    return "measure", (f"section {section}", *((f"layer {section}",) if section == "dem" else ()))


def _is_at(key: str, prefixes: Sequence[str]) -> bool:
    return any(key == prefix or key.startswith(prefix + ".") for prefix in prefixes)


def _flat(content: Mapping[str, Any], head: str = "") -> Iterator[tuple[str, Any]]:
    """Give settings one by one, by their keys with points between."""
    for name, value in content.items():
        if isinstance(value, Mapping) and value:
            yield from _flat(value, f"{head}{name}.")
        else:
            yield f"{head}{name}", value


def _factors(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    """Tell factors that weigh otherwise: their coverage too decides whether they are ranked on."""
    old, new = ({row["key"]: _weight_of(row) for row in record["factors"]} for record in (before, after))
    for key in sorted({*old, *new}):
        if old.get(key) != new.get(key):
            row = _row("factor", key, old.get(key), new.get(key), "measure")
            yield {**row, "always": ("ranks", "intervals", "sites", "properties")}


def _weight_of(factor: Mapping[str, Any]) -> str:
    return f"{factor['weight'] / 10:g} % of {factor['group']}" if factor["used"] else "not ranked on"


def _makers(before: Record, after: Record) -> Iterator[dict[str, Any]]:
    """Tell what made the results: the version, the code of the stages, the libraries, the methods."""
    if before["gisprio"] != after["gisprio"]:
        yield _row("version", "gisprio", before["gisprio"], after["gisprio"], "doubt", "code")
    stages = [
        name for name, (old, new) in _paired_parts(before, after) if old and new and old.get("code") != new.get("code")
    ]
    if stages:
        told = f"{len(stages)} steps, {stages[0]} the first"
        yield _row("version", "code of gisprio", "as it was", f"other: {told}", "doubt", "code")
    old, new = before.get("versions") or {}, after.get("versions") or {}
    for name in sorted({*old, *new}):
        if old.get(name) != new.get(name):
            yield _row("version", name, old.get(name), new.get(name), "doubt", "libraries")
    for gone, here, keys in (
        ("used", None, sorted({*before["references"]} - {*after["references"]})),
        (None, "used", sorted({*after["references"]} - {*before["references"]})),
    ):
        if keys:
            yield _row("method", ", ".join(keys), gone, here, "doubt", "code")


def _paired_parts(before: Record, after: Record) -> Iterator[tuple[str, tuple[Mapping[str, str], Mapping[str, str]]]]:
    old = {stage["name"]: stage.get("parts") or {} for stage in before["stages"]}
    for stage in after["stages"]:
        yield stage["name"], (old.get(stage["name"], {}), stage.get("parts") or {})
