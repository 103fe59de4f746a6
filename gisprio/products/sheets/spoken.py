"""What figures of a sheet show, in words, for whoever has it read aloud: made of what was drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from gisprio.products.sheets.drawing import locator_frame
from gisprio.products.sheets.frame import Bounds, Frame
from gisprio.products.sheets.marks import Points
from gisprio.products.sheets.plots import Plot
from gisprio.products.sheets.texts import Texts

WAYS = ("east", "northeast", "north", "northwest", "west", "southwest", "south", "southeast")
"""From east against the clock, an eighth of a turn each."""
MIDDLE = 1 / 3
"""What is nearer than this share of a window's half width and half height to its middle is told to be there [own]."""


def way_of(east: float, north: float) -> str:
    """Give the nearest of eight ways.

    >>> way_of(1.0, 1.1)
    'northeast'
    """
    return WAYS[round(np.degrees(np.arctan2(north, east)) / 45) % 8]


def where_in(box: Bounds, at: Sequence[float]) -> str:
    """Say in which ninth of a box a place is.

    >>> where_in((0, 0, 9, 9), (8.0, 4.0)), where_in((0, 0, 9, 9), (5.0, 4.0))
    ('east', 'middle')
    """
    off = (np.asarray(at) - np.add(box[:2], box[2:]) / 2) / (np.subtract(box[2:], box[:2]) / 2)
    east, north = (float(np.sign(part)) if abs(part) > MIDDLE else 0.0 for part in off)
    return way_of(east, north) if east or north else "middle"


def map_told(
    plot: Plot, frame: Frame, arrows: Sequence[Points], setback: str, lengths: Sequence[str], texts: Texts
) -> str:
    """Say what the map of a property shows.

    Parameters
    ----------
    plot
        The property.
    frame
        The window.
    arrows
        Arrow heads on the streams, tip first, third the back.
    setback
        The setback, as the sheet writes it.
    lengths
        Length of each strip, as the table writes it.
    texts
        The sentences.
    """
    say = texts.say
    told = [say("spoken.map", property=plot.property_id, scale=texts.number(frame.scale))]
    ways = texts.listed([say(f"ways.{way}") for way in dict.fromkeys(way_of(*(ring[0] - ring[2])) for ring in arrows)])
    named = texts.listed(list(plot.streams))
    told.append(say("spoken.stream", stream=named, ways=ways) if named else say("spoken.stream_unnamed", ways=ways))
    for strip, length in zip(plot.strips, lengths, strict=True):
        at = shapely.get_coordinates(frame.cut(strip.shape).centroid)[0]
        place = say(f"ways.{where_in(frame.box, at)}")
        told.append(say("spoken.strip", letter=strip.letter, side=say(strip.side), length=length, place=place))
    if not plot.setback_line.is_empty:
        told.append(say("spoken.setback", setback=setback))
    if plot.works:
        told.append(say("spoken.works"))
    return " ".join(told)


def locator_told(box: Bounds, ground: Bounds, place: Bounds, name: str, texts: Texts) -> str:
    """Say where in the watershed the map of a property lies.

    Parameters
    ----------
    box
        Of the locator on the page [mm].
    ground, place
        Bounds of the watershed's streams and of the window of the map [m].
    name
        Of the watershed.
    texts
        The sentences.
    """
    at = locator_frame(box, ground).places(np.reshape(place, (2, 2))).mean(axis=0)
    return texts.say("spoken.locator", place=name, where=texts.say(f"ways.{where_in(box, at)}"))
