"""Coordinate reference systems: the working system, and what the layers say of theirs.

All transforms go through pyproj, never through the PROJ that a raster library brings, with x before y.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from gisprio.contracts.constants import FOOT_M, US_SURVEY_FOOT_M
from gisprio.contracts.errors import InputError, SettingsError
from gisprio.contracts.findings import Finding
from gisprio.contracts.grids import Bounds
from gisprio.inputs.faults import Fault

DEGREES = CRS.from_user_input("OGC:CRS84")
_UNITS = (
    (("m", "metre", "metres", "meter", "meters"), 1.0),
    (("ft", "foot", "feet", "international foot", "international feet"), FOOT_M.value),
    (("us ft", "us survey foot", "us survey feet", "survey foot", "ftus", "foot us"), US_SURVEY_FOOT_M.value),
    (("cm", "centimetre", "centimetres", "centimeter", "centimeters"), 0.01),
)


def no_crs(name: str) -> Fault:
    """Give the fault of a layer that does not say where it lies."""
    return Fault(
        f"{name} has no coordinate reference system.",
        'a projected system in metres, as in [run] crs = "EPSG:...".',
        "assign it in your GIS, or give the path with a .prj beside it.",
    )


def horizontal(crs: CRS) -> CRS:
    """Give the part of a system that places points on the ground: heights are left out."""
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    return crs.to_2d() if crs.is_geographic and len(crs.axis_info) == 3 else crs


def height_unit_m(crs: CRS) -> float | None:
    """Give the metres in one unit of the heights that a system names; None where it names none."""
    if crs.is_compound:
        return next((float(part.axis_info[0].unit_conversion_factor) for part in crs.sub_crs_list[1:]), None)
    return None


def named_unit_m(name: str | None) -> float | None:
    """Give the metres in a unit of length by its name, as bands of rasters carry it; None where it is not known.

    >>> named_unit_m("metre"), named_unit_m("ft"), named_unit_m(None)
    (1.0, 0.3048, None)
    """
    words = (name or "").lower().replace("_", " ").replace("-", " ").strip()
    return next((metres for names, metres in _UNITS if words in names), None)


def linear_unit_m(crs: CRS) -> float | None:
    """Give the metres in one unit of the places of a projected system; None where it is none."""
    return float(crs.axis_info[0].unit_conversion_factor) if crs.is_projected and crs.axis_info else None


def code_of(crs: CRS, confidence: int = 100) -> str | None:
    """Give the registered name of a system, such as EPSG:5070; None where it has none.

    With a lower confidence (percent) a system of another name with the same numbers will do.
    """
    plain = crs.source_crs if crs.is_bound and crs.source_crs is not None else crs
    authority = plain.to_authority(min_confidence=confidence)
    return ":".join(authority) if authority else None


def unnamed(layer: str, name: str, crs: CRS) -> Finding | None:
    """Note a system without a registered code; None where it has one."""
    if code_of(crs) is not None:
        return None
    kind = "geographic" if crs.is_geographic else "projected"
    like = code_of(crs, confidence=70)
    taken = f"taken as described, which fits {like}" if like else "taken as described"
    return Finding(
        "note",
        layer,
        "crs_unnamed",
        "",
        f'{name} is in a {kind} system "{crs.name}" without an EPSG code; {taken}.',
        "assign the right EPSG code in your GIS if the layer does not lie where it should on the map.",
    )


def same(one: CRS, other: CRS) -> bool:
    """Say whether two systems give the same coordinates; the order of axes does not matter."""
    return bool(one.equals(other, ignore_axis_order=True))


def transform_bounds(bounds: Bounds, source: CRS, target: CRS) -> Bounds:
    """Give the box that holds a box of another system.

    Parameters
    ----------
    bounds
        x0, y0, x1, y1 in the source system.
    source, target
        The systems.

    Raises
    ------
    InputError
        Where the target cannot hold that ground.
    """
    if same(source, target):
        return bounds
    try:
        got = Transformer.from_crs(source, target, always_xy=True).transform_bounds(*bounds, densify_pts=21)
    except ProjError:
        got = (math.inf,) * 4
    if not np.isfinite(got).all():
        x0, y0, x1, y1 = bounds
        raise InputError(
            f"the extent {x0:g}, {y0:g} to {x1:g}, {y1:g} cannot be placed in {target.name}.",
            wanted="layers of one watershed.",
            do="check the systems of the layers, and cut a layer of a whole continent to your area.",
        )
    return got[0], got[1], got[2], got[3]


def working_crs(wish: str | None, extents: Iterable[tuple[Bounds, CRS]]) -> CRS:
    """Choose the system all work is done in.

    Parameters
    ----------
    wish
        ``[run] crs``; None for the UTM zone (WGS 84) of the middle of the data.
    extents
        Boxes of the data with their systems; the middle is that of the ground they share, else of the first.

    Returns
    -------
    CRS
        Projected, in metres.

    Raises
    ------
    SettingsError
        When the wished system is not known, not projected or not in metres.
    """
    if wish is not None:
        return _wished(wish)
    boxes = [transform_bounds(bounds, crs, DEGREES) for bounds, crs in extents]
    x0, y0, x1, y1 = boxes[0]
    for box in boxes[1:]:
        cut = max(x0, box[0]), max(y0, box[1]), min(x1, box[2]), min(y1, box[3])
        if cut[0] < cut[2] and cut[1] < cut[3]:
            x0, y0, x1, y1 = cut
    longitude, latitude = (x0 + x1) / 2, (y0 + y1) / 2
    zone = int((longitude + 180) // 6) % 60 + 1
    return CRS.from_epsg((32600 if latitude >= 0 else 32700) + zone)


def _wished(wish: str) -> CRS:
    wanted = "a projected system in metres, such as the UTM zone of your area: EPSG:32633."
    do = "correct it, or leave crs out: the UTM zone of the data is taken then."
    try:
        crs = horizontal(CRS.from_user_input(wish))
    except CRSError:
        raise SettingsError(f'[run] crs: "{wish}" is not a known system.', wanted=wanted, do=do) from None
    if not crs.is_projected:
        raise SettingsError(f'[run] crs: "{wish}" ({crs.name}) is not projected.', wanted=wanted, do=do)
    units = {axis.unit_name for axis in crs.axis_info}
    if units != {"metre"}:
        raise SettingsError(f'[run] crs: "{wish}" ({crs.name}) is in {", ".join(sorted(units))}.', wanted=wanted, do=do)
    return crs


def in_degrees(bounds: Bounds) -> str:
    """Write an extent in degrees: ``78.97 W to 78.87 W, 35.90 N to 36.00 N``."""
    x0, y0, x1, y1 = bounds
    west_east = " to ".join(f"{abs(x):.2f} {'W' if x < 0 else 'E'}" for x in (x0, x1))
    south_north = " to ".join(f"{abs(y):.2f} {'S' if y < 0 else 'N'}" for y in (y0, y1))
    return f"{west_east}, {south_north}"
