"""Earth: regrading a bank from one slope to a flatter one, the toe staying where it is.

Slopes z are horizontal to vertical, heights h and lengths L in metres.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from gisprio.compute.works.heights import Heights, Profile
from gisprio.compute.works.quantities import Quantity, Three, least_certain, quantity, told, whole_up
from gisprio.contracts.settings import Sizing

BALANCED_SHARE = 0.25
"""Cut about mid-height, filling below, moves a quarter of the earth: a triangle of half the height and half the run."""


def run_out(height: float, start: float, finished: float) -> float:
    """Give how far the top moves back: (z - z0) h [m].

    >>> round(run_out(1.40, 0, 3), 2), round(run_out(2.05, 0, 3), 2)
    (4.2, 6.15)
    """
    return max(finished - start, 0.0) * height


def cut_section(height: float, start: float, finished: float) -> float:
    """Give the area cut off, seen along the stream: 0.5 (z - z0) h2 [m2].

    >>> round(cut_section(2.05, 0, 3), 3)
    6.304
    """
    return 0.5 * max(finished - start, 0.0) * height**2


def face_length(height: float, finished: float) -> float:
    """Give the length of the finished face from toe to top: h sqrt(1 + z2) [m]."""
    return height * math.sqrt(1 + finished**2)


def prismoidal(first: float, middle: float, last: float, length: float) -> float:
    """Give a volume by three sections: L (A1 + 4 Am + A2) / 6 [m3].

    >>> prismoidal(10, 18, 20, 10)
    170.0
    """
    return length * (first + 4 * middle + last) / 6


def end_area(first: float, last: float, length: float) -> float:
    """Give it by its two ends: L (A1 + A2) / 2 [m3]; too much where a bank tapers.

    >>> end_area(10, 20, 10)
    150.0
    """
    return length * (first + last) / 2


def cut_volume(profile: Profile, start: float, finished: float) -> float:
    """Give the earth cut along a bank [m3]: by the mean of h2, which equals the prismoidal volume of each piece."""
    return 0.5 * max(finished - start, 0.0) * profile.mean_square * profile.total


def face_area(profile: Profile, finished: float) -> float:
    """Give the area of the finished face along a bank [m2]."""
    return face_length(profile.mean, finished) * profile.total


def strip_area(profile: Profile, start: float, finished: float) -> float:
    """Give the ground between old top and new top [m2]."""
    return run_out(profile.mean, start, finished) * profile.total


def size_earthwork(
    heights: Heights, start: Three, start_basis: str, finished: float, length_basis: str, sizing: Sizing
) -> list[Quantity]:
    """Size what regrading moves.

    Parameters
    ----------
    heights
        Of the bank.
    start
        Its slope now: flattest, middle, steepest, so that the cut rises.
    start_basis, length_basis
        How slope and length were got.
    finished
        Slope after the works.
    sizing
        Section ``sizing``.
    """
    basis = least_certain([heights.basis, start_basis, length_basis])
    profiles = (heights.low, heights.mid, heights.high)
    pairs = list(zip(profiles, start, strict=True))
    share = BALANCED_SHARE if sizing.balanced else 1.0
    half = 0.5 if sizing.balanced else 1.0
    run_outs = _three(half * run_out(profile.mean, z0, finished) for profile, z0 in pairs)
    strips = _three(half * strip_area(profile, z0, finished) for profile, z0 in pairs)
    sections = _three(share * cut_section(math.sqrt(profile.mean_square), z0, finished) for profile, z0 in pairs)
    cuts = _three(share * cut_volume(profile, z0, finished) for profile, z0 in pairs)
    faces = _three(face_area(profile, finished) for profile in profiles)
    mid, slope = heights.mid, _flattened(start[1], finished)
    tail = " / 2" if sizing.balanced else ""
    mean, length = told(mid.mean), told(mid.total)
    found = [
        quantity("run_out", run_outs, f"{slope} x {mean}{tail} = {told(run_outs[1])} m at the mean height", basis),
        quantity("cut_section", sections, _section_formula(mid, slope, sections[1], sizing.balanced), basis),
        quantity("land_taken", strips, f"{slope} x {mean} x {length}{tail} = {told(strips[1])} m2", basis),
        quantity("earth_cut", cuts, _cut_formula(mid, start[1], finished, cuts[1], sizing.balanced), basis),
        quantity(
            "face",
            faces,
            f"{mean} x sqrt(1 + {told(finished)}^2) x {length} = {told(faces[1])} m2",
            least_certain([heights.basis, length_basis]),
        ),
    ]
    loose = _three((0.0 if sizing.balanced else sizing.bulking) * cut for cut in cuts)
    factor = "0" if sizing.balanced else told(sizing.bulking)
    why = "; a balanced cut is laid at the foot of the bank" if sizing.balanced else "; dug earth takes more room"
    found.append(quantity("spoil", loose, f"{told(cuts[1])} x {factor} = {told(loose[1])} m3{why}", basis))
    return found


def size_trees_lost(strip: Quantity, woody: Three, woody_basis: str, sizing: Sizing) -> Quantity:
    """Estimate the trees on the strip of land taken, from its woody share and how dense woods are."""
    least, most = sizing.woods_trees_ha
    dense = (least, (least + most) / 2, most)
    ends = zip(strip.range, woody, dense, strict=True)
    trees = _three(whole_up(area * share * each / 10_000) for area, share, each in ends)
    formula = f"ceil({told(strip.mid)} x {told(woody[1])} x {told(dense[1])} / 10000) = {told(trees[1])} trees"
    return quantity("trees_lost", trees, f"{formula}; trees on a hectare of wood are assumed", "assumed")


def _three(values: Iterable[float]) -> Three:
    low, mid, high = values
    return low, mid, high


def _flattened(start: float, finished: float) -> str:
    """Write z - z0; nothing is cut of a bank that is flat enough already."""
    return f"({told(finished)} - {told(start)})" if finished > start else "0"


def _section_formula(mid: Profile, slope: str, value: float, balanced: bool) -> str:
    tail = " / 4" if balanced else ""
    square = told(mid.mean_square)
    return f"0.5 x {slope} x {square}{tail} = {told(value)} m2; {square} m2 is the mean of h^2"


def _cut_formula(mid: Profile, start: float, finished: float, value: float, balanced: bool) -> str:
    """Write the volume out: prismoidal for a bank that tapers, by the mean of h2 along stations."""
    tail = " / 4" if balanced else ""
    length, slope = told(mid.total), _flattened(start, finished)
    if not mid.tapers:
        square = told(mid.mean_square)
        return f"0.5 x {slope} x {square} x {length}{tail} = {told(value)} m3; {square} m2 is the mean of h^2"
    first, last = float(mid.first[0]), float(mid.last[0])
    a1, am, a2 = (cut_section(h, start, finished) for h in (first, (first + last) / 2, last))
    sections = f"({told(a1)} + 4 x {told(am)} + {told(a2)})"
    by_ends = end_area(a1, a2, mid.total) * (BALANCED_SHARE if balanced else 1.0)
    return (
        f"{length} x {sections} / 6{tail} = {told(value)} m3; sections 0.5 x {slope} x h^2 at h = {told(first)}, "
        f"{told((first + last) / 2)} and {told(last)} m; by the two ends alone it would be {told(by_ends)} m3"
    )
