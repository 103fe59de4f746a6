"""The field form: its words and its fields, as it is filled in and as it is read back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from gisprio.contracts.constants import FOOT_M

VISIT_SIDES = ("left", "right")
VERDICTS = ("ok", "wrong line", "wrong cover", "already done", "not natural")
"""What a visit says of the place itself: all but ok take the bank out of the ranking."""
CHOSEN = ("top", "random")
"""Why a place is on the form: for its rank, or drawn at random from the other ranked banks."""
SEEN_AT = ("bank", "desk")
"""Where a verdict was made: there, or by the desk check."""
MATERIALS = ("bedrock", "boulders", "cobble", "gravel", "sand", "silt", "clay")
"""What most of the bank face is made of."""
STRATIFICATIONS = ("none", "above bankfull", "at or below bankfull")
"""Where layers of unlike material show in the bank face."""
FIELD_CLASSES = ("very low", "low", "moderate", "high", "very high", "extreme")
"""Classes of the published field index of bank erosion hazard."""
MONITORED = {
    "survival": "%",
    "woody cover": "%",
    "herb cover": "%",
    "invasive cover": "%",
    "bare ground": "%",
    "plant cover": "%",
    "pin": "mm",
    "eroded volume": "m3",
    "photo point": "degrees",
}
"""What visits of several dates are put in order for, and its unit."""


@dataclass(frozen=True, slots=True)
class FormField:
    """A field of the form.

    Parameters
    ----------
    name
        Column of the file; a unit is its suffix.
    kind
        What is filled in.
    asks
        What the form asks, for people, without the unit.
    among
        Words to choose from.
    low, high
        Bounds of a number.
    unit
        Unit of a number as people read it; empty for none.
    whole
        Whether a number must be whole.
    group
        Heading below which the form shows it.
    """

    name: str
    kind: Literal["date", "words", "choice", "number", "photo"]
    asks: str
    among: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0
    unit: str = ""
    whole: bool = False
    group: str = "Place"

    @property
    def label(self) -> str:
        """What the form asks, with the unit."""
        return f"{self.asks}, {self.unit}" if self.unit else self.asks


def _number(name: str, asks: str, high: float, unit: str, group: str, *, whole: bool = False) -> FormField:
    return FormField(name, "number", asks, low=0, high=high, unit=unit, whole=whole, group=group)


def _choice(name: str, asks: str, among: tuple[str, ...], group: str) -> FormField:
    return FormField(name, "choice", asks, among, group=group)


YES_NO = ("yes", "no")
_TOES = ("bare", "slumped earth", "plants", "wood", "stones", "built")
_BANK, _PLANTS, _MARKS = "Bank", "Plants", "Pins, photo points"
MOST_PLANTS = 100_000
"""More on one form is a slip of the thumb [own]."""
FORM = (
    FormField("date", "date", "Date of the visit"),
    FormField("observer", "words", "Observer's code, no name"),
    _choice("verdict", "Is this the place the map says?", VERDICTS, "Place"),
    _choice("erodes", "Does the bank erode?", YES_NO, "Place"),
    _number("bank_height_m", "Bank height above the toe", 100, "m", _BANK),
    _number("bankfull_height_m", "Bankfull mark above the toe", 100, "m", _BANK),
    _number("bank_angle_deg", "Bank angle", 180, "degrees", _BANK),
    _number("root_depth_m", "Depth of roots from the top", 100, "m", _BANK),
    _number("root_density_pct", "Roots hold so much of that", 100, "%", _BANK),
    _number("surface_protection_pct", "Face covered by plants, wood, stones", 100, "%", _BANK),
    _choice("material", "Most of the face is", MATERIALS, _BANK),
    _choice("stratification", "Layers of unlike material", STRATIFICATIONS, _BANK),
    _choice("seepage", "Water seeps out of the face", YES_NO, _BANK),
    _choice("undercut", "The bank is undercut", YES_NO, _BANK),
    _choice("toe", "The toe is", _TOES, _BANK),
    _number("eroding_length_m", "So much bank erodes like this", 10_000, "m", _BANK),
    _number("cover_width_m", "Width of trees, shrubs or marsh seen", 500, "m", "Place"),
    _choice("livestock", "Livestock reaches the bank", YES_NO, "Place"),
    FormField("infrastructure", "words", "Pipes, lines, roads, buildings near"),
    _number("plants_alive", "Plants counted alive", MOST_PLANTS, "", _PLANTS, whole=True),
    _number("plants_dead", "Plants counted dead, 0 if none", MOST_PLANTS, "", _PLANTS, whole=True),
    _number("plants_missing", "Plants missing, 0 if none", MOST_PLANTS, "", _PLANTS, whole=True),
    _number("survival_pct", "Not counted: of what was planted lives", 100, "%", _PLANTS),
    _number("woody_cover_pct", "Ground under trees and shrubs", 100, "%", _PLANTS),
    _number("herb_cover_pct", "Ground under herbs and grass", 100, "%", _PLANTS),
    _number("invasive_cover_pct", "Ground under invasive plants", 100, "%", _PLANTS),
    _number("bare_pct", "Bare ground", 100, "%", _PLANTS),
    _number("cover_pct", "Ground covered by plants, all in all", 100, "%", _PLANTS),
    FormField("pin_id", "words", "Mark of the pin, one pin a form", group=_MARKS),
    _number("pin_m", "Pin stands out of the face", 10, "m", _MARKS),
    _number("pin_length_m", "Length of the whole pin", 10, "m", _MARKS),
    _choice("pin_lost", "The pin is gone, washed out", YES_NO, _MARKS),
    FormField("photo_point", "words", "Mark of the photo point", group=_MARKS),
    _number("photo_bearing_deg", "Photograph looks towards", 360, "degrees", _MARKS),
    FormField("photo", "photo", "Photograph"),
    FormField("notes", "words", "Notes, no names"),
)
"""Fields of the form, in order; every one may stay empty, and a form of which all are empty changes nothing."""

US_SIZES_M = {"ft": FOOT_M.value, "in": FOOT_M.value / 12}
"""Units in which people who measure in feet fill in what is metres here [m]."""
IN_INCHES = ("pin_m",)
"""What is too small for feet."""


def us_field(field: FormField) -> FormField:
    """Give a field as people who measure in feet fill it in: name, unit and bounds; others are as they are.

    Examples
    --------
    >>> us_field(FORM[4]).name, us_field(FORM[4]).high, us_field(FORM[4]).label
    ('bank_height_ft', 328.0, 'Bank height above the toe, ft')
    """
    if field.unit != "m":
        return field
    unit = "in" if field.name in IN_INCHES else "ft"
    name = field.name.removesuffix("m") + unit
    return replace(field, name=name, unit=unit, high=field.high // US_SIZES_M[unit])


def form_fields(units: Literal["si", "us"]) -> tuple[FormField, ...]:
    """Give the fields of the form in the units of a project; a column's suffix tells which it is in."""
    return tuple(us_field(field) for field in FORM) if units == "us" else FORM
