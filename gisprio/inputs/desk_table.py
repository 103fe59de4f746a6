"""The table of the desk check, filled in: a CSV with a verdict on places in degrees, read as a file of ``visits``.

Spreadsheets change such tables: they put semicolons or tabs between columns, commas into numbers, rows in another
order, columns where none were. What can be read without a doubt is read; the rest is refused, with its lines.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path, PurePath

import geopandas as gpd
import pandas as pd

from gisprio.contracts.desk import FILLED_IN, NEEDED, READ_BACK
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.visits import VERDICTS, VISIT_SIDES
from gisprio.inputs.crs import DEGREES
from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import Place
from gisprio.inputs.vectors import VectorFile

AT_DESK = "gisprio_at_desk"
"""Column of the rows: true, as no file of a form has it."""
Row = dict[str, str]
_SHOWN = 40
_BEYOND = "\n"
"""Key of what stands in a line behind the last head."""


def is_desk_table(layer: str, place: Place) -> bool:
    """Say whether a file of a layer is a table of the desk check: a CSV of the layer ``visits``."""
    return layer == "visits" and PurePath(place.path).suffix.lower() in (".csv", ".tsv", ".txt")


def read_desk_table(layer: str, place: Place) -> tuple[VectorFile | None, list[Fault], list[Finding]]:
    """Read a table of the desk check.

    Parameters
    ----------
    layer
        Layer of the config.
    place
        The file.

    Returns
    -------
    file, faults, findings
        Its rows with a verdict as points in degrees, or None with the faults that make it useless; no findings.
    """
    table = _table(place)
    if isinstance(table, Fault):
        return None, [table], []
    heads, rows = table
    missing = [name for name in NEEDED if name not in heads]
    if missing:
        return None, [_no_column(place, missing)], []
    filled = {number: row for number, row in rows.items() if row["verdict"]}
    faults = list(_faults(place, filled))
    if faults:
        return None, faults, []
    told = list(filled.values())
    columns = {name: [row.get(name) or None for row in told] for name in READ_BACK}
    columns |= {"verdict": [row["verdict"].lower() for row in told], "side": [row["side"].lower() for row in told]}
    x, y = ([_number(row[name]) for row in told] for name in ("longitude", "latitude"))
    frame = pd.DataFrame(columns, dtype=object).assign(**{AT_DESK: [True] * len(told)})
    points = gpd.GeoDataFrame(frame, geometry=gpd.points_from_xy(x, y), crs=DEGREES)
    points.index = pd.Index(list(filled), dtype="int64")
    return VectorFile(layer, place, points, DEGREES), [], []


def filled_rows(path: Path) -> int | None:
    """Count the rows of a table in which somebody filled in anything; None where it is no table of a desk check."""
    table = _table(Place(str(path)))
    if isinstance(table, Fault) or any(name not in table[0] for name in (*NEEDED, *FILLED_IN)):
        return None
    return sum(any(row[name] for name in FILLED_IN) for row in table[1].values())


def _table(place: Place) -> tuple[list[str], dict[int, Row]] | Fault:
    """Give the heads in small letters, and rows with anything in them by the line they end on."""
    try:
        content = Path(place.path).read_bytes()
        wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        text = content.decode("utf-16" if wide else "utf-8-sig")
        return _split(text)
    except UnicodeDecodeError:
        return _not_read(place, "is not in UTF-8")
    except OSError as error:
        return _not_read(place, f"cannot be read: {error.strerror}")
    except csv.Error as error:
        return _not_read(place, f"cannot be read as a table: {error}")


def _not_read(place: Place, why: str) -> Fault:
    return Fault(
        f"[layers] visits: {place.name} {why}.",
        "a table of a desk check, as CSV in UTF-8.",
        "save it again from your spreadsheet as CSV UTF-8.",
    )


def _split(text: str) -> tuple[list[str], dict[int, Row]]:
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_between(text))
    heads = [name.strip().lower() for name in next(lines, [])]
    rows: dict[int, Row] = {}
    for cells in lines:
        row = dict.fromkeys(heads, "") | {name: cell.strip() for name, cell in zip(heads, cells, strict=False)}
        row[_BEYOND] = "".join(cells[len(heads) :]).strip()
        if any(row.values()):
            rows[lines.line_num] = row
    return heads, rows


def _between(text: str) -> str:
    """Give the sign between columns: of those in the head line the commonest, the comma where none is."""
    head = text.partition("\n")[0]
    return max((",", ";", "\t"), key=head.count)


def _no_column(place: Place, missing: Sequence[str]) -> Fault:
    return Fault(
        f"[layers] visits: {place.name} has no column {', '.join(missing)}.",
        f"the table that gisprio desk wrote, filled in; of its columns at least {', '.join(NEEDED)}.",
        "give that file, its head line as it was.",
    )


def _faults(place: Place, rows: dict[int, Row]) -> Iterator[Fault]:
    """Find what cannot be read in rows with a verdict; all lines of one kind in one fault."""
    names = ", ".join(VERDICTS)
    checks: tuple[tuple[str, Callable[[str], bool], str, str], ...] = (
        ("verdict", lambda text: text.lower() in VERDICTS, f"one of {names}; or nothing.", "write one of these words."),
        ("side", lambda text: text.lower() in VISIT_SIDES, "left or right, as the table came.", "put it back."),
        ("latitude", lambda text: _within(text, 90), _DEGREES.format("-90 to 90"), _PUT_BACK),
        ("longitude", lambda text: _within(text, 180), _DEGREES.format("-180 to 180"), _PUT_BACK),
    )
    for name, fits, wanted, do in checks:
        wrong = {number: row[name] for number, row in rows.items() if name in row and not fits(row[name])}
        if wrong:
            yield Fault(f"[layers] visits: {place.name}, column {name}: {_told(wrong.items())}.", wanted, do)
    places = {number: f"{row['latitude']} {row['longitude']}" for number, row in rows.items() if _is_rounded(row)}
    if places:
        says = f"[layers] visits: {place.name}, latitude and longitude were rounded: {_told(places.items())}."
        yield Fault(says, f"at least {LEAST_DECIMALS} decimals; the table came with 6.", _PUT_BACK)
    beyond = {number: row[_BEYOND] for number, row in rows.items() if row[_BEYOND]}
    if beyond:
        says = f"[layers] visits: {place.name}, more cells than the head line has: {_told(beyond.items())}."
        yield Fault(says, "as many cells in each line, text with a separator in it in quotes.", "save it again as CSV.")


_DEGREES = "degrees from {}, with a point or a comma before the decimals."
_PUT_BACK = "copy the column from the page of the desk check, and have your spreadsheet take it as text."
LEAST_DECIMALS = 4
"""A place of which neither number has as many was rounded by a spreadsheet [own]: fewer are over 50 m."""


def _told(wrong: Iterable[tuple[int, str]]) -> str:
    shown = (text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…" for _, text in wrong)
    return listed(f'line {number} has "{text}"' for (number, _), text in zip(wrong, shown, strict=True))


def _within(text: str, most: float) -> bool:
    number = _number(text)
    return number is not None and abs(number) <= most


def _is_rounded(row: Row) -> bool:
    numbers = [row[name].replace(",", ".") for name in ("latitude", "longitude")]
    known = all(_number(text) is not None for text in numbers)
    return known and all(len(text.partition(".")[2]) < LEAST_DECIMALS for text in numbers)


def _number(text: str) -> float | None:
    """Read a number with a point or a comma before its decimals; None where it is none.

    >>> _number("-78,912345"), _number("35.98"), _number("35.987.654"), _number("1e1"), _number("-")
    (-78.912345, 35.98, None, None, None)
    """
    plain = text.replace("\u2212", "-").replace(",", ".")
    whole, _, decimals = plain.removeprefix("-").partition(".")
    digits = (whole + decimals).isascii() and whole.isdigit() and (decimals.isdigit() or not decimals)
    return float(plain) if digits else None
