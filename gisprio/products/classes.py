"""Five classes of urgency by share of the ranked, one colour each, for map and styled layers alike."""

from __future__ import annotations

from dataclasses import dataclass

SHARES_PCT = (5, 10, 25, 50)
"""Upper bound of the first four classes, in percent of what is ranked [own]; the rest is the fifth."""

VIRIDIS_5 = ("#440154", "#3b528b", "#21918c", "#5ec962", "#fde725")
"""Five steps of the viridis ramp, most urgent first: dark stands out on a light hillshade."""

NOT_RANKED = "#595551"
GAP = "#b03a0c"
PROPERTY = "#4c5663"
CONSTRAINT = "#3a3f47"
WORKS = "#0b5fa5"
SCAR = "#8f1d14"
STEP = "#c94fb0"
CLOSED, OPENED = "#0b5a6b", "#d95f0e"
"""Told apart by shape and pattern first, so that nobody needs to see the colour [own]."""
COLOURS = {
    "gap": GAP,
    "property": PROPERTY,
    "water": "#8fb4cc",
    "site": "#0b5a6b",
    "flow": "#2f5d7c",
    "crossing": "#3d434a",
    "step": STEP,
    "constraint": CONSTRAINT,
    "done": WORKS,
    "scar": SCAR,
}
"""Colour of each layer besides the ranked banks; each has a form of its own too, so that colour never says it alone."""


@dataclass(frozen=True, slots=True)
class NeedClass:
    """What a bank needs looked at: its word in column ``need``, colour and line in a legend."""

    need: str
    colour: str
    says: str


NEED_CLASSES = (
    NeedClass("both", "#3a0f5c", "Both: erosion and gap"),
    NeedClass("erosion_only", "#d95f0e", "Erosion only: look first"),
    NeedClass("gap_only", "#2b9fb8", "Gap only"),
    NeedClass("none", "#d9d6cc", "Neither"),
)


@dataclass(frozen=True, slots=True)
class ShareClass:
    """One class of a share: from ``low`` up to ``high`` (1 for all), its colour and its line in a legend."""

    low: float
    high: float
    colour: str
    says: str


SHARE_CLASSES = (
    ShareClass(0.8, 1.0, VIRIDIS_5[0], "80 % or more"),
    ShareClass(0.6, 0.8, VIRIDIS_5[1], "60 to 80 %"),
    ShareClass(0.4, 0.6, VIRIDIS_5[2], "40 to 60 %"),
    ShareClass(0.2, 0.4, VIRIDIS_5[3], "20 to 40 %"),
    ShareClass(0.0, 0.2, VIRIDIS_5[4], "under 20 %"),
)
"""Share of bank length that lacks its strip, most first, in equal steps [own]."""


def share_class(share: float) -> int:
    """Give the place among :data:`SHARE_CLASSES` of a share told in whole percent.

    Examples
    --------
    >>> [share_class(share) for share in (1.0, 0.8, 0.797, 0.794, 0.0)]
    [0, 0, 0, 1, 4]
    """
    percent = round(100 * share)
    return next(place for place, one in enumerate(SHARE_CLASSES) if percent >= round(100 * one.low))


@dataclass(frozen=True, slots=True)
class UrgencyClass:
    """One class.

    Parameters
    ----------
    low, high
        First and last rank of the class; ``high < low`` where it holds none.
    colour
        As #rrggbb.
    says
        Its line in a legend.
    """

    low: int
    high: int
    colour: str
    says: str


def urgency_classes(ranked: int) -> tuple[UrgencyClass, ...]:
    """Cut ranks 1 to ``ranked`` into the five classes.

    Parameters
    ----------
    ranked
        How many have a rank.

    Returns
    -------
    tuple of UrgencyClass
        Most urgent first. The class of share p ends at rank ceil(p x ranked), so rank 1 is in the first.

    Examples
    --------
    >>> [(c.low, c.high) for c in urgency_classes(200)]
    [(1, 10), (11, 20), (21, 50), (51, 100), (101, 200)]
    >>> [(c.low, c.high) for c in urgency_classes(1)]
    [(1, 1), (2, 1), (2, 1), (2, 1), (2, 1)]
    """
    ends = [0, *(-(-ranked * share // 100) for share in SHARES_PCT), ranked]
    labels = ["Top 5 %", "5 to 10 %", "10 to 25 %", "25 to 50 %", "Lower half"]
    return tuple(UrgencyClass(ends[i] + 1, ends[i + 1], VIRIDIS_5[i], labels[i]) for i in range(len(VIRIDIS_5)))
