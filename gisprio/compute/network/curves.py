"""Regional curves of bankfull width, depth, section and discharge over drainage area, read from ``configs/curves``."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any, Literal, cast

from gisprio.contracts.constants import CUBIC_FOOT_M3, FOOT_M, SQUARE_MILE_KM2
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.settings import Hydraulics
from gisprio.contracts.shipped import shipped, shipped_names

Setting = Literal["rural", "urban", "not stated"]
SETTINGS: tuple[Setting, ...] = ("rural", "urban", "not stated")
UNITS = {
    "si": {"area_of_basin": 1.0, "width": 1.0, "depth": 1.0, "area": 1.0, "discharge": 1.0},
    "us": {
        "area_of_basin": SQUARE_MILE_KM2.value,
        "width": FOOT_M.value,
        "depth": FOOT_M.value,
        "area": FOOT_M.value**2,
        "discharge": CUBIC_FOOT_M3.value,
    },
}
"""What one unit of each quantity is in km2, m, m2 and m3/s, by system of units."""
LARGEST_LOG_RATIO = 0.25
"""Closure: the section's coefficient may differ by this from that of width times depth, as logarithm [own]."""
LARGEST_EXPONENT_GAP = 0.0501
"""Closure: and its exponent by this from the sum of theirs [own]."""
_NEEDED = ("name", "title", "source", "table", "units", "width", "depth", "range", "setting", "status")
_MAY = ("area", "discharge", "closure_exception", "caution", "return_period_y")
OWN_SOURCE = "config"
"""Source of a curve that the user gave: no key of references.toml."""
_OWN_DEFAULTS = {
    "title": "the user's own curve",
    "table": "the file given",
    "range": "not known",
    "setting": "not stated",
    "status": "given by the user",
}


@dataclass(frozen=True, slots=True)
class Power:
    """Y = a A^b, with A in km2 and Y in m, m2 or m3/s."""

    a: float
    b: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Bankfull size and discharge of streams of a region over their drainage area, in SI units.

    Parameters
    ----------
    name
        Name in ``[hydraulics] curve`` and of its file.
    title
        Region and year, for people.
    source
        Key in references.toml.
    table
        Where in the source the numbers stand.
    width, depth
        Of the channel [m] over area [km2].
    section
        Cross-section area [m2] over area [km2]; None where the source gives none that can be used.
    discharge
        Bankfull discharge [m3/s] over area [km2]; None where the source gives none.
    range_km2
        Smallest and largest drainage area it was fitted on [km2]; None where not known.
    setting
        Land the sites lie in: ``rural``, ``urban``, or ``not stated`` by the text that was seen.
    status
        How far the numbers were checked, in words.
    closure_exception
        Why section and width times depth may disagree; empty where they agree.
    caution
        What to beware of; empty for nothing.
    return_period_y
        Mean time between flows of the bankfull discharge [years]; None where the source does not state it.
    """

    name: str
    title: str
    source: str
    table: str
    width: Power
    depth: Power
    section: Power | None
    discharge: Power | None
    range_km2: tuple[float, float] | None
    setting: Setting
    status: str
    closure_exception: str = ""
    caution: str = ""
    return_period_y: float | None = None

    @property
    def for_cities(self) -> bool:
        """Whether it was fitted on streams of built-up land; any other may be of rural ones."""
        return self.setting == "urban"


def curve_from(data: Mapping[str, Any]) -> Curve:
    """Make a curve from the keys of its file, in SI units.

    Parameters
    ----------
    data
        ``width``, ``depth`` and perhaps ``area``, ``discharge`` as [a, b] in the system ``units`` names (``si`` or
        ``us``: mi2, ft, ft2, ft3/s), ``range`` as [lowest, highest] drainage area in the same or ``"not known"``,
        and the words that :class:`Curve` holds.

    Raises
    ------
    InputError
        When a key is missing, unknown, or its value not of the kind.

    Notes
    -----
    a [SI] = a u A1^(-b), with u the unit of the quantity in SI and A1 the unit of area in km2; b is unchanged.
    """
    name = str(data.get("name", "a curve without a name"))
    missing = [key for key in _NEEDED if key not in data]
    unknown = [key for key in data if key not in (*_NEEDED, *_MAY)]
    if missing or unknown:
        faults = [f"{key} is missing" for key in missing] + [f"there is no key {key}" for key in unknown]
        raise _fault(name, "; ".join(faults), f"{', '.join(_NEEDED)}; perhaps {', '.join(_MAY)}")
    units, setting = data["units"], data["setting"]
    if units not in UNITS:
        raise _fault(name, f"units = {units!r} is none of the known systems", f"one of {', '.join(UNITS)}")
    if setting not in SETTINGS:
        raise _fault(name, f"setting = {setting!r} is none of the known words", f"one of {', '.join(SETTINGS)}")
    width, depth = _power(data, "width"), _power(data, "depth")
    if width is None or depth is None:
        raise _fault(name, "width or depth is empty", "two numbers, a and b")
    return Curve(
        name=name,
        title=str(data["title"]),
        source=str(data["source"]),
        table=str(data["table"]),
        width=width,
        depth=depth,
        section=_power(data, "area"),
        discharge=_power(data, "discharge"),
        range_km2=_range(data),
        setting=cast(Setting, setting),
        status=str(data["status"]),
        closure_exception=str(data.get("closure_exception", "")),
        caution=str(data.get("caution", "")),
        return_period_y=_years(data),
    )


def own_curve(data: Mapping[str, Any], name: str) -> Curve:
    """Make a curve from a file of the user's own.

    Parameters
    ----------
    data
        As for :func:`curve_from`; only ``units``, ``width`` and ``depth`` are asked for.
    name
        Name of its file.

    Raises
    ------
    InputError
        When a key is missing, unknown, or its value not of the kind.
    """
    return curve_from({**_OWN_DEFAULTS, **data, "name": name, "source": OWN_SOURCE})


def curve_set(hydraulics: Hydraulics) -> Curve:
    """Give the curve that ``[hydraulics]`` sets: the user's own, else the shipped one of that name."""
    if hydraulics.own_curve:
        return own_curve(hydraulics.own_curve, hydraulics.curve)
    return read_curve(hydraulics.curve)


def closure(curve: Curve) -> tuple[float, float] | None:
    """Give how far width times depth is from the section.

    Returns
    -------
    tuple of float, or None
        ln(a_W a_D / a_X) and b_W + b_D - b_X, both dimensionless; None where the curve has no section.

    Notes
    -----
    Swapped rows and slips of units show here: a curve is sound within 0.25 and 0.0501 [own].
    """
    if curve.section is None:
        return None
    ratio = math.log(curve.width.a * curve.depth.a / curve.section.a)
    return ratio, curve.width.b + curve.depth.b - curve.section.b


def closes(curve: Curve) -> bool:
    """Tell whether width times depth agrees with the section, as far as there is one."""
    gaps = closure(curve)
    return gaps is None or (abs(gaps[0]) <= LARGEST_LOG_RATIO and abs(gaps[1]) <= LARGEST_EXPONENT_GAP)


def curve_names() -> list[str]:
    """List the names of the curves that come with gisprio, sorted."""
    paths = (PurePosixPath(name) for name in shipped_names("curves"))
    return sorted(path.stem for path in paths if path.suffix == ".toml")


def read_curve(name: str) -> Curve:
    """Read a curve that comes with gisprio.

    Parameters
    ----------
    name
        As in ``[hydraulics] curve``, such as ``"usa"``.

    Raises
    ------
    SettingsError
        When there is no such curve; the message names the nearest and all.
    InputError
        When its file is faulty.
    """
    names = curve_names()
    if name not in names:
        like = difflib.get_close_matches(name.lower(), names, n=1, cutoff=0.5)
        raise SettingsError(
            f"[hydraulics] curve: there is no curve {name!r}.",
            wanted=f"one of {', '.join(names)}.",
            do=f"write {like[0]} if that is what you meant." if like else "write one of these names.",
        )
    return curve_from(tomllib.loads(shipped(f"curves/{name}.toml").read_text(encoding="utf-8")))


def _power(data: Mapping[str, Any], key: str) -> Power | None:
    """Give a curve of the file in SI, or None where it has none."""
    if key not in data:
        return None
    unit = UNITS[data["units"]]
    a, b = _two_numbers(data, key)
    return Power(a * unit[key] * unit["area_of_basin"] ** -b, b)


def _range(data: Mapping[str, Any]) -> tuple[float, float] | None:
    """Give the range of areas [km2]."""
    if data["range"] == "not known":
        return None
    low, high = _two_numbers(data, "range")
    square = UNITS[data["units"]]["area_of_basin"]
    return low * square, high * square


def _years(data: Mapping[str, Any]) -> float | None:
    """Give the return period, or None where the file has none."""
    if "return_period_y" not in data:
        return None
    value = data["return_period_y"]
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < math.inf:
        raise _fault(str(data["name"]), f"return_period_y = {value!r} is not right", "a number of years above 0")
    return float(value)


def _two_numbers(data: Mapping[str, Any], key: str) -> tuple[float, float]:
    """Give two positive numbers, refusing everything else."""
    value = data[key]
    good = (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) and 0 < v < math.inf for v in value)
    )
    if not good:
        wanted = "two numbers above 0, as in [2.70, 0.352]"
        raise _fault(str(data["name"]), f"{key} = {value!r} is not right", wanted)
    return float(value[0]), float(value[1])


def _fault(name: str, says: str, wanted: str) -> InputError:
    return InputError(f"Regional curve {name}: {says}.", wanted=f"{wanted}.", do="correct its file.")
