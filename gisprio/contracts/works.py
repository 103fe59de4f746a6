"""What works are made up of: every item that concept sizing counts, with its unit, and the words of its tables."""

from __future__ import annotations

from dataclasses import dataclass

WORK_BASES = ("measured", "given", "modelled", "assumed")
"""How the least certain fact of the place behind a quantity was got: seen on heights or cover fine enough, told by
somebody who measured there, read off coarser maps, or taken for want of better. Choices of design are no facts."""

WORK_CHECKS = (
    "temporary",
    "heights",
    "slope",
    "lift_height",
    "fold",
    "anchor",
    "lift_slope",
    "balanced",
    "shear",
    "spacing",
    "toe_rock",
    "keys",
    "fill",
    "steep",
    "strip",
    "length",
    "utility",
)
"""What a warning is about."""


@dataclass(frozen=True, slots=True)
class WorkItem:
    """An item of works.

    Parameters
    ----------
    key
        Its name in tables; holds no unit.
    unit
        Unit of its quantities.
    title
        For people.
    says
        What is counted, in one sentence.
    priced
        Whether somebody may have to pay for it; the others are lengths and areas that explain those.
    """

    key: str
    unit: str
    title: str
    says: str
    priced: bool = True


# fmt: off
ITEMS = (
    WorkItem("works_length", "m", "Length of bank", "Bank that works are sized for, along the stream.", priced=False),
    WorkItem("run_out", "m", "Run-out", "How far the top of the bank moves back, the toe staying where it is.", priced=False),
    WorkItem("cut_section", "m2", "Cut section", "Area of the cut, seen along the stream.", priced=False),
    WorkItem("land_taken", "m2", "Strip of land taken", "Ground between the old top of the bank and the new one.", priced=False),
    WorkItem("trees_lost", "trees", "Trees lost", "Trees that stand on that strip.", priced=False),
    WorkItem("earth_cut", "m3", "Cut", "Earth dug off the bank, in place."),
    WorkItem("spoil", "m3", "Spoil", "The same earth loose, to be carried away and laid somewhere."),
    WorkItem("face", "m2", "New face", "Surface of the finished slope from toe to top."),
    WorkItem("lift", "lifts", "Layers of mat", "Wrapped lifts, or courses of mat on the face, one above the other.", priced=False),
    WorkItem("lift_length", "m", "Length of those layers", "All layers along the bank, each as far as the bank is high enough for it."),
    WorkItem("mat", "m2", "Mat", "Mat of those layers with laps and the returns into the keys."),
    WorkItem("mat_roll", "rolls", "Rolls of mat", "Whole rolls that this takes."),
    WorkItem("wood_stake", "stakes", "Wooden stakes", "Stakes that hold the mat, in rows."),
    WorkItem("toe_length", "m", "Toe of rock, length", "Bank along which rock holds the toe.", priced=False),
    WorkItem("toe_rock", "t", "Toe rock", "Rock along the toe, by published weight for each metre; its size is the designer's."),
    WorkItem("key", "keys", "Keys", "Trenches into the bank at both ends, filled with rock."),
    WorkItem("key_rock", "t", "Key rock", "Rock in the keys."),
    WorkItem("live_stake", "stakes", "Live stakes", "Cuttings driven into the new face."),
    WorkItem("seed", "kg", "Seed", "Seed on ground that the works leave bare."),
    WorkItem("planting_area", "m2", "Ground to plant", "Ground of the strip that lacks trees or shrubs, clear of what may not be planted.", priced=False),
    WorkItem("tree", "plants", "Trees", "Trees to order, with those that will die."),
    WorkItem("shrub", "plants", "Shrubs", "Shrubs to order, with those that will die."),
    WorkItem("guard", "guards", "Guards", "Guards or shelters, one for each tree to order."),
    WorkItem("fence", "m", "Fence", "Fence between stock and the strip."),
    WorkItem("off_stream_water", "places", "Water off the stream", "Places where stock drinks in place of the stream."),
)
# fmt: on
"""Items, in the order of the page: ``costs`` prices those that are ``priced``, by key."""

ITEM_KEYS = tuple(item.key for item in ITEMS)


def item_of(key: str) -> WorkItem:
    """Give an item by its key.

    Raises
    ------
    KeyError
        There is none of that name.
    """
    return {item.key: item for item in ITEMS}[key]


@dataclass(frozen=True, slots=True)
class GivenField:
    """A column of the table of what somebody measured on site.

    Parameters
    ----------
    name
        Column of the CSV.
    says
        What is written into it.
    low, high
        Bounds of the number; a column of words has none.
    """

    name: str
    says: str
    low: float = 0.0
    high: float | None = None


GIVEN_NUMBERS = (
    GivenField("length_m", "Length of bank to work on.", 1.0, 5000.0),
    GivenField("height_low_m", "Lowest height of the bank from toe to top.", 0.0, 30.0),
    GivenField("height_high_m", "Highest height of it.", 0.0, 30.0),
    GivenField("start_slope", "Slope of the bank now, horizontal to vertical: 0 is vertical.", 0.0, 10.0),
    GivenField("finished_slope", "Slope wanted, horizontal to vertical.", 0.1, 10.0),
    GivenField("plantable_area_m2", "Ground to plant.", 0.0, 1e6),
    GivenField("trees_lost", "Trees that stand on the strip of land that is taken, counted.", 0.0, 1e5),
)
"""Numbers that somebody measured or chose on site; each may stay empty, heights only both together."""


@dataclass(frozen=True, slots=True)
class Given:
    """What somebody measured at one site; None where nothing is said."""

    measure: str | None = None
    length_m: float | None = None
    height_low_m: float | None = None
    height_high_m: float | None = None
    start_slope: float | None = None
    finished_slope: float | None = None
    plantable_area_m2: float | None = None
    trees_lost: float | None = None
