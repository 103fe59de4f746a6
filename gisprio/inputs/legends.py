"""Land-cover legends: what the codes of a map mean, from a shipped table or the user's own CSV."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from gisprio.contracts.errors import InputError
from gisprio.contracts.shipped import shipped, shipped_names
from gisprio.contracts.words import COVERS
from gisprio.inputs.faults import Fault, nearest, raise_faults

REQUIRED = ("code", "name", "cover")


@dataclass(frozen=True, slots=True)
class Legend:
    """A legend as read.

    Parameters
    ----------
    table
        One row a code: ``code``, ``name``, ``cover``, ``c_factor`` (NaN where the legend gives none).
    min_width_m
        Narrowest thing the map can show [m]; None where the legend does not say.
    path
        The file it came from.
    """

    table: pd.DataFrame
    min_width_m: float | None
    path: Path


def legend_names() -> list[str]:
    """Give the names of the legends that come with gisprio."""
    return [PurePosixPath(name).stem for name in shipped_names("legends")]


def read_legend(name: str, folder: Path) -> Legend:
    """Read a legend.

    Parameters
    ----------
    name
        Name of a shipped legend, or path of a CSV with the columns code, name, cover and, if known, c_factor;
        lines ``# key = value`` may stand above, of which ``min_width_m`` is read.
    folder
        Folder that a relative path starts at.

    Returns
    -------
    Legend
        The table and the narrowest width.

    Raises
    ------
    InputError
        No such legend, or every fault of its lines in one message.
    """
    path = _find(name, folder)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        raise InputError(
            f"[land_cover] legend: {path.name} cannot be read as text.",
            wanted="a CSV file in UTF-8: code,name,cover,c_factor.",
            do="save it again as CSV in UTF-8.",
        ) from None
    header, body = {}, []
    for number, line in enumerate(lines, 1):
        if line.lstrip().startswith("#"):
            key, _, value = line.lstrip("# \t").partition("=")
            header[key.strip()] = value.strip()
        elif line.strip(" ,;\t"):
            body.append((number, line))
    rows, faults = _rows(path.name, body)
    width = _min_width(path.name, header.get("min_width_m"), faults)
    raise_faults(InputError, faults, f"faults in the legend {path.name}")
    table = pd.DataFrame(rows, columns=["code", "name", "cover", "c_factor"])
    return Legend(table.astype({"code": "int64", "c_factor": "float64"}), width, path)


def _find(name: str, folder: Path) -> Path:
    if name in legend_names():
        return shipped(f"legends/{name}.csv")
    path = Path(name).expanduser()
    path = path if path.is_absolute() else folder / path
    if path.is_file():
        return path
    names = legend_names()
    like = nearest(name, names)
    raise InputError(
        f'[land_cover] legend: "{name}" is no legend that comes with gisprio, and there is no file {path}.',
        wanted=f"one of {', '.join(names)}, or the path of a CSV: code,name,cover,c_factor.",
        do=f'write legend = "{like}" if that is what you meant, else check the path.' if like else "check the path.",
    )


def _rows(name: str, body: list[tuple[int, str]]) -> tuple[list[tuple[int, str, str, float]], list[Fault]]:
    if not body:
        return [], [Fault(f"{name} has no rows.", "code,name,cover,c_factor and a row a code.", "fill it in.")]
    separator = ";" if body[0][1].count(";") > body[0][1].count(",") else ","
    columns = [word.strip().lower() for word in next(csv.reader([body[0][1]], delimiter=separator))]
    missing = [column for column in REQUIRED if column not in columns]
    if missing:
        return [], [
            Fault(
                f"{name}, line {body[0][0]}: there is no column {', '.join(missing)}.",
                f"the columns code, name, cover and c_factor; it has {', '.join(columns)}.",
                "name the columns in the first line that is no comment.",
            )
        ]
    if len(body) == 1:
        return [], [Fault(f"{name} has no rows.", "a row a code below the column names.", "fill it in.")]
    rows: list[tuple[int, str, str, float]] = []
    faults: list[Fault] = []
    first: dict[int, int] = {}
    for number, line in body[1:]:
        words = [word.strip() for word in next(csv.reader([line], delimiter=separator))]
        cells = dict(zip(columns, words, strict=False))
        wrong = list(_cell_faults(f"{name}, line {number}", cells))
        if not wrong and int(cells["code"]) in first:
            wrong = [
                Fault(
                    f"{name}, line {number}: code {cells['code']} was given before, in line "
                    f"{first[int(cells['code'])]}.",
                    "each code once.",
                    "take one of the two lines out.",
                )
            ]
        faults += wrong
        if not wrong:
            first[int(cells["code"])] = number
            c_factor = float(cells.get("c_factor") or "nan")
            rows.append((int(cells["code"]), cells["name"], cells["cover"].lower(), c_factor))
    return rows, faults


def _cell_faults(where: str, cells: dict[str, str]) -> Iterator[Fault]:
    if not _is_whole(cells.get("code", "")):
        yield Fault(
            f'{where}: code "{cells.get("code", "")}" is not a whole number.',
            "the number that stands in the raster.",
            "correct the code; for polygons with words as codes, put the word in the column name.",
        )
    cover = cells.get("cover", "").lower()
    if cover not in COVERS:
        like = nearest(cover, COVERS)
        yield Fault(
            f'{where}: cover "{cells.get("cover", "")}" is not known.',
            f"one of {', '.join(COVERS)}.",
            f"write {like} if that is what you meant." if like else "write one of these words.",
        )
    text = cells.get("c_factor", "")
    if text and not 0 <= _number(text) <= 1:
        yield Fault(
            f'{where}: c_factor "{text}" is not right.',
            "a number from 0 to 1, or nothing where it is not known.",
            "correct it or leave it empty.",
        )


def _min_width(name: str, text: str | None, faults: list[Fault]) -> float | None:
    if text is None or text == "":
        return None
    width = _number(text)
    if width > 0 and math.isfinite(width):
        return width
    faults.append(
        Fault(
            f'{name}: min_width_m = "{text}" is not right.',
            "metres as a number above 0, as in # min_width_m = 30.",
            "correct it, or take the line out.",
        )
    )
    return None


def _is_whole(text: str) -> bool:
    try:
        int(text)
    except ValueError:
        return False
    return True


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
