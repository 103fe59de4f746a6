"""The field form: its words and its fields, as it is filled in and as it is read back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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


@dataclass(frozen=True, slots=True)
class FormField:
    """A field of the form.

    Parameters
    ----------
    name
        Column of the file.
    kind
        What is filled in.
    asks
        What the form asks, for people.
    among
        Words to choose from.
    low, high
        Bounds of a number.
    """

    name: str
    kind: Literal["date", "words", "choice", "number", "photo"]
    asks: str
    among: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 0.0


YES_NO = ("yes", "no")
FORM = (
    FormField("date", "date", "Date of the visit"),
    FormField("observer", "words", "Observer's code, no name"),
    FormField("verdict", "choice", "Is this the place the map says?", VERDICTS),
    FormField("erodes", "choice", "Does the bank erode?", YES_NO),
    FormField("bank_height_m", "number", "Bank height above the toe, m", low=0, high=100),
    FormField("bankfull_height_m", "number", "Bankfull mark above the toe, m", low=0, high=100),
    FormField("bank_angle_deg", "number", "Bank angle, degrees", low=0, high=180),
    FormField("root_depth_m", "number", "Depth of roots from the top, m", low=0, high=100),
    FormField("root_density_pct", "number", "Roots hold so much of that, %", low=0, high=100),
    FormField("surface_protection_pct", "number", "Face covered by plants, wood, stones, %", low=0, high=100),
    FormField("material", "choice", "Most of the face is", MATERIALS),
    FormField("stratification", "choice", "Layers of unlike material", STRATIFICATIONS),
    FormField("seepage", "choice", "Water seeps out of the face", YES_NO),
    FormField("undercut", "choice", "The bank is undercut", YES_NO),
    FormField("toe", "choice", "The toe is", ("bare", "slumped earth", "plants", "wood", "stones", "built")),
    FormField("cover_width_m", "number", "Width of trees, shrubs or marsh seen, m", low=0, high=500),
    FormField("livestock", "choice", "Livestock reaches the bank", YES_NO),
    FormField("infrastructure", "words", "Pipes, lines, roads, buildings near"),
    FormField("survival_pct", "number", "Of what was planted lives, %", low=0, high=100),
    FormField("cover_pct", "number", "Ground covered by plants, %", low=0, high=100),
    FormField("pin_m", "number", "Pin stands out of the face, m", low=0, high=10),
    FormField("photo_point", "words", "Mark of the photo point"),
    FormField("photo", "photo", "Photograph"),
    FormField("notes", "words", "Notes, no names"),
)
"""Fields of the form, in order; every one may stay empty, and a form of which all are empty changes nothing."""
