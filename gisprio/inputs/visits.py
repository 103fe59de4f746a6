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
from gisprio.contracts.visits import CHOSEN, MATERIALS, STRATIFICATIONS, VERDICTS, VISIT_SIDES
from gisprio.inputs.dates import as_years
from gisprio.inputs.desk_table import AT_DESK
from gisprio.inputs.normalised import Normalised, as_numbers, as_text, made_layer

ANSWERS = {"yes": 1.0, "no": 0.0, "true": 1.0, "false": 0.0, "1": 1.0, "0": 0.0}
NUMBERS = {
    "bank_height_m": (0.0, 100.0),
    "bank_angle_deg": (0.0, 180.0),
    "bankfull_height_m": (0.0, 100.0),
    "root_depth_m": (0.0, 100.0),
    "root_density_pct": (0.0, 100.0),
    "surface_protection_pct": (0.0, 100.0),
}
"""What may be filled in as a number, and its bounds."""
WORDS = {"verdict": VERDICTS, "material": MATERIALS, "stratification": STRATIFICATIONS}
"""What may be filled in as a word."""
_FIELDS = ("date", "erodes", *NUMBERS, *WORDS)


def make_visits(frame: gpd.GeoDataFrame, settings: Settings) -> Normalised:
    """Make the visits: forms with a date or any field filled in; an untouched form is no visit.

    Parameters
    ----------
    frame
        Tidy points in the working system, with the columns of the form.
    settings
        None.

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
            wanted=f"the form that gisprio visits wrote, filled in; columns {', '.join(('side', *_FIELDS))}.",
            do="give that file; a layer of the same name in it is picked by file.gpkg|visits.",
        )
    form = pd.DataFrame(frame.drop(columns="geometry"))
    filled = form[[name for name in _FIELDS if name in form]].map(_is_told).any(axis=1)
    form, points = form[filled], frame.geometry[filled]
    side, findings = _words(form, "side", VISIT_SIDES)
    kept = side.notna()
    if not kept.all():
        says = f"visits: {int((~kept).sum())} of {len(form)} filled forms do not say left or right and are left out."
        findings.append(Finding("warning", "visits", "no_side", "", says, "write left or right, looking downstream."))
    form, side, points = form[kept], side[kept], points[kept]
    chosen, told = _words(form, "chosen", CHOSEN)
    findings += told
    years, told = as_years("visits", "date", _column(form, "date"))
    findings += told
    columns = {
        "visit_id": as_text(_column(form, "visit_id")),
        "bank_id": as_text(_column(form, "bank_id")),
        "side": side.map({name: number for number, name in enumerate(VISIT_SIDES)}).astype("int64"),
        "at_random": chosen == "random",
        "at_desk": _column(form, AT_DESK).eq(True),
        "date_y": years,
    }
    answers, told = _words(form, "erodes", tuple(ANSWERS))
    columns["erodes"] = answers.map(ANSWERS).astype("float64")
    findings += told
    for key, (low, high) in NUMBERS.items():
        columns[key], told = as_numbers("visits", key, _column(form, key).map(_or_none), low, high)
        findings += told
    for key, words in WORDS.items():
        columns[key], told = _words(form, key, words)
        findings += told
    return made_layer(VISITS, gpd.GeoDataFrame(geometry=points, crs=frame.crs), columns, findings)


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
