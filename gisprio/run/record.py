"""The record of a run: run.json, and run.log for people."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from hashlib import sha256
from pathlib import Path, PurePath
from typing import Any

import pandas as pd

from gisprio import __version__
from gisprio.contracts.findings import SEVERITIES, Finding
from gisprio.contracts.layers import OWN_PREFIX
from gisprio.contracts.settings import Settings
from gisprio.contracts.words import CAUTION
from gisprio.inputs.paths import given_layers, own_factor_layers
from gisprio.run.chain import StageRun
from gisprio.run.fingerprints import Parts, library_versions

RECORD_FORMAT = 1


@dataclass(frozen=True, slots=True)
class RunRecord:
    """What a run was made from, how it went and what came out; the content of run.json.

    Parameters
    ----------
    folder
        The result folder. Not in run.json.
    name
        ``[run] name``.
    started, finished
        Local time with its offset, ISO 8601.
    settings
        The settings as the config holds them, defaults filled in.
    inputs
        Digest of each layer.
    crs
        Working system as WKT.
    stages
        How each stage went, with the reason it ran or was kept.
    counts
        Rows of each result layer, and how many banks are ranked.
    findings
        Number of findings by severity.
    factors
        One row a factor: its card, weight (per mille of its group), whether it was ranked on.
    references
        Keys of the sources of what ran.
    robustness
        How sure the ranking is, over all draws: layer ``robustness``.
    sensitivity
        What changes the ten most urgent banks: layer ``sensitivity``.
    agreement
        How well scores agree with visits: layer ``visit_agreement``; empty without visits.
    files
        Digest (sha256) of each file of the results, but run.json.
    budget
        What the whole run was expected to need: bytes of memory and disk, seconds. Rough.
    routing_cell_m
        Side of a cell of the routing grid [m].
    cells_m
        Side of a cell of each raster layer [m]; of several rasters the finest.
    layers
        What is known of each layer that was given: ``layer``, names of its ``files``, ``rows`` of a table,
        ``from_year`` and ``to_year`` where the data or the settings hold dates.
    """

    folder: Path
    name: str
    started: str
    finished: str
    settings: dict[str, Any]
    inputs: dict[str, str]
    crs: str
    stages: list[dict[str, Any]]
    counts: dict[str, int]
    findings: dict[str, int]
    factors: list[dict[str, Any]]
    references: list[str]
    robustness: dict[str, Any] = field(default_factory=dict)
    sensitivity: list[dict[str, Any]] = field(default_factory=list)
    agreement: dict[str, Any] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    budget: dict[str, int] = field(default_factory=dict)
    routing_cell_m: float | None = None
    cells_m: dict[str, float] = field(default_factory=dict)
    layers: list[dict[str, Any]] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Give the content of run.json."""
        record = asdict(self)
        del record["folder"]
        return {
            "format": RECORD_FORMAT,
            "gisprio": __version__,
            **record,
            "versions": library_versions(),
            "caution": CAUTION,
        }


def digest_of_run(record: Mapping[str, Any]) -> str:
    """Digest what a run was made from and what it made, without its times: what is made later carries it.

    Pages do not count: they may be written again, for others or with what was made since.
    """
    parts = {name: record[name] for name in ("gisprio", "settings", "inputs", "crs")}
    parts["files"] = {name: digest for name, digest in record["files"].items() if not name.endswith(".html")}
    return sha256(json.dumps(parts, sort_keys=True).encode("utf-8")).hexdigest()


def settings_as_config(settings: Settings) -> dict[str, Any]:
    """Give settings by the keys of the config file."""
    content: dict[str, Any] = settings.model_dump(mode="json", by_alias=True, exclude={"folder"})
    return content


def stage_rows(runs: Sequence[StageRun], before: Mapping[str, Parts], *, fresh: bool) -> list[dict[str, Any]]:
    """Give the stages as run.json holds them, each with the reason why it ran or was kept.

    Parameters
    ----------
    runs
        How each stage went.
    before
        What each stage of the earlier run in this folder was made from; empty when there was none.
    fresh
        Whether the store was passed over on request.
    """
    return [
        {
            "name": run.name,
            "scope": run.scope,
            "ran": run.ran,
            "kept": run.kept,
            "seconds": round(run.seconds, 3),
            "why": reason(run, before.get(run.name), fresh=fresh),
            "parts": dict(sorted(run.parts.items())),
        }
        for run in runs
    ]


def reason(run: StageRun, before: Parts | None, *, fresh: bool) -> str:
    """Say why a stage ran or was kept."""
    if run.ran == 0 and run.kept == 0:
        return "nothing to do"
    if run.ran == 0:
        return "unchanged"
    if fresh:
        return "asked for: --fresh"
    if before is None:
        return "first run in this folder"
    changed = [name for name in sorted({*run.parts, *before}) if run.parts.get(name) != before.get(name)]
    if not changed:
        return "nothing was kept of it"
    return "changed: " + ", ".join(_plain(name) for name in changed)


def _plain(part: str) -> str:
    kind, _, name = part.partition(" ")
    if kind in ("code", "libraries"):
        return "its code in gisprio" if kind == "code" else "a library"
    return f"[{name}]" if kind == "section" else f"{name} near the tile" if kind == "halo" else name


def parts_before(record: Mapping[str, Any] | None) -> dict[str, Parts]:
    """Give what each stage of an earlier record was made from."""
    return {} if record is None else {stage["name"]: stage.get("parts", {}) for stage in record["stages"]}


def counts_of(tables: Mapping[str, pd.DataFrame], stations: int) -> dict[str, int]:
    """Count rows of the result layers, and ranked banks and properties."""
    small = ("factors", "robustness", "sensitivity", "visit_agreement")
    counts = {name: len(table) for name, table in tables.items() if name not in small}
    for name in ("banks", "properties"):
        if name in tables and "rank" in tables[name]:
            counts[f"ranked_{name}"] = int(tables[name]["rank"].notna().sum())
    return {**counts, "stations": stations}


def findings_count(findings: Sequence[Finding]) -> dict[str, int]:
    """Count findings by severity, all three named."""
    counted = Counter(finding.severity for finding in set(findings))
    return {severity: counted[severity] for severity in SEVERITIES}


def layer_rows(settings: Settings, tables: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Say what is known of each layer that was given: files, rows, years.

    Parameters
    ----------
    settings
        Settings of the run.
    tables
        The layers as they were read.
    """
    rows = []
    for layer, patterns in {**given_layers(settings), **own_factor_layers(settings)}.items():
        name = OWN_PREFIX + layer.removeprefix("factor.") if layer.startswith("factor.") else layer
        table = tables.get(name)
        low, high = _years(table, settings.land_cover.year if layer == "land_cover" else None)
        rows.append(
            {
                "layer": layer,
                "files": [PurePath(pattern).name for pattern in patterns],
                "rows": None if table is None else len(table),
                "from_year": low,
                "to_year": high,
            }
        )
    return rows


def _years(table: pd.DataFrame | None, stated: int | None) -> tuple[int | None, int | None]:
    """Give the first and last year that a layer tells."""
    if stated is not None or table is None:
        return stated, stated
    column = next((name for name in ("date_y", "year") if name in table), None)
    years = table[column].dropna() if column else pd.Series(dtype=float)
    return (int(years.min()), int(years.max())) if len(years) else (None, None)


def table_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Give a small table as JSON rows: plain numbers, null for missing."""
    rows = table.to_dict("records")
    return [{str(key): _plain_value(value) for key, value in row.items()} for row in rows]


def _plain_value(value: Any) -> Any:
    if pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value


def references_of(factors: Sequence[Mapping[str, Any]], more: Sequence[str] = ()) -> list[str]:
    """Give the source keys of the factors ranked on, and more keys; "own" and "config" are no source."""
    keys = {key for row in factors if row.get("used") for key in str(row["source"]).split(", ")} | set(more)
    return sorted(keys - {"own", "config", "exact", ""})


def log_text(record: Mapping[str, Any], notes: Sequence[str], findings: Sequence[Finding]) -> str:
    """Write run.log: what ran, what was noticed, the caution at the end."""
    lines = [
        f"gisprio {record['gisprio']}: {record['name']}",
        f"started {record['started']}, finished {record['finished']}",
        "",
        *notes,
        *(stage_line(stage) for stage in record["stages"]),
        "",
        "rows: " + ", ".join(f"{name} {count}" for name, count in record["counts"].items()),
        "",
    ]
    for finding in findings:
        lines += [finding_line(finding), f"    Do: {finding.do}"]
    lines += ["", CAUTION]
    return "\n".join(lines) + "\n"


def stage_line(stage: Mapping[str, Any]) -> str:
    """Say in one line how a stage went."""
    pieces = "" if stage["scope"] == "whole" else f" (tiles: {stage['ran']} ran, {stage['kept']} kept)"
    did = "ran " if stage["ran"] else "kept"
    return f"{stage['name']:<16} {did} {stage['seconds']:8.2f} s  {stage['why']}{pieces}"


def finding_line(finding: Finding) -> str:
    """Say a finding in one line."""
    feature = f" {finding.feature_id}" if finding.feature_id else ""
    return f"{finding.severity}: {finding.layer}{feature}: {finding.says}"


def now() -> str:
    """Give the local time with its offset."""
    return datetime.now().astimezone().isoformat("T", "seconds")
