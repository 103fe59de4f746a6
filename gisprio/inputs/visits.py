"""Field forms and desk checks that were filled in: the layer ``visits``, from what gisprio made."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd

from gisprio.contracts.errors import InputError
from gisprio.contracts.findings import Finding, listed
from gisprio.contracts.layers import VISITS
from gisprio.contracts.settings import Settings
from gisprio.contracts.visits import (
    CHOSEN,
    FORM,
    MATERIALS,
    STRATIFICATIONS,
    US_SIZES_M,
    VERDICTS,
    VISIT_SIDES,
    us_field,
)
from gisprio.inputs.dates import as_years, year_of
from gisprio.inputs.desk_table import AT_DESK
from gisprio.inputs.normalised import Normalised, as_numbers, as_text, made_layer

ANSWERS = {"yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0}
NUMBERS = {
    field.name: (field.low, field.high) for field in FORM if field.kind == "number" and field.name in VISITS.names()
}
"""What may be filled in as a number, and its bounds."""
WORDS = {"verdict": VERDICTS, "material": MATERIALS, "stratification": STRATIFICATIONS}
"""What may be filled in as a word."""
YES_OR_NO = ("erodes", "pin_lost")
MARKS = ("pin_id", "photo_point")
"""What people name themselves."""
_FIELDS = ("date", *NUMBERS, *WORDS, *YES_OR_NO, *MARKS)
_IN_FEET = tuple(us_field(field).name for field in FORM if field.name in NUMBERS and field.unit == "m")


def make_visits(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the visits: forms with a date or any field filled in; an untouched form is no visit.

    Parameters
    ----------
    frame
        Tidy points in the working system, with the columns of the form.
    settings
        ``run.as_of``.

    Returns
    -------
    Normalised
        Layer ``visits``. What is no value of the form is missing there, and a finding.

    Raises
    ------
    InputError
        The layer has no column that says the side.
    """
    if "side" not in frame:
        raise InputError(
            '[layers] visits has no column "side".',
            wanted="the form that gisprio visits wrote, filled in, with its columns side, date, erodes and the others.",
            do="give that file; a layer of the same name in it is picked by file.gpkg|visits.",
        )
    form, findings = _in_metres(pd.DataFrame(frame.drop(columns="geometry")))
    filled = form[[name for name in (*_FIELDS, *_IN_FEET) if name in form]].map(_is_told).any(axis=1)
    form, points = form[filled], frame.geometry[filled]
    side, told = _words(form, "side", VISIT_SIDES)
    findings += told
    kept = side.notna()
    if not kept.all():
        says = f"visits: {int((~kept).sum())} of {len(form)} filled forms do not say left or right and are left out."
        findings.append(Finding("warning", "visits", "no_side", "", says, "write left or right, looking downstream."))
    form, side, points = form[kept], side[kept], points[kept]
    chosen, told = _words(form, "chosen", CHOSEN)
    findings += told
    years, told = _dates(form, settings)
    findings += told
    columns = {
        "visit_id": as_text(_column(form, "visit_id")),
        "bank_id": as_text(_column(form, "bank_id")),
        "side": side.map({name: number for number, name in enumerate(VISIT_SIDES)}).astype("int64"),
        "at_random": chosen == "random",
        "at_desk": _column(form, AT_DESK).eq(True),
        "date_y": years,
    }
    for key in YES_OR_NO:
        answers, told = _words(form, key, tuple(ANSWERS))
        columns[key] = answers.map(ANSWERS).astype("float64")
        findings += told
    columns |= {key: as_text(_column(form, key)) for key in MARKS}
    for key, (low, high) in NUMBERS.items():
        columns[key], told = as_numbers("visits", key, _column(form, key).map(_or_none), low, high)
        findings += told
    for key, words in WORDS.items():
        columns[key], told = _words(form, key, words)
        findings += told
    return made_layer(VISITS, gpd.GeoDataFrame(geometry=points, crs=frame.crs), columns, findings)


def _in_metres(form: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Give the form with what was filled in as feet or inches in metres; a column's suffix tells which it is.

    Files of both kinds may come together, so each row is looked at. One that tells both counts in metres.
    """
    findings: list[Finding] = []
    made = form.copy()
    for field in FORM:
        us = us_field(field)
        if us.name == field.name or us.name not in form:
            continue
        size = US_SIZES_M[us.unit]
        told = form[us.name].map(_or_none)
        feet, wrong = as_numbers("visits", us.name, told, us.low, us.high)
        metres = _column(form, field.name).map(_or_none)
        twice = metres.notna() & told.notna()
        made[field.name] = metres.where(metres.notna(), feet * size)
        findings += wrong
        if twice.any():
            says = f"visits: {int(twice.sum())} forms tell both {field.name} and {us.name}; {field.name} counts."
            findings.append(Finding("warning", "visits", "value", "", says, "empty the other where it is wrong."))
    return made, findings


def _dates(form: pd.DataFrame, settings: Settings) -> tuple[pd.Series, list[Finding]]:
    """Give the dates as years; one after the day the run looks back from is missing and a finding."""
    years, findings = as_years("visits", "date", _column(form, "date"))
    as_of = year_of(settings.run.as_of) if settings.run.as_of is not None else None
    later = years > (np.inf if as_of is None else as_of)
    if later.any():
        says = (
            f"visits.date: {int(later.sum())} values lie after [run] as_of {settings.run.as_of} and are taken as "
            f"missing: {listed(dict.fromkeys(_column(form, 'date')[later].astype(str).str[:10].tolist()))}."
        )
        findings.append(Finding("warning", "visits", "value", "", says, "correct them, or set as_of later."))
    return years.where(~later), findings


def _column(form: pd.DataFrame, name: str) -> pd.Series:
    return form[name] if name in form else pd.Series([None] * len(form), form.index, dtype=object)


def _is_told(value: object) -> bool:
    return not (value is None or value is pd.NaT or value != value or str(value).strip() == "")


def _or_none(value: object) -> object:
    return value if _is_told(value) else np.nan


def _words(form: pd.DataFrame, key: str, among: Sequence[str]) -> tuple[pd.Series, list[Finding]]:
    """Give a column of words as the form has them; others are missing and a finding."""
    words = as_text(_column(form, key)).map(lambda text: text.lower() if isinstance(text, str) else None)
    wrong = words.notna() & ~words.isin(among)
    found = words.where(words.isin(among), None).astype(object)
    if not wrong.any():
        return found, []
    shown = listed(dict.fromkeys(words[wrong].tolist()))
    says = f"visits.{key}: {int(wrong.sum())} values are not of the form and are taken as missing: {shown}."
    return found, [Finding("warning", "visits", "value", "", says, f"write one of {', '.join(among)}.")]
