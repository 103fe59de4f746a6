"""When work in the water may be done: the user's table of windows, where ``[sites] windows`` names a CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gisprio.contracts.errors import SettingsError
from gisprio.contracts.settings import WorkWindow
from gisprio.inputs.faults import quoted

NEEDED = ("opens", "closes")


class TableRows(list[dict[str, str]]):
    """Rows of a table as the config would hold them, and the file and lines they came from."""

    def __init__(self, rows: Mapping[int, dict[str, str]], name: str) -> None:
        super().__init__(rows.values())
        self.lines = tuple(rows)
        self.name = name


def with_windows_table(data: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Give a config with the rows of the table that ``[sites] windows`` names, if it names one.

    Parameters
    ----------
    data
        The config as it stands in the file.
    folder
        Where a relative path starts.

    Raises
    ------
    SettingsError
        The table cannot be read, or lacks a column.
    """
    sites = data.get("sites")
    name = sites.get("windows") if isinstance(sites, dict) else None
    if not isinstance(sites, dict) or not isinstance(name, str):
        return data
    return {**data, "sites": {**sites, "windows": TableRows(_rows(folder, name), name)}}


def from_table(place: tuple[str | int, ...], data: Mapping[str, Any]) -> str:
    """Name the line of the table that a place of the config came from, to be put behind it; else empty."""
    rows = data.get("sites", {}).get("windows") if place[:2] == ("sites", "windows") else None
    if not isinstance(rows, TableRows) or len(place) < 3 or not isinstance(place[2], int):
        return ""
    return f" (line {rows.lines[place[2]]} of {rows.name})"


def _rows(folder: Path, name: str) -> dict[int, dict[str, str]]:
    """Give the rows that say something, by line; columns of other names are the user's own."""
    path = folder / Path(name).expanduser()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = "is not in UTF-8" if isinstance(error, UnicodeDecodeError) else "cannot be read"
        raise SettingsError(
            f"[sites] windows: {quoted(name)} {why}.",
            wanted=f"a CSV in UTF-8; a relative path starts at {folder}.",
            do="correct the path, or write the rows into the config.",
        ) from error
    head = text.partition("\n")[0]
    table = csv.reader(io.StringIO(text), delimiter=";" if head.count(";") > head.count(",") else ",")
    heads = [one.strip() for one in next(table, [])]
    lacking = [one for one in NEEDED if one not in heads]
    if lacking:
        raise SettingsError(
            f"[sites] windows: {quoted(name)} has no column {' and '.join(lacking)}.",
            wanted="a head line with opens and closes, days such as 07-15; and stream and says where you have them.",
            do="name the columns so.",
        )
    rows: dict[int, dict[str, str]] = {}
    for cells in table:
        told = dict(zip(heads, map(str.strip, cells), strict=False))
        if any(told.values()):
            rows[table.line_num] = {key: told.get(key, "") for key in WorkWindow.model_fields}
    return rows
